"""What is another outlet's is to a chef as if it were not: every endpoint, page, filter, and every
argument of every act that names an object, asked once for the corner shop's and once for one that
nobody ever had. The answers are the same, and no answer holds a word, code or price of theirs.

What is asked is read off the addresses, the filters and the operations' own signatures: a new one
is asked by itself, or fails here until it is said which object of theirs it means.
"""

from __future__ import annotations

import itertools
import json
import logging
import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Any
from urllib.parse import quote

import pytest
from django.db import models
from django.test import Client
from django.urls import reverse
from django_filters import rest_framework as filters
from knox.models import AuthToken

from grow.asks import COMMON, Ask, asks
from grow.importing.grid import KINDS_ON_PAPER
from grow.models import (
    Crop,
    Description,
    Event,
    Item,
    Lot,
    Person,
    Photo,
    Place,
    PlantSite,
    Thing,
    Variety,
)
from grow.rest import Called
from sales.models import DeliveryNote, Outlet, Product
from tests import two_outlets, who_may
from tests.farm import Arrived, Farm
from tests.test_who_may import (
    API,
    KIND_ROWS,
    OF_A_RUN,
    PAGE_ROWS,
    PARTS,
    TABLES,
    api_says,
    methods,
    taken_back,
)
from tests.two_outlets import TwoOutlets

pytestmark = [pytest.mark.django_db, pytest.mark.once, pytest.mark.beside]
_ids = itertools.count(1)
#: Everybody's, or nobody's outlet: crops, products, towers.
SHARED: set[type[models.Model]] = {Crop, Variety, Item, Product, PlantSite}
NOBODYS = 987_654_321


class Chef:
    """The kitchen's chef, by token and by session, and what of the corner shop is never shown."""

    def __init__(self, world: TwoOutlets) -> None:
        self.world = world
        me = world.people["chef"]
        token = AuthToken.objects.create(user=me)[1]
        self.program = Client(headers={"Authorization": f"Token {token}"})
        self.session = Client()
        self.session.force_login(me)
        other = world.other
        #: Model → (what names the other outlet's row, what names none)
        self.named: dict[type[models.Model], list[tuple[str, str]]] = {
            Place: [(two_outlets.OTHER, "Nowhere stall")],
            Outlet: [(two_outlets.OTHER, "Nowhere stall")],
            Lot: [
                (other["run"].code, f"{other['run'].code[:-1]}#"),
                (other["crate"].code, f"{other['crate'].code[:-1]}#"),
                ("Quince-label", "Nobody-label"),
            ],
            DeliveryNote: [
                (note.number, f"N9999{n}-9")
                for n, note in enumerate((other["note"], other["open"], world.shared_note))
            ],
            Event: [(str(other[e].pk), str(NOBODYS)) for e in ("sent", "received")]
            + [(str(world.thrown.pk), str(NOBODYS))],
            Person: [(world.cook.username, "nobody-here")],
            Thing: [("Quince fridge", "Nowhere fridge")],
            Photo: [(str(other["photo"].pk), str(NOBODYS))],
        }
        self.secrets = [
            "quince",
            two_outlets.OTHER_CONTACT,
            two_outlets.OTHER_REASON,
            *("hand-shake", str(two_outlets.OTHER_PENCE), "23.71"),
            str(two_outlets.OTHER_ORDER),
            *(other[what].code for what in ("run", "crate")),
            *(other[what].number for what in ("note", "open")),
            world.shared_note.number,
        ]
        self.wrong: list[str] = []

    def ask(self, method: str, url: str, data: Any = None) -> tuple[int, str]:
        """Status and body, the body without what is new each time."""
        client = self.program if url.startswith("/api/") else self.session
        more: dict[str, Any] = {}
        if client is self.program:
            more = {
                "content_type": "application/json",
                "HTTP_IDEMPOTENCY_KEY": f"other-{next(_ids)}",
            }
        with taken_back(client):
            answer = getattr(client, method.lower())(url, data or {}, **more)
        body = b"".join(answer) if answer.streaming else answer.content
        text = body.decode("utf-8-sig", errors="replace") + answer.get("Location", "")
        return answer.status_code, _NEW.sub("", text)

    def clean(self, what: str, text: str, *said: str) -> None:
        """Nothing of theirs stands in an answer, but what was said in the question."""
        for word in said:
            text = re.sub(re.escape(word), "", text, flags=re.IGNORECASE)
        for secret in self.secrets:
            if re.search(rf"(?<![0-9]){re.escape(secret)}(?![0-9])", text, re.IGNORECASE):
                self.wrong.append(f"{what} shows {secret}")

    def alike(self, method: str, url: str, theirs: Any, none: Any, said: tuple[str, str]) -> None:
        """Asked for theirs and for what nobody has, the answers are the same."""
        answers = []
        for data, word in zip((theirs, none), said, strict=True):
            status, text = self.ask(method, url.replace("{}", word), data)
            what = f"{method} {url} {data}"
            self.clean(what, text, word)
            if status >= 500:
                self.wrong.append(f"{what} breaks")
            answers.append((status, _same(text, *said)))
        if answers[0] != answers[1]:
            (a, one), (b, two) = answers
            at = next((n for n, (x, y) in enumerate(zip(one, two, strict=False)) if x != y), 0)
            self.wrong.append(
                f"{method} {url} {theirs}: {a} …{one[max(0, at - 30) : at + 90]}… but of none"
                f" {b} …{two[max(0, at - 30) : at + 90]}…"
            )

    def told_clean(self) -> None:
        assert not self.wrong, "\n".join(dict.fromkeys(self.wrong))


