"""A season that an invented second place kept on paper: 1,500 rows in six files, made anew by the
same dice each time. The shelf, the till and the crates are kept here by plain sums, so that every
row is possible; nothing of the project is imported.

`season()` gives the files; `write` makes bytes of them; `plant` puts fifty mistakes into them.
"""

from __future__ import annotations

import copy
import csv
import datetime as dt
import io
import random
from dataclasses import dataclass, field
from typing import Any

import openpyxl

FIRST = dt.date(2025, 3, 3)  # a Monday
WEEKS = 16
AFTERWARDS = dt.datetime(2025, 11, 3, 9, 0, tzinfo=dt.UTC)
Row = dict[str, Any]
Files = dict[str, list[Row | None]]
CROPS = {"L": "Butter lettuce", "R": "Wild rocket", "K": "Curly kale"}
VARIETIES = {"L": "Pale butter", "R": "Narrow rocket", "K": "Green curl"}
SET_UP = "set-up.xlsx"
#: The files in the order in which they are told.
SOWN, PLANTS, CUT, PACKED, SOLD = (
    "sow 2025.csv",
    "plants.csv",
    "harvest 2025.csv",
    "packed.xlsx",
    "shop and kitchen.csv",
)


def day(number: int) -> str:
    return (FIRST + dt.timedelta(days=number)).isoformat()


@dataclass
class Shelf:
    """Lots of one product at the shop: [name, last day, how many], first expired first."""

    lots: list[list[Any]] = field(default_factory=list)

    def there(self) -> int:
        return sum(lot[2] for lot in self.lots)

    def sell(self, number: int) -> None:
        for lot in sorted(self.lots, key=lambda lot: lot[1]):
            taken = min(number, lot[2])
            lot[2] -= taken
            number -= taken
        self.lots = [lot for lot in self.lots if lot[2]]


def season() -> tuple[dict[str, list[Row]], Files]:
    """(the set-up lists by sheet, the other files' rows)."""
    dice = random.Random(25)
    files: Files = {name: [] for name in (SOWN, PLANTS, CUT, PACKED, SOLD)}
    for week in range(WEEKS):
        for letter in CROPS:
            _grow(files, dice, letter, week)
    shelves = {"BAG-100": Shelf(), "KALE-150": Shelf()}
    for number in range(7 * (WEEKS + 8)):
        if number % 7 == 0:
            _monday(files, dice, number)
        _shop_day(files, dice, number, shelves)
    return set_up(), files


def set_up() -> dict[str, list[Row]]:
    return {
        "places": [
            {"name": "Plug bench", "kind": "bench", "within": "Glasshouse"},
            {"name": "Glasshouse", "kind": "Area"},
            {"name": "Cold room", "kind": "store"},
            {"name": "Packing table", "kind": "Pack-house"},
        ],
        "towers": [
            {
                "name": "Mast",
                "how_many": 12,
                "tiers": 6,
                "sites_on_a_tier": 6,
                "within": "Glasshouse",
            }
        ],
        "crops": [{"name": name, "picked": "again"} for name in CROPS.values()],
        "varieties": [
            *({"crop": CROPS[k], "name": name} for k, name in VARIETIES.items()),
            {"crop": CROPS["K"], "name": "Black curl"},
        ],
        "things": [
            {"name": "Bench scale", "kind": "scale", "place": "Packing table"},
            {"name": "Door probe", "kind": "probe"},
        ],
        "people": [
            {"username": "orla", "shown_as": "Orla", "badge": "7"},
            {"username": "brin", "shown_as": "Brin", "badge": "8"},
        ],
        "products": [
            {
                "code": "BAG-100",
                "name": "Mixed bag",
                "nominal_g": 100,
                "shelf_life_days": 7,
                "packaging_pence": 7.25,
                "crop": CROPS["L"],
                "least_pct": 30,
            },
            {"code": "BAG-100", "crop": CROPS["R"], "least_pct": 10, "greatest_pct": 60},
            {
                "code": "KALE-150",
                "name": "Kale bag",
                "nominal_g": "150 g",
                "shelf_life_days": 7,
                "packaging_pence": 8,
                "crop": CROPS["K"],
            },
            {"code": "KALE-KG", "name": "Kale, loose", "loose_crop": CROPS["K"]},
        ],
        "outlets": [
            {"name": "Garth shop", "kind": "shop", "wants_notes": "no", "shop_share_pct": 20},
            {"name": "Crag kitchen", "kind": "kitchen"},
        ],
        "prices": [
            {"outlet": "Garth shop", "product": "BAG-100", "since": day(0), "pence": 230},
            {"outlet": "Garth shop", "product": "BAG-100", "since": day(120), "pence": 245},
            {"outlet": "Garth shop", "product": "KALE-150", "since": day(0), "pence": 190},
            {"outlet": "Crag kitchen", "product": "KALE-KG", "since": day(0), "pence": 865},
        ],
    }


