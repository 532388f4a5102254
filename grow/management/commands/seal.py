"""manage.py seal: close every day that is over; or look at one day's seal."""

from __future__ import annotations

import datetime as dt
import json
import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from grow import clock, seal
from grow.errors import Refusal
from grow.models import Seal
from grow.seal_paper import as_pdf, as_text


class Command(BaseCommand):
    help = (
        "Seal every day that is over: one SHA-256 sum of all that was recorded that day and of "
        "the seal before it. Run it each night, and keep what it says somewhere else. With --day "
        "it shows that day's seal instead, or compares it with a printed one."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--day", type=dt.date.fromisoformat, help="YYYY-MM-DD: look at that")
        what = parser.add_mutually_exclusive_group()
        what.add_argument("--compare", metavar="SEAL", help="is it the same as this printed one?")
        what.add_argument("--pdf", metavar="FILE", help="the day's seal as one A4 page")
        what.add_argument(
            "--bytes", action="store_true", help="the very bytes that were added up, for sha256sum"
        )
        what.add_argument("--json", action="store_true", help="what was sealed, as JSON")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            if options["day"]:
                self._one(seal.sealed(options["day"]), options)
            elif options["compare"] or options["pdf"] or options["bytes"]:
                raise CommandError("Say which day: --day YYYY-MM-DD.")
            else:
                self._all(options["json"])
        except Refusal as refusal:
            raise CommandError(refusal.sentence) from refusal

    def _all(self, as_json: bool) -> None:
        from tqdm import tqdm

        with tqdm(total=seal.waiting(), unit="day", disable=as_json or None) as bar:
            made = seal.seal(lambda _: bar.update())
        if as_json:
            self.stdout.write(json.dumps([_plain(one) for one in made], indent=2))
            return
        for one in made:
            self.stdout.write(
                f"{clock.number_day(one.day)}  {one.events:>6} entries  {one.movements:>6} "
                f"movements  {one.digest}"
            )
        if not made:
            self.stdout.write("Every day that is over is sealed.")

    def _one(self, made: Seal, options: dict[str, Any]) -> None:
        before = seal.before(made)
        if options["bytes"]:
            after, previous = (before.through, before.digest) if before else (0, seal.NOTHING)
            out = getattr(self.stdout, "buffer", None) or sys.stdout.buffer
            out.write(seal.head(made.day, previous, made.through) + b"\n")
            for line in seal.lines(after, made.through):
                out.write(line.text + b"\n")
            return
        if options["pdf"]:
            with open(options["pdf"], "wb") as file:
                file.write(as_pdf(made))
            return
        if options["compare"] and not seal.same_as_printed(made, options["compare"]):
            raise CommandError(
                f"That is not the seal of {options['day']}, which is {made.digest}: one of the two "
                "was changed, or the printed one is of another day."
            )
        wrong = list(seal.unlike(made, before))
        if options["json"]:
            self.stdout.write(json.dumps(_plain(made) | {"faults": wrong}, indent=2))
        elif options["compare"]:
            self.stdout.write(self.style.SUCCESS("It is the same."))
        else:
            self.stdout.write(as_text(made))
        if wrong:
            raise CommandError("\n".join(wrong))


def _plain(made: Seal) -> dict[str, Any]:
    return {
        "day": str(clock.number_day(made.day)),
        "events": made.events,
        "movements": made.movements,
        "through": made.through,
        "seal": made.digest,
        "sealed_at": made.sealed_at.isoformat(),
    }
