"""What the API offers of the days to come: keep or clear."""

from __future__ import annotations

from django.urls import URLPattern, path
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response

from grow import clock
from grow.rest import Reading, shown

from .api import AboutSerializer, MayReadFigures
from .crop_asked import only_of
from .keeping import InsteadRow, KeepRow, keeping


class KeepAsked(serializers.Serializer):
    crop = serializers.CharField(required=False, max_length=60, help_text="A crop's name.")


class KeepSerializer(serializers.Serializer):
    """rows: each sowing that stands; instead: what could stand there, best first."""

    about = AboutSerializer()
    rows = shown(KeepRow)(many=True)
    instead = shown(InsteadRow)(many=True)


class KeepOf(Reading):
    """What each standing sowing is still expected to earn, against what could stand there."""

    permission_classes = [IsAuthenticated, MayReadFigures]
    pagination_class = None
    asks = KeepAsked
    row = KeepRow

    @extend_schema(
        operation_id="figures_keep",
        tags=["readings"],
        parameters=[KeepAsked],
        responses=KeepSerializer,
    )
    def get(self, request: Request) -> Response:
        crop = self.asked().get("crop", "")
        only_of({"crop": crop})
        found = keeping(clock.local(clock.now()).date())
        found.rows = [row for row in found.rows if crop in ("", row.crop)]
        return Response(KeepSerializer(found).data)


def urls() -> list[URLPattern]:
    return [path("figures/keep/", KeepOf.as_view(), name="figures-keep")]
