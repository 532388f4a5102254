"""A cut told over HTTP, against one bare row over HTTP: the same server, the same sign-in, the same
framework, one request in turn with the other."""

from __future__ import annotations

import contextlib
import http.client
import json
import threading
import time
import uuid
from collections.abc import Iterator
from statistics import median
from typing import Any

from django.conf import settings
from django.core.management import CommandError
from django.core.servers.basehttp import WSGIRequestHandler, WSGIServer
from django.core.wsgi import get_wsgi_application
from django.db import connections, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.test.utils import override_settings
from django.urls import include, path
from knox.models import AuthToken
from rest_framework import generics, serializers

from grow.edge import tell
from grow.models import Lineage, Lot, Person, Place, Planting, Thing

from . import scratch
from .rows import Row

REQUESTS, WARM = 60, 5
SITES, EDGES = 10, 15
#: A cut of ten sites is to come in at least at so much of a bare row's requests a second.
LEAST = 0.3


class BareRow(serializers.ModelSerializer):
    """One row of three columns, as the framework writes it by itself."""

    class Meta:
        model = Thing
        fields = ["id", "name", "kind", "place"]


class Bare(generics.CreateAPIView):
    queryset = Thing.objects.all()
    serializer_class = BareRow


class _Quiet(WSGIRequestHandler):
    def log_message(self, format: str, *args: Any) -> None:
        """A line a request would be measured too."""


@contextlib.contextmanager
def served(db: BaseDatabaseWrapper) -> Iterator[http.client.HTTPConnection]:
    """The whole site on a port of this machine, upon a scratch database, and a client of it."""
    server = WSGIServer(("127.0.0.1", 0), _Quiet)
    server.set_app(get_wsgi_application())

    def serve() -> None:
        connections["default"] = scratch.wrapper(str(db.settings_dict["NAME"]))
        try:
            server.serve_forever(poll_interval=0.05)
        finally:
            connections["default"].close()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    client = http.client.HTTPConnection("127.0.0.1", server.server_port)
    try:
        yield client
    finally:
        client.close()
        server.shutdown()
        thread.join()
        server.server_close()


class Sender:
    """Posts JSON as one person, and says how long each answer took."""

    def __init__(self, client: http.client.HTTPConnection, token: str) -> None:
        self.client = client
        self.token = token

    def post(self, address: str, data: dict[str, Any]) -> tuple[float, Any]:
        """(milliseconds, the answer). Raises CommandError when nothing was made."""
        text = json.dumps(data)
        headers = {
            "Authorization": f"Token {self.token}",
            "Content-Type": "application/json",
            "Idempotency-Key": uuid.uuid4().hex,
        }
        started = time.perf_counter()
        self.client.request("POST", address, text, headers)
        answer = self.client.getresponse()
        said = answer.read()
        took = (time.perf_counter() - started) * 1000
        if answer.status != 201:
            raise CommandError(f"{address} answered {answer.status}: {said[:300]!r}")
        return took, json.loads(said)


def cut(person: Person) -> tuple[dict[str, Any], int]:
    """A cut of ten sites as a tablet sends it, of as few sowings as give it fifteen edges, and how
    many it has: fewer in a history that has only begun."""
    standing = Planting.objects.filter(ended_by=None, blocked_by=None)
    by_batch: dict[int, list[Planting]] = {}
    for planting in standing.select_related("site__tower", "batch").order_by("-batch_id", "id"):
        by_batch.setdefault(planting.batch_id, []).append(planting)
    whole = [ps for ps in by_batch.values() if len(ps) >= SITES]
    crop = whole[0][0].batch.crop_id
    whole = [ps for ps in whole if ps[0].batch.crop_id == crop]
    best: tuple[dict[str, Any], int] = {}, 0
    for some in range(1, min(SITES, len(whole)) + 1):
        each = -(-SITES // some)
        chosen = [p for ps in whole[:some] for p in ps[:each]][:SITES]
        told = {
            "crates": [{"gross_g": 900, "tare_g": 250}],
            "store": Place.objects.filter(kind="store").order_by("id")[:1].get().name,
            "sites": [str(p.site) for p in chosen],
            "sure": True,
        }
        with transaction.atomic():
            lot = tell(person, "harvest", told, client_id=uuid.uuid4().hex, exact=True).lot
            edges = Lineage.objects.filter(child=lot).count()
            transaction.set_rollback(True)
        best = max(best, (told, edges), key=lambda b: b[1])
        if edges >= EDGES:
            break
    return best


def beside_a_bare_row(movements: int, db: BaseDatabaseWrapper) -> list[Row]:
    """Requests a second of a cut ÷ those of a bare row. db is the scratch database in hand."""
    person = Person.objects.order_by("id")[:1].get()
    person.is_superuser = person.is_active = True
    person.save()
    token = AuthToken.objects.create(user=person)[1]
    told, edges = cut(person)
    store = Place.objects.get(name=told["store"]).pk
    ours: list[float] = []
    bare: list[float] = []
    site = override_settings(
        ROOT_URLCONF=(path("bare/", Bare.as_view()), path("", include(settings.ROOT_URLCONF))),
        ALLOWED_HOSTS=["127.0.0.1"],
        SECURE_SSL_REDIRECT=False,
    )
    with site, served(db) as client:
        sender = Sender(client, token)
        for n in range(REQUESTS + WARM):
            took, answer = sender.post("/api/v1/acts/harvest/", told)
            thing = {"name": f"Bench {uuid.uuid4().hex}", "kind": "other", "place": store}
            took_bare, _ = sender.post("/bare/", thing)
            if n >= WARM:
                ours.append(took)
                bare.append(took_bare)
            lot = Lot.objects.get(code=answer["lots"][0]["code"])
            if lot.above.count() < edges or lot.cut_sites.count() != SITES:
                raise CommandError(f"{lot} has {lot.above.count()} edges; {edges} are wanted.")
    if Thing.objects.filter(name__startswith="Bench ").count() < REQUESTS:
        raise CommandError("The bare rows were not written.")
    a, b = median(ours), median(bare)
    name = f"http: cut of {SITES} sites, {edges} edges ÷ a bare row, in requests/s"
    return [Row(name, movements, a, b, b / a, LEAST if edges >= EDGES else None, least=True)]
