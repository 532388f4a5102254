"""The set-up tables in the API: what a manager types on the first evening, and changes later."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter
from rest_framework.views import APIView

from . import gate, scope
from .errors import NotAllowed, Refusal
from .models import (
    ENDS,
    SOURCES,
    Business,
    Crop,
    CropCard,
    Item,
    Person,
    Place,
    PlaceKind,
    PlantSite,
    SignOff,
    Thing,
    Variety,
)
from .rest import Called, Looked, Name, Row, SetUp, Table, who


class CropRow(Row):
    class Meta:
        model = Crop
        fields = ["id", "name", "picked", "allergen", "sprout_rules", "usual_bunch_g", "cold_c"]


class Crops(SetUp):
    """What is grown."""

    queryset = Crop.objects.order_by("name")
    serializer_class = CropRow
    filterset_fields = ["name", "picked"]


class VarietyRow(Row):
    crop = Name(Crop)

    class Meta:
        model = Variety
        fields = ["id", "crop", "name", "species", "seeds_per_cell", "sites_each"]


class OfCrop(Table):
    crop = Called(Crop)


class Varieties(SetUp):
    """Varieties of a crop, or mixes with their species."""

    queryset = Variety.objects.select_related("crop").order_by("crop__name", "name")
    serializer_class = VarietyRow
    filterset_class = OfCrop


class CardRow(Row):
    variety = Name(Variety)

    class Meta:
        model = CropCard
        fields = [
            "id",
            "variety",
            "nursery_days",
            "days_to_first_cut",
            "days_between_cuts",
            "cuts",
            "grams_per_site_and_cut",
            "usable_plugs_pct",
            "grams_by_cut",
            "growth_by_month",
            "growth_source",
            "source",
        ]


class OfVariety(Table):
    variety = Called(Variety)


class Cards(SetUp):
    """Days and grams to expect of a variety, each with where it comes from."""

    queryset = CropCard.objects.select_related("variety").order_by("variety__name", "id")
    serializer_class = CardRow
    filterset_class = OfVariety


class InputRow(Row):
    variety = Name(Variety, allow_null=True, required=False)

    class Meta:
        model = Item
        fields = [
            *("id", "name", "kind", "variety", "authorisation", "harvest_interval_days", "gtin"),
        ]


class Inputs(SetUp):
    """What is bought in: seed, medium, nutrient, sprays, labels."""

    queryset = Item.objects.select_related("variety").order_by("name")
    serializer_class = InputRow
    filterset_fields = ["name", "kind"]


#: What somebody may set up: where goods and plants stand, and who delivers. The rest is the
#: books' own, one of each, or made beside an outlet when first needed.
MAY_SET_UP = frozenset(PlaceKind) - SOURCES - ENDS - {PlaceKind.TRANSIT} | {PlaceKind.SUPPLIER}


class PlaceRow(Row):
    within = Name(Place, allow_null=True, required=False, help_text="The area around it.")
    belongs_to = Name(Place, read_only=True, allow_null=True)

    class Meta:
        model = Place
        fields = ["id", "name", "kind", "within", "belongs_to"]

    def validate_kind(self, kind: str) -> str:
        if kind not in MAY_SET_UP:
            raise serializers.ValidationError("places of that kind are the books' own.")
        return kind


class PlaceTable(Table):
    kind = filters.MultipleChoiceFilter(choices=PlaceKind.choices)
    within = Called(Place)


class Places(SetUp):
    """Benches, shelves, towers, tanks, stores, outlets and suppliers, and the books' own places,
    which are only looked at."""

    queryset = Place.objects.select_related("within", "belongs_to").order_by("name")
    serializer_class = PlaceRow
    filterset_class = PlaceTable

    def perform_update(self, serializer: Any) -> None:
        self._ours(serializer.instance)
        super().perform_update(serializer)

    def perform_destroy(self, instance: Place) -> None:
        self._ours(instance)
        super().perform_destroy(instance)

    def _ours(self, place: Place) -> None:
        if place.kind not in MAY_SET_UP or place.belongs_to_id:
            refusal = Refusal(
                "own_place", f"{place} is one of the books' own places; it stays as it is."
            )
            refusal.status = 409
            raise refusal


class SiteRow(Row):
    tower = Name(Place)

    class Meta:
        model = PlantSite
        fields = ["id", "tower", "tier", "position", "out_of_use"]

    def validate_tower(self, place: Place) -> Place:
        if place.kind != PlaceKind.TOWER:
            raise serializers.ValidationError(f"{place} is no tower.")
        return place


class SiteTable(Table):
    tower = Called(Place)
    out_of_use = filters.BooleanFilter()


class Sites(SetUp):
    """Plant sites: tower, tier (1 is the lowest), position round the ring."""

    queryset = PlantSite.objects.select_related("tower").order_by("tower__name", "tier", "position")
    serializer_class = SiteRow
    filterset_class = SiteTable


class ThingRow(Row):
    place = Name(Place, allow_null=True, required=False)

    class Meta:
        model = Thing
        fields = ["id", "name", "kind", "place", "division_g", "for_trade"]


class ThingTable(Table):
    kind = filters.ChoiceFilter(choices=Thing.Kind.choices)
    place = Called(Place)


class Things(SetUp):
    """What is checked or touches food: scales, probes, fridges, knives."""

    queryset = Thing.objects.select_related("place").order_by("name")
    serializer_class = ThingRow
    filterset_class = ThingTable


class SignedOff(serializers.ModelSerializer):
    person = Name(Person, read_only=True)
    by = Name(Person, read_only=True)

    class Meta:
        model = SignOff
        fields = ["id", "person", "task", "since", "by"]
        read_only_fields = fields


class OfPerson(Table):
    person = Called(Person)
    task = filters.ChoiceFilter(choices=SignOff.Task.choices)


class SignOffs(Looked):
    """Who was signed off for what, since when, and by whom."""

    queryset = SignOff.objects.select_related("person", "by").order_by("id")
    serializer_class = SignedOff
    filterset_class = OfPerson

    def get_queryset(self) -> QuerySet[Any]:
        rows = super().get_queryset()
        return _own(rows, self.request, "person") if self.request else rows


class PersonRow(serializers.ModelSerializer):
    roles: Any = serializers.SlugRelatedField("name", source="groups", many=True, read_only=True)
    places: Any = serializers.SlugRelatedField("name", many=True, read_only=True)

    class Meta:
        model = Person
        fields = ["id", "username", "shown_as", "is_active", "roles", "places"]
        read_only_fields = fields


class People(Looked):
    """Who records and does things. Set up in the admin site, where passwords and PINs are."""

    queryset = Person.objects.prefetch_related("groups", "places").order_by("username")
    serializer_class = PersonRow
    filterset_fields = ["is_active"]

    def get_queryset(self) -> QuerySet[Any]:
        rows = super().get_queryset()
        return _own(rows, self.request, "pk") if self.request else rows


def _own(rows: QuerySet[Any], request: Request, column: str) -> QuerySet[Any]:
    """Somebody of one outlet sees the people of that outlet."""
    tied = scope.tied_to(who(request)) if request.user.pk else frozenset()
    beside = Person.objects.filter(places__in=tied).values("pk")
    return rows.filter(**{f"{column}__in": beside}) if tied else rows


class BusinessRow(Row):
    class Meta:
        model = Business
        fields = [
            *("name", "zone", "currency", "rule_set", "water_scale_tolerance_pct", "address"),
            *("telephone", "country", "company_prefix", "public_address", "public_answered_at"),
            *("out_of_hours", "authority", "authority_telephone"),
        ]
        read_only_fields = ["public_answered_at"]


class TheBusiness(APIView):
    """The one business of this database."""

    permission_classes = [IsAuthenticated]

    @extend_schema(operation_id="business_retrieve", responses=BusinessRow)
    def get(self, request: Request) -> Response:
        return Response(BusinessRow(Business.the()).data)

    @extend_schema(
        operation_id="business_partial_update",
        request=BusinessRow(partial=True),
        responses=BusinessRow,
    )
    def patch(self, request: Request) -> Response:
        if not request.user.has_perm("grow.change_business"):
            raise NotAllowed("not_allowed", "Only who manages the business may change it.")
        row = BusinessRow(Business.the(), data=request.data, partial=True)
        row.is_valid(raise_exception=True)
        with gate.through(gate.SHARED):
            row.save()
        return Response(row.data)


def register(router: SimpleRouter) -> None:
    for address, view in (
        ("crops", Crops),
        ("varieties", Varieties),
        ("crop-cards", Cards),
        ("inputs", Inputs),
        ("places", Places),
        ("plant-sites", Sites),
        ("things", Things),
        ("people", People),
        ("sign-offs", SignOffs),
    ):
        router.register(address, view, basename=address)
