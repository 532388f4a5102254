"""manage.py export_epcis: the history of a lot, or of some days, as EPCIS 2.0."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from grow.errors import Refusal
from sales import epcis, trace
from sales.roots import find


class Command(BaseCommand):
    help = (
        "Write the history of a lot (by any code, name or note number), or all that happened from "
        "one day to another, as an EPCIS 2.0 document in JSON-LD. No event names a person."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("code", nargs="?", help="a lot, supplier's lot, tag or note number")
        parser.add_argument("--from", dest="first", type=dt.date.fromisoformat, metavar="DAY")
        parser.add_argument("--to", dest="last", type=dt.date.fromisoformat, metavar="DAY")
        parser.add_argument("--out", metavar="FILE", help="else it goes to the standard output")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            pieces = epcis.parts(**self._asked(options))
            if options["out"]:
                with Path(options["out"]).open("w", encoding="utf-8") as file:
                    file.writelines(pieces)
            else:
                for piece in pieces:
                    self.stdout.write(piece, ending="")
        except Refusal as refusal:
            raise CommandError(refusal.sentence) from refusal

    def _asked(self, options: dict[str, Any]) -> dict[str, Any]:
        if options["code"]:
            lots = {lot.pk for lot in find(options["code"]).lots}
            return {"lots": lots | trace.ids_above(lots) | trace.ids_below(lots)}
        if not (options["first"] and options["last"]):
            raise CommandError("Name a lot, or say --from DAY and --to DAY.")
        return {"first": options["first"], "last": options["last"]}
