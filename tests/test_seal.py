"""Each day's entries are closed under a chain of SHA-256 sums, and whatever is changed since shows
as the first day that does not match. The sums are checked by coreutils' sha256sum, which knows
nothing of us; the standard is FIPS 180-4."""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import json
import shutil
import subprocess
from collections.abc import Iterator

import pytest
from django.contrib.auth.models import Group
from django.core.management import CommandError, call_command
from django.db import IntegrityError, connection, transaction
from django.test import Client
from django.test.utils import CaptureQueriesContext

from grow import clock, seal, triggers
from grow.errors import Refusal
from grow.faults import faults
from grow.models import Event, Movement, Person, Seal
from grow.seal_paper import as_pdf, as_text, spaced
from tests.farm import START, Farm
from tests.reading_labels import codes_on

pytestmark = pytest.mark.django_db


@pytest.fixture
def sealed(farm: Farm) -> Farm:
    """Two days of work, a Sunday of none, and one day more: sealed up to yesterday."""
    farm.pass_time(days=3)  # Thursday 5 March
    farm.batch = farm.sow(60)
    farm.pass_time(days=1)  # Friday
    farm.crate = farm.cut(3000, farm.batch)
    farm.run = farm.pack([farm.crate], packs=20)
    farm.to_shop(farm.run, 8)
    farm.pass_time(days=2)  # Sunday: nothing on Saturday
    farm.tell("check", kind="temperature", passed=True, place=farm.store)
    farm.pass_time(days=1)
    seal.seal()
    assert faults() == []
    return farm


def days() -> list[int]:
    return list(Seal.objects.order_by("day").values_list("day", flat=True))


def raw(day: int) -> bytes:
    """What `manage.py seal --bytes` writes of a day."""
    out = io.TextIOWrapper(io.BytesIO())
    call_command("seal", day=clock.number_day(day), bytes=True, stdout=out)
    return out.buffer.getvalue()  # type: ignore[attr-defined]  # it wraps one of ours


def test_every_day_that_is_over_is_sealed_once_and_a_quiet_day_too(sealed: Farm) -> None:
    rows = list(Seal.objects.order_by("day").values_list("day", "events", "movements"))
    assert [(day, events) for day, events, _ in rows] == [
        *((20260305, 1), (20260306, 3), (20260307, 0), (20260308, 1)),
    ]
    assert sum(moved for *_, moved in rows) == Movement.objects.count()
    assert seal.seal() == []
    sealed.sow(20)  # today is not over
    assert seal.seal() == []
    sealed.pass_time(days=1)
    assert [made.day for made in seal.seal()] == [20260309]


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="coreutils are not installed")
def test_another_tool_comes_to_the_same_sums(sealed: Farm) -> None:
    before = "0" * 64
    for made in Seal.objects.order_by("day"):
        text = raw(made.day)
        first = json.loads(text.partition(b"\n")[0])
        assert (first["day"], first["previous"]) == (made.day, before)
        summed = subprocess.run(["sha256sum"], input=text, capture_output=True, check=True)
        before = summed.stdout.split()[0].decode()
        assert made.digest == before


def test_a_line_is_the_same_bytes_on_both_databases(farm: Farm) -> None:
    """Letter by letter, but for the ids that a database gives: so it reads on SQLite, so on
    PostgreSQL. 08:00:00.000005 in winter is that in UTC too."""
    clock.play(START + dt.timedelta(microseconds=5))
    event = farm.tell(
        "receive_input",
        item=farm.seed_item,
        supplier=farm.supplier,
        place=farm.store,
        quantity=3,
        supplier_lot="Löwe 7",
        client_id="box-1",
    )
    (lot,), (moved,) = event.lots, event.movements.all()
    farm.pass_time(days=1)
    seal.seal()
    _, line, end = raw(20260302).decode().split("\n")
    moment = '"2026-03-02T08:00:00.000005Z"'
    assert end == ""
    assert line == (
        '{"already_done":false,"because_of":null,"began_at":null,"client_id":"box-1",'
        f'"corrects":null,"day":20260302,"device":"","earliest_at":{moment},"event":{event.pk},'
        f'"happened_at":{moment},"kind":"receive_input","latest_at":{moment},'
        f'"lots":[[{lot.pk},"{lot.code}","input","each",null,null,{farm.green.pk},'
        f'{farm.seed_item.pk},"Green loose-leaf seed","",null]],'
        f'"moved":[[{moved.pk},{lot.pk},{farm.supplier.pk},{farm.store.pk},3,"counted",20260302,'
        f'false]],"place":{farm.store.pk},"placed_at":{moment},"recorded_at":{moment},'
        f'"recorded_by":{farm.grower.pk},"told":"{{\\"item\\":{farm.seed_item.pk},'
        f'\\"place\\":{farm.store.pk},\\"quantity\\":3,\\"supplier\\":{farm.supplier.pk},'
        '\\"supplier_lot\\":\\"Löwe 7\\"}"}'
    )


