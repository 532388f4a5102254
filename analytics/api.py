"""What the API offers of the figures."""

from __future__ import annotations

from django.urls import URLPattern
from django_filters import rest_framework as filters
from rest_framework import serializers
from rest_framework.permissions import IsAuthenticated
from rest_framework.routers import SimpleRouter

from grow.models import Crop
from grow.rest import Called, MayTable, Name, Row, SetUp, Table, WholeFarm

from .models import Rate

# --- rates --------------------------------------------------------------------------------------


class RateRow(Row):
    crop = Name(Crop, allow_null=True, required=False)
    unit = serializers.CharField(read_only=True)

    class Meta:
        model = Rate
        fields = ["id", "what", "crop", "amount", "unit", "since", "source"]


class RateTable(Table):
    what = filters.ChoiceFilter(choices=Rate.What.choices)
    crop = Called(Crop)


class Rates(SetUp):
    """What one counted thing costs, or how long it takes, from a day on; net of tax."""

    permission_classes = [IsAuthenticated, WholeFarm, MayTable]
    queryset = Rate.objects.select_related("crop").order_by("id")
    serializer_class = RateRow
    filterset_class = RateTable


def register(router: SimpleRouter) -> None:
    router.register("rates", Rates, basename="rates")


def urls() -> list[URLPattern]:
    return []
