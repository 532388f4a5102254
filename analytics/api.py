"""What the API offers of the figures."""

from __future__ import annotations

from typing import Any

from django.urls import URLPattern, path
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.permissions import BasePermission, IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from grow import clock, sums
from grow.asks import Unread
from grow.errors import Refusal
from grow.models import Business
from grow.rest import (
    DayAsked,
    DecimalText,
    Reading,
    shown,
    who,
)
from sales.pages_money import may_read_money

from . import roles
from .api_told import register
from .claims import ClaimRow, FloorRow, claims
from .crop_asked import only_of
from .crop_ranking import Chosen, RankRow, crop_ranking
from .crop_table import BY, CropSum, crop_table
from .lost import LostRow, lost
from .margin import Margin, MarginRow, margin
from .month import month, not_to_come
from .monthly import MonthRow, monthly
from .outlet_table import OutletSum, outlet_table
from .pages_wintering import assumed_of
from .paid import FixedRow, PaidRow, beside
from .period import Period
from .waste import MonthWaste, WasteRow, by_month, waste
from .wintering import LEAST_DAYS, WinterRow, wintering
from .yields import YieldRow, yields


class MayReadFigures(BasePermission):
    """Growers and managers of the whole farm."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        return roles.may_read_figures(who(request))


class MayReadBoth(BasePermission):
    """Whoever may read figures and what each customer paid."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        return roles.may_read_both(who(request))


class PeriodAsked(serializers.Serializer):
    first = DayAsked(help_text="The first local day.")
    last = DayAsked(help_text="The last, it too within.")


class AboutSerializer(serializers.Serializer):
    """What the figures rest on. standard_pct is the share that is standard or estimated."""

    first = serializers.DateField(source="period.first")
    last = serializers.DateField(source="period.last")
    base = serializers.CharField()
    unit = serializers.CharField()
    standard_pct = DecimalText(allow_null=True)
    standard_says = serializers.CharField(allow_blank=True)
    notes = serializers.ListField(child=serializers.CharField())
    gaps = serializers.ListField(child=serializers.CharField())


class YieldsSerializer(serializers.Serializer):
    """rows by crop and line; crops and total without what was bought in."""

    about = AboutSerializer()
    rows = shown(YieldRow)(many=True)
    crops = shown(YieldRow)(many=True)
    total = shown(YieldRow)()


class WasteSerializer(serializers.Serializer):
    about = AboutSerializer()
    rows = shown(WasteRow)(many=True)
    total = shown(WasteRow)()


class BesideSerializer(serializers.Serializer):
    """What is in no crop's margin: paid and not charged, and what belongs to no crop. left_p is
    what all crops earned after crop minutes, less both."""

    about = AboutSerializer()
    paid = shown(PaidRow)(many=True)
    paid_total = shown(PaidRow)()
    fixed = shown(FixedRow)(many=True)
    left_p = serializers.IntegerField()


class MarginSerializer(serializers.Serializer):
    about = AboutSerializer()
    rows = shown(MarginRow)(many=True)
    total = shown(MarginRow)()
    beside = serializers.SerializerMethodField(help_text="null for whoever may not read money.")

    @extend_schema_field(BesideSerializer(allow_null=True))
    def get_beside(self, found: Margin) -> Any:
        if not may_read_money(who(self.context["request"])):
            return None
        return BesideSerializer(beside(found)).data


class FiguresOf(Reading):
    permission_classes = [IsAuthenticated, MayReadFigures]
    pagination_class = None
    asks = PeriodAsked

    def dispatch(self, *args: Any, **kwargs: Any) -> Any:
        with clock.one_zone():  # asked for by every day that is read
            return super().dispatch(*args, **kwargs)

    def period(self) -> Period:
        asked = self.asked()
        try:
            return Period(asked["first"], asked["last"])
        except ValueError as error:
            raise Unread({"last": Refusal("period", str(error))}) from error


class YieldsOf(FiguresOf):
    """Grams cut, and sold or used, per planted site, surviving plant and site-day, by crop."""

    row = YieldRow

    @extend_schema(
        operation_id="figures_yields",
        tags=["readings"],
        parameters=[PeriodAsked],
        responses=YieldsSerializer,
    )
    def get(self, request: Request) -> Response:
        return Response(YieldsSerializer(yields(self.period())).data)


class WasteOf(FiguresOf):
    """Where every gram went, by crop; each row balances."""

    row = WasteRow

    @extend_schema(
        operation_id="figures_waste",
        tags=["readings"],
        parameters=[PeriodAsked],
        responses=WasteSerializer,
    )
    def get(self, request: Request) -> Response:
        return Response(WasteSerializer(waste(self.period())).data)


class MarginOf(FiguresOf):
    """What each crop earned, in whole pence, before and after crop minutes."""

    row = MarginRow

    @extend_schema(
        operation_id="figures_margin",
        tags=["readings"],
        parameters=[PeriodAsked],
        responses=MarginSerializer,
    )
    def get(self, request: Request) -> Response:
        found = margin(self.period())
        return Response(MarginSerializer(found, context={"request": request}).data)


