"""What a temperature means for chilled produce, in words, with its source beside it.

Pure arithmetic on degrees Celsius and hours: no models, nothing is refused and nothing is stored.
A reading at the door is a fact; what is said here is said beside it. The figures are those of the
rule set that the business names (`rules_of`); a business whose rules are not known here gets the
working target alone, and is told so. Record keeping, not advice: a passing reading does not make
food safe.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

#: The working target, °C. Source: chilledfood.org, temperature (settings of 1 to 5 °C).
TARGET_C = Decimal(5)
TARGET_SOURCE = "working target of the chilled food trade, chilledfood.org"
#: From memory of the trade: leaf is below 5 °C within one to two hours of the cut.
COOLING = dt.timedelta(hours=2)
COOLING_SOURCE = "common practice, no source"
#: On display or service, above the figure, for less than this, once.
DISPLAY = dt.timedelta(hours=4)
DISPLAY_SOURCE = "SI 2013/2996, Wales SI 2006/31 and NI SR 2006/3, schedule 4: a defence"
#: What is read off a probe and lies outside is asked about before it is taken: (below, above), °C.
SELDOM_C = (Decimal(-5), Decimal(40))

CAUTION = (
    "Record keeping, not food-safety advice. The figure is for the food, not for the air, and for "
    "food in which germs can grow; whether yours is such food, whoever answers for it decides. A "
    "passing reading does not make food safe."
)


class State(StrEnum):
    """What stands at the door, as far as its temperature goes."""

    COOLING = "cooling"  # whole, unwashed, and cut so lately that it cannot be cold yet
    KEPT_WARMER = "kept_warmer"  # whole, of a crop that the cold harms: basil, tomato
    CHILLED = "chilled"  # all else


class Says(StrEnum):
    """How a verdict is marked."""

    FINE = "fine"
    WARM = "warm"  # above the target, and lawful
    NOT_MET = "not_met"  # above the figure of the rules
    NOT_JUDGED = "not_judged"
    COLD = "cold"  # colder than the crop bears


@dataclass(frozen=True)
class Verdict:
    """says: how it is marked; sentence: whole, with its numbers; source: where they come from."""

    says: Says
    sentence: str
    source: str


@dataclass(frozen=True)
class Rules:
    """A rule set's figure for chilled food in °C, None where its law names none; text: in words;
    display: whether the four hours of display are one of its rules."""

    name: str
    limit_c: Decimal | None
    text: str
    source: str
    display: bool = False


_UK = Rules(
    "UK",
    Decimal(8),
    "In England, Wales and Northern Ireland food that must be cold is kept at 8 °C or below; "
    "Scotland names no figure.",
    "England SI 2013/2996, Wales SI 2006/31, NI SR 2006/3, schedule 4",
    display=True,
)
_SCOTLAND = Rules(
    "Scotland",
    None,
    "Scotland names no figure: a refrigerator, or a cool ventilated place.",
    "chilledfood.org, temperature",
)
_US = Rules(
    "US",
    Decimal(5),
    "Cut leafy greens are received, held and displayed at 5 °C (41 °F) or below; whole heads are "
    "not covered when they are received.",
    "FDA, cut leafy greens manual, 7 July 2010",
)
_RULES = {
    **dict.fromkeys(("uk", "gb", "united kingdom", "england", "wales", "northern ireland"), _UK),
    "scotland": _SCOTLAND,
    **dict.fromkeys(("us", "usa"), _US),
}


def rules_of(name: str) -> Rules:
    """The figures of a rule set by the name that the business gives it; any case."""
    unknown = Rules(
        name, None, f"No figure of the rules “{name}” is known here; look it up.", "not known here"
    )
    return _RULES.get(" ".join(name.casefold().split()), unknown)


def in_words(rules: Rules) -> list[tuple[str, str]]:
    """What stands in force, each sentence with its source: the rule set's figure, the working
    target, what is not judged by either, and what display allows."""
    said = [
        (f"Rules: {rules.name}. {rules.text}", rules.source),
        (f"Working target: {plainly(TARGET_C)} °C or below.", TARGET_SOURCE),
        (
            "A whole crop that cold harms, such as basil or tomato, is not forced to it.",
            "the crop's storage temperature, set by the grower",
        ),
        ("What was just cut, whole and unwashed, is recorded and not judged.", COOLING_SOURCE),
    ]
    if rules.display and rules.limit_c is not None:
        hours = int(DISPLAY.total_seconds() // 3600)
        said.append(
            (
                f"On display above {plainly(rules.limit_c)} °C: less than {hours} h, once.",
                DISPLAY_SOURCE,
            )
        )
    return said


# --- a reading at the door -----------------------------------------------------------------------


def state_of(
    *,
    whole: bool,
    since_cut: dt.timedelta | None,
    kept_at_c: Decimal | None,
    cooling: dt.timedelta = COOLING,
) -> State:
    """What state goods are in. whole: unwashed and uncut; since_cut: from the oldest cut in them
    to the reading, None where nobody knows; kept_at_c: the crop's storage temperature, if one is
    set; cooling: for how long after the cut it is called just cut."""
    if not whole:
        return State.CHILLED
    if since_cut is not None and dt.timedelta() <= since_cut < cooling:
        return State.COOLING
    if kept_at_c is not None and kept_at_c > TARGET_C:
        return State.KEPT_WARMER
    return State.CHILLED


def verdict(
    reading_c: Decimal | None,
    state: State,
    rules: Rules,
    *,
    asked: bool = True,
    kept_at_c: Decimal | None = None,
    target_c: Decimal = TARGET_C,
) -> Verdict:
    """What a reading in °C says of goods in a state. asked: whether the outlet asks for a
    temperature at all; kept_at_c: the storage temperature of a crop that is kept warmer.

    Up to the target it is fine (5.0), above it warm (5.1 to 8.0), above the figure of the rules
    not met (8.1)."""
    if reading_c is None:
        why = "No temperature was taken." if asked else "No temperature is asked for here."
        return Verdict(Says.NOT_JUDGED, why, "the outlet's setting")
    said = f"{plainly(reading_c)} °C"
    if state == State.COOLING:
        return Verdict(
            Says.NOT_JUDGED, f"{said}, just cut and still cooling: recorded, not judged.",
            COOLING_SOURCE,
        )  # fmt: skip
    if state == State.KEPT_WARMER:
        return _kept_warmer(reading_c, said, kept_at_c)
    if rules.limit_c is not None and reading_c > rules.limit_c:
        return Verdict(
            Says.NOT_MET,
            f"{said} is above {plainly(rules.limit_c)} °C: the figure is not met. Tell whoever "
            "answers for food safety before it is used.",
            rules.source,
        )
    if reading_c > target_c:
        above = f"{said} is above the target of {plainly(target_c)} °C"
        if rules.limit_c is None:
            sentence = f"{above}: chill it at once. {rules.text}"
        else:
            sentence = f"{above}, not above {plainly(rules.limit_c)} °C: chill it at once."
        return Verdict(Says.WARM, sentence, TARGET_SOURCE)
    return Verdict(Says.FINE, f"{said}: at or below {plainly(target_c)} °C.", TARGET_SOURCE)


def _kept_warmer(reading_c: Decimal, said: str, kept_at_c: Decimal | None) -> Verdict:
    source = "the crop's storage temperature, set by the grower"
    if kept_at_c is None:
        return Verdict(Says.NOT_JUDGED, f"{said}: this crop is not kept at 5 °C.", source)
    at = plainly(kept_at_c)
    if reading_c < kept_at_c:
        return Verdict(
            Says.COLD, f"{said} is colder than the {at} °C this crop is kept at: cold harms it.",
            source,
        )  # fmt: skip
    return Verdict(
        Says.FINE, f"{said}: this crop is kept at {at} °C and not forced to 5 °C.", source
    )


def worst(verdicts: list[Verdict]) -> Verdict | None:
    """The one to be shown first, of several goods under one reading."""
    order = [Says.NOT_MET, Says.WARM, Says.COLD, Says.NOT_JUDGED, Says.FINE]
    return min(verdicts, key=lambda v: order.index(v.says), default=None)


def is_seldom(reading_c: Decimal) -> bool:
    """Whether a reading is so odd that a point may have been left out: 51 for 5.1."""
    return not SELDOM_C[0] <= reading_c <= SELDOM_C[1]


# --- on display ----------------------------------------------------------------------------------


def display(above_for: dt.timedelta, rules: Rules, *, periods_before: int = 0) -> Verdict:
    """Food on display or service above the figure: less than four hours, in a single period, is
    the defence. 3 h 59 min is inside it, 4 h 00 min is not, and neither is a second period of
    any length. periods_before: how often this food was displayed above the figure already."""
    limit = plainly(rules.limit_c) if rules.limit_c is not None else "the figure"
    if not rules.display:
        return Verdict(
            Says.NOT_JUDGED, f"The four hours of display are no rule of {rules.name}.",
            rules.source,
        )  # fmt: skip
    if periods_before:
        return Verdict(
            Says.NOT_MET,
            f"It was displayed above {limit} °C before; a second period is not allowed.",
            DISPLAY_SOURCE,
        )
    if above_for >= DISPLAY:
        return Verdict(
            Says.NOT_MET,
            f"{_hours(above_for)} above {limit} °C; less than 4 h is allowed, once.",
            DISPLAY_SOURCE,
        )
    return Verdict(
        Says.FINE,
        f"{_hours(above_for)} above {limit} °C, less than 4 h, and the first time: then chill it "
        "and do not display it warm again.",
        DISPLAY_SOURCE,
    )


def _hours(span: dt.timedelta) -> str:
    minutes = int(span.total_seconds() // 60)
    return f"{minutes // 60} h {minutes % 60:02d} min"


def plainly(c: Decimal) -> str:
    """All digits, and no nought that says nothing: 5.10 → 5.1; −1 with its true minus."""
    text = f"{c:f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return text.replace("-", "\u2212")
