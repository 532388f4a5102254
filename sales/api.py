"""What the API offers of packing and selling: products, outlets, prices and label stock to be set
up; runs, notes and money to be looked at."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.db.models import Prefetch
from django.urls import URLPattern, path
from django_filters import rest_framework as filters
from rest_framework import serializers
from rest_framework.permissions import IsAuthenticated
from rest_framework.routers import SimpleRouter

from grow import clock, scope
from grow.acts import MORE
from grow.models import OUTLETS, Crop, Event, Lot, Place
from grow.rest import (
    Called,
    Day,
    DayOf,
    Looked,
    MayTable,
    Name,
    Row,
    SetUp,
    Table,
    WholeFarm,
    called,
    who,
)
from sales import printers
from sales.epcis_api import Given, Received
from sales.evidence_api import EvidenceOf
from sales.models import (
    DecisionCard,
    DeliveryNote,
    LabelStock,
    Money,
    NoteLine,
    Outlet,
    PackingRun,
    Price,
    Printer,
    Product,
    Receipt,
    ReceiptLine,
    RecipeLine,
    Statement,
    Wanted,
)
from sales.money_api import BooksOf, StatementOf
from sales.morning_api import MorningOf
from sales.pages_common import CommonCauseOf
from sales.recall_api import Complaints, RecallOf, Recalls
from sales.tills_api import TillDays
from sales.trace_api import TraceOf
from sales.weights_api import RecordOfRun, ScaleLines, WeightsOfRun

# --- acts: the number of the note that a delivery wrote ---------------------------------------


def _number(event: Event) -> str | None:
    if event.kind not in ("deliver", "come_without_note"):
        return None
    return DeliveryNote.objects.values_list("number", flat=True).filter(event=event).first()


MORE["note"] = (
    serializers.CharField(allow_null=True, help_text="Of a delivery, or of what came without."),
    _number,
)


class WithMoney(Row):
    """A row of which somebody of one outlet sees all but the money."""

    money: tuple[str, ...] = ()

    def to_representation(self, row: Any) -> dict[str, Any]:
        shown = super().to_representation(row)
        if scope.tied_to(who(self.context["request"])):
            shown |= dict.fromkeys(self.money)
        return shown


# --- products --------------------------------------------------------------------------------


class RecipeRow(serializers.ModelSerializer):
    crop = Name(Crop)

    class Meta:
        model = RecipeLine
        fields = ["crop", "least_pct", "greatest_pct"]

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs.get("least_pct", 0) <= attrs.get("greatest_pct", 100) <= 100:
            raise serializers.ValidationError(
                "the least share is above the greatest, or above 100."
            )
        return attrs


class ProductRow(WithMoney):
    loose_crop = Name(Crop, allow_null=True, required=False)
    named = Name(Crop, allow_null=True, required=False)
    recipe = RecipeRow(many=True, required=False)
    line = serializers.CharField(read_only=True, help_text="What its lots' line says.")
    packaging_pence = serializers.DecimalField(
        max_digits=6, decimal_places=2, min_value=0, required=False, allow_null=True
    )
    money = ("packaging_pence",)

    class Meta:
        model = Product
        fields = [
            *("id", "code", "name", "line", "nominal_g", "loose_crop", "tare_g", "fill"),
            *("shelf_life_days", "days_from_cut", "allergens", "packaging_pence", "recipe"),
            *("form", "target_g", "named", "storage", "largest_cm2", "grade", "shows_variety"),
            *("gtin", "per_crate", "test_and_hold"),
        ]

    def validate_recipe(self, lines: list[dict[str, Any]]) -> list[dict[str, Any]]:
        crops = [line["crop"] for line in lines]
        if len(set(crops)) < len(crops):
            raise serializers.ValidationError("a crop stands twice in it.")
        return lines

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if attrs.get("packaging_pence", 0) is None:
            del attrs["packaging_pence"]
        return super().validate(attrs)

    def create(self, validated_data: dict[str, Any]) -> Product:
        recipe = validated_data.pop("recipe", [])
        product = super().create(validated_data)
        self._lay(product, recipe)
        return product

    def update(self, instance: Product, validated_data: dict[str, Any]) -> Product:
        recipe = validated_data.pop("recipe", None)
        product = super().update(instance, validated_data)
        if recipe is not None:
            product.recipe.all().delete()
            self._lay(product, recipe)
        return product

    def _lay(self, product: Product, recipe: list[dict[str, Any]]) -> None:
        RecipeLine.objects.bulk_create(RecipeLine(product=product, **line) for line in recipe)
        # what was fetched with the product before is not its recipe any more
        getattr(product, "_prefetched_objects_cache", {}).pop("recipe", None)


class ProductTable(Table):
    code = filters.CharFilter(max_length=40)
    loose = filters.BooleanFilter(field_name="loose_crop", lookup_expr="isnull", exclude=True)


class Products(SetUp):
    """What is sold, with its recipe: a bag, a punnet, a bunch, or a crop loose by weight."""

    queryset = (
        Product.objects.select_related("loose_crop", "named")
        .prefetch_related(
            Prefetch("recipe", RecipeLine.objects.select_related("crop").order_by("id"))
        )
        .order_by("name", "id")
    )
    serializer_class = ProductRow
    filterset_class = ProductTable


class DecisionRow(Row):
    product = Name(Product)
    outlet = Name(Outlet, allow_null=True, required=False)

    class Meta:
        model = DecisionCard
        fields = [
            *("id", "product", "outlet", "since", "state", "sold_as", "system", "date_kind"),
            *("decided_by", "decided_on", "evidence"),
        ]


class DecisionTable(Table):
    product = Called(Product)
    outlet = Called(Outlet)


class Decisions(SetUp):
    """What a product is in law where it is sold, from a day on: who decided, and on what."""

    queryset = DecisionCard.objects.select_related("product", "outlet__place").order_by("id")
    serializer_class = DecisionRow
    filterset_class = DecisionTable


# --- outlets and prices -----------------------------------------------------------------------


class OutletRow(WithMoney):
    place = Name(Place)
    shop_share_pct = serializers.IntegerField(
        min_value=0, max_value=100, required=False, allow_null=True
    )
    price_basis = serializers.CharField(
        max_length=120, required=False, allow_blank=True, allow_null=True
    )
    money = ("shop_share_pct", "price_basis")

    class Meta:
        model = Outlet
        fields = [
            *("id", "place", "wants_notes", "asks_temperature", "contact", "address"),
            "cooling_minutes",
            *("telephone", "out_of_hours", "shop_share_pct", "price_basis", "owner"),
        ]

    def validate_place(self, place: Place) -> Place:
        if place.kind not in OUTLETS:
            raise serializers.ValidationError(f"{place} is no shop, kitchen or other business.")
        return place

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        return super().validate({k: v for k, v in attrs.items() if v is not None})


class Outlets(SetUp):
    """Who takes what we grow, and how to reach them in and out of hours."""

    queryset = Outlet.objects.select_related("place").order_by("place__name")
    serializer_class = OutletRow
    filterset_fields = ["wants_notes"]


class PriceRow(Row):
    outlet = Name(Outlet)

    class Meta:
        model = Price
        fields = ["id", "outlet", "line", "since", "pence", "tax_code"]


class PriceTable(Table):
    outlet = Called(Outlet)
    line = filters.CharFilter(max_length=40)


class Prices(SetUp):
    """Pence for one pack or one kilogram of a line at an outlet, from a day on; net of tax."""

    permission_classes = [IsAuthenticated, WholeFarm, MayTable]
    queryset = Price.objects.select_related("outlet__place").order_by("id")
    serializer_class = PriceRow
    filterset_class = PriceTable


# --- orders and shelf levels --------------------------------------------------------------------


class WantedRow(Row):
    outlet = Name(Outlet)
    product = Name(Product)
    is_level = serializers.BooleanField(
        read_only=True, help_text="The level of a shelf; else an order."
    )

    class Meta:
        model = Wanted
        fields = ["id", "outlet", "product", "weekday", "day", "quantity", "is_level"]
        extra_kwargs = {"weekday": {"help_text": "By ISO 8601: 1 is Monday, 7 is Sunday."}}


class WantedTable(Table):
    outlet = Called(Outlet)
    product = Called(Product)
    weekday = filters.ChoiceFilter(choices=Wanted.Weekday.choices)


class Wanteds(SetUp):
    """What each outlet is to have of a product, on a weekday or on one day, whose row stands in
    for the weekday's: an order where it wants notes, else the level of its shelf."""

    queryset = Wanted.objects.select_related("outlet__place", "product").order_by("id")
    serializer_class = WantedRow
    filterset_class = WantedTable