class MonthsSerializer(serializers.Serializer):
    """rows by month and crop; months of all crops; crops in all months; waste by month."""

    about = AboutSerializer()
    rows = shown(MonthRow)(many=True)
    months = shown(MonthRow)(many=True)
    crops = shown(MonthRow)(many=True)
    total = shown(MonthRow)()
    waste = shown(MonthWaste)(many=True)


class MonthsOf(FiguresOf):
    """Grams, site-days and margin of each crop month by month, and the waste of each month. Many
    years are no more work than one."""

    row = MonthRow

    @extend_schema(
        operation_id="figures_months",
        tags=["readings"],
        parameters=[PeriodAsked],
        responses=MonthsSerializer,
    )
    def get(self, request: Request) -> Response:
        period = self.period()
        with sums.one_moment():
            found, lost = monthly(period), by_month(period)
        answer = {**vars(found), "waste": lost.values()}
        return Response(MonthsSerializer(answer, context={"request": request}).data)


class CropsAsked(PeriodAsked):
    """Of which group a row is, and what the table is narrowed to."""

    by = serializers.ChoiceField(choices=BY, default=BY[0])
    crop = serializers.CharField(required=False, max_length=60, help_text="A crop's name.")
    variety = serializers.IntegerField(required=False, min_value=1, help_text="A variety's id.")
    tower = serializers.CharField(required=False, max_length=60, help_text="A tower's name.")
    tier = serializers.IntegerField(required=False, min_value=1, max_value=32767)


class OutletsAsked(PeriodAsked):
    crop = serializers.CharField(required=False, max_length=60, help_text="A crop's name.")
    outlet = serializers.CharField(required=False, max_length=60, help_text="An outlet's name.")


class CropsSerializer(serializers.Serializer):
    """rows by group and line; groups with all lines together; total of all."""

    about = AboutSerializer()
    rows = shown(CropSum)(many=True)
    groups = shown(CropSum)(many=True)
    total = shown(CropSum)()


class LostSerializer(serializers.Serializer):
    about = AboutSerializer()
    rows = shown(LostRow)(many=True)
    total = shown(LostRow)()


class OutletsSerializer(serializers.Serializer):
    about = AboutSerializer()
    rows = shown(OutletSum)(many=True)
    total = shown(OutletSum)()


class CropsOf(FiguresOf):
    """What each crop, variety, tower or tier gave and earned for the sites that it held."""

    asks = CropsAsked
    row = CropSum

    @extend_schema(
        operation_id="figures_crops",
        tags=["readings"],
        parameters=[CropsAsked],
        responses=CropsSerializer,
    )
    def get(self, request: Request) -> Response:
        asked = self.asked()
        only = only_of({name: str(asked.get(name) or "") for name in BY})
        return Response(CropsSerializer(crop_table(self.period(), asked["by"], only)).data)


class LostOf(FiguresOf):
    """Where the leaf of each crop, variety, tower or tier was lost, stage by stage."""

    asks = CropsAsked
    row = LostRow

    @extend_schema(
        operation_id="figures_lost",
        tags=["readings"],
        parameters=[CropsAsked],
        responses=LostSerializer,
    )
    def get(self, request: Request) -> Response:
        asked = self.asked()
        only = only_of({name: str(asked.get(name) or "") for name in BY})
        with sums.one_moment():
            found = lost(crop_table(self.period(), asked["by"], only), asked["by"], only)
        return Response(LostSerializer(found).data)


class OutletsOf(FiguresOf):
    """What each outlet paid for each crop, at the pack-house door, and what went unsold there. For
    those who may read money."""

    permission_classes = [IsAuthenticated, MayReadBoth]
    asks = OutletsAsked
    row = OutletSum

    @extend_schema(
        operation_id="figures_outlets",
        tags=["readings"],
        parameters=[OutletsAsked],
        responses=OutletsSerializer,
    )
    def get(self, request: Request) -> Response:
        asked = self.asked()
        only = only_of({"crop": asked.get("crop") or ""})
        found = outlet_table(self.period(), only.crop, asked.get("outlet"))
        return Response(OutletsSerializer(found).data)


class RankingAsked(PeriodAsked):
    """How crops are ranked, and the other prices at which the order is shown too."""

    alone = serializers.BooleanField(
        default=True,
        help_text="A mixed bag's money by what each leaf fetches alone, else by grams.",
    )
    minutes = serializers.BooleanField(default=True, help_text="After crop minutes, else before.")
    kitchen_pct = serializers.IntegerField(default=75, min_value=0, max_value=300)
    shop_pct = serializers.IntegerField(default=33, min_value=0, max_value=99)


class RankingSerializer(serializers.Serializer):
    """rows: best first, those with too few sowing weeks last."""

    about = AboutSerializer()
    rows = shown(RankRow)(many=True)
    sentence = serializers.CharField()
    turns = serializers.ListField(child=serializers.CharField())


