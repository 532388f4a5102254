"""A till's business day in the API: told once, replaced only where that is said."""

from __future__ import annotations

import dataclasses
import functools
from typing import Any

from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from grow.acts import HEADERS, AnswerSerializer, answer, asked, device
from grow.asks import Ask, Reader, asks
from grow.edge import may_tell
from grow.kinds import KINDS
from grow.rest import body, who

from .models import TillDay
from .operations import till_day

_DEVICE: list[OpenApiParameter] = [one for one in HEADERS if one.name == "Device"]


class TillDayActSerializer(serializers.Serializer):
    """outlet, till and day name what is told: once. rows: what the till rang up, with its lot where
    the bag was scanned, and its pence where they are not the list's."""

    day = serializers.DateField(help_text="The till's business day.")
    replace = serializers.BooleanField(
        required=False,
        allow_null=True,
        help_text="Put these rows in the place of those that were told of that day.",
    )

    def get_fields(self) -> dict[str, serializers.Field]:
        sell = asked(KINDS["sell"])().get_fields()
        longest = TillDay._meta.get_field("till").max_length
        till = serializers.CharField(max_length=longest, help_text="Which till, by its own name.")
        return {
            "outlet": sell["outlet"],
            "till": till,
            **super().get_fields(),
            "rows": sell["rows"],
        }


@functools.cache
def _asks() -> tuple[Ask, ...]:
    own = {ask.name: ask for ask in asks("sell")}
    till = dataclasses.replace(own["till"], required=True)
    return (
        own["outlet"],
        till,
        Ask("day", "day", required=True),
        own["rows"],
        Ask("replace", "yes"),
    )


class TillDays(APIView):
    """Tell the day of a till. Its key is the outlet, the till and the day, so it needs no
    Idempotency-Key: the same again changes nothing and answers 200, other rows are refused with 409
    unless `replace` is said, and are then put in the place of the first."""

    @extend_schema(
        operation_id="tell_till_day",
        summary="A till’s business day",
        tags=["acts"],
        parameters=_DEVICE,
        request=TillDayActSerializer,
        responses={201: AnswerSerializer, 200: AnswerSerializer},
    )
    def post(self, request: Request) -> Response:
        person = who(request)
        may_tell(person, "sell")
        facts: dict[str, Any] = Reader(person, exact=True).arguments(_asks(), body(request))
        event = till_day(recorded_by=person, device=device(request), **facts)
        return Response(answer(event), status=200 if event.told_before else 201)