# --- label stock ------------------------------------------------------------------------------


class LabelStockRow(Row):
    class Meta:
        model = LabelStock
        fields = [
            *("id", "name", "width_mm", "height_mm", "columns", "rows"),
            *("left_mm", "top_mm", "across_mm", "down_mm"),
        ]


class LabelStocks(SetUp):
    """Rolls and A4 sheets of labels, in millimetres. A sheet has columns and rows."""

    queryset = LabelStock.objects.order_by("name", "id")
    serializer_class = LabelStockRow
    filterset_fields = ["name"]


class PrinterRow(Row):
    class Meta:
        model = Printer
        fields = ["id", "name", "dpi", "measured_mm", "measured_at"]
        read_only_fields = ["measured_at"]

    def validate_measured_mm(self, mm: Decimal | None) -> Decimal | None:
        return None if mm is None else printers.read_mm(str(mm))

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        if "measured_mm" in attrs:
            attrs["measured_at"] = None if attrs["measured_mm"] is None else clock.now()
        return attrs


class Printers(SetUp):
    """Label printers: how fine their dots are, and what a line of 50 mm came out as."""

    queryset = Printer.objects.order_by("name", "id")
    serializer_class = PrinterRow
    filterset_fields = ["name"]


# --- runs, notes, money -----------------------------------------------------------------------


