"""Every operation, endpoint and page against every role, from the one table in `tests.who_may`.

The walk takes every address that the project answers; one that is in no row fails by its name.
Each is asked for as each person, with a session for pages and a token for the API, within a
transaction that is taken back.
"""

from __future__ import annotations

import contextlib
import itertools
import logging
from collections.abc import Iterator
from http.cookies import SimpleCookie
from typing import Any

import pytest
from django.apps import apps
from django.contrib import admin
from django.contrib.contenttypes.models import ContentType
from django.db import transaction
from django.http import HttpResponse
from django.template.response import SimpleTemplateResponse
from django.test import Client
from django.urls import URLResolver, get_resolver, reverse
from knox.models import AuthToken

from config import site
from grow.importing.grid import KINDS_ON_PAPER
from grow.kinds import KINDS
from grow.models import Business, Description, Lot, Photo
from sales import public
from sales.models import Product
from tests import who_may
from tests.farm import Farm
from tests.two_outlets import PASSWORD, TwoOutlets

pytestmark = [pytest.mark.django_db, pytest.mark.once]
_ids = itertools.count(1)
WHO = (*who_may.ROLES, "no role", "superuser", "nobody")

# --- what there is ------------------------------------------------------------------------------


def walk(patterns: Any, route: str = "", space: str = "") -> Iterator[tuple[str, str, Any]]:
    """Every address of the project: (namespace:name, route, view)."""
    for pattern in patterns:
        whole = route + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            inner = f"{pattern.namespace}:" if pattern.namespace else space
            yield from walk(pattern.url_patterns, whole, inner)
        else:
            yield f"{space}{pattern.name or ''}", whole, pattern.callback


def methods(view: Any) -> list[str]:
    """What an endpoint of the API answers to, HEAD and OPTIONS apart."""
    allowed = set(view.cls.http_method_names) - {"head", "options", "trace"}
    has = getattr(view, "actions", None) or {m for m in allowed if hasattr(view.cls, m)}
    return sorted(m.upper() for m in allowed & set(has))


ADDRESSES = list(walk(get_resolver().url_patterns))
API = [(name, view) for name, route, view in ADDRESSES if route.startswith("api/") and name]
SITE = [(name.removeprefix("admin:"), route) for name, route, _ in ADDRESSES if "admin:" in name]

# --- what the table says ------------------------------------------------------------------------

KIND_ROWS = {
    kind: who_may.people(who)
    for kinds, who in who_may.cells(who_may.KINDS)
    for kind in kinds.split()
}
API_ROWS = {what: who_may.people(who) for what, who in who_may.cells(who_may.API)}
PAGE_ROWS = {
    page: who_may.people(who)
    for pages, who in who_may.cells(who_may.PAGES)
    for page in pages.split()
}
PUBLIC_ROWS = {
    page: who_may.people(who)
    for pages, who in who_may.cells(who_may.PUBLIC)
    for page in pages.split()
}
_, *_tables = who_may.cells(who_may.TABLES)
TABLES = {
    model: (api, *map(who_may.people, rest)) for model, api, *rest in _tables
}  # model → (API's name, looked at by, set up by, deleted by)
IN_API = {api: rest for api, *rest in TABLES.values() if api != "-"}


def api_says(name: str, method: str) -> frozenset[str] | None:
    """Who may use an endpoint; None where no row speaks of it."""
    if name.startswith("act-"):
        return KIND_ROWS.get(name.removeprefix("act-"))
    table = name.rpartition("-")[0]
    if name.endswith(("-list", "-detail")) and table in IN_API:
        looked, set_up, deleted = IN_API[table]
        own = {"GET": looked, "DELETE": deleted}
        return own.get(method, set_up)
    return API_ROWS.get(f"{method} {name}")


_VERBS = ("changelist", "add", "history", "delete", "change")


def site_says(name: str) -> frozenset[str] | None:
    """Who may open a page of the site; None where no row speaks of it."""
    for model, (_, looked, set_up, deleted) in TABLES.items():
        app, _, table = model.partition(".")
        verb = name.removeprefix(f"{app}_{table}_")
        if verb in _VERBS and name != verb:
            own: dict[str, Any] = {"add": set_up, "delete": deleted}
            if verb == "add" and model in who_may.NOT_ADDED_IN_SITE:
                own["add"] = frozenset()
            return frozenset(own.get(verb, looked)) - {"chef"}
    return PAGE_ROWS.get(name)


def test_every_operation_is_in_the_table() -> None:
    assert KIND_ROWS.keys() == KINDS.keys()


