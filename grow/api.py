"""What the API offers of growing and of the ledger: the acts, the set-up tables, the ledger's own
tables, and what is read from them."""

from __future__ import annotations

from django.urls import URLPattern, path
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from . import acts, ledger_tables, readings, tables
from .bulk_api import InBulk
from .models import Lot, Place
from .photos import OnePhoto, Photos
from .readings import EntryRow, StockRow
from .rest import DayAsked, MomentAsked, Reading, called, shown, who


class StockAsked(serializers.Serializer):
    at = MomentAsked(required=False, help_text="Now, if not said; a day alone is its end.")
    place = serializers.CharField(
        required=False, max_length=200, help_text="Its name; an area answers for all in it."
    )
    lot = serializers.CharField(required=False, max_length=200, help_text="Any code or name of it.")


class Stock(Reading):
    """What stands where, now or at any moment, by place and first-expired-first."""

    needs = "grow.view_holding"
    row = StockRow
    asks = StockAsked

    @extend_schema(
        operation_id="stock",
        tags=["readings"],
        parameters=[StockAsked],
        responses=shown(StockRow)(many=True),
    )
    def get(self, request: Request) -> Response:
        asked, person = self.asked(), who(request)
        place, lot = asked.get("place"), asked.get("lot")
        rows = readings.stock(
            person,
            at=asked.get("at"),
            place=called(Place, place, person) if place else None,
            lot=called(Lot, lot, person) if lot else None,
        )
        return self.pages_of(rows)


class TodayAsked(serializers.Serializer):
    day = DayAsked(required=False, help_text="Today, if not said.")
    own = serializers.BooleanField(
        required=False, default=False, help_text="With what the books added by themselves."
    )


class Today(Reading):
    """What was done on a day and what it came to, the latest first."""

    needs = "grow.view_event"
    row = EntryRow
    asks = TodayAsked

    @extend_schema(
        operation_id="today",
        tags=["readings"],
        parameters=[TodayAsked],
        responses=shown(EntryRow)(many=True),
    )
    def get(self, request: Request) -> Response:
        asked, person = self.asked(), who(request)
        rows = readings.of_day(person, asked.get("day"), own=asked["own"])
        return self.pages_of(readings.with_what_they_did(rows, person), readings.entry)


def register(router: SimpleRouter) -> None:
    tables.register(router)
    ledger_tables.register(router)


def urls() -> list[URLPattern]:
    return [
        *acts.addresses(),
        path("business/", tables.TheBusiness.as_view(), name="business"),
        path("towers/", InBulk.as_view(), name="towers"),
        path("stock/", Stock.as_view(), name="stock"),
        path("today/", Today.as_view(), name="today"),
        path("photos/", Photos.as_view(), name="photos"),
        path("photos/<int:pk>/", OnePhoto.as_view(), name="photo"),
    ]