#: Tokens of forms and ids of acts.
_NEW = re.compile(
    r'name="csrfmiddlewaretoken" value="\w+"|[0-9a-f]{8}-[0-9a-f-]{27}|"took_ms": *[0-9.]+'
)
#: PostgreSQL counts on though what was told is taken back.
_NUMBERED = re.compile(r'"id": ?[0-9]+|done=[0-9]+')
_HINT = re.compile(r" Did you mean [^?]*\?|\"nearest\": ?\[[^]]*\],?")


def _same(text: str, *words: str) -> str:
    """Without the words that were asked for, and hints of what else may have been meant, which
    follow from their letters."""
    for word in words:
        for spelt in (word, word.replace(" ", "+"), quote(word)):
            alone = rf"(?<![0-9]){re.escape(spelt)}(?![0-9])"
            text = re.sub(alone, "*", text, flags=re.IGNORECASE)
    return _HINT.sub("", _NUMBERED.sub("", text))


@pytest.fixture
def chef(farm: Farm) -> Iterator[Chef]:
    logging.disable(logging.CRITICAL)
    yield Chef(TwoOutlets(farm, who_may.ROLES))
    logging.disable(logging.NOTSET)


READS = [
    (name, view)
    for name, view in API
    if "GET" in methods(view) and "chef" in (api_says(name, "GET") or ())
]


# --- the API ----------------------------------------------------------------------------------


def test_no_list_or_reading_holds_anything_of_theirs(chef: Chef) -> None:
    own = {
        "trace": [{"code": lot.code} for lot in (chef.world.own["run"], chef.world.shared)]
        + [
            {"code": chef.world.own["note"].number},
            {"product": "SALAD-120", "date": chef.world.farm.today.isoformat()},
            {"place": "Kitchen", "since": "2026-01-01", "until": "2027-01-01"},
            {"place": "T1", "since": "2026-01-01", "until": "2027-01-01"},
            {"thing": "Scale B"},
        ],
        "stock": [{}, {"at": chef.world.farm.today.isoformat()}, {"lot": chef.world.shared.code}],
        "today": [{"own": "true"}, {"day": chef.world.farm.today.isoformat()}],
    }
    for name, _ in READS:
        if not name.endswith("-detail") and name not in {"api", "schema", "photo", *OF_A_RUN}:
            for asked in own.get(name, [{"limit": 500}] if name.endswith("-list") else [{}]):
                for kind in ("application/json", "text/csv") if name in own else (None,):
                    status, text = ask_as(chef, reverse(name), asked, kind)
                    assert status in (200, 404), text
                    chef.clean(
                        f"GET {name} {asked}", text, *asked.values() if name == "trace" else ()
                    )
    assert chef.ask("GET", reverse("notes-list"))[1].count('"outlet":"Kitchen"') == 3
    chef.told_clean()