class RunRow(serializers.ModelSerializer):
    lot = serializers.CharField(source="lot.code", read_only=True)
    day = DayOf(source="lot.made_by.day", read_only=True)
    product = serializers.CharField(source="product.code", read_only=True)
    scale = serializers.CharField(
        source="scale.name", read_only=True, allow_null=True, default=None
    )

    class Meta:
        model = PackingRun
        fields = [
            *("lot", "day", "product", "name", "nominal_each_g", "allergens", "origin", "use_by"),
            *("fill", "label_text", "washed", "grams_in", "gain_g", "packs", "nominal_g", "trim_g"),
            *("giveaway_g", "samples_g", "moisture_g", "system", "target_g", "scale"),
        ]
        read_only_fields = fields


class RunTable(Table):
    product = Called(Product)
    first = Day(field_name="lot__made_by__day", lookup_expr="gte", label="first")
    last = Day(field_name="lot__made_by__day", lookup_expr="lte", label="last")


class Runs(Looked):
    """Packing runs: what their labels say, and every gram in and out; the latest first."""

    queryset = PackingRun.objects.select_related("lot__made_by", "product", "scale").order_by(
        "-lot_id"
    )
    serializer_class = RunRow
    filterset_class = RunTable
    lookup_field = "lot__code"
    lookup_url_kwarg = "code"
    lookup_value_regex = "[^/]+"

    def get_object(self) -> PackingRun:
        lot = called(Lot, self.kwargs["code"][:200], who(self.request))
        self.kwargs["code"] = lot.code
        return super().get_object()


class LineRow(serializers.ModelSerializer):
    lot = serializers.CharField(source="lot.code", read_only=True)
    title = serializers.CharField(source="lot.title", read_only=True)
    unit = serializers.CharField(source="lot.unit", read_only=True)

    class Meta:
        model = NoteLine
        fields = [
            *("lot", "title", "unit", "sent", "accepted", "short", "rejected", "to_follow", "over")
        ]
        read_only_fields = fields


class OddRow(serializers.ModelSerializer):
    lot = serializers.CharField(source="lot.code", read_only=True)
    photo = serializers.IntegerField(source="photo_id", allow_null=True, read_only=True)

    class Meta:
        model = ReceiptLine
        fields = ["lot", "short", "rejected", "reason", "photo"]
        read_only_fields = fields


class ReceiptRow(serializers.ModelSerializer):
    """How goods came in at one time, as far as more than quantities was told."""

    happened_at = serializers.DateTimeField(source="event.happened_at", read_only=True)
    probe = serializers.CharField(source="probe.name", allow_null=True, read_only=True)
    lines = OddRow(many=True, read_only=True)

    class Meta:
        model = Receipt
        fields = [
            *("event", "happened_at", "temperature_c", "measured", "probe", "condition", "lines")
        ]
        read_only_fields = fields


class NoteRow(serializers.ModelSerializer):
    outlet = serializers.CharField(source="outlet.place.name", read_only=True)
    day = DayOf(source="event.day", read_only=True)
    lines = LineRow(many=True, read_only=True)
    receipts = ReceiptRow(many=True, read_only=True)
    parties = serializers.DictField(
        child=serializers.CharField(),
        read_only=True,
        help_text="Who sent and who was to receive, with addresses, as they stood at dispatch.",
    )

    class Meta:
        model = DeliveryNote
        fields = ["number", "outlet", "event", "day", "parties", "lines", "receipts"]
        read_only_fields = fields