def test_every_endpoint_is_in_the_table() -> None:
    every = {(m, name) for name, view in API for m in methods(view)}
    assert [f"{m} {name}" for m, name in sorted(every) if api_says(name, m) is None] == []
    named = {f"{m} {name}" for m, name in every}
    assert [row for row in API_ROWS if row not in named] == []
    lists = {name.removesuffix("-list") for _, name in every if name.endswith("-list")}
    assert lists == IN_API.keys()
    written = {n.removesuffix("-list") for m, n in every if m == "POST" and n.endswith("-list")}
    looked_at = {api for api, (_, set_up, _) in IN_API.items() if not set_up}
    assert lists - written == looked_at | who_may.LOOKED_AT_IN_API


def test_every_page_is_in_the_table() -> None:
    # without a name: the redirect from an object to its change page, and the site's last word
    rest = {route for name, route in SITE if not name}
    assert all(route.endswith(("/<path:object_id>/", "(?P<url>.*)$")) for route in rest)
    every = {name for name, _ in SITE if name} - who_may.BY_WHAT_IS_NAMED
    assert [name for name in sorted(every) if site_says(name) is None] == []
    assert PAGE_ROWS.keys() <= every
    outside = {name for name, route, _ in ADDRESSES if name and not route.startswith("api/")}
    outside -= {f"admin:{name}" for name, _ in SITE}
    assert outside == PUBLIC_ROWS.keys()
    unnamed = {route for name, route, _ in ADDRESSES if not name}
    assert unnamed - who_may.UNGUARDED - {"api/"} == set()


def test_every_table_of_ours_is_in_the_table() -> None:
    shown = {model._meta.label_lower for model in admin.site._registry}
    assert shown == TABLES.keys() - who_may.NO_PAGE_OF_ITS_OWN
    for model in TABLES:
        apps.get_model(model)


# --- asking as each of them ---------------------------------------------------------------------


@contextlib.contextmanager
def taken_back(client: Client) -> Iterator[None]:
    """Whatever a request writes is not there afterwards, in the books as in the browser."""
    had = {name: cookie.value for name, cookie in client.cookies.items()}
    with transaction.atomic():
        yield
        transaction.set_rollback(True)
    client.cookies = SimpleCookie(had)


class Asked:
    """Everybody at once: a session and a token each, and what an answer means."""

    def __init__(self, world: TwoOutlets) -> None:
        self.world = world
        self.wrong: list[str] = []
        self.sessions, self.programs = {}, {}
        for who in WHO:
            sent = {}
            self.sessions[who] = client = Client(raise_request_exception=False)
            if who != "nobody":
                client.force_login(world.people[who])
                token = AuthToken.objects.create(user=world.people[who])[1]
                sent = {"Authorization": f"Token {token}"}
            self.programs[who] = Client(raise_request_exception=False, headers=sent)

    def ask(self, who: str, method: str, url: str, data: Any = None, token: bool = False) -> str:
        """may, not, nobody, or a fault with its status."""
        client = self.programs[who] if token else self.sessions[who]
        more: dict[str, Any] = {"HTTP_IDEMPOTENCY_KEY": f"who-{next(_ids)}"}
        if token:
            more["content_type"] = "application/json"
        with taken_back(client):
            answer = getattr(client, method.lower())(url, data or {}, **more)
        status = answer.status_code
        if status == 401 or (
            status == 302 and answer["Location"].startswith(reverse("admin:login"))
        ):
            return "nobody"
        if status in (403, 404):
            return "not"
        known = (200, 201, 204, 302, 400, 405, 409, 415, 422)
        return "may" if status in known else f"fault {status}"

    def all(
        self,
        may: frozenset[str],
        method: str,
        url: str,
        *data: Any,
        stranger: str = "nobody",
        **more: Any,
    ) -> None:
        """Ask as each; remember who was let in or kept out against the table."""
        for who in ["nobody"] if "nobody" in may else WHO:
            had = self.ask(who, method, url, *data, **more)
            want = "may" if who in may else stranger if who == "nobody" else "not"
            if had != want:
                self.wrong.append(f"{method} {url} as {who}: {had}, the table says {want}")


@pytest.fixture
def world(farm: Farm) -> TwoOutlets:
    return TwoOutlets(farm, who_may.ROLES)


