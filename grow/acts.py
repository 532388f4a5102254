"""One address for each operation, made from what the operation itself asks for.

What is sent goes through `grow.edge.tell` alone; the serializers here only say in the schema what
may be sent. The answer is the event and what it made: 201 the first time, 200 for a repeat under
the same Idempotency-Key.
"""

from __future__ import annotations

import copy
import functools
import inspect
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from django.db.models import Model, Sum
from django.urls import URLPattern, path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from . import clock
from .asks import CLOCK, COMMON, MOST, Ask, asks
from .edge import tell
from .errors import Refusal
from .kinds import KINDS, Kind
from .models import ENDS, SOURCES, Event, Flag, LotKind, Movement, PlaceKind, Tag
from .ready import Given, ready
from .rest import body, who

#: Longest Idempotency-Key and device name that an event keeps.
LONGEST_ID, LONGEST_DEVICE = 64, 40


# --- the answer --------------------------------------------------------------------------------


class MadeSerializer(serializers.Serializer):
    """A lot that the act made. quantity is what came to stand somewhere, in the lot's unit; null
    where nothing moved, as with water."""

    code = serializers.CharField()
    kind = serializers.ChoiceField(choices=LotKind.choices)
    title = serializers.CharField(allow_blank=True)
    quantity = serializers.IntegerField(allow_null=True)
    unit = serializers.CharField()
    use_by = serializers.DateField(allow_null=True)


class FlagSerializer(serializers.Serializer):
    """Something in the entry that the manager or the food-safety lead must see."""

    kind = serializers.ChoiceField(choices=Flag.Kind.choices)
    sentence = serializers.CharField()
    lot = serializers.CharField(allow_null=True)


#: What apps above add to an answer: name → (its field, how it is found).
MORE: dict[str, tuple[serializers.Field, Callable[[Event], Any]]] = {}


class AnswerSerializer(serializers.Serializer):
    """An act as it was written: the event, the lots that it made, and what must be looked at."""

    id = serializers.IntegerField()
    kind = serializers.CharField()
    says = serializers.CharField()
    happened_at = serializers.DateTimeField()
    day = serializers.DateField()
    recorded_at = serializers.DateTimeField()
    recorded_by = serializers.CharField()
    place = serializers.CharField(allow_null=True)
    already_done = serializers.BooleanField()
    lots = MadeSerializer(many=True)
    tags = serializers.ListField(child=serializers.CharField(), help_text="Crate tags printed.")
    flags = FlagSerializer(many=True)

    def get_fields(self) -> dict[str, serializers.Field]:
        return super().get_fields() | {
            name: copy.deepcopy(field) for name, (field, _) in MORE.items()
        }


def answer(event: Event) -> dict[str, Any]:
    """An event as the API gives it; the same again for a repeat. Plain, as AnswerSerializer says:
    on the way out there is nothing left to check."""
    lots = event.lots
    stood = _stood_now(event) if lots else {}
    return {
        "id": event.pk,
        "kind": event.kind,
        "says": KINDS[event.kind].says,
        "happened_at": event.happened_at,
        "day": clock.number_day(event.day),
        "recorded_at": event.recorded_at,
        "recorded_by": str(event.recorded_by),
        "place": event.place and event.place.name,
        "already_done": event.already_done,
        "lots": [
            {
                "code": lot.code,
                "kind": lot.kind,
                "title": lot.title,
                "quantity": stood.get(lot.pk),
                "unit": lot.unit,
                "use_by": lot.use_by,
            }
            for lot in lots
        ],
        "tags": list(
            Tag.objects.filter(printed_by=event).order_by("id").values_list("code", flat=True)
        )
        if event.kind == "print_tags"
        else [],
        "flags": [
            {"kind": flag.kind, "sentence": flag.says, "lot": flag.lot and flag.lot.code}
            for flag in (event.told_now.flags if event.told_now else _flags(event=event.pk))
        ],
        **{name: find(event) for name, (_, find) in MORE.items()},
    }


def _stood_now(event: Event) -> Mapping[int, int]:
    """What was made and came to stand somewhere, by lot id."""
    if event.told_now is None:
        return dict(_stood(event=event.pk))
    made = {lot.pk for lot in event.told_now.lots}
    stood: Counter[int] = Counter()
    for m in event.told_now.moves:
        if m.event is event and m.lot.pk in made and m.to_place.is_standing:
            stood[m.lot.pk] += m.quantity
    return stood


_stood = ready(
    lambda: (
        Movement.objects.exclude(to_place__kind__in=[*SOURCES, *ENDS])
        .filter(event=Given("event"), lot__made_by=Given("event"))
        .order_by()
        .values_list("lot_id")
        .annotate(Sum("quantity"))
    )
)
_flags = ready(
    lambda: Flag.objects.filter(event=Given("event")).select_related("lot").order_by("id")
)


# --- what may be sent ---------------------------------------------------------------------------

_PLAIN: dict[str, Callable[..., serializers.Field]] = {
    "text": serializers.CharField,
    "yes": serializers.BooleanField,
    "day": serializers.DateField,
    "moment": serializers.DateTimeField,
}


def _by_number(model: type[Model] | None) -> bool:
    """Whether rows of a model have no name but their number."""
    from .finding import NAMED, NamedById

    return model is not None and isinstance(NAMED[model], NamedById)


def asked(kind: Kind) -> type[serializers.Serializer]:
    """A serializer of what an operation asks for, its own arguments and those of all."""
    return _group(
        f"{_camel(kind.name)}Act", (*asks(kind.name), *COMMON, CLOCK), kind.run.__doc__ or ""
    )


