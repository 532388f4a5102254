"""The morning's cut list and packing list in the API, as the page has them."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.permissions import BasePermission, IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from grow import clock
from grow.flat import columns_of
from grow.rest import DayAsked, Reading, shown, who

from .morning import morning
from .morning_words import MorningRow, rows
from .pages_morning import may_look


class MorningAsked(serializers.Serializer):
    day = DayAsked(required=False, help_text="Today, if none is said.")


class WhoPacks(BasePermission):
    """As the page: whoever packs."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        return may_look(who(request))


class MorningOf(Reading):
    """What to cut and what to pack on a day, from orders and shelf levels, what stands in store
    now, recipes and what runs really took; each with what it rests on. The cut list comes first.
    """

    permission_classes = [IsAuthenticated, WhoPacks]
    pagination_class = None
    asks = MorningAsked
    row = MorningRow

    @extend_schema(parameters=[MorningAsked], responses=shown(MorningRow)(many=True))
    def get(self, request: Request) -> Response:
        day = self.asked().get("day") or clock.local(clock.now()).date()
        with clock.one_zone():
            found = list(rows(morning(day, who(request))))
        return Response(shown(MorningRow)(found, many=True).data)

    def flat(self, data: Any) -> tuple[list[str], list[Any]]:
        return columns_of(shown(MorningRow)), data