@pytest.fixture
def asked(world: TwoOutlets, monkeypatch: pytest.MonkeyPatch) -> Iterator[Asked]:
    """Without drawing the pages: here only their status is read."""
    monkeypatch.setattr(SimpleTemplateResponse, "rendered_content", "")
    monkeypatch.setattr(site, "_not_here", lambda *told: HttpResponse(status=told[-1]))
    logging.disable(logging.CRITICAL)  # three thousand refusals are what is wanted here
    yield Asked(world)
    logging.disable(logging.NOTSET)


def a_row(world: TwoOutlets, model: str) -> Any:
    """A row that whoever sees any of the table may see; the chef's own where there are such."""
    rows = apps.get_model(model)._default_manager.all()
    own = {
        "grow.lot": world.own["run"],
        "grow.event": world.own["received"],
        "grow.place": world.farm.bench2,
        "grow.thing": world.farm.scale,
        "grow.person": world.people["packer"],
        "sales.outlet": world.farm.kitchen,
        "sales.packingrun": world.own["run"].run,
        "sales.deliverynote": world.own["note"],
    }
    lot = {
        "grow.movement",
        "grow.labresult",
        "grow.holding",
        "grow.hold",
        "grow.flag",
        "grow.description",
    }
    if model in own:
        return own[model]
    if model == "grow.lineage":
        rows = rows.filter(child=world.own["run"])
    if model == "grow.holding":
        rows = rows.filter(place=world.farm.kitchen_place)
    if model == "grow.movement":
        rows = rows.filter(to_place=world.farm.kitchen_place)
    if model in lot:
        rows = rows.filter(lot=world.own["run"])
    row = rows.first()
    assert row is not None, f"{model} is empty"
    return row


#: Endpoints whose address names a run.
OF_A_RUN = {"run-record", "run-weights", "run-scale-lines"}
#: A chef sees these tables' lists, which hold nothing of theirs.
_EMPTY_TO_THE_CHEF = {"tags"}


def test_every_endpoint_against_every_role(asked: Asked) -> None:
    for name, view in API:
        table, _, form = name.rpartition("-")
        args: list[Any] = []
        if form == "detail":
            (model,) = [m for m, (api, *_) in TABLES.items() if api == table]
            row = a_row(asked.world, model)
            keys = {"lots": "code", "notes": "number"}
            args = [row.lot.code if table == "runs" else getattr(row, keys.get(table, "pk"))]
        if name in OF_A_RUN:
            args = [asked.world.own["run"].code]
        if name == "recall":
            args = [asked.world.mock.number]
        if name == "own-token":
            args = [asked.world.token.token_key]
        if name == "photo":
            run = asked.world.own["run"]
            photo = Photo.objects.create(sha256="0" * 64, jpeg=b"a picture")
            Description.objects.create(event=run.made_by, lot=run, photo=photo)
            args = [photo.pk]
        url = reverse(name, args=args)
        for method in methods(view):
            may = api_says(name, method)
            assert may is not None
            if name == "own-token":
                may = frozenset({"superuser"})  # one's own: to everybody else it is not there
            if form == "detail" and table in _EMPTY_TO_THE_CHEF:
                may -= {"chef"}
            asked.all(may, method, url, token=True)
    assert not asked.wrong, "\n".join(asked.wrong)


def test_every_form_against_every_role(asked: Asked) -> None:
    for kind, may in KIND_ROWS.items():
        for method in ("GET", "POST"):
            # it is signed with one's password
            asked.all(may, method, reverse("admin:act", args=[kind]), {"password": PASSWORD})
            if kind in KINDS_ON_PAPER:
                asked.all(may, method, reverse("admin:sheet", args=[kind]))
    assert not asked.wrong, "\n".join(asked.wrong)


#: What a page's address needs to be asked for.
PARTS: dict[str, Any] = {
    "pin": lambda w: [w.people["packer"].pk],
    "import_template": lambda w: ["harvest.csv"],
    "crate_tags": lambda w: ["all"],
    "run_weights": lambda w: [w.own["run"].code],
    "run_record": lambda w: [w.own["run"].code],
    "note": lambda w: [w.own["note"].number],
    "note_pdf": lambda w: [w.own["note"].number],
    "first_step": lambda w: ["business"],
    "seal_pdf": lambda w: [a_row(w, "grow.seal").day],
    "seal_text": lambda w: [a_row(w, "grow.seal").day],
    "photograph": lambda w: [w.own["photo"].pk],
    "recall": lambda w: [w.mock.number],
    "recall_notices": lambda w: [w.mock.number],
    "printer": lambda w: [a_row(w, "sales.printer").pk],
    "auth_user_password_change": lambda w: [w.people["packer"].pk],
}