class RankingOf(FiguresOf):
    """Which crops earn their space, with intervals over sowing weeks, and what can be concluded."""

    asks = RankingAsked
    row = RankRow

    @extend_schema(
        operation_id="figures_ranking",
        tags=["readings"],
        parameters=[RankingAsked],
        responses=RankingSerializer,
    )
    def get(self, request: Request) -> Response:
        asked = self.asked()
        chosen = Chosen(**{name: asked[name] for name in vars(Chosen())})
        return Response(RankingSerializer(crop_ranking(self.period(), chosen)).data)


class MonthAsked(serializers.Serializer):
    month = DayAsked(help_text="Any day of the month.")


class NumberSerializer(serializers.Serializer):
    name = serializers.CharField()
    value = serializers.CharField()
    base = serializers.CharField()


class WeekSerializer(serializers.Serializer):
    """Grams cut, graded out too, and sold or used, in the week from a Monday."""

    week = serializers.DateField()
    cut_g = serializers.IntegerField()
    sold_g = serializers.IntegerField()


class MonthSerializer(serializers.Serializer):
    """Five numbers, the way from what was sold to what is left, the crops best first, thirteen
    weeks, what to do and what speaks against it."""

    first = serializers.DateField(source="period.first")
    last = serializers.DateField(source="period.last")
    numbers = NumberSerializer(many=True)
    way = serializers.CharField()
    crops = shown(CropSum)(many=True)
    weeks = WeekSerializer(many=True)
    advice = serializers.CharField()
    doubt = serializers.CharField()
    says = serializers.ListField(child=serializers.CharField())


class MonthOf(Reading):
    """A month for the owner."""

    permission_classes = [IsAuthenticated, MayReadBoth]
    pagination_class = None
    asks = MonthAsked
    row = CropSum

    @extend_schema(
        operation_id="figures_month",
        tags=["readings"],
        parameters=[MonthAsked],
        responses=MonthSerializer,
    )
    def get(self, request: Request) -> Response:
        found = month(not_to_come(self.asked()["month"]), Business.the().currency)
        return Response(MonthSerializer(found).data)


class FloorSerializer(serializers.Serializer):
    """rows by crop, all crops last; claims beside own records of the same crop and season."""

    about = AboutSerializer()
    rows = shown(FloorRow)(many=True)
    claims = shown(ClaimRow)(many=True)


class FloorOf(FiguresOf):
    """What a square metre of floor gives on towers and on a flat bench, beside what is claimed."""

    row = FloorRow

    @extend_schema(
        operation_id="figures_floor",
        tags=["readings"],
        parameters=[PeriodAsked],
        responses=FloorSerializer,
    )
    def get(self, request: Request) -> Response:
        return Response(FloorSerializer(claims(self.period())).data)


class WinterAsked(serializers.Serializer):
    """The winter that ends in a year; and assumptions, all of them or none."""

    winter = serializers.IntegerField(min_value=1970, max_value=9999)
    least = serializers.IntegerField(min_value=0, max_value=366, default=LEAST_DAYS)
    cells = DecimalText(required=False)
    days = DecimalText(required=False)
    watts = DecimalText(required=False)
    hours = DecimalText(required=False)
    kwh_pence = DecimalText(required=False)
    pct = DecimalText(required=False)
    grams = DecimalText(required=False)
    pence_kg = DecimalText(required=False)


class WinterSerializer(serializers.Serializer):
    """basis of a row: own records, or entered assumptions."""

    about = AboutSerializer()
    rows = shown(WinterRow)(many=True)


class WinterOf(Reading):
    """What it cost to carry plants through a winter, and what they gave in spring."""

    permission_classes = [IsAuthenticated, MayReadFigures]
    pagination_class = None
    asks = WinterAsked
    row = WinterRow

    @extend_schema(
        operation_id="figures_winter",
        tags=["readings"],
        parameters=[WinterAsked],
        responses=WinterSerializer,
    )
    def get(self, request: Request) -> Response:
        asked = self.asked()
        assumed = assumed_of({name: str(value) for name, value in asked.items()})
        found = wintering(asked["winter"], assumed, asked["least"])
        return Response(WinterSerializer(found).data)


def urls() -> list[URLPattern]:
    from . import api_ahead  # which stands on this module

    return [
        *api_ahead.urls(),
        path("figures/yields/", YieldsOf.as_view(), name="figures-yields"),
        path("figures/lost/", LostOf.as_view(), name="figures-lost"),
        path("figures/waste/", WasteOf.as_view(), name="figures-waste"),
        path("figures/months/", MonthsOf.as_view(), name="figures-months"),
        path("figures/margin/", MarginOf.as_view(), name="figures-margin"),
        path("figures/crops/", CropsOf.as_view(), name="figures-crops"),
        path("figures/ranking/", RankingOf.as_view(), name="figures-ranking"),
        path("figures/month/", MonthOf.as_view(), name="figures-month"),
        path("figures/floor/", FloorOf.as_view(), name="figures-floor"),
        path("figures/winter/", WinterOf.as_view(), name="figures-winter"),
        path("figures/outlets/", OutletsOf.as_view(), name="figures-outlets"),
    ]


__all__ = ["AboutSerializer", "MayReadFigures", "register", "urls"]
