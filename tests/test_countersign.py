"""What learners tell counts at once and waits for another person's word; and what they may not."""

from __future__ import annotations

import datetime as dt
import itertools
import random
import re
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.test import Client

from grow import clock, pins, signing
from grow.edge import tell
from grow.errors import NotAllowed, Refusal
from grow.faults import faults
from grow.models import Event, Flag, Item, Person, SignOff, ToCountersign
from grow.roles import may
from sales.label_words import date_of
from sales.trace import trace
from tests.farm import Farm

pytestmark = pytest.mark.django_db
_ids = itertools.count(1)


def person(name: str, *roles: str, signed_off: tuple[str, ...] = (), **more: Any) -> Person:
    made = Person.objects.create_user(name, is_staff=True, **more)
    made.groups.set(Group.objects.filter(name__in=roles))
    for task in signed_off:
        SignOff.objects.create(person=made, task=task, since="2026-01-01", by=made)
    return made


class Lesson:
    """Lou learns; Gil grows and teaches; Pat packs; Fay is the food-safety lead."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm
        self.lou = person("lou", "learner", shown_as="Lou")
        self.gil = person("gil", "grower", signed_off=("teaching",), shown_as="Gil")
        self.pat = person("pat", "packer", shown_as="Pat")
        self.fay = person("fay", "food_safety_lead", shown_as="Fay")
        self.cut = self.tell("harvest", crates=["2.4"], crop="Loose-leaf lettuce")
        farm.pass_time(minutes=5)

    def tell(self, kind: str, who: Person | None = None, /, **data: Any) -> Event:
        if kind == "harvest":
            data["store"] = "Cold store"
            data["crates"] = [{"gross_g": f"{kg} kg"} for kg in data["crates"]]
        who = Person.objects.get(pk=(who or self.lou).pk)  # roles as they are now
        return tell(who, kind, data, client_id=f"lesson-{next(_ids)}")

    def countersign(self, who: Person, *events: Event, **more: Any) -> Event:
        return self.tell("countersign", who, entries=[str(e.pk) for e in events], **more)

    def waits(self, event: Event) -> bool:
        return ToCountersign.objects.filter(event=event, signed_by=None).exists()

    def page(self, who: Person) -> Client:
        client = Client()
        client.force_login(who)
        return client


@pytest.fixture
def lesson(farm: Farm) -> Lesson:
    return Lesson(farm)


# --- it waits, and somebody signs --------------------------------------------------------------


def test_what_a_learner_tells_counts_at_once_and_waits(lesson):
    farm = lesson.farm
    assert farm.stock(lesson.cut.lot, farm.store) == 2400
    assert lesson.waits(lesson.cut)
    check = lesson.tell("check", kind="test weight", passed="yes", place="Packing bench")
    assert lesson.waits(check)  # what moves nothing waits, too
    had_a_hand = farm.tell("clean", place=farm.line, done_by=[lesson.lou, lesson.gil])
    assert lesson.waits(had_a_hand)
    assert not lesson.waits(lesson.tell("clean", lesson.gil, place="Packing bench"))
    assert faults() == []


def test_many_are_signed_at_once_and_nothing_of_them_changes(lesson):
    check = lesson.tell("check", kind="test weight", passed="yes", place="Packing bench")
    before = (lesson.cut.told, lesson.farm.holdings())
    signed = lesson.countersign(lesson.gil, lesson.cut, check, remark="weighed with me")
    rows = dict(ToCountersign.objects.values_list("event", "signed_by"))
    assert rows == {lesson.cut.pk: signed.pk, check.pk: signed.pk}
    lesson.cut.refresh_from_db()
    assert (lesson.cut.told, lesson.farm.holdings()) == before
    assert "weighed with me" in signed.told
    assert faults() == []


def test_who_may_countersign(lesson):
    """A grower signed off for teaching, the manager and the lead; nobody else, no learner."""
    both = person("bo", "learner", "grower", signed_off=("teaching",), shown_as="Bo")
    cases = {
        lesson.gil: "",
        lesson.fay: "",
        person("mo", "manager"): "",
        lesson.pat: "Pat is not signed off for teaching.",
        lesson.lou: "“countersigned” is not among the tasks of Lou; the manager says who may.",
        both: "“countersigned” is not among the tasks of Bo; the manager says who may.",
        person("sam"): "“countersigned” is not among the tasks of sam; the manager says who may.",
    }
    for who, sentence in cases.items():
        check = lesson.tell("check", kind="glass list", passed="yes", place="Packing bench")
        if not sentence:
            lesson.countersign(who, check)
            assert not lesson.waits(check)
            continue
        with pytest.raises(NotAllowed) as refused:
            lesson.countersign(who, check)
        assert refused.value.sentence == sentence
        assert lesson.waits(check)


def test_teaching_is_asked_of_the_operation_too_not_only_at_the_door(lesson):
    with pytest.raises(NotAllowed, match="Lou is a learner; somebody who teaches countersigns"):
        lesson.farm.tell("countersign", entries=[lesson.cut], recorded_by=lesson.lou)
    with pytest.raises(NotAllowed, match="Lou is a learner"):
        lesson.farm.tell("countersign", entries=[lesson.cut], done_by=[lesson.lou])
    SignOff.objects.update(since="2027-01-01")
    with pytest.raises(NotAllowed, match="Gil is not signed off for teaching"):
        lesson.countersign(lesson.gil, lesson.cut)


def test_nobody_countersigns_what_they_had_a_hand_in(lesson):
    told = lesson.tell("clean", place="Packing bench", done_by=["lou", "gil"])
    with pytest.raises(NotAllowed) as refused:
        lesson.countersign(lesson.gil, told)
    assert refused.value.code == "own_entry"
    assert re.fullmatch(
        r"Gil had a hand in “cleaned” of 02 Mar 2026 \d\d:\d\d; another person countersigns it\.",
        refused.value.sentence,
    )
    lesson.countersign(lesson.fay, told)


def test_what_does_not_wait_is_not_signed(lesson):
    own = lesson.tell("clean", lesson.pat, place="Packing bench")
    for event, code in ((own, "not_waiting"), (lesson.cut, "")):
        if not code:
            lesson.countersign(lesson.gil, event)
            event, code = lesson.cut, "already_countersigned"
        with pytest.raises(Refusal) as refused:
            lesson.countersign(lesson.fay, event)
        assert refused.value.code == code
    assert "was countersigned by Gil on 02 Mar 2026" in refused.value.sentence
    with pytest.raises(Refusal):
        lesson.countersign(lesson.gil)


def test_an_entry_that_was_cancelled_waits_no_more(lesson):
    assert list(signing.waiting(lesson.gil)) == [lesson.cut]
    lesson.farm.tell("cancel", event=lesson.cut, reason="told twice")
    assert not signing.waiting(lesson.gil).exists()
    with pytest.raises(Refusal) as refused:
        lesson.countersign(lesson.gil, lesson.cut)
    assert refused.value.code == "cancelled_since"
    undone = lesson.tell("clean", place="Packing bench")
    taken_back = lesson.tell("undo", event=str(undone.pk))
    assert not ToCountersign.objects.filter(event=taken_back).exists()
    assert not signing.waiting(lesson.gil).exists()
    assert faults() == []


def test_what_a_learner_who_grows_cancels_waits_too(lesson):
    both = person("bo", "learner", "grower", shown_as="Bo")
    told = lesson.tell("clean", lesson.pat, place="Packing bench")
    cancelled = lesson.tell("cancel", both, event=str(told.pk), reason="told twice")
    assert lesson.waits(cancelled)
    assert cancelled in signing.waiting(lesson.gil)
    assert lesson.page(lesson.gil).get("/countersign/").content.decode().count(" checked>") == 2
    lesson.countersign(lesson.gil, cancelled)
    assert faults() == []


def test_a_countersignature_can_be_taken_back(lesson):
    signed = lesson.countersign(lesson.gil, lesson.cut)
    assert not lesson.waits(lesson.cut)
    lesson.tell("undo", lesson.gil, event=str(signed.pk))
    assert lesson.waits(lesson.cut)
    assert faults() == []
    lesson.countersign(lesson.fay, lesson.cut)
    assert faults() == []


def test_a_repeat_is_one_countersignature(lesson):
    data = {"entries": [str(lesson.cut.pk)]}
    first = tell(lesson.gil, "countersign", data, client_id="once")
    assert tell(lesson.gil, "countersign", data, client_id="once").pk == first.pk


def test_signed_or_corrected_first_the_books_are_the_same(lesson):
    """In whichever order: three countersigned, a weight corrected, one of them cancelled."""
    farm = lesson.farm
    ends = set()
    for seed in range(4):
        told = [lesson.tell("harvest", crates=["2.4"], crop="Loose-leaf lettuce") for _ in range(3)]
        farm.pass_time(minutes=1)
        acts = [
            lambda told=told: lesson.countersign(lesson.gil, *told[:2]),
            lambda told=told: lesson.countersign(lesson.fay, told[2]),
            lambda told=told: farm.tell(
                "correct_weight", lot=told[0].lot, right=2000, reason="read wrong"
            ),
        ]
        random.Random(seed).shuffle(acts)
        for act in acts:
            act()
        stocks = tuple(farm.stock(e.lot, farm.store) for e in told)
        ends.add((stocks, tuple(lesson.waits(e) for e in told)))
        assert faults() == []
    assert ends == {((2000, 2400, 2400), (False, False, False))}


def test_the_recount_finds_a_signature_that_nobody_gave(lesson):
    signed = lesson.countersign(lesson.gil, lesson.cut)
    assert faults() == []
    ToCountersign.objects.update(signed_by=None)
    assert faults() == [
        f"Entry {lesson.cut.pk} is countersigned by none in its row, by {signed.pk} in what was "
        "told."
    ]
    ToCountersign.objects.update(signed_by=lesson.cut)
    assert len(faults()) == 1


# --- where it is seen --------------------------------------------------------------------------


def gaps(lot: Any) -> list[str]:
    return [gap.says for gap in trace([lot]).gaps if gap.kind == "not_countersigned"]


def test_the_trace_says_so_until_it_is_signed(lesson):
    farm = lesson.farm
    run = farm.pack([lesson.cut.lot], packs=20)
    assert gaps(run) == [
        f"“cut” of 02 Mar 2026 08:00 ({lesson.cut.lot.code}) was recorded by a learner, not "
        "countersigned."
    ]
    moved = lesson.tell(
        "put_on_shelf",
        outlet="Farm shop",
        lines=[{"lot": run.code, "quantity": "4", "from_place": "Cold store"}],
    )
    assert len(gaps(run)) == 2
    lesson.countersign(lesson.gil, lesson.cut, moved)
    assert gaps(run) == []


def test_a_date_that_a_learner_brought_forward_waits_and_the_trace_says_so(lesson):
    """It counts at once, as whatever a learner tells; a later one is refused, as to anybody."""
    farm = lesson.farm
    run = farm.pack([farm.cut(3000)], packs=20)
    stands = date_of(run)
    assert stands is not None
    with pytest.raises(Refusal, match="a later date"):
        lesson.tell("describe", lot=run.code, best_before=str(stands + dt.timedelta(days=1)))
    sooner = stands - dt.timedelta(days=2)
    told = lesson.tell("describe", lot=run.code, best_before=str(sooner))
    assert date_of(run) == sooner
    assert lesson.waits(told)
    assert gaps(run) == [
        f"“described” of {clock.local(told.happened_at):%d %b %Y %H:%M} ({run.code}) was recorded "
        "by a learner, not countersigned."
    ]
    lesson.countersign(lesson.gil, told)
    assert gaps(run) == []


def test_the_trace_says_who_packed_without_being_signed_off(lesson):
    """Where a list of packers is kept: Tam is on it, Ines is not."""
    farm = lesson.farm
    run = farm.pack([farm.cut(3000)], packs=20)
    other = farm.pack([farm.cut(3000)], packs=20, done_by=[farm.packer])

    def said(lot: Any) -> list[str]:
        return [gap.says for gap in trace([lot]).gaps if gap.kind == "not_signed_off"]

    assert said(run) == []
    (gap,) = said(other)
    assert gap.endswith(f"({other.code}): Ines, not signed off for packing.")
    SignOff.objects.filter(task="packing").delete()
    assert said(other) == []


def test_the_start_page_says_how_many_wait_and_marks_them(lesson):
    def start(who: Person) -> str:
        return lesson.page(who).get("/").content.decode()

    assert "1 entry of learners to countersign" in start(lesson.gil)
    assert "to countersign" not in start(lesson.pat)
    assert "to countersign" not in start(lesson.lou)
    assert '<span class="signed">to be countersigned</span>' in start(lesson.pat)
    lesson.countersign(lesson.gil, lesson.cut)
    assert '<span class="signed">countersigned</span>' in start(lesson.pat)
    assert "to countersign" not in start(lesson.gil)


def test_the_page_lists_what_waits_and_signs_it_with_ones_pin(lesson):
    pins.give(lesson.gil, pins.hashed("4829"))
    check = lesson.tell("check", kind="glass list", passed="yes", place="Packing bench")
    gil = lesson.page(lesson.gil)
    shown = gil.get("/countersign/").content.decode()
    assert shown.count(" checked>") == 2
    assert lesson.cut.lot.code in shown
    assert "2.4 kg Loose-leaf lettuce to Cold store" in shown
    assert "Lou · Mon 02 Mar 2026" in shown
    sent = {"entries": [str(lesson.cut.pk)], "remark": "", "client_id": "sign-1"}
    for pin in ("", "0000"):
        page = gil.post("/countersign/", sent | {"pin": pin})
        assert page.status_code == 422
        assert page.content.decode().count(" checked>") == 1  # as it was unticked
        assert lesson.waits(lesson.cut)
    page = gil.post("/countersign/", sent | {"pin": "4829"})
    signed = Event.objects.get(kind="countersign")
    assert page.url == f"/?done={signed.pk}"
    assert signed.recorded_by == lesson.gil
    assert not lesson.waits(lesson.cut)
    assert lesson.waits(check)
    assert gil.get(page.url).status_code == 200
    # there is no way round the PIN
    around = {"entries-typed": str(check.pk), "client_id": "sign-2"}
    assert gil.post("/do/countersign/", around).status_code == 422
    assert lesson.waits(check)


def test_without_a_pin_the_password_signs(lesson):
    lesson.fay.set_password("a long one")
    lesson.fay.save()
    fay = lesson.page(lesson.fay)
    sent = {"entries": [str(lesson.cut.pk)], "client_id": "sign-1"}
    assert fay.post("/countersign/", sent | {"password": "guess"}).status_code == 403
    assert lesson.waits(lesson.cut)
    assert fay.post("/countersign/", sent | {"password": "a long one"}).status_code == 302
    assert not lesson.waits(lesson.cut)


def test_who_may_not_sign_does_not_see_the_page(lesson):
    assert lesson.page(lesson.gil).get("/countersign/").status_code == 200
    for who in (lesson.pat, lesson.lou):
        assert lesson.page(who).get("/countersign/").status_code == 403
        assert lesson.page(who).post("/countersign/", {}).status_code == 403


def test_a_teacher_of_one_outlet_sees_what_waits_there(lesson):
    chef = person("chef", "chef", signed_off=("teaching",))
    chef.places.set([lesson.farm.kitchen_place])
    assert list(signing.waiting(chef)) == []
    with pytest.raises(Refusal) as refused:
        lesson.countersign(chef, lesson.cut)
    assert refused.value.code == "no_such_entry"


def test_the_api_lists_what_waits_and_offers_the_act(lesson):
    api = lesson.page(lesson.gil)

    def listed(wanted: str) -> set[int]:
        rows = api.get("/api/v1/events/", {"to_countersign": wanted}).json()["results"]
        assert all(row["to_countersign"] is (wanted == "true") for row in rows)
        return {row["id"] for row in rows}

    other = lesson.tell("clean", lesson.gil, place="Packing bench")
    assert listed("true") == {lesson.cut.pk}
    assert other.pk in listed("false")
    answer = api.post(
        "/api/v1/acts/countersign/",
        {"entries": [str(lesson.cut.pk)], "remark": "seen"},
        content_type="application/json",
        headers={"Idempotency-Key": "sign-1"},
    )
    assert answer.status_code == 201, answer.content
    assert not lesson.waits(lesson.cut)
    assert listed("true") == set()
    assert lesson.cut.pk in listed("false")


# --- what a learner may not ----------------------------------------------------------------------

NEVER = {"treat", "release", "clear_origin", "correct_origin", "countersign"}


def test_a_learner_does_not_spray_release_or_approve_whatever_else_they_are(lesson):
    everything = ("grower", "packer", "manager", "food_safety_lead")
    able = Person.objects.get(pk=person("able", *everything).pk)
    learning = Person.objects.get(pk=person("learning", *everything, "learner").pk)
    root = Person.objects.get(pk=person("root", "learner", is_superuser=True).pk)
    for kind in NEVER:
        assert may(able, kind), kind
        assert not may(learning, kind), kind
        assert not may(root, kind), kind
    assert may(learning, "harvest")
    assert may(learning, "cancel")


def spray(lesson: Lesson, *done_by: Person, **more: Any) -> Event:
    return lesson.farm.tell(
        "treat",
        item=lesson.farm.soap,
        places=[lesson.farm.t1],
        reason="aphid",
        done_by=done_by,
        **more,
    )


def test_who_is_not_signed_off_for_spraying_is_refused_before_and_flagged_after(lesson):
    gil, lou = lesson.gil, lesson.lou
    SignOff.objects.create(person=gil, task="spraying", since="2026-01-01", by=gil)
    SignOff.objects.create(person=lou, task="spraying", since="2026-01-01", by=gil)
    assert not spray(lesson, gil).flags.exists()
    for who, sentence in (
        (lesson.pat, "Pat is not signed off for spraying on 02 Mar 2026."),
        (lou, "Lou is a learner: spraying is for others."),
    ):
        with pytest.raises(Refusal) as refused:
            spray(lesson, who)
        assert refused.value.sentence == sentence
        told = spray(lesson, who, already_done=True)
        assert [(f.kind, f.says) for f in told.flags.all()] == [(Flag.Kind.AGAINST_RULE, sentence)]
    assert faults() == []


def test_a_spray_is_put_down_to_who_sprayed_whoever_writes_it_down(lesson):
    """The office types up the sheet: it names who did it, and who says so stands beside. What the
    books themselves do, on one's word alone, nobody does in another's name."""
    SignOff.objects.create(person=lesson.gil, task="spraying", since="2026-01-01", by=lesson.fay)
    SignOff.objects.create(person=lesson.gil, task="releasing", since="2026-01-01", by=lesson.fay)
    told = lesson.tell(
        "treat", lesson.fay, item="Leaf soap", places=["T1"], reason="aphid", done_by=["gil"]
    )
    assert (told.recorded_by, list(told.done_by.all())) == (lesson.fay, [lesson.gil])
    assert not told.flags.exists()
    lesson.farm.hold(lesson.cut.lot)
    let_go = {"lots": [lesson.cut.lot.code], "reason": "looked at", "done_by": ["gil"]}
    with pytest.raises(NotAllowed, match="Fay is not signed off for releasing held lots"):
        lesson.tell("release", lesson.fay, **let_go)
    SignOff.objects.create(person=lesson.fay, task="releasing", since="2026-01-01", by=lesson.gil)
    let = lesson.tell("release", lesson.fay, **let_go)
    assert (let.recorded_by, list(let.done_by.all())) == (lesson.fay, [lesson.gil])


def test_a_cleaner_asks_for_no_sign_off_but_for_no_learner_either(lesson):
    cleaner = Item.objects.create(name="Tower cleaner", kind="cleaner")
    told = {"item": cleaner, "places": [lesson.farm.t1], "reason": "algae"}
    lesson.farm.tell("treat", **told, done_by=[lesson.pat])
    with pytest.raises(Refusal, match="Lou is a learner"):
        lesson.farm.tell("treat", **told, done_by=[lesson.lou])


def test_a_learner_lets_nothing_go_however_it_is_told(lesson):
    farm = lesson.farm
    SignOff.objects.create(person=lesson.lou, task="releasing", since="2026-01-01", by=farm.grower)
    farm.hold(lesson.cut.lot)
    released = {"lots": [lesson.cut.lot], "reason": "result is good"}
    for more in ({}, {"already_done": True}):
        with pytest.raises(NotAllowed, match="Lou is a learner: releasing held lots is for others"):
            farm.tell("release", **released, done_by=[lesson.lou], **more)
    farm.tell("release", **released)


def test_the_page_offers_to_record_a_spray_that_has_happened(lesson):
    SignOff.objects.filter(task="spraying").delete()
    gil = lesson.page(lesson.gil)
    sent = {"item": "Leaf soap", "places": "T1", "reason": "aphid", "client_id": "spray-1"}
    page = gil.post("/do/treat/", sent)
    assert page.status_code == 422
    assert "Gil is not signed off for spraying" in page.content.decode()
    assert "It has already happened: record it" in page.content.decode()
    assert gil.post("/do/treat/", sent | {"already_done": "yes"}).status_code == 302
    assert Event.objects.get(kind="treat").flags.get().kind == Flag.Kind.AGAINST_RULE