def ask_as(chef: Chef, url: str, asked: Any, kind: str | None) -> tuple[int, str]:
    answer = chef.program.get(url, asked, **({"HTTP_ACCEPT": kind} if kind else {}))
    body = b"".join(answer) if answer.streaming else answer.content
    return answer.status_code, body.decode()


def test_every_object_of_theirs_is_as_if_it_were_not(chef: Chef) -> None:
    """Each row of each table: in the chef's list and shown, or not there, and said in the words
    of one that never was."""
    keys = {"lots": "code", "notes": "number", "runs": "lot"}
    for name, _ in READS:
        table, _, form = name.rpartition("-")
        if form != "detail":
            continue
        key = keys.get(table, "id")
        listed = json.loads(chef.ask("GET", reverse(f"{table}-list"), {"limit": 500})[1])
        mine = {str(row[key]) for row in listed["results"]}
        (model,) = [m for m, (api, *_) in TABLES.items() if api == table]
        for row in two_outlets.rows_of(model):
            word = str(row.lot.code if table == "runs" else getattr(row, key))
            url = reverse(name, args=[word])
            if word in mine:
                status, text = chef.ask("GET", url)
                assert status == 200, url
                chef.clean(f"GET {url}", text)
            else:
                nobodys = "X99999-99-9" if key in ("code", "lot") else str(NOBODYS)
                chef.alike("GET", url.replace(word, "{}"), {}, {}, (word, nobodys))
    chef.told_clean()


def test_no_photograph_of_theirs(chef: Chef) -> None:
    run = chef.world.other["run"]
    photo = Photo.objects.create(sha256="0" * 64, jpeg=b"a picture")
    Description.objects.create(event=run.made_by, lot=run, photo=photo)
    said = (str(photo.pk), str(NOBODYS))
    chef.alike("GET", "/api/v1/photos/{}/", {}, {}, said)
    assert chef.ask("GET", reverse("photo", args=[photo.pk]))[0] == 404
    chef.told_clean()


def test_no_photograph_of_their_note(chef: Chef) -> None:
    """Nor of a note for a lot that both had: a picture is seen with its note alone."""
    world = chef.world
    shared = Photo.objects.create(sha256="9" * 64, jpeg=b"of the shared")
    line = Arrived(world.shared, 0, rejected=1, reason=two_outlets.OTHER_REASON, photo=shared)
    world.farm.tell("receive", note=world.shared_note, lines=[line], recorded_by=world.cook)
    for theirs in (world.other["photo"], shared):
        for url in ("/api/v1/photos/{}/", "/photographs/{}/"):
            chef.alike("GET", url, {}, {}, (str(theirs.pk), str(NOBODYS)))
            assert chef.ask("GET", url.replace("{}", str(theirs.pk)))[0] == 404
    own = world.own["photo"].pk
    for url in (f"/api/v1/photos/{own}/", f"/photographs/{own}/"):
        assert chef.ask("GET", url) == (200, "of Kitchen")
    chef.told_clean()