class NoteTable(Table):
    outlet = Called(Outlet)
    first = Day(field_name="event__day", lookup_expr="gte", label="first")
    last = Day(field_name="event__day", lookup_expr="lte", label="last")
    to_follow = filters.BooleanFilter(
        method="that_wait", help_text="Whether something of it has not come yet."
    )

    def that_wait(self, rows: Any, name: str, yes: bool) -> Any:
        waiting = NoteLine.objects.filter(to_follow__gt=0).values("note_id")
        return rows.filter(pk__in=waiting) if yes else rows.exclude(pk__in=waiting)


class Notes(Looked):
    """Delivery notes, and what became of each of their lines; the latest first."""

    queryset = (
        DeliveryNote.objects.select_related("outlet__place", "event")
        .prefetch_related(
            Prefetch("lines", NoteLine.objects.select_related("lot").order_by("id")),
            Prefetch("receipts", Receipt.objects.select_related("event", "probe")),
            Prefetch("receipts__lines", ReceiptLine.objects.select_related("lot")),
        )
        .order_by("-id")
    )
    serializer_class = NoteRow
    filterset_class = NoteTable
    lookup_field = "number"
    lookup_value_regex = "[^/]+"

    def get_object(self) -> DeliveryNote:
        note = called(DeliveryNote, self.kwargs["number"][:200], who(self.request))
        self.kwargs["number"] = note.number
        return super().get_object()


class MoneyRow(serializers.ModelSerializer):
    event = serializers.IntegerField(source="movement.event_id", read_only=True)
    day = DayOf(source="movement.day", read_only=True)
    lot = serializers.CharField(source="movement.lot.code", read_only=True)
    outlet = serializers.CharField(source="outlet.place.name", read_only=True)

    class Meta:
        model = Money
        fields = ["movement", "event", "day", "lot", "outlet", "unit_pence", "pence"]
        read_only_fields = fields


class MoneyTable(Table):
    outlet = Called(Outlet)
    first = Day(field_name="movement__day", lookup_expr="gte", label="first")
    last = Day(field_name="movement__day", lookup_expr="lte", label="last")


class Takings(Looked):
    """What each sold or delivered movement was worth, in pence, net of tax; the latest first."""

    permission_classes = [IsAuthenticated, WholeFarm, MayTable]
    queryset = Money.objects.select_related("movement__lot", "outlet__place").order_by(
        "-movement_id"
    )
    serializer_class = MoneyRow
    filterset_class = MoneyTable


class StatementRow(serializers.ModelSerializer):
    outlet = serializers.CharField(source="outlet.place.name", read_only=True)
    month = serializers.IntegerField(read_only=True, help_text="As yyyymm.")

    class Meta:
        model = Statement
        fields = ["event", "number", "outlet", "month"]
        read_only_fields = fields


class StatementTable(Table):
    outlet = Called(Outlet)


class Statements(Looked):
    """The statements that were issued; the latest first. `statement/` has what is on one."""

    permission_classes = [IsAuthenticated, WholeFarm, MayTable]
    queryset = Statement.objects.select_related("outlet__place").order_by("-event_id")
    serializer_class = StatementRow
    filterset_class = StatementTable


def register(router: SimpleRouter) -> None:
    for address, view in (
        ("products", Products),
        ("outlets", Outlets),
        ("prices", Prices),
        ("wanted", Wanteds),
        ("decision-cards", Decisions),
        ("label-stock", LabelStocks),
        ("printers", Printers),
        ("runs", Runs),
        ("notes", Notes),
        ("money", Takings),
        ("statements", Statements),
    ):
        router.register(address, view, basename=address)


def urls() -> list[URLPattern]:
    return [
        path("morning/", MorningOf.as_view(), name="morning"),
        path("till-days/", TillDays.as_view(), name="till-days"),
        path("trace/", TraceOf.as_view(), name="trace"),
        path("common-cause/", CommonCauseOf.as_view(), name="common-cause"),
        path("recalls/", Recalls.as_view(), name="recalls"),
        path("recalls/<str:number>/", RecallOf.as_view(), name="recall"),
        path("complaints/", Complaints.as_view(), name="complaints"),
        path("evidence/", EvidenceOf.as_view(), name="evidence"),
        path("epcis/", Given.as_view(), name="epcis"),
        path("epcis/received/", Received.as_view(), name="epcis-received"),
        path("statement/", StatementOf.as_view(), name="statement"),
        path("books/", BooksOf.as_view(), name="books"),
        path("runs/<str:code>/record/", RecordOfRun.as_view(), name="run-record"),
        path("runs/<str:code>/weights/", WeightsOfRun.as_view(), name="run-weights"),
        path("runs/<str:code>/scale-lines/", ScaleLines.as_view(), name="run-scale-lines"),
    ]
