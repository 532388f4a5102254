"""The API: each act through the one door, told once under one id, and every error in one shape."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.core.management import call_command
from django.test import Client, override_settings
from django.urls import reverse
from django.utils import timezone
from knox.models import AuthToken
from rest_framework.test import APIClient

from grow import gate
from grow.errors import Busy
from grow.kinds import KINDS
from grow.models import Event, Lot, Person
from tests.farm import Farm

pytestmark = pytest.mark.django_db
SHAPE = {"code", "sentence", "facts"}


@pytest.fixture
def api(farm: Farm) -> APIClient:
    client = APIClient(raise_request_exception=False)
    client.force_authenticate(farm.grower)
    return client


def tell(client: APIClient, kind: str, data: Any, key: str = "k-1", **more: Any) -> Any:
    return client.post(f"/api/v1/acts/{kind}/", data, headers={"Idempotency-Key": key} | more)


def refused(answer: Any, status: int) -> dict[str, Any]:
    """The body of an error, which has its one shape and a full sentence."""
    assert answer.status_code == status, answer.content
    assert answer["Content-Type"] == "application/json"
    data = answer.json()
    assert data.keys() == SHAPE
    assert data["sentence"][0].isupper() or data["sentence"][0] in "“0123456789" or data["facts"]
    assert data["sentence"][-1] in ".?"
    return data


CUT = {"crates": [{"gross_g": 4200, "tare_g": 900}], "store": "Cold store", "crop": "Red mustard"}


# --- acts -----------------------------------------------------------------------------------


def test_every_operation_has_an_address() -> None:
    for kind in KINDS:
        assert reverse(f"act-{kind}") == f"/api/v1/acts/{kind}/"


def test_a_cut_is_told_and_told_again(farm: Farm, api: APIClient) -> None:
    first = tell(api, "harvest", CUT, "morning", Device="Scale B")
    assert first.status_code == 201
    lot = Lot.objects.get()
    event = Event.objects.get()
    assert first.json() == {
        "id": event.pk,
        "kind": "harvest",
        "says": "cut",
        "happened_at": "2026-03-02T08:00:00Z",
        "day": "2026-03-02",
        "recorded_at": "2026-03-02T08:00:00Z",
        "recorded_by": "Tam",
        "place": None,
        "already_done": False,
        "lots": [
            {
                "code": lot.code,
                "kind": "harvest",
                "title": "Red mustard",
                "quantity": 3300,
                "unit": "g",
                "use_by": None,
            }
        ],
        "tags": [],
        "flags": [],
        "note": None,
    }
    assert (event.client_id, event.device) == ("morning", "Scale B")
    farm.pass_time(hours=1)
    again = tell(api, "harvest", CUT, "morning")
    assert again.status_code == 200
    assert again.json() == first.json()
    assert Lot.objects.count() == 1
    other = tell(api, "harvest", CUT | {"crop": "Loose-leaf lettuce"}, "morning")
    assert refused(other, 409)["code"] == "client_id_reused"
    farm.tell("cancel", event=event, reason="wrong crate")
    assert refused(tell(api, "harvest", CUT, "morning"), 409)["code"] == "undone"
    assert tell(api, "harvest", CUT, "anew").status_code == 201


def test_a_note_has_its_number_and_a_flag_its_sentence(farm: Farm, api: APIClient) -> None:
    run = farm.pack([farm.cut(1300)], packs=10)
    line = {"lot": run.code, "quantity": 4, "from_place": "Cold store"}
    sent = tell(api, "deliver", {"outlet": "Kitchen", "lines": [line]}).json()
    note = {"note": sent["note"], "lines": [{"lot": run.code, "accepted": 5}]}
    came = tell(api, "receive", note, "k-2").json()
    (flag,) = came["flags"]
    assert flag["kind"] == "over"
    assert flag["lot"] == run.code
    assert sent["note"] in flag["sentence"]
    printed = tell(api, "print_tags", {"count": 3}, "k-3").json()
    assert len(printed["tags"]) == 3


def test_what_the_edge_refuses_the_api_says_in_the_same_words(farm: Farm, api: APIClient) -> None:
    from grow import edge
    from grow.errors import Refusal

    cut = farm.cut(1300)
    for data in (
        {"product": "SALAD-120", "packs": 50, "store": "Cold store"},
        {"product": "SALAD-120", "packs": 5, "store": "cold stor", "taken": []},
        {
            "product": "SALAD-120",
            "packs": 50,
            "store": "Cold store",
            "taken": [{"lot": cut.code, "place": "Cold store", "left": 0}],
        },
    ):
        with pytest.raises(Refusal) as said:
            edge.tell(farm.grower, "pack", data, client_id="x", exact=True)
        answer = refused(tell(api, "pack", data), said.value.status)
        assert answer == said.value.as_json()


def test_a_point_is_decimal_here(farm: Farm, api: APIClient) -> None:
    """In a form "1.500" would be asked back; a scale's line and the API are exact."""
    crate = {"gross_g": "1.500 kg"}
    told = tell(api, "harvest", CUT | {"crates": [crate]}).json()
    assert told["lots"][0]["quantity"] == 1500