def test_goods_in_knows_nothing_of_theirs(chef: Chef) -> None:
    """Their note, named, scanned and posted to the page; their lot, scanned, cut and brought."""
    world = chef.world
    for theirs, none in chef.named[DeliveryNote] + chef.named[Lot]:
        for name in ("note", "code", "scan"):
            chef.alike("GET", "/goods-in/", {name: theirs}, {name: none}, (theirs, none))
        for queued in ({}, {"client_id": "queue"}):
            data = {"press": "all", "on-R1": "3"} | queued
            asked = ({"note": theirs} | data, {"note": none} | data)
            chef.alike("POST", "/goods-in/", *asked, (theirs, none))
        for url, name in (("/goods-in/without-note/", "code"), ("/goods-in/cut/", "scan")):
            chef.alike("GET", url, {name: theirs}, {name: none}, (theirs, none))
    url = reverse("act-come_without_note")
    for theirs, none in chef.named[Lot]:
        for n, much in enumerate(({"packs": 2}, {"grams": 500})):
            asked = ({"outlet": "Kitchen", "code": w} | much for w in (theirs, none))
            chef.alike("POST", url, *asked, (theirs, none))
            data = {"press": "record", "outlet": "Kitchen", "packs": "2", "client_id": f"w{n}"}
            posted = ({"code": w} | data for w in (theirs, none))
            chef.alike("POST", "/goods-in/without-note/", *posted, (theirs, none))
    for note in (world.other["open"], world.other["note"], world.shared_note):
        for method, more in (("GET", {}), ("POST", {"press": "all"})):
            assert chef.ask(method, "/goods-in/", {"note": note.number} | more)[0] == 404
    own = world.own["open"].number
    assert chef.ask("GET", "/goods-in/", {"note": own})[0] == 200
    assert own in chef.ask("GET", "/goods-in/")[1]
    chef.told_clean()


#: Filters by a plain value: what of theirs it may be asked for, and what is nobody's.
PLAIN = {
    "event": Event,
    "corrects": Event,
    "called": Lot,
}
#: Filters by what belongs to no outlet: choices, days, yes or no, a name that all share.
_OF_NOBODY = (
    filters.ChoiceFilter,
    filters.BooleanFilter,
    filters.OrderingFilter,
)
_OF_ALL = {"name", "code", "line", "picked", "kind", "wants_notes", "is_active", "first", "last"}
_OF_ALL |= {"recorded_since", "weekday"}


def test_every_filter_knows_nothing_of_theirs(chef: Chef) -> None:
    for name, view in READS:
        if not name.endswith("-list"):
            continue
        backend = view.cls.filter_backends[0]()
        filterset = backend.get_filterset_class(view.cls(), view.cls.queryset)
        for field, one in (filterset.base_filters if filterset else {}).items():
            if isinstance(one, Called):
                model = one.model_called
            elif field in PLAIN:
                model = PLAIN[field]
            else:
                assert isinstance(one, _OF_NOBODY) or field in _OF_ALL, f"{name}: {field}?"
                continue
            if model in SHARED:
                continue
            for theirs, none in chef.named[model]:
                url = reverse(name)
                chef.alike("GET", url, {field: theirs}, {field: none}, (theirs, none))
    chef.told_clean()


#: What the readings ask for, by name.
READ_BY = {
    "complaints": {},
    "stock": {"place": Place, "lot": Lot},
    "today": {},
    "trace": {"code": (Lot, DeliveryNote, Place), "thing": Thing, "place": Place, "outlet": Outlet},
}


def test_every_reading_knows_nothing_of_theirs(chef: Chef) -> None:
    plain = {"at", "day", "own", "product", "date", "since", "until", "alongside", "entry"}
    for name, view in READS:
        if not hasattr(view.cls, "asks"):
            continue
        names = view.cls.asks().fields.keys()
        assert names - plain == READ_BY[name].keys(), f"{name} asks for something new"
        for field, of in READ_BY[name].items():
            for model in of if isinstance(of, tuple) else (of,):
                for theirs, none in chef.named[model]:
                    window = {"since": "2026-01-01", "until": "2027-01-01"}
                    bought = {"product": "SALAD-120", "date": "2026-03-02"}
                    more = {"place": window, "outlet": bought}.get(
                        field if name == "trace" else "", {}
                    )
                    asked = ({field: theirs} | more, {field: none} | more)
                    chef.alike("GET", reverse(name), *asked, (theirs, none))
    for word in ("Quince fridge since its last check", "Quince corner shop"):
        none = word.replace("Quince", "Nobody")
        chef.alike("GET", reverse("trace"), {"code": word}, {"code": none}, (word, none))
    chef.told_clean()


# --- acts -------------------------------------------------------------------------------------


