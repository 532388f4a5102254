"""The figures of a period, read at one moment, and as small tables."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

from grow import sums

from .margin import Margin, MarginRow, margin
from .period import Period
from .waste import Waste, WasteRow, waste
from .yields import YieldRow, Yields, yields

if TYPE_CHECKING:
    import pandas

Row = YieldRow | WasteRow | MarginRow


@dataclass
class Figures:
    period: Period
    yields: Yields
    waste: Waste
    margin: Margin


def figures(first: dt.date, last: dt.date) -> Figures:
    """Yields, waste and margin from the first local day to the last, both inclusive, all of one
    state of the books. Raises ValueError when last is before first."""
    period = Period(first, last)
    with sums.one_moment():
        return Figures(period, yields(period), waste(period), margin(period))


def columns(row: type[Row]) -> list[str]:
    """What a row of a table carries: its own numbers, then what is worked out from them."""
    own = [f.name for f in fields(row)]
    worked_out = [name for name, value in vars(row).items() if isinstance(value, property)]
    return own + worked_out


def table(rows: Sequence[Row]) -> pandas.DataFrame:
    """Rows as a small data frame, one a row, for a CSV file or a drawing."""
    import pandas  # some 0.5 s to load, which no page that draws nothing should wait for

    names: list[str] = columns(type(rows[0])) if rows else []
    data: list[list[Any]] = [[getattr(row, name) for name in names] for row in rows]
    return pandas.DataFrame(data, columns=names)