def test_every_page_against_every_role(asked: Asked) -> None:
    for name, may in PAGE_ROWS.items():
        parts = PARTS.get(name, lambda world: [])(asked.world)
        for method in ("GET", "POST"):
            if (name, method) in (("logout", "GET"), ("jsi18n", "POST")):
                continue
            url = reverse(f"admin:{name}", args=parts)
            # what is there for none is not there for a stranger either
            stranger = "nobody" if may else "not"
            asked.all(may, method, url, {"password": PASSWORD}, stranger=stranger)
    assert not asked.wrong, "\n".join(asked.wrong)


def test_every_public_page_against_everybody(world: TwoOutlets) -> None:
    """Open to nobody in particular: to each the same page, and it takes nothing from anybody."""
    Business.objects.update(public_address="http://testserver")
    run, gtin = world.own["run"].code, "09521234543213"
    Product.objects.filter(pk=world.farm.bag.pk).update(gtin=gtin)
    urls = {
        "public_lot": f"/l/{run}",
        "public_link": f"/01/{gtin}/10/{run}",
        "public_trial": public.trial_url("http://testserver").removeprefix("http://testserver"),
    }
    assert urls.keys() == PUBLIC_ROWS.keys()
    people = {"nobody": None, **world.people}
    for name, may in PUBLIC_ROWS.items():
        assert may == {*people}
        pages = set()
        for person in people.values():
            client = Client()
            if person:
                client.force_login(person)
            answer = client.get(urls[name])
            assert answer.status_code == 200, name
            pages.add(answer.content)
            assert client.post(urls[name]).status_code == 405
        assert len(pages) == 1, name


def test_every_table_of_the_site_against_every_role(asked: Asked) -> None:
    for model, (_, _, set_up, _) in TABLES.items():
        if model in who_may.NO_PAGE_OF_ITS_OWN:
            continue
        row = a_row(asked.world, model)
        stem = f"admin:{model.replace('.', '_')}"
        for verb in _VERBS:
            url = reverse(f"{stem}_{verb}", args=[] if verb in ("changelist", "add") else [row.pk])
            may = site_says(f"{model.replace('.', '_')}_{verb}")
            assert may is not None
            asked.all(may, "GET", url)
            if verb in ("add", "delete"):
                asked.all(may, "POST", url)
            if verb == "change":
                asked.all(frozenset(set_up), "POST", url)
    assert not asked.wrong, "\n".join(asked.wrong)


def test_what_a_field_offers_against_every_role(asked: Asked) -> None:
    """Who looks at a table is offered its rows where another table names them."""
    for model, rows in admin.site._registry.items():
        for name in rows.autocomplete_fields:
            of = model._meta.get_field(name).related_model._meta.label_lower
            may = TABLES[of][1] - {"chef"}
            meta = model._meta
            named = {"app_label": meta.app_label, "model_name": meta.model_name}
            asked.all(may, "GET", reverse("admin:autocomplete"), named | {"field_name": name})
    assert not asked.wrong, "\n".join(asked.wrong)


def test_the_list_of_an_app_against_every_role(asked: Asked) -> None:
    for app in {model.partition(".")[0] for model in TABLES}:
        seen = [looked for model, (_, looked, *_) in TABLES.items() if model.startswith(f"{app}.")]
        may = frozenset().union(*seen) - {"chef"}
        asked.all(may, "GET", reverse("admin:app_list", args=[app]))
    assert not asked.wrong, "\n".join(asked.wrong)


def test_nothing_has_a_page_elsewhere(asked: Asked) -> None:
    """Django's way from a row to its public page leads nowhere: no row has one."""
    kind = ContentType.objects.get_for_model(Lot)
    url = reverse("admin:view_on_site", args=[kind.pk, asked.world.own["run"].pk])
    asked.all(frozenset(), "GET", url)
    assert not asked.wrong, "\n".join(asked.wrong)


def test_who_is_kept_out_is_told_so_in_words(world: TwoOutlets) -> None:
    client = Client()
    client.force_login(world.people["chef"])
    for url, status, says in (
        (reverse("admin:act", args=["sow"]), 403, "“Sow” is not among your tasks."),
        (reverse("admin:grow_lot_changelist"), 403, "The tables are not among your tasks."),
        (reverse("admin:act", args=["dance"]), 404, "There is no kind of entry called “dance”."),
        ("/nowhere/at/all/", 404, "There is nothing here that you may see."),
    ):
        answer = client.get(url)
        page = answer.content.decode()
        assert answer.status_code == status
        assert says in page
        assert "Content-Security-Policy" in answer
        assert 'href="/"' in page
