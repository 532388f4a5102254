"""What a new farm may start from: crops with where each figure was read, and sizes of labels."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

from grow.models import Crop

from .models import LabelStock

REFERENCE = Path(__file__).resolve().parent.parent / "fixtures" / "reference"


@dataclass(frozen=True)
class StarterCrop:
    """A crop of the starter list; sources: what is said of it → where that was read."""

    crop: Crop
    group: str
    note: str
    sources: dict[str, str]

    @property
    def says(self) -> str:
        """“cut and come again · store at 2 °C”."""
        crop = self.crop
        said = [crop.get_picked_display().lower()]
        if crop.cold_c is not None:
            said.append(f"store at {crop.cold_c} °C")
        if crop.usual_bunch_g:
            said.append(f"bunch {crop.usual_bunch_g} g")
        if crop.sprout_rules:
            said.append("sprout rules may apply")
        return " · ".join(said)


def _read(name: str) -> dict[str, Any]:
    return tomllib.loads((REFERENCE / name).read_text(encoding="utf-8"))


def _starter(row: dict[str, Any], sources: dict[str, str]) -> StarterCrop:
    said = {
        "picked": "how it is picked",
        "cold_c": "storage",
        "bunch_g": "bunch",
        "allergen": "allergen",
        "sprout": "sprout rules",
    }
    return StarterCrop(
        Crop(
            name=row["name"],
            picked=row["picked"],
            allergen=row.get("allergen", ""),
            sprout_rules=row.get("sprout", False),
            usual_bunch_g=row.get("bunch_g"),
            cold_c=row.get("cold_c"),
        ),
        row["group"],
        row.get("note", ""),
        {
            words: sources[row[key.split("_")[0] + "_from"]]
            for key, words in said.items()
            if key in row
        },
    )


@cache
def crops() -> dict[str, StarterCrop]:
    """By name, in the order of the list. Raises KeyError where a figure names no source."""
    told = _read("crops.toml")
    return {row["name"]: _starter(row, told["sources"]) for row in told["crop"]}


@cache
def label_stocks() -> dict[str, LabelStock]:
    """Unsaved rows by name, in the order of the list."""
    return {
        row["name"]: LabelStock(
            name=row["name"],
            width_mm=Decimal(str(row["width"])),
            height_mm=Decimal(str(row["height"])),
            columns=row.get("columns"),
            rows=row.get("rows"),
            left_mm=Decimal(str(row.get("left", 0))),
            top_mm=Decimal(str(row.get("top", 0))),
            across_mm=Decimal(str(row.get("across", 0))),
            down_mm=Decimal(str(row.get("down", 0))),
        )
        for row in _read("label_stock.toml")["stock"]
    }


@cache
def stock_slugs() -> dict[str, str]:
    """What a command calls each of them → its name."""
    return {row["slug"]: row["name"] for row in _read("label_stock.toml")["stock"]}