def test_no_line_holds_a_name_and_a_blanked_one_changes_no_seal(sealed: Farm) -> None:
    Person.objects.filter(pk=sealed.grower.pk).update(shown_as="Zephyrine Oddwater")
    assert not any(
        word in raw(day).decode().lower() for day in days() for word in ("zephyrine", '"tam"')
    )
    Person.objects.filter(pk=sealed.grower.pk).update(shown_as="", username="gone-1")
    assert faults() == []


def test_what_is_told_late_is_sealed_on_the_day_on_which_it_was_recorded(sealed: Farm) -> None:
    before = dict(Seal.objects.values_list("day", "digest"))
    late = sealed.tell(
        "discard",
        lot=sealed.run,
        from_place=sealed.store,
        to="compost",
        quantity=1,
        reason="wilted",
        on=dt.date(2026, 3, 6),
    )
    assert late.day == 20260306
    sealed.tell("cancel", event=late, reason="it did not happen")
    sealed.pass_time(days=1)
    seal.seal()
    assert before.items() < dict(Seal.objects.values_list("day", "digest")).items()
    told = [json.loads(line) for line in raw(20260309).splitlines()[1:]]
    assert (told[0]["event"], told[0]["day"]) == (late.pk, 20260306)
    assert faults() == []


def test_a_clock_that_was_set_back_or_ahead_leaves_no_entry_unsealed(sealed: Farm) -> None:
    """An entry belongs to the first seal made after it, whatever its clock said."""
    with clock.playing(START + dt.timedelta(days=3)):  # a day sealed already
        back = sealed.tell("check", kind="round", passed=True, place=sealed.store)
    with clock.playing(sealed.now + dt.timedelta(days=400)):
        ahead = sealed.tell("check", kind="round", passed=True, place=sealed.store)
    after = sealed.tell("check", kind="round", passed=True, place=sealed.store)
    assert faults() == []
    sealed.pass_time(days=1)
    (made,) = seal.seal()
    told = [json.loads(line)["event"] for line in raw(made.day).splitlines()[1:]]
    assert told == [back.pk, ahead.pk, after.pk]
    assert faults() == []


def test_numbers_that_a_refusal_has_used_up_are_no_entries_missed(farm: Farm) -> None:
    farm.cut(2000)
    with pytest.raises(Refusal), transaction.atomic():
        farm.tell("harvest", crates=[], store=farm.store)
    farm.cut(2000)
    farm.pass_time(days=1)
    assert [made.events for made in seal.seal()] == [2]
    assert faults() == []


def test_two_who_seal_at_once_make_one_chain(sealed: Farm) -> None:
    for _ in range(3):
        sealed.pass_time(days=1)
        sealed.cut(1000, sealed.batch)
    sealed.pass_time(days=1)
    made = seal.seal(lambda one: seal.seal())  # the other finishes while the first has begun
    assert [one.day for one in made] == [20260309]
    assert days()[-4:] == [20260309, 20260310, 20260311, 20260312]
    assert faults() == []


# --- what was changed since -----------------------------------------------------------------------


class _Undone(Exception):
    pass


@contextlib.contextmanager
def raw_sql() -> Iterator:
    """A cursor as a database shell has it: no trigger, foreign keys put off. All is taken back."""
    with contextlib.suppress(_Undone), transaction.atomic(), connection.cursor() as cursor:
        postgresql = connection.vendor == "postgresql"
        if postgresql:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")  # or the table has pending events
        triggers.lift()
        cursor.execute(
            "SET CONSTRAINTS ALL DEFERRED" if postgresql else "PRAGMA defer_foreign_keys = ON"
        )
        yield cursor
        raise _Undone