def _grow(files: Files, dice: random.Random, letter: str, week: int) -> None:
    """A sowing from packet to clearing: three cuts, each of four crates."""
    batch, sown = f"{letter}{week:02}", 7 * week
    mast = f"Mast {'LRK'.index(letter) * 4 + week % 4 + 1}"
    files[SOWN].append(
        {
            "on": day(sown),
            "called": batch,
            "variety": VARIETIES[letter],
            "place": "Plug bench",
            "cells": 60,
        }
    )
    files[PLANTS] += [
        {
            "entry": "check_germination",
            "on": day(sown + 10),
            "batch": batch,
            "place": "Plug bench",
            "not_up": dice.randint(0, 8),
        },
        {
            "entry": "planted",
            "on": day(sown + 21),
            "batch": batch,
            "from_place": "Plug bench",
            "towers": mast,
            "plants": 36,
        },
        {
            "entry": "lose_plants",
            "on": day(sown + 30),
            "batch": batch,
            "place": mast,
            "plants": dice.randint(1, 3),
            "reason": "slugs",
        },
        {"entry": "clear", "on": day(sown + 47), "batch": batch, "left": "some"},
    ]
    for cut in (1, 2, 3):
        key = f"{batch}-{cut}"
        first = {
            "key": key,
            "on": day(sown + 21 + 7 * cut),
            "called": key,
            "batches": batch,
            "towers": mast,
            "store": "Cold room",
            "grade_out_g": dice.choice([0, 0, 40, 65]),
            "done_by": dice.choice(["orla", "brin", "orla; brin"]),
        }
        files[CUT] += [
            {**first, "gross_g": dice.randint(1100, 1300), "tare_g": 850},
            {"key": key, "gross_g": f"{dice.randint(115, 130) / 100:.2f} kg", "tare_g": 850},
            {"key": key, "gross_g": dice.randint(1100, 1300), "tare_g": 850},
            {"key": key, "gross_g": dice.randint(1100, 1300), "tare_g": 850},
        ]


def grams(text: Any) -> int:
    told = str(text)
    return round(float(told[:-3]) * 1000) if told.endswith(" kg") else int(told)


def _net(files: Files, key: str) -> int:
    rows = [row for row in files[CUT] if row and row["key"] == key]
    gross = sum(grams(row["gross_g"]) - row["tare_g"] for row in rows)
    return gross - rows[0]["grade_out_g"]


def _monday(files: Files, dice: random.Random, number: int) -> None:
    """What was cut that morning is packed; what is left of the kale goes to the kitchen."""
    for week in range(WEEKS):
        cut = number - 7 * week - 21
        if cut not in (7, 14, 21):
            continue
        tag = f"{week:02}-{cut // 7}"
        lettuce, rocket, kale = (f"{letter}{tag}" for letter in CROPS)
        whole = _net(files, lettuce) + _net(files, rocket)
        packs = whole * dice.choice([94, 96, 98, 101]) // 10000
        files[PACKED] += [
            {
                "key": f"P{tag}",
                "on": day(number),
                "called": f"P{tag}",
                "product": "BAG-100",
                "packs": packs,
                "store": "Cold room",
                "line": "Packing table",
                "lot": lettuce,
                "place": "Cold room",
                "left": 0,
            },
            {"key": f"P{tag}", "lot": rocket, "place": "Cold room", "left": 0},
            {
                "on": day(number),
                "called": f"Q{tag}",
                "product": "KALE-150",
                "packs": 5,
                "store": "Cold room",
                "lot": kale,
                "place": "Cold room",
                "used": 770,
            },
        ]
        rest = _net(files, kale) - 770
        short = dice.choice([0, 0, 15])
        files[SOLD] += [
            {
                "entry": "deliver",
                "on": day(number + 1),
                "called": f"N{tag}",
                "outlet": "Crag kitchen",
                "lot": kale,
                "quantity": rest,
                "from_place": "Cold room",
            },
            {
                "entry": "receive",
                "on": day(number + 1),
                "note": f"N{tag}",
                "lot": kale,
                "accepted": rest - short,
                "short": short,
            },
            {
                "entry": "use",
                "on": day(number + 4),
                "lot": kale,
                "place": "Crag kitchen",
                "quantity": rest - short - 30,
            },
        ]


