"""Recalls and complaints in the API, to be read; everything that is done of them is an act."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.permissions import BasePermission, IsAuthenticated
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from grow import clock, roles, scope
from grow.errors import NotKnown
from grow.flat import columns_of
from grow.rest import Reading, who

from . import recall_words, recalls
from .models import Complaint, Recall
from .trace_api import BalanceSerializer, MustBeToldSerializer


class AnswersRecalls(BasePermission):
    """Whoever tells the steps of a recall, and is of the whole farm."""

    def has_permission(self, request: Request, view: Any) -> bool:
        person = who(request)
        return roles.may(person, "tell_authority") and not scope.tied_to(person)


class RecallRowSerializer(serializers.Serializer):
    number = serializers.CharField()
    kind = serializers.ChoiceField(choices=Recall.Kind.choices)
    mock = serializers.BooleanField()
    hazard = serializers.CharField()
    opened_at = serializers.DateTimeField()
    closed_at = serializers.DateTimeField(allow_null=True)


class ScopeSerializer(serializers.Serializer):
    """A window of the scope; its id is what `narrow_recall` bounds it by."""

    id = serializers.IntegerField()
    place = serializers.CharField(allow_null=True)
    thing = serializers.CharField(allow_null=True)
    since = serializers.DateTimeField()
    until = serializers.DateTimeField(allow_null=True)


class RecallLotSerializer(serializers.Serializer):
    code = serializers.CharField()
    title = serializers.CharField(allow_blank=True)
    how = serializers.CharField()
    why = serializers.CharField()
    narrowed_out = serializers.CharField(allow_null=True)


class CustomerSerializer(MustBeToldSerializer):
    state = serializers.CharField(allow_blank=True)
    told_at = serializers.DateTimeField(allow_null=True)
    answers = serializers.ListField(child=serializers.CharField(allow_blank=True))


class NoticeSerializer(serializers.Serializer):
    """to: empty for the point of sale. says: null until a named person has approved it."""

    to = serializers.CharField(allow_blank=True)
    approved = serializers.BooleanField()
    says = serializers.JSONField(allow_null=True)


class RecallSerializer(RecallRowSerializer):
    """It says what is recorded, and never that anything is safe. `seen` is what `approve_notices`
    is told: it stands for the drafts as they are now."""

    reason = serializers.CharField(allow_blank=True)
    authority_told_at = serializers.DateTimeField(allow_null=True)
    approved_at = serializers.DateTimeField(allow_null=True)
    first_told_at = serializers.DateTimeField(allow_null=True)
    unexplained_says = serializers.CharField(allow_blank=True)
    scope = ScopeSerializer(many=True)
    lots = RecallLotSerializer(many=True)
    customers = CustomerSerializer(many=True)
    notices = NoticeSerializer(many=True)
    seen = serializers.CharField()
    breaches = serializers.ListField(child=serializers.CharField())
    told_after_the_freeze = serializers.ListField(child=serializers.CharField())
    balance = BalanceSerializer()
    as_of = serializers.DateTimeField()


class Recalls(Reading):
    """All recalls, mock ones too; the open ones first."""

    permission_classes = [IsAuthenticated, AnswersRecalls]
    asks = serializers.Serializer
    pagination_class = None

    def flat(self, data: Any) -> tuple[list[str], list[Any]]:
        return columns_of(RecallRowSerializer), data

    @extend_schema(
        operation_id="recalls", tags=["readings"], responses=RecallRowSerializer(many=True)
    )
    def get(self, request: Request) -> Response:
        self.asked()
        rows = [
            {
                "number": recall.number,
                "kind": recall.kind,
                "mock": recall.is_mock,
                "hazard": recall.hazard,
                "opened_at": recall.event.happened_at,
                "closed_at": recall.closed_by and recall.closed_by.recorded_at,
            }
            for recall in recalls.the_recalls()
        ]
        return Response(RecallRowSerializer(rows, many=True).data)


class RecallOf(Reading):
    """One recall as it stands now. What its notices would say is told to nobody but by `seen`
    until they are approved: the page shows the drafts to whoever approves them."""

    permission_classes = [IsAuthenticated, AnswersRecalls]
    renderer_classes = [JSONRenderer]
    asks = serializers.Serializer
    pagination_class = None

    @extend_schema(operation_id="recall", tags=["readings"], responses=RecallSerializer)
    def get(self, request: Request, number: str) -> Response:
        self.asked()
        rows = Recall.objects.select_related("event", "closed_by")
        found = rows.filter(number=number.upper()).first()
        if found is None:
            raise NotKnown("no_such_recall", f"No recall is called “{number[:40]}”.")
        with clock.one_zone():
            state = recalls.state_of(found)
            drafts = recall_words.drafts(state)
            names = dict.fromkeys([*(draft["to"] for draft in drafts), *state.notices])
            notices = [
                {
                    "to": to,
                    "approved": to in state.notices,
                    "says": state.notices[to].says if to in state.notices else None,
                }
                for to in names
            ]
            return Response(
                state.as_json() | {"notices": notices, "seen": recall_words.digest(drafts)}
            )


class ComplaintSerializer(serializers.Serializer):
    """Which lots it may be of is a trace by its product and date."""

    number = serializers.CharField()
    product = serializers.CharField(allow_null=True)
    date = serializers.DateField(allow_null=True)
    lot = serializers.CharField(allow_null=True)
    outlet = serializers.CharField(allow_null=True)
    happened = serializers.CharField()
    ill = serializers.BooleanField()
    done = serializers.CharField(allow_blank=True)
    retest_on = serializers.DateField(allow_null=True)
    told_at = serializers.DateTimeField()


class Complaints(Reading):
    """Complaints, the latest first; of an outlet's own, for whoever is tied to it."""

    needs = "sales.view_complaint"
    asks = serializers.Serializer
    pagination_class = None

    def flat(self, data: Any) -> tuple[list[str], list[Any]]:
        return columns_of(ComplaintSerializer), data

    @extend_schema(
        operation_id="complaints", tags=["readings"], responses=ComplaintSerializer(many=True)
    )
    def get(self, request: Request) -> Response:
        self.asked()
        rows = scope.seen(Complaint.objects.order_by("-event"), who(request))
        rows = rows.select_related("event", "product", "lot", "outlet__place")
        data = [
            {
                "number": c.number,
                "product": c.product and c.product.code,
                "date": c.date,
                "lot": c.lot and c.lot.code,
                "outlet": c.outlet and str(c.outlet),
                "happened": c.happened,
                "ill": c.ill,
                "done": c.done,
                "retest_on": c.retest_on,
                "told_at": c.event.happened_at,
            }
            for c in rows[:1000]
        ]
        return Response(ComplaintSerializer(data, many=True).data)


__all__ = ["Complaints", "RecallOf", "Recalls"]