def arguments(kind: str) -> Iterator[tuple[Ask, list[str]]]:
    """Each argument of an act that names a row, and where in what is sent it stands."""
    for ask in (*asks(kind), *COMMON):
        if ask.what in ("row", "tally"):
            yield ask, [ask.name]
        for part in ask.parts:
            if part.what == "row":
                yield part, [ask.name, part.name]


def told(ask: Ask, where: list[str], word: str) -> dict[str, Any]:
    """The argument as the API takes it."""
    if len(where) == 2:
        return {where[0]: [{where[1]: word}]}
    if ask.what == "tally":
        return {ask.name: [{ask.model._meta.model_name: word, "quantity": 1}]}
    value = int(word) if ask.model is Event else word
    return {ask.name: [value] if ask.many else value}


CHEFS_KINDS = sorted(kind for kind, may in KIND_ROWS.items() if "chef" in may)


def test_no_act_takes_anything_of_theirs(chef: Chef) -> None:
    seen = set()
    for kind in CHEFS_KINDS:
        for ask, where in arguments(kind):
            if ask.model in SHARED:
                continue
            assert ask.model in chef.named, f"{kind}: what of theirs is a {ask.model}?"
            seen.add(ask.model)
            for theirs, none in chef.named[ask.model]:
                asked = (told(ask, where, theirs), told(ask, where, none))
                chef.alike("POST", reverse(f"act-{kind}"), *asked, (theirs, none))
    assert seen == chef.named.keys()
    chef.told_clean()


def test_no_form_offers_or_takes_anything_of_theirs(chef: Chef) -> None:
    for kind in CHEFS_KINDS:
        url = reverse("admin:act", args=[kind])
        chef.clean(url, chef.ask("GET", url)[1])
        for ask, where in arguments(kind):
            if ask.model in SHARED:
                continue
            name = where[0] if len(where) == 1 else f"{where[0]}-0-{where[1]}"
            for theirs, none in {chef.named[ask.model][0], chef.named[ask.model][-1]}:
                asked = ({name: theirs}, {name: none})
                for method in ("GET", "POST"):
                    chef.alike(method, url, *asked, (theirs, none))
    chef.told_clean()


# --- pages ------------------------------------------------------------------------------------

#: Whatever any page asks for in its address.
ASKED = {
    "lot": Lot,
    "code": Lot,
    "note": DeliveryNote,
    "place": Place,
    "outlet": Outlet,
    "thing": Thing,
    "event": Event,
    "entries": Event,
    "done": Event,
    "person": Person,
}
#: Before anybody is known, for a whole device.
_OF_THE_DEVICE = {"login", "logout", "who", "pin", "who_next", "who_still", "jsi18n"}
#: A picture and no page: asked for in `test_no_photograph_of_their_note`.
_NO_PAGE = {"photograph"}
CHEFS_PAGES = [
    name for name, may in PAGE_ROWS.items() if "chef" in may - {"nobody"} and name not in _NO_PAGE
]


def test_no_page_holds_or_finds_anything_of_theirs(chef: Chef) -> None:
    asked = [(name, chef.named[model][0]) for name, model in ASKED.items()]
    asked += [("code", one) for model in (Lot, DeliveryNote) for one in chef.named[model]]
    for page in CHEFS_PAGES:
        if page in _OF_THE_DEVICE:
            continue
        url = reverse(f"admin:{page}", args=PARTS.get(page, lambda world: [])(chef.world))
        for more in ({}, {"as": "csv"}):
            status, text = chef.ask("GET", url, more)
            assert status in (200, 302), f"{url} {status}"
            chef.clean(url, text)
            if more and text.lstrip().startswith("<"):
                continue  # a page without rows to take away
            for name, (theirs, none) in asked:
                said = ({name: theirs} | more, {name: none} | more)
                chef.alike("GET", url, *said, (theirs, none))
    own = {"code": chef.world.shared.code}
    for more in ({}, {"as": "csv"}):
        status, text = chef.ask("GET", reverse("admin:trace"), own | more)
        assert status == 200
        chef.clean("the trace of a lot that both had", text)
    chef.told_clean()


