"""The ledger's tables in the API: looked at, and never written here."""

from __future__ import annotations

import json
from typing import Any

from django.db.models import Exists, OuterRef, QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from . import readings, scope, signing
from .kinds import CANCELLING, KINDS
from .microbiology import Verdict
from .models import (
    Basis,
    Crop,
    Event,
    Flag,
    Hold,
    Holding,
    Item,
    LabResult,
    Lineage,
    Lot,
    LotKind,
    Movement,
    Person,
    Place,
    Seal,
    Tag,
    Variety,
)
from .queries import lots_called
from .readings import EntryRow
from .rest import Called, Day, DayOf, Looked, Moment, Name, Table, called, days, shown, who

CODE = "lot.code"


# --- lots --------------------------------------------------------------------------------


class LotRow(serializers.ModelSerializer):
    crop = Name(Crop, read_only=True, allow_null=True)
    variety = Name(Variety, read_only=True, allow_null=True)
    item = Name(Item, read_only=True, allow_null=True)
    day = DayOf(source="made_by.day", read_only=True, help_text="On which it was made.")
    held = serializers.BooleanField(read_only=True)
    recorded_in_error = serializers.BooleanField(read_only=True)

    class Meta:
        model = Lot
        fields = [
            *("id", "code", "kind", "title", "crop", "variety", "item", "unit", "grams_each"),
            *("line", "use_by", "made_by", "day", "held", "recorded_in_error"),
        ]
        read_only_fields = fields


class LotTable(Table):
    kind = filters.MultipleChoiceFilter(choices=LotKind.choices)
    crop = Called(Crop)
    item = Called(Item)
    line = filters.CharFilter(max_length=40)
    called = filters.CharFilter(
        method="by_name", max_length=200, help_text="Any code or name that it was given."
    )
    held = filters.BooleanFilter()
    first = Day(field_name="made_by__day", lookup_expr="gte", label="first")
    last = Day(field_name="made_by__day", lookup_expr="lte", label="last")
    ordering = filters.OrderingFilter(fields=["id", "use_by"])

    def by_name(self, rows: QuerySet[Lot], name: str, text: str) -> QuerySet[Lot]:
        return rows.filter(pk__in=[lot.pk for lot in lots_called(text)])


class Lots(Looked):
    """Everything that can be traced."""

    queryset = (
        Lot.objects.select_related("crop", "variety", "item", "made_by")
        .annotate(
            held=Exists(Hold.objects.filter(lot=OuterRef("pk"), ended_by=None)),
            recorded_in_error=Exists(
                Event.objects.filter(corrects=OuterRef("made_by"), kind__in=CANCELLING)
            ),
        )
        .order_by("-id")
    )
    serializer_class = LotRow
    filterset_class = LotTable
    lookup_field = "code"
    lookup_value_regex = "[^/]+"

    def get_object(self) -> Lot:
        """By its code however it is spelt, or by a name that it was given."""
        lot = called(Lot, self.kwargs["code"][:200], who(self.request))
        return self.get_queryset().get(pk=lot.pk)


# --- events --------------------------------------------------------------------------------

Entry = shown(EntryRow)


class EntryInFull(Entry):  # type: ignore[misc, valid-type]  # a class made from a row
    """An entry with what was told: ids, codes and numbers. Not for somebody of one outlet."""

    told = serializers.DictField(read_only=True, allow_null=True)


class EventTable(Table):
    kind = filters.MultipleChoiceFilter(
        choices=[(k, readings.says(k)) for k in (*sorted(KINDS), *sorted(readings.SAYS))]
    )
    place = Called(Place)
    recorded_by = Called(Person)
    done_by = Called(Person)
    lot = Called(Lot, method="of_lot")
    corrects = filters.NumberFilter(field_name="corrects_id", max_value=2**63 - 1, min_value=1)
    flagged = filters.BooleanFilter(method="that_are_flagged")
    to_countersign = filters.BooleanFilter(method="that_wait")
    recorded_since = Moment(field_name="recorded_at", lookup_expr="gte", label="recorded since")
    ordering = filters.OrderingFilter(fields=["placed_at", "recorded_at"])
    first, last = days().values()

    def of_lot(self, rows: QuerySet[Event], name: str, text: str) -> QuerySet[Event]:
        lot = called(Lot, text, who(self.request))
        moved = Movement.objects.filter(lot=lot, event=OuterRef("pk"))
        return rows.filter(Exists(moved))

    def that_are_flagged(self, rows: QuerySet[Event], name: str, yes: bool) -> QuerySet[Event]:
        flags = Exists(Flag.objects.filter(event=OuterRef("pk")))
        return rows.filter(flags) if yes else rows.exclude(flags)

    def that_wait(self, rows: QuerySet[Event], name: str, yes: bool) -> QuerySet[Event]:
        return rows.filter(signing.waits()) if yes else rows.exclude(signing.waits())