def _shop_day(files: Files, dice: random.Random, number: int, shelves: dict[str, Shelf]) -> None:
    today, tomorrow = number, number + 1
    rows = files[SOLD]
    for shelf in shelves.values():
        for lot in [lot for lot in shelf.lots if lot[1] < today]:
            rows.append(
                {
                    "entry": "thrown away",
                    "at": f"{day(number)} 08:30",
                    "lot": lot[0],
                    "from_place": "Garth shop",
                    "to": "compost",
                    "quantity": lot[2],
                    "reason": "past its date",
                }
            )
            shelf.lots.remove(lot)
    if number % 7 == 1:  # Tuesday: what was packed the day before
        for row in [r for r in files[PACKED] if r and r.get("on") == day(number - 1)]:
            shelf = shelves[row["product"]]
            shelf.lots.append([row["called"], number + 6, row["packs"]])
            rows.append(
                {
                    "entry": "put_on_shelf",
                    "on": day(number),
                    "outlet": "Garth shop",
                    "lot": row["called"],
                    "quantity": row["packs"],
                    "from_place": "Cold room",
                }
            )
    sold = {
        product: min(shelf.there(), dice.randint(4, 13) if product == "BAG-100" else 2)
        for product, shelf in shelves.items()
    }
    for product, n in sold.items():
        if n:
            shelves[product].sell(n)
            rows.append(
                {
                    "entry": "sell",
                    "key": f"till {day(number)}",
                    "on": day(number),
                    "outlet": "Garth shop",
                    "product": product,
                    "quantity": n,
                }
            )
    if tomorrow % 7 == 0:  # Sunday evening: one bag is not there now and then
        for shelf in shelves.values():
            if shelf.lots and dice.random() < 0.4:
                last = max(shelf.lots, key=lambda lot: lot[1])
                last[2] -= 1 if last[2] > 1 else 0
            for lot in shelf.lots:
                rows.append(
                    {
                        "entry": "count",
                        "key": f"count {day(number)}",
                        "on": day(number),
                        "place": "Garth shop",
                        "closing": "yes",
                        "lot": lot[0],
                        "quantity": lot[2],
                    }
                )


# --- as files -------------------------------------------------------------------------------


def columns(rows: list[Row | None]) -> list[str]:
    return list(dict.fromkeys(name for row in rows if row for name in row))


def write(lists: dict[str, list[Row]], files: Files) -> dict[str, bytes]:
    """The six files. A row that is None is an empty line, so that no other line moves."""
    out = {SET_UP: _xlsx(dict(lists))}
    for name, rows in files.items():
        if name.endswith(".xlsx"):
            out[name] = _xlsx({"pack": rows})
            continue
        text = io.StringIO(newline="")
        writer = csv.DictWriter(text, columns(rows))
        writer.writeheader()
        for row in rows:
            writer.writerow(row or {})
        out[name] = text.getvalue().encode()
    return out


def _xlsx(sheets: dict[str, Any]) -> bytes:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        page = book.create_sheet(name)
        head = columns(rows)
        page.append(head)
        for row in rows:
            values = [(row or {}).get(column) for column in head]
            page.append([dt.date.fromisoformat(v) if _is_day(v) else v for v in values])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _is_day(value: Any) -> bool:
    return isinstance(value, str) and len(value) == 10 and value[4] == value[7] == "-"