def test_their_runs_weights_and_records_are_as_if_they_were_not(chef: Chef) -> None:
    world = chef.world
    for run in (world.own["run"], world.other["run"], world.shared):
        weights = [Decimal(n) / 10 for n in (1204, 1219, 1213)]
        world.farm.tell("weigh_packs", run=run, weights=weights, scale=world.farm.scale)
    told = {"lines": "121.4 g"}
    for theirs, _ in chef.named[Lot]:
        none = "X99999-99-9"
        for page in ("/runs/{}/record/", "/runs/{}/weights/"):
            for address in (page, f"/api/v1{page}"):
                chef.alike("GET", address, {}, {}, (theirs, none))
        chef.alike("POST", "/api/v1/runs/{}/scale-lines/", told, told, (theirs, none))
    for run in (world.own["run"], world.shared):
        status, text = chef.ask("GET", reverse("admin:run_record", args=[run.code]))
        assert status == 200
        assert "121.9" in text
        chef.clean(f"the record of {run}", text)
        status, text = chef.ask("GET", reverse("run-record", args=[run.code]))
        assert (status, json.loads(text)["packed_by"]) == (200, ["Tam"])
        chef.clean(f"the record of {run} in the API", text)
        status, text = chef.ask("GET", reverse("run-weights", args=[run.code]))
        found = json.loads(text)
        assert (status, len(found["weights"])) == (200, 3)
        assert found["giveaway"]["grams"] > 0
        # money is not theirs, nor what runs weighed that went to others
        assert (found["giveaway"]["pence"], found["advice"]) == (None, None)
        chef.clean(f"the weights of {run}", text)
    chef.told_clean()


def test_their_notes_and_papers_are_as_if_they_were_not(chef: Chef) -> None:
    for theirs, none in chef.named[DeliveryNote]:
        for address in ("/notes/{}/", "/notes/{}/pdf/", "/api/v1/notes/{}/"):
            chef.alike("GET", address, {}, {}, (theirs, none))
    for own in (chef.world.own["note"], chef.world.own["open"]):
        for page in ("note", "note_pdf"):
            url = reverse(f"admin:{page}", args=[own.number])
            status, text = chef.ask("GET", url)
            assert status == 200
            chef.clean(url, text)
    assert chef.ask("GET", reverse("wanted-list"))[1].count('"Kitchen"') == 7
    chef.told_clean()


def test_a_lot_of_theirs_is_not_found_by_any_trace(chef: Chef) -> None:
    theirs = chef.world.other["run"].code
    for url in (reverse("trace"), reverse("admin:trace")):
        for code in (theirs, "R26061-99-A"):  # and nor is one that there never was
            assert chef.ask("GET", url, {"code": code})[0] == 404
    chef.told_clean()


def test_of_one_name_that_both_gave_the_chef_means_the_kitchens(chef: Chef) -> None:
    world = chef.world
    for run in (world.own["run"], world.other["run"]):
        world.farm.tell("describe", lot=run, called="Twice-told")
    status, text = chef.ask("GET", reverse("lots-detail", args=["Twice-told"]))
    assert (status, json.loads(text)["code"]) == (200, world.own["run"].code)
    for url in (reverse("trace"), reverse("admin:trace")):
        status, text = chef.ask("GET", url, {"code": "Twice-told"})
        assert status == 200
        assert world.own["run"].code in text
        chef.clean(url, text)
    chef.told_clean()
    chef.session.force_login(world.people["packer"])
    answer = chef.session.get(reverse("lots-detail", args=["Twice-told"]))
    assert answer.json()["code"] == "several"  # and whoever sees both is asked which


def test_what_their_learner_told_is_not_the_chefs_to_sign(chef: Chef) -> None:
    theirs = str(chef.world.thrown.pk)
    sign = {"password": two_outlets.PASSWORD}
    chef.alike(
        "POST",
        reverse("admin:countersign"),
        sign | {"entries": theirs},
        sign | {"entries": str(NOBODYS)},
        (theirs, str(NOBODYS)),
    )
    chef.told_clean()