EVENT_COLUMNS = (
    "kind, happened_at, placed_at, earliest_at, latest_at, day, recorded_at, device, told, "
    "already_done, recorded_by_id"
)
TAMPERED = {
    "a movement's quantity": (
        "UPDATE grow_movement SET quantity = quantity + 1 WHERE event_id = %s",
        "was changed",
    ),
    "a movement is gone": ("DELETE FROM grow_movement WHERE event_id = %s", "was changed"),
    "what was told": ("UPDATE grow_event SET told = '{}' WHERE id = %s", "was changed"),
    "its moment": ("UPDATE grow_event SET day = 20260307 WHERE id = %s", "was changed"),
    "its lot": ("UPDATE grow_lot SET title = 'Rocket' WHERE made_by_id = %s", "was changed"),
    "an event is gone": ("DELETE FROM grow_event WHERE id = %s", "is gone"),
}


@pytest.mark.parametrize("what", TAMPERED)
def test_whatever_is_changed_by_raw_sql_is_found_and_its_day_named(sealed: Farm, what: str) -> None:
    sql, says = TAMPERED[what]
    assert list(seal.seals()) == []
    pack = sealed.run.made_by_id
    with raw_sql() as cursor:
        cursor.execute(sql, [pack])
        assert cursor.rowcount > 0
        (said,) = seal.seals()
    assert said.startswith("Fri 06 Mar 2026 is not as it was sealed: entry ")
    assert str(pack) in said
    assert says in said


def test_an_entry_put_in_under_an_old_number_is_found(sealed: Farm) -> None:
    """Its number was used up by a refusal, so nothing else is in its way."""
    gap = Event.objects.latest("pk").pk + 1
    with raw_sql() as cursor:
        # as if the next had been refused: the seal is told of a number beyond it
        cursor.execute("UPDATE grow_seal SET through = through + 1 WHERE day = 20260308")
        Seal.objects.filter(day=20260308).update(digest=_again(20260308))
        assert list(seal.seals()) == []
        cursor.execute(
            f"INSERT INTO grow_event (id, {EVENT_COLUMNS}) SELECT %s, {EVENT_COLUMNS} "
            "FROM grow_event WHERE id = %s",
            [gap, sealed.run.made_by_id],
        )
        said = list(seal.seals())
    assert said == [
        f"Sun 08 Mar 2026 is not as it was sealed: entry {gap} (packed) was put in since."
    ]


def test_an_entry_under_a_number_that_none_is_given_is_found(sealed: Farm) -> None:
    assert list(seal.seals()) == []
    with raw_sql() as cursor:
        cursor.execute(
            f"INSERT INTO grow_event (id, {EVENT_COLUMNS}) SELECT -5, {EVENT_COLUMNS} "
            "FROM grow_event WHERE id = %s",
            [sealed.run.made_by_id],
        )
        said = list(seal.seals())
    assert said == ["Entry -5 (packed) is in no seal: no entry is ever given that number."]


def _again(day: int) -> str:
    made = Seal.objects.get(day=day)
    before = seal.before(made)
    assert before
    return seal.add_up(day, before.digest, before.through, made.through).digest


def test_verify_names_the_day(sealed: Farm) -> None:
    out = io.StringIO()
    call_command("verify", "--json", stdout=out)
    with raw_sql() as cursor:
        cursor.execute(TAMPERED["a movement's quantity"][0], [sealed.run.made_by_id])
        out = io.StringIO()
        with pytest.raises(CommandError):
            call_command("verify", "--json", stdout=out)
    (said,) = json.loads(out.getvalue())["checks"]["seals"]
    assert "Fri 06 Mar 2026" in said


def test_many_changed_entries_are_counted_and_the_first_day_comes_first(sealed: Farm) -> None:
    with raw_sql() as cursor:
        cursor.execute("UPDATE grow_event SET device = 'x'")
        said = list(seal.seals())
    assert [line[:15] for line in said] == [
        "Thu 05 Mar 2026",
        *["Fri 06 Mar 2026"] * 3,
        "Sun 08 Mar 2026",
    ]
    with raw_sql() as cursor:
        for _ in range(2):
            sealed.cut(500, sealed.batch)
        sealed.tell("check", kind="round", passed=True, place=sealed.store)
        sealed.tell("check", kind="round", passed=True, place=sealed.store)
        sealed.pass_time(days=1)
        seal.seal()
        cursor.execute("UPDATE grow_event SET device = 'x' WHERE id > %s", [_before(20260309)])
        said = list(seal.seals())
    assert said[-1].endswith("4 entries differ; 3 are named.")


