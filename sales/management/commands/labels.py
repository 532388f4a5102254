"""manage.py labels LOT --stock roll-62x40 --out FILE: the labels of a run or a crate as a PDF."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from grow import labels
from grow.errors import Refusal
from grow.queries import the_lot
from sales.labels import stock_of
from sales.printing import (
    held_says,
    label_for,
    labels_of_held,
    stock_called,
    stocks_known,
)

MOST = 20_000


class Command(BaseCommand):
    help = (
        "Draws the labels of a packing run, or of a crate, as one PDF to print at full size. It "
        "records nothing."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("lot", help="a run's code, or a crate's")
        parser.add_argument("--stock", required=True, help="roll-62x40, a4-21, or a name kept here")
        parser.add_argument("--out", required=True, metavar="FILE", help="where the PDF goes")
        parser.add_argument(
            "--hold", action="store_true", help="HOLD labels for a held lot, one a place"
        )
        parser.add_argument("--count", type=int, help="how many; one a pack, or one for a crate")
        parser.add_argument(
            "--dpi",
            type=int,
            default=labels.USUAL_DPI,
            help="the printer's dots to the inch: 203 or 300",
        )
        parser.add_argument("--first", type=int, default=1, help="first free label of a sheet")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            said = self._print(options)
        except Refusal as refusal:
            raise CommandError(refusal.sentence) from refusal
        except OSError as error:
            raise CommandError(f"{options['out']} could not be written: {error}") from error
        self.stdout.write(said)

    def _print(self, options: dict[str, Any]) -> str:
        from tqdm import tqdm

        lot = the_lot(options["lot"])
        label, usual = labels_of_held(lot) if options["hold"] else label_for(lot)
        for says in () if options["hold"] else held_says(lot):
            self.stderr.write(says)
        row = stock_called(options["stock"])
        count = usual if options["count"] is None else options["count"]
        if not 1 <= count <= MOST:
            raise Refusal("how_many", f"Print 1 to {MOST} labels at once, not {count}.")
        with tqdm(total=count, unit="label", disable=None) as bar:
            content = labels.pdf(
                stock_of(row),
                [(label, count)],
                title=f"{lot.title}, {lot.code}",
                first=options["first"],
                dpi=options["dpi"],
                larger=stocks_known(),
                progress=bar.update,
            )
        Path(options["out"]).write_bytes(content)
        return (
            f"{count} {'label' if count == 1 else 'labels'} of {lot.code} on “{row.name}”, for "
            f"{options['dpi']} dots to the inch: {options['out']}. Print at full size (100 %)."
        )