# --- mistakes -------------------------------------------------------------------------------


@dataclass
class Planted:
    """Files with mistakes in them, the same files with those rows left out, and where they are:
    (file as it is named, line)."""

    lists: dict[str, list[Row]]
    files: Files
    without: Files
    without_lists: dict[str, list[Row]]
    at: set[tuple[str, int]] = field(default_factory=set)
    kinds: set[str] = field(default_factory=set)


def plant() -> Planted:
    """Fifty mistakes of seventeen kinds, each in a row that no other mistake touches."""
    lists, files = season()
    out = Planted(lists, files, copy.deepcopy(files), copy.deepcopy(lists))

    def spoil(kind: str, file: str, column: str, value: Any, **which: Any) -> None:
        index, row = next(
            (i, row)
            for i, row in enumerate(out.files[file])
            if row and all(row.get(name) == told for name, told in which.items())
        )
        row[column] = value
        out.kinds.add(kind)
        sheet = f"{file}, sheet pack" if file.endswith(".xlsx") else file
        out.at.add((sheet, index + 2))
        same = row.get("key")
        for i, other in enumerate(out.without[file]):
            if i == index or (same and other and other.get("key") == same):
                out.without[file][i] = None

    def spoil_list(sheet: str, number: int, column: str, value: Any) -> None:
        out.lists[sheet][number][column] = value
        out.without_lists[sheet][number] = {}
        out.kinds.add(f"set-up: {sheet}")
        out.at.add((f"{SET_UP}, sheet {sheet}", number + 2))

    for batch in ("L03", "R09", "K12"):
        spoil("no such place", SOWN, "place", "Plug bnech", called=batch)
    for batch in ("K05", "L15"):
        spoil("a day that is none", SOWN, "on", "31/06/2025", called=batch)
    for batch in ("L06", "R06", "K07"):
        spoil("no room", PLANTS, "plants", 48, entry="planted", batch=batch)
    for batch in ("L08", "K09"):
        spoil("nothing told", PLANTS, "not_up", "", entry="check_germination", batch=batch)
    for batch in ("R10", "K02"):
        spoil("more than stood there", PLANTS, "plants", 50, entry="lose_plants", batch=batch)
    for batch in ("R11", "K10"):
        spoil("not a choice", PLANTS, "left", "half", entry="clear", batch=batch)
    for key in ("L01-2", "R02-1", "R04-3", "K08-1", "L11-1", "R14-2"):
        spoil("no number", CUT, "gross_g", "12l0", called=key)
    for key in ("L12-3", "R13-1", "K15-2"):
        spoil("a thousand or a decimal", CUT, "gross_g", "1,500", called=key)
    for key in ("R00-2", "K04-3", "L13-2"):
        spoil("crate heavier than its load", CUT, "tare_g", 8500, called=key)
    for key in ("L02-3", "K10-2", "R12-3"):
        spoil("kilograms for grams", CUT, "gross_g", 16100, called=key)
    for key in ("P00-1", "P07-3"):
        spoil("no such lot", PACKED, "lot", "L99-9", called=key)
    for key in ("P14-1", "P05-2"):
        spoil("twice the bags", PACKED, "packs", 60, called=key)
    for key in ("P08-2", "Q11-3", "P13-3"):
        spoil("still to come", PACKED, "on", "2062-06-05", called=key)
    for lot in ("P01-1", "P10-3", "Q01-1"):
        spoil("more than there is", SOLD, "quantity", 400, entry="put_on_shelf", lot=lot)
    for note in ("N03-1", "N06-2"):
        spoil("no such outlet", SOLD, "outlet", "Crag kitchens 2", entry="deliver", called=note)
    for number in (60, 95, 131):
        spoil("no such product", SOLD, "product", "BAG-1000", entry="sell", on=day(number))
    for lot in ("P04-1", "P12-1"):
        spoil("nowhere to throw", SOLD, "to", "pigs", entry="thrown away", lot=lot)
    spoil("yes or no", SOLD, "closing", "perhaps", entry="count", on=day(111))
    spoil_list("things", 1, "kind", "trombone")
    spoil_list("prices", 2, "since", "soon")
    spoil_list("varieties", 3, "crop", "Curly kail")
    return out