@pytest.mark.parametrize("key", ["", "   ", "k" * 65, "clé"])
def test_an_act_needs_an_id_of_its_own(farm: Farm, api: APIClient, key: str) -> None:
    answer = refused(tell(api, "harvest", CUT, key), 400)
    assert answer["code"] == "client_id"
    assert Event.objects.count() == 0
    assert tell(api, "harvest", CUT, "k" * 64).status_code == 201


def test_whose_role_tells_no_such_thing_is_told_so(farm: Farm) -> None:
    packer = APIClient()
    packer.force_authenticate(farm.packer)
    assert refused(tell(packer, "harvest", CUT), 403)["code"] == "not_your_task"
    assert Event.objects.count() == 0
    farm.packer.groups.add(Group.objects.get(name="packer"))
    del farm.packer.__dict__["_roles"]
    cut = tell(packer, "harvest", CUT)
    assert refused(cut, 403)["sentence"].startswith("“cut” is not among the tasks of Ines")
    tags = tell(packer, "print_tags", {"count": 1})
    assert tags.status_code == 201


def test_part_of_one_lot_leaves_quarantine_not_of_two(farm: Farm, api: APIClient) -> None:
    """Found by schemathesis: a quantity of two lots at once was a fault, not a refusal."""
    first, second = farm.cut(900), farm.cut(800)
    for lot in (first, second):
        farm.tell("move", lot=lot, from_place=farm.store, to_place=farm.quarantine, quantity=500)
    part = {
        "from_place": "Quarantine",
        "to_place": "Cold store",
        "quantity": 200,
        "reason": "clear",
    }
    both = tell(api, "release", part | {"lots": [first.code, second.code]})
    assert refused(both, 422)["code"] == "one_lot"
    assert tell(api, "release", part | {"lots": [first.code]}).status_code == 201


# --- errors ---------------------------------------------------------------------------------


def test_errors_of_reading(farm: Farm, api: APIClient) -> None:
    address = "/api/v1/acts/harvest/"
    key = {"Idempotency-Key": "k"}
    for sent, status, code in (
        ('{"crates": [', 400, "not_json"),
        ("[1, 2]", 400, "not_json"),
        ('{"crop": "\\ud800"}', 400, "not_json"),
        ("[" * 5000, 400, "not_json"),
        ('{"crates": NaN}', 400, "not_json"),
        ("{}", 400, "unread"),
        ('{"crop": "a\\u0000"}', 400, "unread"),
        (json.dumps(CUT | {"crop": "x" * 5000}), 400, "no_name"),
        (json.dumps(CUT | {"crop": "Kale"}), 404, "no_such_crop"),
    ):
        answer = api.post(address, sent, content_type="application/json", headers=key)
        assert refused(answer, status)["code"] == code
    answer = api.post(address, "a=1", content_type="text/plain", headers=key)
    assert refused(answer, 415)["code"] == "media_type"
    fields = refused(tell(api, "harvest", {"cell": 3}), 400)["facts"]["fields"]
    assert fields.keys() == {"cell", "crates", "store"}


def test_errors_of_the_address(api: APIClient) -> None:
    assert refused(api.get("/api/v1/acts/harvest/"), 405)["code"] == "method"
    assert refused(api.get("/api/v1/acts/harrow/"), 404)["code"] == "not_found"
    assert refused(api.post("/api/v2/"), 404)["code"] == "not_found"
    answer = api.get("/api/v1/tokens/", headers={"Accept": "text/csv"})
    assert refused(answer, 406)["code"] == "format"


def test_who_is_not_signed_in_is_told_so(farm: Farm) -> None:
    client = APIClient()
    for header in ({}, {"Authorization": "Token no"}, {"Authorization": "Token \xff\xfe"}):
        answer = client.get("/api/v1/tokens/", headers=header)
        assert refused(answer, 401)["code"] == "not_signed_in"
        assert answer["WWW-Authenticate"] == "Token"


def test_a_session_needs_the_page_it_came_from(farm: Farm) -> None:
    """A browser that is signed in sends its cookie whoever asks it to; so a session's post needs
    the token that only our own pages hold."""
    client = APIClient(enforce_csrf_checks=True)
    client.force_login(farm.grower)
    assert client.get("/api/v1/tokens/").status_code == 200
    assert refused(tell(client, "harvest", CUT), 403)["code"] == "not_allowed"
    assert Event.objects.count() == 0


def test_busy_books_and_a_fault(farm: Farm, api: APIClient, monkeypatch) -> None:
    def busy(how: str) -> None:
        raise Busy

    monkeypatch.setattr(gate, "enter", busy)
    answer = tell(api, "harvest", CUT)
    assert refused(answer, 503)["code"] == "busy"
    assert int(answer["Retry-After"]) > 0

    def fault(how: str) -> None:
        raise ZeroDivisionError("secret innards")

    monkeypatch.setattr(gate, "enter", fault)
    answer = tell(api, "harvest", CUT)
    assert refused(answer, 500)["code"] == "fault"
    assert "secret" not in answer.content.decode()


# --- tokens ---------------------------------------------------------------------------------


