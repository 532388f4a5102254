"""What several complained-of lots have in common, as a page and in the API."""

from __future__ import annotations

import re
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from grow import clock
from grow.errors import Refusal
from grow.flows import EATEN
from grow.looking import Answer, Column, Question, Section, Table
from grow.looking import page as looked
from grow.models import Lot, Person
from grow.page import Page
from grow.rest import Reading, who
from grow.roles import LEAD, roles_of

from . import roots
from .common_cause import DAYS, Causes, Common, causes

#: Who answers for food safety; of hands it is told to the lead alone.
NEEDS = "grow.view_signoff"
#: So many of what is shared are shown; the CSV has them all.
_SHOWN = 40
_NAMED = 4
_COLUMNS = (
    Column("shared", "What they share", "long"),
    Column("complained_says", "Complained-of", "mark"),
    Column("rest_says", "The rest", "mark"),
    Column("times_says", "As often", "mark"),
    Column("chance_says", "By chance", "mark"),
    Column("code", "Lot", "code"),
)
_FLAT = ["shared", "code", "complained", "of", "rest", "of_rest", "times", "by_chance"]
CAUTION = (
    "It says where to look first, and proves nothing. Suspect food: stop it, hold it and call your "
    "local authority at once; do not wait for this page."
)


def found_for(person: Person, text: str, days: int = DAYS) -> Causes:
    """For codes parted by commas, spaces or lines: any code of a lot that is eaten. Raises
    Refusal, NotKnown."""
    lots: dict[int, Lot] = {}
    for code in filter(None, re.split(r"[,;\s]+", text)):
        for lot in roots.find(code).lots:
            if lot.kind in EATEN:
                lots[lot.pk] = lot
    return causes(list(lots.values()), days=days, hands=_sees_hands(person))


def _sees_hands(person: Person) -> bool:
    return person.is_superuser or LEAD in roles_of(person)


def common_cause(request: HttpRequest) -> HttpResponseBase:
    return looked(
        request,
        title="Common cause",
        lead="What do the packs that were complained of share, more often than the rest?",
        questions=[
            Question(
                "codes",
                "Their codes",
                "search",
                help="Two or more, with a comma or a space between.",
            ),
            Question(
                "days",
                "Put beside what was made so many days before and after",
                "number",
                str(DAYS),
                seldom=True,
            ),
        ],
        answer=_answer,
        caution=CAUTION,
    )


def _answer(person: Person, asked: Mapping[str, str]) -> Answer | None:
    if not asked["codes"]:
        return None
    days = asked["days"]
    if not (days.isascii() and days.isdigit() and int(days) <= 366):
        raise Refusal("how_many", "Write how many days, from 0 to 366.")
    found = found_for(person, asked["codes"], int(days))
    return Answer(
        [
            Section(
                f"{len(found.complained)} complained-of beside {found.rest} others",
                says=_says(found),
                table=Table(_COLUMNS, [_row(one) for one in found.ranked], most=_SHOWN),
                empty="No two of them share anything that is recorded.",
            )
        ],
        file="common-cause",
        columns=_FLAT,
        rows=[plain(one) for one in found.ranked],
    )


def _says(found: Causes) -> list[str]:
    first, last = (f"{clock.local(at):%d %b %Y}" for at in (found.since, found.until))
    codes = ", ".join(lot.code for lot in found.complained)
    says = [f"{codes}; the others were made from {first} to {last}."]
    if not found.rest:
        return [*says, "There is nothing to put them beside: what they share tells nothing yet."]
    return [
        *says,
        f"{found.compared:,} things were looked at, so one of them would stand at about 1 in "
        f"{found.compared:,} by luck alone. Look first at what stands far beyond that.",
    ]


def plain(one: Common) -> dict[str, Any]:
    """As JSON and CSV: counts, how many times as often (null where none of the rest has it), and
    the chance."""
    return {
        "shared": "; ".join(_called(one)),
        "code": next((code for _, _, code in one.shared if code), ""),
        "complained": one.complained,
        "of": one.of,
        "rest": one.rest,
        "of_rest": one.of_rest,
        "times": None if one.times is None else round(float(one.times), 2),
        "by_chance": float(one.chance),
    }


def _called(one: Common) -> list[str]:
    """“tower Tower 3”, but “Water in Tank 1” alone, which says what it is."""
    return [
        name if name.casefold().startswith(f"{what} in ") else f"{what} {name}"
        for what, name, _ in one.shared
    ]


def _row(one: Common) -> dict[str, Any]:
    names = _called(one)
    more = f" and {len(names) - _NAMED} more that always go with it" if names[_NAMED:] else ""
    return plain(one) | {
        "shared": "; ".join(names[:_NAMED]) + more,
        "complained_says": f"{one.complained} of {one.of}",
        "rest_says": f"{one.rest} of {one.of_rest}",
        "times_says": "in none of the rest"
        if one.times is None
        else f"{float(one.times):.1f} times",
        "chance_says": f"1 in {round(1 / one.chance):,}"
        if one.chance < Fraction(1, 2)
        else "likely",
    }


# --- the API ------------------------------------------------------------------------------------


class CausesAsked(serializers.Serializer):
    codes = serializers.CharField(
        max_length=2000, help_text="Two or more codes of lots, with commas or spaces between."
    )
    days = serializers.IntegerField(
        required=False,
        default=DAYS,
        min_value=0,
        max_value=366,
        help_text="They are put beside what was made so many days before and after.",
    )


class CommonSerializer(serializers.Serializer):
    """What some of them share; by_chance is the chance that as many or more would by luck alone."""

    shared = serializers.CharField()
    code = serializers.CharField(allow_blank=True)
    complained = serializers.IntegerField()
    of = serializers.IntegerField()
    rest = serializers.IntegerField()
    of_rest = serializers.IntegerField()
    times = serializers.FloatField(allow_null=True)
    by_chance = serializers.FloatField()


class CausesSerializer(serializers.Serializer):
    """It says where to look first, and proves nothing."""

    complained = serializers.ListField(child=serializers.CharField())
    rest = serializers.IntegerField()
    since = serializers.DateTimeField()
    until = serializers.DateTimeField()
    compared = serializers.IntegerField()
    rows = CommonSerializer(many=True)


class CommonCauseOf(Reading):
    """What several complained-of lots share more often than the rest, the likeliest first."""

    needs = NEEDS
    asks = CausesAsked
    pagination_class = None

    def flat(self, data: Any) -> tuple[list[str], list[Any]]:
        return _FLAT, data["rows"]

    @extend_schema(
        operation_id="common_cause",
        tags=["readings"],
        parameters=[CausesAsked],
        responses=CausesSerializer,
    )
    def get(self, request: Request) -> Response:
        asked = self.asked()
        found = found_for(who(request), asked["codes"], asked["days"])
        return Response(
            {
                "complained": [lot.code for lot in found.complained],
                "rest": found.rest,
                "since": found.since,
                "until": found.until,
                "compared": found.compared,
                "rows": [plain(one) for one in found.ranked],
            }
        )


COMMON_PAGES = [Page("common-cause/", "common_cause", "Common cause", NEEDS, common_cause)]
