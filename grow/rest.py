"""What every endpoint stands on: pages of a list, filters, permissions, names for rows, and
serializers made from the dataclasses that a reading gives.

Whatever goes wrong is raised as the family of `grow.errors` or of the framework; `config.errors`
gives both one shape.
"""

from __future__ import annotations

import copy
import dataclasses
import datetime as dt
import enum
import typing
from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Any

from django.core.exceptions import ValidationError as ModelError
from django.db import IntegrityError
from django.db.models import Model, ProtectedError, QuerySet
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema_field
from rest_framework import generics, serializers, viewsets
from rest_framework.exceptions import ParseError, ValidationError
from rest_framework.pagination import LimitOffsetPagination
from rest_framework.permissions import BasePermission, DjangoModelPermissions, IsAuthenticated
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from . import clock, finding, gate, readings, scope
from .asks import READ, Ask, Unread
from .errors import NotAllowed, NotKnown, Refusal
from .flat import CsvRenderer, columns_of
from .models import Person

# --- what is sent ------------------------------------------------------------------------------


def body(request: Request) -> Mapping[str, Any]:
    """What was sent, as one JSON object. Raises ParseError."""
    if not isinstance(request.data, Mapping):
        raise ParseError("One JSON object is needed.")
    return request.data


def who(request: Request) -> Person:
    """The person who asks; a permission has seen to it that there is one."""
    return typing.cast(Person, request.user)


# --- pages and filters --------------------------------------------------------------------------


class Pages(LimitOffsetPagination):
    """limit of 1 to 500 (100 if none is said) from offset on; anything else is refused."""

    default_limit = 100
    max_limit = 500
    most = 10**9

    def get_limit(self, request: Request) -> int:
        return self._number(request, "limit", self.default_limit, 1, self.max_limit)

    def get_offset(self, request: Request) -> int:
        return self._number(request, "offset", 0, 0, self.most)

    def _number(self, request: Request, name: str, default: int, least: int, most: int) -> int:
        text = request.query_params.get(name)
        if text is None:
            return default
        if not (
            text.isascii() and text.isdigit() and len(text) < 12 and least <= int(text) <= most
        ):
            raise ValidationError({name: [f"write a whole number from {least} to {most}."]})
        return int(text)

    def get_schema_operation_parameters(self, view: Any) -> list[dict[str, Any]]:
        def number(name: str, says: str, **more: int) -> dict[str, Any]:
            return {
                "name": name,
                "in": "query",
                "required": False,
                "description": says,
                "schema": {"type": "integer", **more},
            }

        return [
            number("limit", "So many rows.", minimum=1, maximum=self.max_limit),
            number("offset", "From this row on; 0 is the first.", minimum=0, maximum=self.most),
        ]


def refuse_unknown(request: Request, known: typing.Iterable[str]) -> None:
    """A misspelt filter would silently give everything. Raises ValidationError."""
    for name in request.query_params:
        if name not in known:
            raise ValidationError({name: ["is nothing that this address asks for."]})


class Filters(filters.DjangoFilterBackend):
    """Filters by name; one that the table does not know is refused."""

    def filter_queryset(self, request: Request, queryset: Any, view: Any) -> Any:
        filterset = self.get_filterset_class(view, queryset)
        named = filterset.base_filters if filterset else {}
        refuse_unknown(request, {*named, "limit", "offset"})
        return super().filter_queryset(request, queryset, view)


class _Text(filters.CharFilter):
    """One text, read once by `read`, before the rows are asked for."""

    def read(self, text: str) -> Any:
        return text

    def filter(self, qs: QuerySet[Any], value: Any) -> QuerySet[Any]:
        if value in (None, ""):
            return qs
        try:
            read = self.read(value)
        except NotKnown:
            raise
        except Refusal as refusal:
            raise Unread({str(self.label or self.field_name): refusal}) from refusal
        return super().filter(qs, read)