@functools.cache
def _group(name: str, parts: tuple[Ask, ...], doc: str) -> type[serializers.Serializer]:
    fields = {ask.name: _field(ask) for ask in parts}
    more = {"__doc__": doc, "__module__": __name__}
    return type(f"{name}Serializer", (serializers.Serializer,), {**fields, **more})


def _field(ask: Ask) -> serializers.Field:
    how: dict[str, Any] = {"required": ask.required, "help_text": _help(ask)}
    if not ask.required:
        how["allow_null"] = True
    if ask.what == "tally":
        key = (ask.model and ask.model._meta.model_name) or ""
        one = _group(
            f"{_camel(key)}Tally",
            (Ask(key, "row", required=True, model=ask.model, of=ask.of), _QUANTITY),
            f"A {key} and its quantity in its own unit.",
        )
        return one(many=True, **how)
    if ask.what == "group":
        assert ask.makes is not None
        one = _group(f"{ask.makes.__name__}Part", ask.parts, inspect.getdoc(ask.makes) or "")
        return one(many=ask.many, **how)
    if ask.many:
        return serializers.ListField(child=_one(ask), **how)
    return _one(ask, **how)


_QUANTITY = Ask("quantity", "whole", required=True)


def _one(ask: Ask, **how: Any) -> serializers.Field:
    if ask.what == "row" and _by_number(ask.model):
        return serializers.IntegerField(min_value=1, max_value=2**63 - 1, **how)
    if ask.what == "row":
        return serializers.CharField(max_length=200, **how)
    if ask.what == "whole":
        return serializers.IntegerField(min_value=-MOST, max_value=MOST, **how)
    if ask.what == "decimal":
        return serializers.DecimalField(max_digits=15, decimal_places=3, **how)
    if ask.what == "text" and not ask.required:
        how["allow_blank"] = True
    return _PLAIN[ask.what](**how)


def _help(ask: Ask) -> str:
    """How the argument is named, and of which kinds it may be."""
    said = []
    if _by_number(ask.model):
        said.append(f"Number of the {_noun(ask.model)}.")
    elif ask.model is not None:
        said.append(f"Name or code of the {_noun(ask.model)}.")
    if ask.of:
        kinds: list[str] = [k for all_ in (LotKind, PlaceKind) for k in all_ if k in ask.of]
        said.append(f"Of kind {', '.join(kinds)}.")
    if ask.unit:
        said.append("In grams.")
    if ask.what == "moment":
        said.append("Without a zone it is the business's wall clock.")
    if not ask.required and ask.default not in (None, "", (), False):
        said.append(f"{ask.default} where nothing is said.")
    return " ".join(said)


def _noun(model: type[Model] | None) -> str:
    from .finding import NAMED

    return NAMED[model].noun if model is not None else ""


def _camel(name: str) -> str:
    return "".join(part.capitalize() for part in name.split("_"))


# --- the addresses -------------------------------------------------------------------------------


class Act(APIView):
    """Tell one act."""

    kind: str

    def told(self, request: Request, data: Mapping[str, Any] | None = None) -> Response:
        """data: what is told, where it is not what was sent as it stands."""
        event = tell(
            who(request),
            self.kind,
            body(request) if data is None else data,
            client_id=client_id(request),
            device=device(request),
            exact=True,
        )
        status = 200 if event.told_before else 201
        return Response(answer(event), status=status)


def client_id(request: Request) -> str:
    """The sender's own id of this act. Raises Refusal."""
    text = request.headers.get("Idempotency-Key", "").strip()
    if not text or len(text) > LONGEST_ID or not (text.isascii() and text.isprintable()):
        refusal = Refusal(
            "client_id",
            "Send an Idempotency-Key of its own with each act, 1 to 64 plain characters, so that "
            "a second sending is not taken for a second act.",
        )
        refusal.status = 400
        raise refusal
    return text


def device(request: Request) -> str:
    """The name of the tablet or scale that sends it, if it has one. Raises Refusal."""
    text = request.headers.get("Device", "").strip()
    if len(text) > LONGEST_DEVICE or not ((text.isascii() and text.isprintable()) or not text):
        refusal = Refusal("device", "A device's name has at most 40 plain characters.")
        refusal.status = 400
        raise refusal
    return text


HEADERS = [
    OpenApiParameter(
        "Idempotency-Key",
        {"type": "string", "minLength": 1, "maxLength": LONGEST_ID, "pattern": r"^[!-~]+$"},
        OpenApiParameter.HEADER,
        required=True,
        description="The sender's own id of this act: the same again gets the first answer again.",
    ),
    OpenApiParameter(
        "Device",
        {"type": "string", "maxLength": LONGEST_DEVICE, "pattern": r"^[!-~]*$"},
        OpenApiParameter.HEADER,
        description="Which tablet or scale sends it.",
    ),
]


def addresses() -> Iterator[URLPattern]:
    """acts/<kind>/ for every registered operation."""
    for name, kind in sorted(KINDS.items()):
        yield path(f"acts/{name}/", _view(kind).as_view(), name=f"act-{name}")


def _view(kind: Kind) -> type[Act]:
    def post(self: Act, request: Request) -> Response:
        return self.told(request)

    post.__doc__ = inspect.getdoc(kind.run)
    told = extend_schema(
        operation_id=f"tell_{kind.name}",
        summary=f"{kind.says[0].upper()}{kind.says[1:]}",
        tags=["acts"],
        parameters=HEADERS,
        request=asked(kind),
        responses={201: AnswerSerializer, 200: AnswerSerializer},
    )(post)
    return type(f"{_camel(kind.name)}Act", (Act,), {"kind": kind.name, "post": told})


__all__ = [
    "HEADERS",
    "MORE",
    "Act",
    "AnswerSerializer",
    "addresses",
    "answer",
    "asked",
    "client_id",
    "device",
]