def test_a_token_from_its_making_to_its_end(farm: Farm) -> None:
    farm.grower.set_password("a long enough one")
    farm.grower.save()
    client = APIClient()
    right = {"username": "tam", "password": "a long enough one"}
    wrong = client.post("/api/v1/token/", right | {"password": "another"})
    assert refused(wrong, 400)["code"] == "wrong_password"
    made = client.post("/api/v1/token/", right)
    assert made.status_code == 201
    token = made.json()["token"]
    kept = AuthToken.objects.get()
    assert token not in (kept.digest, kept.token_key)
    assert kept.expiry > timezone.now()
    client.credentials(HTTP_AUTHORIZATION=f"Token {token}")
    assert tell(client, "harvest", CUT).status_code == 201
    assert Event.objects.get().recorded_by == farm.grower
    (listed,) = client.get("/api/v1/tokens/").json()
    assert listed["key"] == made.json()["key"]
    assert listed["this_one"] is True
    other = AuthToken.objects.create(user=farm.packer)[0]
    assert refused(client.delete(f"/api/v1/tokens/{other.token_key}/"), 404)
    assert client.post("/api/v1/token/logout/").status_code == 204
    assert refused(client.get("/api/v1/tokens/"), 401)
    assert list(AuthToken.objects.all()) == [other]


def test_an_expired_token_opens_nothing(farm: Farm) -> None:
    kept, token = AuthToken.objects.create(user=farm.grower)
    client = APIClient(headers={"Authorization": f"Token {token}"})
    assert client.get("/api/v1/tokens/").status_code == 200
    kept.expiry = timezone.now() - timezone.timedelta(seconds=1)
    kept.save()
    assert refused(client.get("/api/v1/tokens/"), 401)


def _anew(person: Person) -> None:
    person.set_password("quite another one")
    person.save()


def _by_the_page(address: str, **told: str) -> Callable[[Person], None]:
    def done(person: Person) -> None:
        boss = Client()
        boss.force_login(Person.objects.create_superuser("boss"))
        none = {"sign_offs-TOTAL_FORMS": "0", "sign_offs-INITIAL_FORMS": "0"}
        url = f"/grow/person/{person.pk}/{address}/"
        assert boss.post(url, none | {"username": person.username} | told).status_code == 302

    return done


@pytest.mark.parametrize(
    "end",
    [
        _anew,
        lambda person: call_command("changepassword", person.username),
        _by_the_page("password", password1="a-new-1-of-it", password2="a-new-1-of-it"),
        _by_the_page("password", usable_password="false", **{"unset-password": "1"}),
        _by_the_page("change"),  # without the tick “works here”
    ],
    ids=["told", "command", "set", "taken away", "works here no more"],
)
def test_a_token_ends_with_the_password_that_it_was_given_for(
    farm: Farm, end: Callable[[Person], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("getpass.getpass", lambda prompt="": "quite another one")
    farm.packer.set_password("the one of before")
    farm.packer.save()
    _, token = AuthToken.objects.create(user=farm.packer)
    kept = AuthToken.objects.create(user=farm.grower)[0]
    client = APIClient(headers={"Authorization": f"Token {token}"})
    farm.packer.save()  # whatever else is said of somebody ends nothing
    assert client.get("/api/v1/tokens/").status_code == 200
    end(Person.objects.get(pk=farm.packer.pk))
    assert refused(client.get("/api/v1/tokens/"), 401)
    Person.objects.filter(pk=farm.packer.pk).update(is_active=True)  # nor does it come back
    assert refused(client.get("/api/v1/tokens/"), 401)
    assert list(AuthToken.objects.all()) == [kept]


def test_a_lost_tablet_is_taken_back(farm: Farm, api: APIClient) -> None:
    kept, token = AuthToken.objects.create(user=farm.grower)
    tablet = APIClient(headers={"Authorization": f"Token {token}"})
    assert tablet.get("/api/v1/tokens/").status_code == 200
    assert api.delete(f"/api/v1/tokens/{kept.token_key}/").status_code == 204
    assert tablet.get("/api/v1/tokens/").status_code == 401


@override_settings(AXES_ENABLED=True, AXES_FAILURE_LIMIT=3)
def test_guessing_passwords_is_stopped(farm: Farm) -> None:
    farm.grower.set_password("a long enough one")
    farm.grower.save()
    client = APIClient()
    for _ in range(2):
        assert refused(client.post("/api/v1/token/", {"username": "tam", "password": "x"}), 400)
    for password in ("x", "a long enough one"):
        answer = client.post("/api/v1/token/", {"username": "tam", "password": password})
        assert refused(answer, 429)["code"] == "too_many"
        assert int(answer["Retry-After"]) == 900
    assert not AuthToken.objects.exists()
    other = {"username": "ines", "password": "x"}
    assert refused(client.post("/api/v1/token/", other), 400)


def test_an_unusable_password_gives_no_token(farm: Farm) -> None:
    person = Person.objects.create_user("kt")
    assert not person.has_usable_password()
    answer = APIClient().post("/api/v1/token/", {"username": "kt", "password": ""})
    assert refused(answer, 400)