@extend_schema_field({"type": "string", "maxLength": 200})
class Called(_Text):
    """A row of a model by its name or code, as the person knows it."""

    def __init__(self, model: type[Model], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.model_called = model
        self.extra.setdefault("max_length", 200)

    def read(self, text: str) -> Any:
        return called(self.model_called, text, self.parent.request.user)


@extend_schema_field({"type": "string", "format": "date"})
class Day(_Text):
    """A local day, against a column that holds days as yyyymmdd."""

    def read(self, text: str) -> int:
        return clock.day_number(READ["day"](Ask(str(self.label or "day"), "day"), text, True))


@extend_schema_field({"type": "string", "format": "date-time"})
class Moment(_Text):
    """A moment; without a zone it is the business's wall clock."""

    def read(self, text: str) -> dt.datetime:
        found: dt.datetime = READ["moment"](Ask(str(self.label or "moment"), "moment"), text, True)
        return found


class Table(filters.FilterSet):
    """Filters of one table. Everything that a filter cannot read is a refusal in words."""


def days() -> dict[str, filters.Filter]:
    """from and to, both inclusive, for a table with a column `day`."""
    return {
        "first": Day(
            field_name="day", lookup_expr="gte", label="first", help_text="From this day."
        ),
        "last": Day(field_name="day", lookup_expr="lte", label="last", help_text="To this day."),
    }


class DayOf(serializers.DateField):
    """A day kept as yyyymmdd, shown."""

    def to_representation(self, value: Any) -> str:
        return clock.number_day(value).isoformat()


@extend_schema_field({"type": "string", "format": "date"})
class DayAsked(serializers.CharField):
    """A day in the question. Raises Unread."""

    def to_internal_value(self, data: Any) -> Any:
        name = self.field_name or "day"
        return _read(name, lambda: READ["day"](Ask(name, "day"), str(data), True))


@extend_schema_field({"type": "string", "maxLength": 40})
class MomentAsked(serializers.CharField):
    """A day and time in the question; a day alone is its end, or its start where that is meant.
    Raises Unread."""

    def __init__(self, start: bool = False, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.start = start

    def to_internal_value(self, data: Any) -> Any:
        name = self.field_name or "at"
        return _read(name, lambda: readings.moment(str(data), name, start=self.start))


def _read(name: str, read: Callable[[], Any]) -> Any:
    try:
        return read()
    except Refusal as refusal:
        raise Unread({name: refusal}) from refusal


# --- names -------------------------------------------------------------------------------------


def called(model: type[Model], text: str, person: Person) -> Any:
    """The row of a name or code. Raises NotKnown, in the words of the edge."""
    (row,) = finding.rows_called(model, [text], person)
    if isinstance(row, Refusal):
        raise row
    return row


class Name(serializers.CharField):
    """A row by its name or code, read and written as people say it."""

    def __init__(self, model: type[Model], **kwargs: Any) -> None:
        kwargs.setdefault("max_length", 200)
        super().__init__(**kwargs)
        self.model = model

    def to_internal_value(self, data: Any) -> Any:
        text = super().to_internal_value(data)
        try:
            return called(self.model, text, self.context["request"].user)
        except Refusal as refusal:
            raise serializers.ValidationError(refusal.sentence) from refusal

    def run_validation(self, data: Any = serializers.empty) -> Any:
        # the text's own checks come before the row is asked for, not after
        if data in ("", None) and self.allow_null:
            return None
        empty, value = self.validate_empty_values(data)
        if empty:
            return value
        text = serializers.CharField.to_internal_value(self, data)
        self.run_validators(text)
        return self.to_internal_value(text)

    def to_representation(self, value: Any) -> str:
        return finding.NAMED[self.model].shortly(value)


# --- permission --------------------------------------------------------------------------------


class MayTable(DjangoModelPermissions):
    """Django's own permissions of a model, looking included."""

    perms_map = DjangoModelPermissions.perms_map | {
        "GET": ["%(app_label)s.view_%(model_name)s"],
        "HEAD": ["%(app_label)s.view_%(model_name)s"],
    }


class WholeFarm(BasePermission):
    """For whoever is tied to no place: money is nobody else's."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        if scope.tied_to(who(request)):
            raise NotAllowed("not_yours", "Money is not shown to somebody of one outlet.")
        return True


class Seen(viewsets.GenericViewSet):
    """Rows of a model, for whom its permissions let, as far as the person sees."""

    permission_classes = [IsAuthenticated, MayTable]
    filter_backends = [Filters]
    pagination_class = Pages

    def get_queryset(self) -> QuerySet[Any]:
        rows = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return rows.none()
        return scope.seen(rows, who(self.request))


class Looked(Seen, viewsets.ReadOnlyModelViewSet):
    """A table of the ledger: looked at, and never written here."""


class SetUp(Seen, viewsets.ModelViewSet):
    """A table that is filled in."""

    http_method_names = ["get", "post", "patch", "delete", "head", "options"]

    def perform_create(self, serializer: Any) -> None:
        try:
            with gate.through(gate.SHARED):
                serializer.save()
        except IntegrityError as error:  # somebody else was quicker by an instant
            taken = Refusal("taken", "Somebody else wrote such a row just now; look again.")
            taken.status = 409
            raise taken from error

    perform_update = perform_create

    def perform_destroy(self, instance: Any) -> None:
        try:
            with gate.through(gate.SHARED):
                instance.delete()
        except ProtectedError as error:
            kinds = sorted({str(row._meta.verbose_name) for row in error.protected_objects})
            used = Refusal(
                "still_used",
                f"{instance} is still named by {', '.join(kinds)}, so it stays.",
                kinds=kinds,
            )
            used.status = 409
            raise used from error


class Row(serializers.ModelSerializer):
    """A row of a set-up table, checked by its model's own rules before it is written. What they
    put right, as a number into its one form, is written so."""

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        model: Any = self.Meta.model
        meta = model._meta
        row = copy.copy(self.instance) if self.instance else model()
        plain = {f.name for f in meta.concrete_fields}
        for name, value in attrs.items():
            if name in plain:
                setattr(row, name, value)
        told = {f.name: getattr(row, f.attname) for f in meta.concrete_fields}
        try:
            row.full_clean()
        except ModelError as error:
            raise ValidationError(error.message_dict) from error
        changed = [f for f in meta.concrete_fields if getattr(row, f.attname) != told[f.name]]
        return attrs | {f.name: getattr(row, f.name) for f in changed}

    def get_validators(self) -> list[Any]:
        return []  # full_clean asks for all of the model's constraints


class MayLook(BasePermission):
    """A reading names the permission that it needs, as `needs`."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        return request.user.has_perm(view.needs)  # type: ignore[attr-defined]  # of a Reading


class Reading(generics.GenericAPIView):
    """An answer that is worked out and not one table's. `asks` is a serializer of the question."""

    permission_classes: Any = [IsAuthenticated, MayLook]
    filter_backends: Any = []
    pagination_class: Any = Pages
    queryset = Person.objects.none()
    renderer_classes = [JSONRenderer, CsvRenderer]
    needs = ""
    asks: type[serializers.Serializer]
    #: What a row of it is, for its columns as CSV.
    row: type

    def flat(self, data: Any) -> tuple[list[str], list[Any]]:
        """The columns and rows of its answer as CSV."""
        rows = data["results"] if "results" in data else data["rows"]
        return columns_of(shown(self.row)), rows

    def asked(self) -> dict[str, Any]:
        """What was asked, read. Raises ValidationError, Unread."""
        names = self.asks().fields.keys()
        refuse_unknown(self.request, {*names, "limit", "offset"} if self.paginator else names)
        told = self.asks(data=self.request.query_params.dict(), context={"request": self.request})
        told.is_valid(raise_exception=True)
        return dict(told.validated_data)

    def pages_of(self, rows: Any, dress: Callable[[Any], Any] | None = None) -> Response:
        """A list's page; dress turns each of its rows, and not all of them, into what is shown. A
        file is whole, unless a part of it is asked for."""
        whole = self.request.accepted_renderer.format == CsvRenderer.format
        whole = whole and not {"limit", "offset"} & self.request.query_params.keys()
        page = list(rows) if whole else self.paginate_queryset(rows) or []
        shown_ = [dress(row) for row in page] if dress else page
        serializer = shown(type(shown_[0])) if shown_ else None
        data = serializer(shown_, many=True).data if serializer else []
        return Response({"results": data}) if whole else self.get_paginated_response(data)


# --- rows of a reading --------------------------------------------------------------------------

_FIELDS: dict[Any, type[serializers.Field]] = {
    str: serializers.CharField,
    int: serializers.IntegerField,
    bool: serializers.BooleanField,
    float: serializers.FloatField,
    dt.date: serializers.DateField,
    dt.datetime: serializers.DateTimeField,
}


class DecimalText(serializers.CharField):
    """A Decimal as text, every digit of it: "0.1" stays a tenth."""

    def to_representation(self, value: Any) -> str:
        return format(Decimal(value), "f")


def shown(row: type) -> type[serializers.Serializer]:
    """A serializer of a dataclass: its fields, then what its properties work out."""
    known = _SHOWN.get(row)
    if known is None:
        hints = typing.get_type_hints(row)
        fields = {f.name: _shown(hints[f.name]) for f in dataclasses.fields(row)}
        for name, value in (one for base in reversed(row.__mro__) for one in vars(base).items()):
            if isinstance(value, property) and value.fget is not None:
                fields[name] = _shown(typing.get_type_hints(value.fget)["return"])
        known = _SHOWN[row] = type(
            f"{row.__name__}Serializer",
            (serializers.Serializer,),
            {**fields, "__doc__": row.__doc__, "__module__": __name__},
        )
    return known


_SHOWN: dict[type, type[serializers.Serializer]] = {}


def _shown(hint: Any, **more: Any) -> serializers.Field:
    inner = [a for a in typing.get_args(hint) if a is not type(None)]
    if type(None) in typing.get_args(hint):
        return _shown(inner[0], allow_null=True)
    if typing.get_origin(hint) in (list, tuple):  # of a tuple all are of one type
        one = _shown(inner[0])
        if isinstance(one, serializers.Serializer):
            return type(one)(many=True, read_only=True)
        return serializers.ListField(child=one, read_only=True)
    if dataclasses.is_dataclass(hint):
        return shown(typing.cast(type, hint))(read_only=True, **more)
    if hint is Decimal:
        return DecimalText(read_only=True, **more)
    if issubclass(hint, enum.Enum):
        return serializers.ChoiceField([e.value for e in hint], read_only=True, **more)
    return _FIELDS[hint](read_only=True, **more)


__all__ = [
    "Called",
    "Day",
    "DayAsked",
    "DayOf",
    "DecimalText",
    "Filters",
    "Looked",
    "MayLook",
    "MayTable",
    "Moment",
    "MomentAsked",
    "Name",
    "Pages",
    "Reading",
    "Row",
    "SetUp",
    "Table",
    "WholeFarm",
    "body",
    "called",
    "days",
    "refuse_unknown",
    "shown",
    "who",
]
