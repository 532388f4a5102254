"""Statements, and sales and purchases by month, in the API."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.permissions import BasePermission, IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from grow.asks import Unread
from grow.errors import Refusal
from grow.rest import DayAsked, Reading, called, shown, who

from .bookkeeping import BookRow, books
from .models import Outlet
from .pages_money import flat, may_read_money
from .statements import Account, account


class MayReadMoney(BasePermission):
    """Whoever sees money, of the whole farm."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        return may_read_money(who(request))


class StatementAsked(serializers.Serializer):
    outlet = serializers.CharField(max_length=200, help_text="Its name.")
    month = DayAsked(help_text="Any day of it.")


class StatementOf(Reading):
    """The statement of an outlet and a month, as issued or as it stands; net of tax, and no
    invoice. unstated: what is on no statement, for want of a price or of its lot, as known today.
    As CSV, its lines, then what is unstated, with no pence."""

    permission_classes = [IsAuthenticated, MayReadMoney]
    pagination_class = None
    asks = StatementAsked

    def flat(self, data: Any) -> tuple[list[str], list[Any]]:
        return flat(data)

    @extend_schema(
        operation_id="statement",
        tags=["readings"],
        parameters=[StatementAsked],
        responses=shown(Account),
    )
    def get(self, request: Request) -> Response:
        asked = self.asked()
        outlet = called(Outlet, asked["outlet"], who(request))
        found = account(outlet, asked["month"])
        return Response(shown(Account)(found).data)


class BooksAsked(serializers.Serializer):
    first = DayAsked(help_text="The first local day.")
    last = DayAsked(help_text="The last, it too within.")


class BooksOf(Reading):
    """Sales, what our own kitchen took, and purchases, by month, net of tax."""

    permission_classes = [IsAuthenticated, MayReadMoney]
    asks = BooksAsked
    row = BookRow

    @extend_schema(
        operation_id="books",
        tags=["readings"],
        parameters=[BooksAsked],
        responses=shown(BookRow)(many=True),
    )
    def get(self, request: Request) -> Response:
        asked = self.asked()
        try:
            return self.pages_of(books(asked["first"], asked["last"]))
        except Refusal as refusal:
            raise Unread({"last": refusal}) from refusal
