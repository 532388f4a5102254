"""Towers with all their sites, benches or lit shelves in the API, many at once."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.exceptions import ValidationError
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from . import bulk
from .errors import NotAllowed
from .models import PlaceKind
from .rest import body


class BulkPlacesSerializer(serializers.Serializer):
    """count places of a kind, called “T1”, “T2” …; of towers also the tiers on each and the sites
    on a tier. A name that is taken is refused, and nothing is made."""

    kind = serializers.ChoiceField(
        choices=[kind.value for kind in bulk.IN_BULK], default=PlaceKind.TOWER.value
    )
    count = serializers.IntegerField(min_value=1, max_value=bulk.MOST)
    called = serializers.CharField(max_length=40, help_text="“T” makes T1, “Tower” Tower 1.")
    first = serializers.IntegerField(
        min_value=0, max_value=99_999, default=1, help_text="The number of the first of them."
    )
    tiers = serializers.IntegerField(min_value=1, max_value=bulk.MOST_TIERS, required=False)
    sites_on_a_tier = serializers.IntegerField(
        min_value=1, max_value=bulk.MOST_ROUND, required=False
    )

    def validate(self, told: dict[str, Any]) -> dict[str, Any]:
        tower = told["kind"] == PlaceKind.TOWER
        for name in ("tiers", "sites_on_a_tier"):
            if (name in told) != tower:
                says = "is needed of towers." if tower else "is asked of towers alone."
                raise ValidationError({name: [says]})
        return told

    def bulk(self) -> bulk.Bulk:
        told = dict(self.validated_data)
        return bulk.Bulk(PlaceKind(told.pop("kind")), round=told.pop("sites_on_a_tier", 0), **told)


class MadePlacesSerializer(serializers.Serializer):
    """What was made: the places by name, in their order, and how many plant sites in all."""

    places = serializers.ListField(child=serializers.CharField())
    sites = serializers.IntegerField()


class InBulk(APIView):
    """Make towers with all their plant sites, benches or lit shelves, many at once, or none."""

    permission_classes = [IsAuthenticated]

    @extend_schema(
        operation_id="towers_create",
        tags=["places"],
        request=BulkPlacesSerializer,
        responses={201: MadePlacesSerializer},
    )
    def post(self, request: Request) -> Response:
        if not request.user.has_perms(("grow.add_place", "grow.add_plantsite")):
            raise NotAllowed("not_allowed", "Only who sets up places may make them.")
        told = BulkPlacesSerializer(data=body(request))
        told.is_valid(raise_exception=True)
        wanted = told.bulk()
        made = [place.name for place in bulk.build(wanted)]
        return Response({"places": made, "sites": wanted.sites}, status=201)
