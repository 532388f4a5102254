"""Statements kept compiled answer what the ORM answers, however they are asked."""

import datetime as dt

import pytest
from django.db import DataError, IntegrityError, connection
from django.db.models import Sum

from grow.models import Holding, Lot, Movement, Place, Thing
from grow.ready import Given, insert, ready

pytestmark = pytest.mark.django_db


@pytest.fixture
def cuts(farm):
    """Three cuts of one sowing."""
    batch = farm.sow(60)
    return [farm.cut(grams, batch) for grams in (500, 750, 1100)]


def test_a_list_a_moment_and_a_text_are_left_open(cuts):
    asked = ready(
        lambda: (
            Movement.objects.filter(
                lot__in=Given.each("lots"),
                event__placed_at__lte=Given.moment("at"),
                lot__code__in=Given.texts("codes"),
                quantity__gte=Given("least"),
            )
            .order_by("id")
            .values_list("lot_id", "quantity", "event__placed_at")
        )
    )
    at = cuts[1].made_by.placed_at

    def answers(lots, at, codes, least):
        return list(
            Movement.objects.filter(
                lot__in=lots,
                event__placed_at__lte=at,
                lot__code__in=codes,
                quantity__gte=least,
            )
            .order_by("id")
            .values_list("lot_id", "quantity", "event__placed_at")
        )

    seen = set()
    for lots in ([], [cuts[0].pk], [c.pk for c in cuts]):
        for codes in ([], [c.code for c in cuts], [cuts[2].code, 'a "quote", {comma}']):
            for least in (0, 600):
                for moment in (at, at + dt.timedelta(days=900)):
                    given = {"lots": lots, "at": moment, "codes": codes, "least": least}
                    found = asked(**given)
                    assert found == answers(**given)
                    seen.add(len(found))
    assert seen >= {0, 1, 2, 3}
    assert all(type(at) is dt.datetime and at.tzinfo for *_, at in found)


def test_a_longer_list_needs_no_other_statement(cuts):
    asked = ready(lambda: Lot.objects.filter(pk__in=Given.each("lots")).values_list("code"))
    many = range(cuts[0].pk, cuts[0].pk + 100_000)
    expected = set(Lot.objects.filter(pk__gte=cuts[0].pk).values_list("code"))
    assert set(asked(lots=many)) == expected
    assert len(asked.compiled) == 1


def test_sums_by_a_field(cuts):
    asked = ready(
        lambda: (
            Movement.objects.filter(lot__in=Given.each("lots"))
            .order_by()
            .values_list("lot_id")
            .annotate(Sum("quantity"))
        )
    )
    ids = [c.pk for c in cuts]
    plain = Movement.objects.filter(lot__in=ids).order_by().values_list("lot_id")
    assert dict(asked(lots=ids)) == dict(plain.annotate(Sum("quantity"))) != {}


def test_objects_come_with_what_was_selected_with_them(cuts, django_assert_num_queries):
    asked = ready(
        lambda: (
            Lot.objects.filter(pk__in=Given.each("lots"))
            .select_related("crop", "made_by__recorded_by")
            .order_by("id")
        )
    )
    asked(lots=[])
    with django_assert_num_queries(1):
        lots = asked(lots=[c.pk for c in cuts])
        for lot, cut in zip(lots, cuts, strict=True):
            assert type(lot) is Lot
            assert {f.attname: getattr(lot, f.attname) for f in Lot._meta.concrete_fields} == {
                f.attname: getattr(cut, f.attname) for f in Lot._meta.concrete_fields
            }
            assert lot.crop.name
            assert lot.made_by.recorded_by.username
            assert lot._state.db == "default"
            assert not lot._state.adding


def test_what_is_not_there_is_none(cuts):
    asked = ready(
        lambda: (
            Place.objects.filter(pk__in=Given.each("places"))
            .select_related("within")
            .order_by("id")
        )
    )
    places = list(Place.objects.order_by("id"))
    found = [place.within for place in asked(places=[p.pk for p in places])]
    assert found == [place.within for place in places]
    assert None in found
    assert set(found) != {None}


def test_written_rows_get_their_ids_and_what_they_say(cuts):
    place = Place.objects.filter(kind="store").first()
    things = [Thing(name=f"Probe {n}", kind="probe", place=place) for n in range(700)]
    insert(thing for thing in things)
    assert [t.name for t in Thing.objects.filter(pk__in=[t.pk for t in things]).order_by("pk")] == [
        t.name for t in sorted(things, key=lambda t: t.pk)
    ]
    assert things[-1] == Thing.objects.get(name="Probe 699")
    assert not any(t._state.adding for t in things)
    things[0].name = "Probe nought"
    things[0].save()
    assert Thing.objects.filter(name__startswith="Probe ").count() == 700
    insert([])


def test_what_the_database_refuses_is_refused(cuts):
    here = Holding.objects.filter(quantity__gt=0).first()
    assert here is not None
    with pytest.raises(IntegrityError):
        insert([Holding(lot=here.lot, place=here.place, quantity=1, source=False)])


def test_what_is_the_same_each_time_may_hold_any_sign(cuts):
    """PostgreSQL is told it as it stands, percent signs and quotes and all."""
    odd = ['100 % "fresh" o\'clock %s', "%", "plain"]
    for n, name in enumerate(odd):
        Thing.objects.create(
            name=name, kind="other", place_id=cuts[0].movements.first().to_place_id
        )
        asked = ready(lambda name=name: Thing.objects.filter(name=name).values_list("name"))
        assert asked() == [(odd[n],)]
    asked = ready(lambda: Thing.objects.filter(name__contains='% "').values_list("name"))
    assert asked() == [(odd[0],)]


@pytest.mark.postgres
@pytest.mark.parametrize(
    "text", ["2026-04-02 08:00:00+00", "2026-04-02 08:00:00.000007+00", "0999-12-31 23:59:59+00"]
)
def test_moments_are_read_as_the_library_reads_them(text: str) -> None:
    """psycopg's own reader is the second opinion."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT %s::timestamptz", [text])
        ((ours,),) = cursor.fetchall()
        cursor.execute("SET LOCAL timezone = 'Europe/London'")
        cursor.execute("SELECT %s::timestamptz AT TIME ZONE 'UTC'", [text])
        ((theirs,),) = cursor.fetchall()
    assert ours == theirs.replace(tzinfo=dt.UTC)
    assert ours.tzinfo == dt.UTC


@pytest.mark.postgres
def test_a_moment_that_python_has_not_is_refused_as_ever() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT 'infinity'::timestamptz")
        with pytest.raises(DataError, match="too large"):
            cursor.fetchall()