def _before(day: int) -> int:
    made = seal.before(Seal.objects.get(day=day))
    assert made
    return made.through


def test_a_seal_that_was_made_anew_does_not_fit_the_next_and_a_printed_one_tells_of_all(
    sealed: Farm,
) -> None:
    """Whoever keeps the books can rewrite the whole chain; what was printed stands."""
    printed = "\n".join(spaced(Seal.objects.get(day=20260308).digest)).upper()
    last = Seal.objects.get(day=20260308)
    assert seal.same_as_printed(last, printed)
    assert seal.same_as_printed(last, printed[:9])
    with raw_sql() as cursor:
        cursor.execute(TAMPERED["what was told"][0], [sealed.run.made_by_id])
        _anew(20260306)
        (said,) = seal.seals()
        assert said.startswith("The seal of Sat 07 Mar 2026 does not follow")
        _anew(20260307)
        _anew(20260308)
        assert list(seal.seals()) == []
        assert not seal.same_as_printed(Seal.objects.get(day=20260308), printed)
        with pytest.raises(CommandError, match="one of the two was changed"):
            call_command("seal", "--day", "2026-03-08", "--compare", printed)
        Seal.objects.filter(day=20260307).delete()
        assert "The seal of the day after Fri 06 Mar 2026 is gone." in list(seal.seals())


def _anew(day: int) -> None:
    made = Seal.objects.get(day=day)
    before = seal.before(made)
    after, previous = (before.through, before.digest) if before else (0, seal.NOTHING)
    found = seal.add_up(day, previous, after, made.through)
    Seal.objects.filter(day=day).update(digest=found.digest, marks=found.marks)


def test_a_seal_is_written_once(sealed: Farm) -> None:
    change = Seal.objects.filter(day=20260306).update
    with triggers.lifted(), transaction.atomic():
        assert change(events=3) == 1
    with pytest.raises(IntegrityError, match="grow_seal is written once"), transaction.atomic():
        change(events=3)
    with pytest.raises(IntegrityError, match="grow_seal is written once"), transaction.atomic():
        Seal.objects.filter(day=20260306).delete()


# --- kept away ------------------------------------------------------------------------------------


def test_the_day_s_seal_is_printed_mailed_and_compared(sealed: Farm) -> None:
    made = Seal.objects.get(day=20260306)
    digest = made.digest
    assert codes_on(as_pdf(made)) == [digest.upper()]
    text = as_text(made)
    assert "".join(spaced(digest)).replace(" ", "") == digest
    assert all(row in text for row in spaced(digest))
    assert max(map(len, text.splitlines())) <= 72
    lead = Person.objects.create_user("lead", password="a long one", is_staff=True)
    lead.groups.add(Group.objects.get(name="food_safety_lead"))
    client = Client()
    client.force_login(lead)
    with CaptureQueriesContext(connection) as asked:
        assert digest[:8] in client.get("/seals/").content.decode()
    assert not any('"marks"' in one["sql"] for one in asked)  # ten bytes an entry, of all days
    page = client.get("/seals/", {"day": "2026-03-06"}).content.decode()
    assert "The books still say what they said" in page
    assert "mailto:?subject=Seal%20of%20Friday" in page
    assert client.get("/seals/20260306/pdf/").content == as_pdf(made)
    assert client.get("/seals/20260306/text/").content.decode() == text
    assert client.get("/seals/20260301/text/").status_code == 404
    for printed, says in (
        (digest[:12], "Your printout and this seal are the same."),
        (f"{digest[:11]}{'0' if digest[11] != '0' else '1'}", "Your printout is not this seal"),
        ("hello", "is no seal"),
    ):
        asked = {"day": "2026-03-06", "printed": printed}
        assert says in client.get("/seals/", asked).content.decode()
    with raw_sql() as cursor:
        cursor.execute(TAMPERED["what was told"][0], [sealed.run.made_by_id])
        assert (
            "is not as it was sealed"
            in client.get("/seals/", {"day": "2026-03-06"}).content.decode()
        )


def test_what_is_not_sealed_says_how_far_it_is(sealed: Farm) -> None:
    with pytest.raises(CommandError, match="Days are sealed up to Sun 08 Mar 2026"):
        call_command("seal", "--day", "2026-03-09")
    with pytest.raises(CommandError, match="Say which day"):
        call_command("seal", "--compare", "12345678")
    assert seal.waiting() == 0
    sealed.pass_time(days=2)
    assert seal.waiting() == 2
