"""manage.py import_epcis FILE: what a supplier shipped, by its EPCIS 2.0 document, as goods in."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from grow import clock
from grow.errors import Refusal
from grow.management.commands.import_records import the_person
from sales.epcis.reading import Read, read
from sales.epcis.taking import INPUT, LEAF, Meant, Taken, take_in


class Command(BaseCommand):
    help = (
        "Take in what a supplier's EPCIS 2.0 document says it shipped: a receipt for each lot, "
        "under the supplier's lot number; all of it, or nothing. --dry-run takes it back again."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", metavar="FILE")
        parser.add_argument("--supplier", required=True, help="who sent it, by name")
        parser.add_argument("--place", required=True, help="the store it was put into, by name")
        parser.add_argument("--on", type=dt.date.fromisoformat, help="when it came; else today")
        parser.add_argument(
            "--product",
            action="append",
            default=[],
            metavar="THEIRS=OURS",
            help="what a product of theirs (a GTIN, or its address) is here: the name of an input, "
            "or crop:NAME for leaf",
        )
        parser.add_argument("--dry-run", action="store_true")
        parser.add_argument("--as", dest="username", help="who records it, by user name")

    def handle(self, *args: Any, **options: Any) -> None:
        person = the_person(options["username"])
        try:
            found = read(Path(options["file"]).read_bytes())
            taken = take_in(
                found,
                person,
                supplier=options["supplier"],
                place=options["place"],
                on=options["on"] or clock.local(clock.now()).date(),
                record=not options["dry_run"],
                file=Path(options["file"]).name,
                meant=dict(map(_meant, options["product"])),
            )
        except (OSError, Refusal) as error:
            raise CommandError(str(error)) from error
        self._report(found, taken)

    def _report(self, found: Read, taken: Taken) -> None:
        for says in found.passed_over:
            self.stdout.write(f"Passed over: {says}")
        for one in taken.already:
            self.stdout.write(f"{one.ident.lot} was received before.")
        for fault in taken.outcome.faults:
            self.stdout.write(fault.sentence)
        for bad in taken.outcome.bads:
            self.stdout.write(f"{bad.entry.cell('supplier_lot')}: {bad.sentence}")
        for product, name in taken.unknown.items():
            called = f" ({name})" if name else ""
            self.stdout.write(f"What is {product}{called} here? --product {product}=NAME")
        if not taken.outcome.good:
            raise CommandError("Nothing was recorded.")
        number = taken.outcome.told.total()
        if taken.outcome.recorded:
            self.stdout.write(self.style.SUCCESS(f"{number} received."))
        else:
            self.stdout.write(f"{number} would be received. This was a dry run: nothing is.")


def _meant(text: str) -> tuple[str, Meant]:
    product, sign, name = text.partition("=")
    if not (product and sign and name):
        raise CommandError(f"--product {text}: write theirs, =, and the name that it has here.")
    crop = name.removeprefix("crop:")
    return product, ((LEAF, crop) if crop != name else (INPUT, name))