class Events(Looked):
    """What was done, and what it came to; the latest told first."""

    queryset = Event.objects.order_by("-id")
    serializer_class = Entry
    filterset_class = EventTable

    def list(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        person = who(request)
        rows = readings.with_what_they_did(self.filter_queryset(self.get_queryset()), person)
        page = self.paginate_queryset(rows)
        return self.get_paginated_response(Entry(map(readings.entry, page or []), many=True).data)

    @extend_schema(responses=EntryInFull)
    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        event: Event = self.get_object()
        (row,) = readings.entries(Event.objects.filter(pk=event.pk), who(request))
        told = None if scope.tied_to(who(request)) or not event.told else json.loads(event.told)
        return Response(Entry(row).data | {"told": told})


# --- what moved, what is here, what came from what --------------------------------------------


class Moved(serializers.ModelSerializer):
    kind = serializers.CharField(source="event.kind", read_only=True)
    happened_at = serializers.DateTimeField(source="event.happened_at", read_only=True)
    day = DayOf(read_only=True)
    lot = serializers.CharField(source=CODE, read_only=True)
    from_place = serializers.CharField(source="from_place.name", read_only=True)
    to_place = serializers.CharField(source="to_place.name", read_only=True)
    unit = serializers.CharField(source="lot.unit", read_only=True)

    class Meta:
        model = Movement
        fields = [
            *("id", "event", "kind", "happened_at", "day", "lot", "from_place", "to_place"),
            *("quantity", "unit", "basis", "despite_hold"),
        ]
        read_only_fields = fields


class MovementTable(Table):
    lot = Called(Lot)
    from_place = Called(Place)
    to_place = Called(Place)
    event = filters.NumberFilter(field_name="event_id", max_value=2**63 - 1, min_value=1)
    basis = filters.ChoiceFilter(choices=Basis.choices)
    despite_hold = filters.BooleanFilter()
    first, last = days().values()
    ordering = filters.OrderingFilter(fields=["id", "day"])


class Movements(Looked):
    """One lot, one from, one to, one quantity, and how it was known; the latest told first."""

    queryset = Movement.objects.select_related("event", "lot", "from_place", "to_place").order_by(
        "-id"
    )
    serializer_class = Moved
    filterset_class = MovementTable


class Here(serializers.ModelSerializer):
    lot = serializers.CharField(source=CODE, read_only=True)
    place = serializers.CharField(source="place.name", read_only=True)
    unit = serializers.CharField(source="lot.unit", read_only=True)

    class Meta:
        model = Holding
        fields = ["id", "lot", "place", "quantity", "unit"]
        read_only_fields = fields


class HoldingTable(Table):
    lot = Called(Lot)
    place = Called(Place)
    crop = Called(Crop, field_name="lot__crop")


class Holdings(Looked):
    """What of a lot is in a place now: the sum of its movements. Sources may be below nought."""

    queryset = (
        Holding.objects.exclude(quantity=0).select_related("lot", "place").order_by("-lot_id", "id")
    )
    serializer_class = Here
    filterset_class = HoldingTable


class Edge(serializers.ModelSerializer):
    parent: Any = serializers.CharField(source="parent.code", read_only=True)
    child = serializers.CharField(source="child.code", read_only=True)
    struck = serializers.SerializerMethodField(help_text="Found to be wrong since.")
    cleared = serializers.SerializerMethodField(help_text="By the food-safety lead.")

    class Meta:
        model = Lineage
        fields = ["id", "parent", "child", "kind", "quantity", "event", "struck", "cleared"]
        read_only_fields = fields

    def get_struck(self, edge: Lineage) -> bool:
        return edge.struck_by_id is not None

    def get_cleared(self, edge: Lineage) -> bool:
        return edge.cleared_by_id is not None


class LineageTable(Table):
    parent = Called(Lot)
    child = Called(Lot)
    kind = filters.ChoiceFilter(choices=Lineage.Kind.choices)


class Lineages(Looked):
    """Which lot came from which: went in (in the parent's unit), grew (grams), touched."""

    queryset = Lineage.objects.select_related("parent", "child").order_by("-id")
    serializer_class = Edge
    filterset_class = LineageTable


# --- flags, holds, tags, seals ----------------------------------------------------------------


class Flagged(serializers.ModelSerializer):
    sentence = serializers.CharField(source="says", read_only=True)
    lot = serializers.CharField(source=CODE, read_only=True, allow_null=True, default=None)
    day = DayOf(source="event.day", read_only=True)

    class Meta:
        model = Flag
        fields = ["id", "event", "day", "kind", "lot", "sentence"]
        read_only_fields = fields


class FlagTable(Table):
    kind = filters.MultipleChoiceFilter(choices=Flag.Kind.choices)
    lot = Called(Lot)
    event = filters.NumberFilter(field_name="event_id", max_value=2**63 - 1, min_value=1)


class Flags(Looked):
    """What the manager or the food-safety lead must look at; the latest first."""

    queryset = Flag.objects.select_related("event", "lot").order_by("-id")
    serializer_class = Flagged
    filterset_class = FlagTable


class Held(serializers.ModelSerializer):
    lot = serializers.CharField(source=CODE, read_only=True)

    class Meta:
        model = Hold
        fields = ["id", "lot", "reason", "began_by", "began_at", "ended_by", "ended_at"]
        read_only_fields = fields


class HoldTable(Table):
    lot = Called(Lot)
    open = filters.BooleanFilter(field_name="ended_by", lookup_expr="isnull")


class Holds(Looked):
    """Lots that may not move on, or could not; the latest first."""

    queryset = Hold.objects.select_related("lot").order_by("-id")
    serializer_class = Held
    filterset_class = HoldTable


class TagRow(serializers.ModelSerializer):
    used = serializers.BooleanField(read_only=True)

    class Meta:
        model = Tag
        fields = ["id", "code", "printed_by", "used"]
        read_only_fields = fields


class TagTable(Table):
    used = filters.BooleanFilter()


class Tags(Looked):
    """Crate tags that were printed, and whether a cut has taken their code."""

    queryset = Tag.objects.annotate(
        used=Exists(Lot.objects.filter(code=OuterRef("code")))
    ).order_by("-id")
    serializer_class = TagRow
    filterset_class = TagTable


class LabRow(serializers.ModelSerializer):
    lot = serializers.CharField(source=CODE, read_only=True, allow_null=True, default=None)
    place = serializers.CharField(
        source="place.name", read_only=True, allow_null=True, default=None
    )
    day = DayOf(source="event.day", read_only=True)
    sentence = serializers.CharField(source="says", read_only=True)

    class Meta:
        model = LabResult
        fields = [
            *("id", "event", "day", "lot", "place", "criterion", "figures", "verdict"),
            "sentence",
        ]
        read_only_fields = fields


class LabTable(Table):
    lot = Called(Lot)
    place = Called(Place)
    verdict = filters.ChoiceFilter(choices=[(v.value, v.value) for v in Verdict])


class LabResults(Looked):
    """What laboratories found, and the verdict by the criterion named; the latest first. A verdict
    is about the samples, and never says that food is safe."""

    queryset = LabResult.objects.select_related("event", "lot", "place").order_by("-id")
    serializer_class = LabRow
    filterset_class = LabTable


class SealRow(serializers.ModelSerializer):
    day = DayOf(read_only=True)

    class Meta:
        model = Seal
        fields = ["id", "day", "digest", "events", "movements", "through", "sealed_at"]
        read_only_fields = fields


class SealTable(Table):
    first, last = (
        Day(field_name="day", lookup_expr=way, label=name)
        for name, way in (("first", "gte"), ("last", "lte"))
    )


class Seals(Looked):
    """Days that are closed: digest is SHA-256, in hexadecimal, of all that was recorded that day
    and of the digest before it; through, the last entry in it; the latest day first."""

    queryset = Seal.objects.order_by("-day")
    serializer_class = SealRow
    filterset_class = SealTable


def register(router: SimpleRouter) -> None:
    for address, view in (
        ("lots", Lots),
        ("events", Events),
        ("movements", Movements),
        ("holdings", Holdings),
        ("lineage", Lineages),
        ("flags", Flags),
        ("holds", Holds),
        ("tags", Tags),
        ("seals", Seals),
        ("lab-results", LabResults),
    ):
        router.register(address, view, basename=address)
