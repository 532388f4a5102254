"""Keep or clear: what to do with each standing sowing, and when."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

from django.http import HttpRequest
from django.http.response import HttpResponseBase

from grow import clock
from grow.flat import columns_of
from grow.looking import Answer, Column, Question, Section, Table
from grow.looking import page as looked
from grow.models import Crop
from grow.page import Page
from grow.rest import shown
from grow.roles import MANAGER
from grow.start import OPENS

from .crop_asked import only_of
from .keep_rows import CLEAR, KEEP, NOT_SAID, InsteadRow, Keeping, KeepRow
from .keeping import keeping
from .roles import may_read_figures
from .said import rests_on

_CLEAR = (
    Column("crop", "Crop"),
    Column("towers", "Towers"),
    Column("sites", "Sites", "whole"),
    Column("sowing", "Sowing", "code"),
)
_PLANT = (
    Column("crop", "Crop"),
    Column("plugs", "Sites its plugs fill", "whole"),
    Column("now", "Sites to plant", "whole"),
    Column("cells", "Sowing", "code"),
)
_SOW = (
    Column("crop", "Crop"),
    Column("variety", "Variety"),
    Column("now", "For sites", "whole"),
    Column("sow", "Cells", "whole"),
)
_ROWS = (
    Column("what", "What to do"),
    Column("crop", "Crop"),
    Column("towers", "Towers"),
    Column("sites", "Sites", "whole"),
    Column("instead", "Instead with", "long"),
    Column("keep_p", "To keep, pence a site and week", "tenth"),
    Column("instead_p", "Instead, pence a site and week", "tenth"),
    Column("keep_until", "Best cleared by", "day"),
    Column("sowing", "Sowing", "code"),
)
_BEHIND = (
    Column("crop", "Crop"),
    Column("towers", "Towers"),
    Column("planted", "Planted", "day"),
    Column("next_four_weeks_p", "Four weeks alone, pence a site and week", "tenth"),
    Column("cuts_made", "Cuts made", "whole"),
    Column("cuts_to_come", "Cuts to come", "whole"),
    Column("level_pct", "Its cuts, % of the card", "whole"),
    Column("records_pct", "Of that from own records, %", "whole"),
    Column("sowing", "Sowing", "code"),
)
_INSTEAD = (
    Column("crop", "Crop"),
    Column("variety", "Variety"),
    Column("cells", "Sowing", "code"),
    Column("ready", "Plugs"),
    Column("plugs", "Sites its plugs fill", "whole"),
    Column("unsold", "Sites that demand still takes, after the rows above", "whole"),
    Column("on_empty", "Onto sites that stand empty", "whole"),
    Column("best_p", "Best average, pence a site and week", "tenth"),
    Column("best_days", "In days from today", "whole"),
)
_MISSING = (
    Column("sowing", "Sowing", "code"),
    Column("crop", "Crop"),
    Column("towers", "Towers"),
    Column("sites", "Sites", "whole"),
    Column("why", "What is missing", "long"),
)


def keep(request: HttpRequest) -> HttpResponseBase:
    today = clock.local(clock.now()).date()
    crops = [(name, name) for name in Crop.objects.values_list("name", flat=True)]
    return looked(
        request,
        title="Keep or clear",
        lead="What each sowing on the towers is still expected to earn, against what could stand "
        "there instead.",
        questions=[Question("crop", "Crop", choices=crops, help="Every crop")],
        answer=lambda person, asked: _answer(asked.get("crop", ""), today),
    )


def _answer(crop: str, today: dt.date) -> Answer:
    """Raises Unread for a crop that is none."""
    only_of({"crop": crop})
    found = keeping(today)
    rows = [row for row in found.rows if crop in ("", row.crop)]
    found.instead = [row for row in found.instead if crop in ("", row.crop)]
    plain = shown(KeepRow)
    return Answer(
        _sections(found, rows, today),
        file=f"keep-or-clear-{today}",
        columns=columns_of(plain),
        rows=[dict(plain(row).data) for row in rows],
    )


def _sections(found: Keeping, rows: Sequence[KeepRow], today: dt.date) -> list[Section]:
    said = [row for row in rows if row.says != NOT_SAID]
    missing = [row for row in rows if row.says == NOT_SAID]
    period = f"Period: {found.about.period}, from today on."
    now = [row for row in said if row.says == CLEAR and row.day == today]
    told = [_row(row, today) for row in said]
    out = _today(found, now, today, period)
    out.append(
        Section(
            f"Keep or clear, {today:%d %b %Y}",
            table=Table(_ROWS, told, stacks=True) if said else None,
            empty="No sowing stands on a tower of which anything can be said.",
            says=[*rests_on(found.about), period],
            folded=True,
            name="keep",
        )
    )
    if said:
        out.append(
            Section(
                "What its figures come from",
                table=Table(_BEHIND, told, stacks=True),
                says=[
                    "Base: sites that each sowing holds today. Unit: cuts, % of the crop card's "
                    f"grams, pence a site and week, after crop minutes. {period}"
                ],
                closed=True,
                name="behind",
            )
        )
    if missing:
        out.append(
            Section(
                "Of these nothing is said",
                table=Table(
                    _MISSING, [dict(shown(KeepRow)(row).data) for row in missing], stacks=True
                ),
                says=[f"Base: sowings that stand today. Unit: sites. {period}"],
                folded=True,
                name="missing",
            )
        )
    if found.instead:
        out.append(
            Section(
                "What could be planted",
                table=Table(_INSTEAD, [_offered(row) for row in found.instead], stacks=True),
                says=[
                    "Base: sowings in the nursery, and each variety whose card says enough, sown "
                    "today. Unit: pence a site and week, after crop minutes, raising, planting and "
                    f"clearing, the days till it can be planted counted in; sites. {period}",
                    "Where no demand is left, or the average is below nought, the site is better "
                    "left empty.",
                ],
                folded=True,
                name="instead",
            )
        )
    return out


def _today(found: Keeping, now: Sequence[KeepRow], today: dt.date, period: str) -> list[Section]:
    """What there is to do today: what to clear, what to plant, what to sow."""
    plant = [row for row in found.instead if row.now and row.plugs is not None]
    sow = [row for row in found.instead if row.sow]
    out = [
        Section(
            f"Today, {today:%d %b %Y}",
            facts=[
                ("Clear", f"{sum(row.sites for row in now)} sites"),
                ("Plant from the nursery", f"{sum(row.now for row in plant)} sites"),
                ("Sow", f"{sum(row.sow or 0 for row in sow)} cells"),
            ],
            says=_empty(found),
        )
    ]
    cleared = "their cuts are made, or others earn more there"
    ready = "plugs that are ready and asked for, on empty sites and on those cleared today"
    wanted = "what is asked for beyond that; cells with those that fail"
    lists = (
        ("Clear today", "clear", _CLEAR, shown(KeepRow), now, cleared),
        ("Plant from the nursery", "plant", _PLANT, shown(InsteadRow), plant, ready),
        ("Sow", "sow", _SOW, shown(InsteadRow), sow, wanted),
    )
    for title, name, columns, plain, rows, why in lists:
        if rows:
            out.append(
                Section(
                    title,
                    table=Table(columns, [dict(plain(row).data) for row in rows], stacks=True),
                    says=[f"Base: {why}. Unit: sites, cells. {period}"],
                    folded=True,
                    name=name,
                )
            )
    return out


def _empty(found: Keeping) -> list[str]:
    """Whether anything has to be cleared to make room."""
    if not found.empty:
        return []
    so = (
        "nothing has to be cleared to make room for it"
        if found.spare
        else "only what is left of it then is weighed against what stands"
    )
    stand = "stands" if found.empty == 1 else "stand"
    return [
        f"{found.empty:,} of {found.sites:,} sites {stand} empty: what could be planted goes there "
        f"first, and {so}."
    ]


def _row(row: KeepRow, today: dt.date) -> dict[str, Any]:
    def on(day: dt.date | None) -> str:
        return f"{day:%d\xa0%b}"  # a date stays on its line

    if row.says == KEEP:
        what = f"Keep till {on(row.day)}\xa0{row.day:%Y}"
    elif row.ripe and row.ripe == row.day:
        what = f"Cut on {on(row.ripe)}, then clear"
    else:
        what = "Clear now" if row.day == today else f"Clear on {on(row.day)}"
    return dict(shown(KeepRow)(row).data) | {"what": what}


def _offered(row: InsteadRow) -> dict[str, Any]:
    ready = "ready" if not row.wait else f"in {row.wait} days"
    if row.plugs is None:
        ready = f"sown today, {ready}"
    return dict(shown(InsteadRow)(row).data) | {"ready": ready}


OPENS[MANAGER].append("keep")
KEEP_PAGES = [
    Page("crops/keep/", "keep", "Keep or clear", None, keep, may=may_read_figures),
]

__all__ = ["KEEP_PAGES"]
