"""The evidence pack in the API."""

from __future__ import annotations

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.permissions import IsAuthenticated
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request

from grow import clock
from grow.rest import Reading, who

from .epcis_api import MayGive
from .pages_evidence import ZIP, packed_for
from .trace_api import TraceAsked


class Zip(BaseRenderer):
    media_type = ZIP
    format = "zip"
    charset = None
    render_style = "binary"


class EvidenceAsked(TraceAsked):
    """A trace's question, or a recall."""

    alongside = None  # type: ignore[assignment]  # it is not in the pack
    recall = serializers.CharField(
        required=False, max_length=40, help_text="Or all on the list of a recall, by its number."
    )


class EvidenceOf(Reading):
    """All that the books say of some lots as one ZIP: tables, a paper, the recount of the books, a
    manifest with SHA-256 sums. 2,000 lots and 10,000 rows at most."""

    permission_classes = [IsAuthenticated, MayGive]
    renderer_classes = [JSONRenderer, Zip]
    asks = EvidenceAsked
    pagination_class = None

    @extend_schema(
        operation_id="evidence",
        tags=["readings"],
        parameters=[EvidenceAsked],
        responses={(200, ZIP): OpenApiResponse(OpenApiTypes.BINARY)},
    )
    def get(self, request: Request) -> HttpResponse:
        asked = self.asked()
        recall = asked.pop("recall", "").upper()
        with clock.one_zone():
            return packed_for(who(request), asked, recall)
