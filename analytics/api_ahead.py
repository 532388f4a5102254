"""What the API offers of the days to come: keep or clear, and the space plan."""

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
from .keep_rows import InsteadRow, KeepRow
from .keeping import keeping
from .plan_asked import entered
from .plan_rows import Assumed, LimitRow, PlantRow, SoldRow, TowerRow
from .planning import space


class KeepAsked(serializers.Serializer):
    crop = serializers.CharField(required=False, max_length=60, help_text="A crop's name.")


class KeepSerializer(serializers.Serializer):
    """rows: each sowing that stands; instead: what could stand there, best first. sites: in use;
    empty: of them those on which nothing stands; spare: those left when what could be is planted.
    """

    about = AboutSerializer()
    sites = serializers.IntegerField()
    empty = serializers.IntegerField()
    spare = serializers.IntegerField()
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


class SpaceAsked(serializers.Serializer):
    """What is entered in place of the records; nothing of it is kept."""

    _PAIRS = "A product and its packs a week, kg if loose, with commas between: SALAD-120 40"
    demand_pct = serializers.CharField(required=False, help_text="Per cent of what was sold.")
    orders = serializers.ChoiceField(choices=["kept", "left"], default="kept")
    more = serializers.CharField(required=False, help_text="Towers more that are tried; 10.")
    price = serializers.CharField(required=False, help_text="Of a tower, in the main unit.")
    life = serializers.CharField(required=False, help_text="Years that a tower lasts.")
    running = serializers.CharField(required=False, help_text="A year of it, in the main unit.")
    shelf = serializers.CharField(required=False, help_text="Cells on lit shelves and in tents.")
    bench = serializers.CharField(required=False, help_text="Cells on benches.")
    demand = serializers.CharField(required=False, max_length=400, help_text=_PAIRS)
    promised = serializers.CharField(required=False, max_length=400, help_text=_PAIRS)
    most = serializers.CharField(
        required=False, max_length=400, help_text="A crop's greatest % of sites planted: Basil 20"
    )


class SpaceSerializer(serializers.Serializer):
    """collision: which promises cannot be kept; then there is no plan and the rest is empty."""

    about = AboutSerializer()
    collision = serializers.CharField(allow_blank=True)
    earns_p = serializers.IntegerField()
    was_p = serializers.IntegerField()
    one_more_p = serializers.IntegerField()
    pay_up_to = serializers.IntegerField(allow_null=True)
    rows = shown(PlantRow)(many=True)
    sold = shown(SoldRow)(many=True)
    limits = shown(LimitRow)(many=True)
    towers = shown(TowerRow)(many=True)
    assumed = shown(Assumed)(many=True)


class SpaceOf(Reading):
    """What to grow month by month, what binds, what more towers would earn."""

    permission_classes = [IsAuthenticated, MayReadFigures]
    pagination_class = None
    asks = SpaceAsked
    row = PlantRow

    @extend_schema(
        operation_id="figures_space",
        tags=["readings"],
        parameters=[SpaceAsked],
        responses=SpaceSerializer,
    )
    def get(self, request: Request) -> Response:
        asked = {name: str(value) for name, value in self.asked().items()}
        found = space(clock.local(clock.now()).date(), entered(asked))
        return Response(SpaceSerializer(found).data)


def urls() -> list[URLPattern]:
    return [
        path("figures/keep/", KeepOf.as_view(), name="figures-keep"),
        path("figures/space/", SpaceOf.as_view(), name="figures-space"),
    ]
