"""EPCIS 2.0 in the API: given away, and taken in."""

from __future__ import annotations

from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.permissions import BasePermission, IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from grow import clock
from grow.acts import HEADERS, device
from grow.edge import may_tell
from grow.errors import Refusal
from grow.rest import DayAsked, body, refuse_unknown, who

from .epcis.reading import read_document
from .epcis.taking import INPUT, LEAF, take_in
from .pages_epcis import asked_for, may_give

_DEVICE = [one for one in HEADERS if one.name == "Device"]


class MayGive(BasePermission):
    """Whoever answers for the records of the whole farm."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        return may_give(who(request))


class GivenAsked(serializers.Serializer):
    code = serializers.CharField(
        required=False, max_length=200, help_text="A lot, by any code or name: its whole history."
    )
    first = DayAsked(required=False, help_text="Or all that happened from this local day on,")
    last = DayAsked(required=False, help_text="up to this one; 92 days at most.")


class Given(APIView):
    """The history of a lot, or of some days, as an EPCIS 2.0 document in JSON-LD."""

    permission_classes = [IsAuthenticated, MayGive]

    @extend_schema(
        operation_id="epcis",
        tags=["readings"],
        parameters=[GivenAsked],
        responses=OpenApiTypes.OBJECT,
    )
    def get(self, request: Request) -> Response:
        refuse_unknown(request, GivenAsked().fields)
        asked = GivenAsked(data=request.query_params)
        asked.is_valid(raise_exception=True)
        told = asked.validated_data
        _, found = asked_for(told.get("code", ""), told.get("first"), told.get("last"))
        return Response(found)


class ShipmentSerializer(serializers.Serializer):
    """document: theirs, as it came. products: what a product of theirs is here, as {"GTIN or
    address": "name of an input"}; `crop:NAME` for leaf. A product that is not said is looked for
    among the inputs, by its GTIN or its name."""

    document = serializers.JSONField()
    supplier = serializers.CharField(max_length=200, help_text="Who sent it, by name.")
    place = serializers.CharField(max_length=200, help_text="The store that it was put into.")
    on = DayAsked(required=False, help_text="The local day on which it came; today, if not said.")
    products = serializers.DictField(
        child=serializers.CharField(max_length=200), required=False, default=dict
    )
    dry_run = serializers.BooleanField(required=False, default=False)


class ShippedSerializer(serializers.Serializer):
    lot = serializers.CharField()
    product = serializers.CharField()
    quantity = serializers.IntegerField(allow_null=True)
    unit = serializers.CharField()
    received_before = serializers.BooleanField()


class TakenSerializer(serializers.Serializer):
    """recorded: whether it stands. unknown: products that are nothing here yet. refused: why."""

    recorded = serializers.BooleanField()
    lots = ShippedSerializer(many=True)
    unknown = serializers.DictField(child=serializers.CharField(allow_blank=True))
    refused = serializers.ListField(child=serializers.CharField())
    passed_over = serializers.ListField(child=serializers.CharField())


class Received(APIView):
    """What a supplier's EPCIS 2.0 document says it shipped, as goods in: a receipt for each lot
    under the supplier's lot number; all of it, or nothing. The same shipment told again changes
    nothing, so it needs no Idempotency-Key. Where it is refused the facts say as much as an
    answer."""

    @extend_schema(
        operation_id="receive_epcis",
        tags=["acts"],
        parameters=_DEVICE,
        request=ShipmentSerializer,
        responses=TakenSerializer,
    )
    def post(self, request: Request) -> Response:
        person = who(request)
        may_tell(person, INPUT)
        asked = ShipmentSerializer(data=body(request))
        asked.is_valid(raise_exception=True)
        told: dict[str, Any] = asked.validated_data
        found = read_document(told["document"])
        taken = take_in(
            found,
            person,
            supplier=told["supplier"],
            place=told["place"],
            on=told.get("on") or clock.local(clock.now()).date(),
            record=not told["dry_run"],
            meant={
                theirs: (LEAF, ours[5:]) if ours.startswith("crop:") else (INPUT, ours)
                for theirs, ours in told["products"].items()
            },
            device=device(request),
        )
        outcome = taken.outcome
        refused = [
            *(bad.sentence for bad in outcome.bads),
            *(fault.sentence for fault in outcome.faults),
        ]
        said = {
            "recorded": outcome.recorded,
            "lots": [
                {
                    "lot": one.ident.lot,
                    "product": one.ident.product,
                    "quantity": one.quantity,
                    "unit": one.unit,
                    "received_before": one in taken.already,
                }
                for one in found.shipped
            ],
            "unknown": taken.unknown,
            "refused": refused,
            "passed_over": found.passed_over,
        }
        if not outcome.good:
            why = [*refused, *(f"Nothing here is called {one}." for one in taken.unknown)]
            raise Refusal("nothing_received", f"Nothing was received. {' '.join(why)}", **said)
        return Response(said)
