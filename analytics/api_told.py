"""What is told to the figures by the API: rates, standard uses, timed days, claims."""

from __future__ import annotations

from django_filters import rest_framework as filters
from rest_framework import serializers
from rest_framework.permissions import IsAuthenticated
from rest_framework.routers import SimpleRouter

from grow.models import Crop, Item, Person
from grow.rest import Called, MayTable, Name, Row, SetUp, Table, WholeFarm
from sales.models import Outlet, Product

from .models import Claim, Rate, StandardUse, TimedDay


class RateRow(Row):
    crop = Name(Crop, allow_null=True, required=False)
    product = Name(Product, allow_null=True, required=False)
    outlet = Name(Outlet, allow_null=True, required=False)
    unit = serializers.CharField(read_only=True)

    class Meta:
        model = Rate
        fields = [
            *("id", "what", "crop", "product", "outlet", "amount", "unit", "since", "source"),
        ]


class RateTable(Table):
    what = filters.ChoiceFilter(choices=Rate.What.choices)
    crop = Called(Crop)


class Rates(SetUp):
    """What one counted thing costs, or how long it takes, from a day on; net of tax."""

    permission_classes = [IsAuthenticated, WholeFarm, MayTable]
    queryset = Rate.objects.select_related("crop", "product", "outlet__place").order_by("id")
    serializer_class = RateRow
    filterset_class = RateTable


class StandardUseRow(Row):
    item = Name(Item)
    product = Name(Product, allow_null=True, required=False)
    per = serializers.CharField(read_only=True)

    class Meta:
        model = StandardUse
        fields = ["id", "item", "product", "amount", "unit", "per", "mix", "since", "source"]


class StandardUseTable(Table):
    item = Called(Item)
    product = Called(Product)


class StandardUses(SetUp):
    """How much of something bought in one counted thing takes, from a day on."""

    permission_classes = [IsAuthenticated, WholeFarm, MayTable]
    queryset = StandardUse.objects.select_related("item", "product").order_by("id")
    serializer_class = StandardUseRow
    filterset_class = StandardUseTable


class TimedDayRow(Row):
    timed_by = Name(Person)

    class Meta:
        model = TimedDay
        fields = ["id", "day", "minutes", "timed_by", "note"]


class TimedDayTable(Table):
    timed_by = Called(Person)


class TimedDays(SetUp):
    """Days whose whole session was timed: they rescale the standard minutes."""

    permission_classes = [IsAuthenticated, WholeFarm, MayTable]
    queryset = TimedDay.objects.select_related("timed_by").order_by("id")
    serializer_class = TimedDayRow
    filterset_class = TimedDayTable


class ClaimOf(Row):
    crop = Name(Crop, allow_null=True, required=False)

    class Meta:
        model = Claim
        fields = ["id", "said_by", "of", "amount", "crop", "season", "floor", "source"]


class ClaimTable(Table):
    crop = Called(Crop)


class ClaimsTold(SetUp):
    """What somebody says that towers, or a flat bench, give."""

    permission_classes = [IsAuthenticated, WholeFarm, MayTable]
    queryset = Claim.objects.select_related("crop").order_by("id")
    serializer_class = ClaimOf
    filterset_class = ClaimTable


def register(router: SimpleRouter) -> None:
    router.register("rates", Rates, basename="rates")
    router.register("standard-uses", StandardUses, basename="standard-uses")
    router.register("claims", ClaimsTold, basename="claims")
    router.register("timed-days", TimedDays, basename="timed-days")
