"""The trace in the API: where it came from, where it went, what stood alongside, how much is still
out there, who must be told, and what nobody wrote down."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from grow.models import Unit
from grow.rest import DayAsked, MomentAsked, Reading, who

from . import readings


class TraceAsked(serializers.Serializer):
    code = serializers.CharField(
        required=False,
        max_length=2000,
        help_text="Any code, name, crate tag or note number, several with commas between, or a "
        "product and a day in words.",
    )
    product = serializers.CharField(required=False, max_length=200, help_text="With date.")
    date = DayAsked(required=False, help_text="On the bag, or on which it was packed or sold.")
    outlet = serializers.CharField(
        required=False, max_length=200, help_text="Where it was bought; with product and date."
    )
    place = serializers.CharField(required=False, max_length=200, help_text="With since, until.")
    since = MomentAsked(start=True, required=False)
    until = MomentAsked(required=False)
    thing = serializers.CharField(
        required=False, max_length=200, help_text="All that it touched since its last good check."
    )
    entry = serializers.IntegerField(
        required=False,
        min_value=1,
        max_value=2**63 - 1,
        help_text="An incident, a check, a water test or a laboratory's result: what was there "
        "meanwhile, or between two good ones.",
    )
    alongside = serializers.BooleanField(
        required=False,
        default=True,
        help_text="With what shared its water, inputs, line and place.",
    )


class WhereSerializer(serializers.Serializer):
    lot = serializers.CharField()
    place = serializers.CharField()
    place_kind = serializers.CharField()
    quantity = serializers.IntegerField()
    unit = serializers.ChoiceField(choices=Unit.choices)
    basis = serializers.CharField()


class BalanceSerializer(serializers.Serializer):
    """made and unexplained in one unit; soft is what reached an end unweighed."""

    made = serializers.IntegerField()
    unexplained = serializers.IntegerField()
    soft = serializers.IntegerField()
    unit = serializers.ChoiceField(choices=Unit.choices)
    percent = serializers.FloatField(allow_null=True)
    percent_by_evidence = serializers.FloatField(allow_null=True)


class ReachSerializer(serializers.Serializer):
    outlet = serializers.CharField()
    contact = serializers.CharField(allow_blank=True)
    telephone = serializers.CharField(allow_blank=True)
    out_of_hours = serializers.CharField(allow_blank=True)
    address = serializers.CharField(allow_blank=True)


class ConsigneeSerializer(ReachSerializer):
    """Somebody who had, or is on the way to having, some of a lot."""

    quantity = serializers.IntegerField()
    unit = serializers.ChoiceField(choices=Unit.choices)


class JoinSerializer(serializers.Serializer):
    """One way in which a lot is joined to another of the trace."""

    how = serializers.CharField()
    quantity = serializers.IntegerField(allow_null=True)
    unit = serializers.ChoiceField(choices=Unit.choices, allow_null=True)
    struck = serializers.BooleanField()

    def get_fields(self) -> dict[str, Any]:
        return super().get_fields() | {"with": serializers.CharField()}


class TracedSerializer(serializers.Serializer):
    """One lot of a trace. grams_each is of packs alone. possibly_sold is at least and at most; null
    where no till sells it."""

    code = serializers.CharField()
    kind = serializers.CharField()
    title = serializers.CharField(allow_blank=True)
    use_by = serializers.DateField(allow_null=True)
    grams_each = serializers.IntegerField(allow_null=True)
    how = serializers.CharField(allow_blank=True)
    joins = JoinSerializer(many=True)
    recorded_in_error = serializers.BooleanField()
    held = serializers.CharField(allow_null=True)
    possibly_sold = serializers.ListField(
        child=serializers.IntegerField(), min_length=2, max_length=2, allow_null=True
    )
    whereabouts = WhereSerializer(many=True)
    consignees = ConsigneeSerializer(many=True)
    balance = BalanceSerializer(allow_null=True)


class AlongsideSerializer(serializers.Serializer):
    """What was shared, from when until when, and the lots that shared it."""

    shared = serializers.CharField()
    lot = serializers.CharField(allow_null=True)
    since = serializers.DateTimeField(allow_null=True)
    until = serializers.DateTimeField(allow_null=True)
    bounded = serializers.BooleanField()
    says = serializers.CharField()
    lots = TracedSerializer(many=True)


class OfWhatSerializer(serializers.Serializer):
    code = serializers.CharField()
    quantity = serializers.IntegerField()
    unit = serializers.ChoiceField(choices=Unit.choices)
    still_there = serializers.IntegerField()


class MustBeToldSerializer(ReachSerializer):
    lots = OfWhatSerializer(many=True)


class TraceSerializer(serializers.Serializer):
    """It says what is recorded, and never that anything is safe. Suspect food: stop it, hold it,
    call the local authority at once; do not wait for the tool."""

    asked = serializers.CharField()
    lot = serializers.CharField()
    kind = serializers.CharField()
    title = serializers.CharField(allow_blank=True)
    lots = TracedSerializer(many=True)
    recorded_in_error = serializers.BooleanField()
    notice = serializers.CharField()
    as_of = serializers.DateTimeField()
    ancestors = TracedSerializer(many=True)
    descendants = TracedSerializer(many=True)
    alongside = AlongsideSerializer(many=True)
    whereabouts = WhereSerializer(many=True)
    balance = BalanceSerializer(allow_null=True)
    balance_of_all = BalanceSerializer(allow_null=True)
    must_be_told = MustBeToldSerializer(many=True)
    gaps = serializers.ListField(child=serializers.CharField())
    notes = serializers.ListField(child=serializers.CharField())
    took_ms = serializers.FloatField()


class TraceOf(Reading):
    """Trace a code; or a product and the date on it; or a place from one moment to another; or a
    thing since its last good check; or what an incident, a check or a result makes suspect."""

    needs = "grow.view_lot"
    asks = TraceAsked
    pagination_class = None

    def flat(self, data: Any) -> tuple[list[str], list[Any]]:
        return readings.COLUMNS, list(readings.flat(data))

    @extend_schema(
        operation_id="trace", tags=["readings"], parameters=[TraceAsked], responses=TraceSerializer
    )
    def get(self, request: Request) -> Response:
        asked, person = self.asked(), who(request)
        alongside = asked.pop("alongside")
        found = readings.asked(person, **asked)
        # plain already, and as the serializer says: thousands of lots are not looked at twice
        return Response(readings.traced(person, found, alongside=alongside))
