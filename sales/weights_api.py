"""A run in the API: its record, its weights read as one, and told as the lines of a scale."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from grow.acts import HEADERS, Act, AnswerSerializer, asked
from grow.asks import READ, Ask, Unread
from grow.edge import may_tell
from grow.errors import Refusal
from grow.flat import columns_of
from grow.kinds import KINDS
from grow.rest import Reading, body, refuse_unknown, shown, who

from .run_record import CrateTaken, RunRecord, record_of
from .run_weights import RunWeights, Weighed, run_called, weights_of
from .weights import weights_from
from .weights.words import plainly

_CODE = OpenApiParameter("code", str, OpenApiParameter.PATH, description="Name or code of the run.")
_LONGEST = 50_000


class WeightsOfRun(Reading):
    """The weights of a run: the plan, the verdict and the packer's rules, the control chart, what
    was given away, the scales and their checks. As CSV, the weights alone."""

    needs = "sales.view_packingrun"
    pagination_class = None

    def flat(self, data: Any) -> tuple[list[str], list[Any]]:
        return columns_of(shown(Weighed)), data["weights"]

    @extend_schema(
        operation_id="run_weights",
        tags=["readings"],
        parameters=[_CODE],
        responses=shown(RunWeights),
    )
    def get(self, request: Request, code: str) -> Response:
        refuse_unknown(request, ())
        person = who(request)
        found = weights_of(run_called(code, person), person)
        return Response(shown(RunWeights)(found).data)


class RecordOfRun(Reading):
    """All of a run but its weights: what went in and what came of every gram, each with how it is
    known, who packed it, the line as it was looked over, its dates and labels, why it is held. As
    CSV, what went in."""

    needs = "sales.view_packingrun"
    pagination_class = None

    def flat(self, data: Any) -> tuple[list[str], list[Any]]:
        return columns_of(shown(CrateTaken)), data["crates"]

    @extend_schema(
        operation_id="run_record",
        tags=["readings"],
        parameters=[_CODE],
        responses=shown(RunRecord),
    )
    def get(self, request: Request, code: str) -> Response:
        refuse_unknown(request, ())
        found = record_of(run_called(code, who(request)))
        return Response(shown(RunRecord)(found).data)


class ScaleLinesActSerializer(serializers.Serializer):
    """lines: what a scale sent or somebody typed, one weight a line, as one text. A bare number is
    grams, a point is decimal, and of a scale's line its last number with g or kg is the weight."""

    lines = serializers.CharField(max_length=_LONGEST, trim_whitespace=False)

    def get_fields(self) -> dict[str, serializers.Field]:
        of_the_act = asked(KINDS["weigh_packs"])().get_fields()
        rest = {name: f for name, f in of_the_act.items() if name not in ("run", "weights")}
        return super().get_fields() | rest


class ScaleLines(Act):
    """Weigh packs of a run, told as a scale's lines; the same act as weigh_packs."""

    kind = "weigh_packs"

    @extend_schema(
        operation_id="tell_scale_lines",
        summary="Weighed packs, as a scale's lines",
        tags=["acts"],
        parameters=[_CODE, *HEADERS],
        request=ScaleLinesActSerializer,
        responses={201: AnswerSerializer, 200: AnswerSerializer},
    )
    def post(self, request: Request, code: str) -> Response:
        may_tell(who(request), self.kind)
        sent = dict(body(request))
        run = run_called(code, who(request))
        told = {"run": run.lot.code, "weights": _read(sent.pop("lines", None))}
        _refuse_twice(sent, told)
        return self.told(request, {**sent, **told})


def _read(lines: Any) -> list[str]:
    """The weights as the act takes them. Raises Unread, with a sentence for each bad one."""
    try:
        if not isinstance(lines, str):
            raise Refusal("no_text", "lines: a text is needed, one weight a line.")
        if len(lines) > _LONGEST:
            raise Refusal("too_long", f"lines: {len(lines)} signs; {_LONGEST} at most.")
        # a scale ends and frames its lines with signs that no keyboard writes
        text = READ["text"](Ask("lines", "text"), re.sub(r"[\x00-\x1f]", "\n", lines), True)
        return [plainly(grams) for grams in weights_from(text, exact=True).all_good()]
    except Refusal as refusal:
        raise Unread({"lines": refusal}) from refusal


def _refuse_twice(sent: Mapping[str, Any], told: Mapping[str, Any]) -> None:
    for name in told.keys() & sent.keys():
        why = Refusal("no_such_argument", f"{name}: it is said by the address and the lines.")
        raise Unread({name: why})