def test_a_cook_of_no_kitchen_yet_sees_nothing(chef: Chef) -> None:
    """Who is a chef and nothing else, before anybody has said in which kitchen."""
    chef.world.people["chef"].places.clear()
    for name in ("lots", "notes", "events", "movements", "holdings", "outlets", "holds", "runs"):
        status, text = chef.ask("GET", reverse(f"{name}-list"))
        assert (status, json.loads(text)["count"]) == (200, 0), name
    assert chef.ask("GET", reverse("prices-list"))[0] == 403
    assert chef.ask("GET", reverse("admin:sales_price_changelist"))[0] == 403
    assert chef.ask("GET", reverse("lots-detail", args=[chef.world.own["run"].code]))[0] == 404
    # what somebody else is besides being a cook lets them see the whole farm
    chef.world.people["packer"].groups.add(*chef.world.people["chef"].groups.all())
    both = Client()
    both.force_login(chef.world.people["packer"])
    assert both.get(reverse("lots-list")).json()["count"]


# --- sheets, and what an act says of what stands elsewhere ------------------------------------


def test_no_sheet_takes_anything_of_theirs(chef: Chef) -> None:
    for kind in CHEFS_KINDS:
        if kind not in KINDS_ON_PAPER:
            continue
        url = reverse("admin:sheet", args=[kind])
        status, text = chef.ask("GET", url)
        assert status == 200
        chef.clean(url, text)
        for ask, where in arguments(kind):
            if ask.model in SHARED or where[-1] not in KINDS_ON_PAPER[kind]:
                continue
            for theirs, none in chef.named[ask.model]:
                sheet = {"token": "t", "day": chef.world.farm.today.isoformat()}
                asked = [sheet | {f"{where[-1]}-{n}": w for n in (1, 2)} for w in (theirs, none)]
                chef.alike("POST", url, *asked, (theirs, none))
        # a name that they gave already is the chef's to give, too
        if "called" in KINDS_ON_PAPER[kind]:
            line = {"crop-1": "Loose-leaf lettuce", "store-1": "Kitchen", "gross_g-1": "1.2"}
            sheet = {"token": "u", "day": chef.world.farm.today.isoformat()} | line
            words = ("Quince-label", "Nobody-label")
            chef.alike("POST", url, *(sheet | {"called-1": w} for w in words), words)
    chef.told_clean()


def test_no_refusal_or_answer_says_what_of_a_lot_stands_with_them(chef: Chef) -> None:
    """Both have some of the same run; the chef tells of it what can and what cannot be."""
    run, kitchen = chef.world.shared.code, "Kitchen"
    note = chef.world.own["open"]
    acts: list[tuple[str, dict[str, Any]]] = [
        ("use", {"lot": run, "place": kitchen, "quantity": 1}),
        ("use", {"lot": run, "place": kitchen, "quantity": 99}),
        ("use", {"lot": run, "place": kitchen, "quantity": 99, "already_done": True}),
        (
            "discard",
            {"lot": run, "from_place": kitchen, "to": "compost", "quantity": 99, "reason": "old"},
        ),
        ("count", {"place": kitchen, "counted": [{"lot": run, "quantity": 50}], "closing": False}),
        ("count", {"place": kitchen, "counted": [{"lot": run, "quantity": 1}], "closing": True}),
        ("return_goods", {"lot": run, "outlet": kitchen, "quantity": 99, "reason": "wilted"}),
        ("receive", {"note": note.number, "lines": [{"lot": run, "accepted": 3}]}),
        ("undo", {"event": chef.world.own["received"].pk}),
        ("hold", {"lots": [run], "reason": "smell"}),
    ]
    answered = set()
    for kind, data in acts:
        status, text = chef.ask("POST", reverse(f"act-{kind}"), data)
        assert status < 500, text
        answered.add(status)
        chef.clean(f"{kind} {data}", text)
        form = reverse("admin:act", args=[kind])
        sent = {k: v for k, v in data.items() if not isinstance(v, list)}
        chef.clean(f"{form} {sent}", chef.ask("POST", form, sent)[1])
    assert {201, 403, 422} <= answered, answered
    chef.told_clean()
