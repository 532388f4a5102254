"""manage.py trace CODE: where it came from, where it went, what stood alongside, who must know."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from grow import clock
from grow.errors import Refusal
from grow.flows import Balance, LotFlows
from grow.models import LotKind, Thing, Unit
from sales import gaps, roots, tills
from sales import trace as tracing
from sales.days_meant import within_years

#: How many codes a line names before it only counts.
MOST = 8


class Command(BaseCommand):
    help = (
        "Traces a lot by any code, name, crate tag or note number; a product and a date; a place "
        "and a window; or a thing since its last good check. It says what is recorded here; it "
        "never says that food is safe."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("code", nargs="?", help="a lot, supplier's lot, tag or note number")
        parser.add_argument("--json", action="store_true", help="the whole answer as JSON")
        parser.add_argument("--product", help="a product's code or name, with --date")
        parser.add_argument("--date", help="use-by, packed or bought on: YYYY-MM-DD")
        parser.add_argument("--place", help="a place, with --from and --to")
        parser.add_argument("--from", dest="start", help="YYYY-MM-DD or YYYY-MM-DDTHH:MM, local")
        parser.add_argument(
            "--to", dest="end", help="the same; a day lasts to its end; now if left out"
        )
        parser.add_argument("--thing", help="a scale, fridge, knife…: since its last good check")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            found = tracing.trace(self._asked(options))
        except Refusal as refusal:
            raise CommandError(refusal.sentence) from refusal
        if options["json"]:
            self.stdout.write(json.dumps(found.as_json(), indent=2, ensure_ascii=False))
            return
        for line in told(found):
            self.stdout.write(line)

    def _asked(self, options: dict[str, Any]) -> str | roots.Roots:
        ways = [k for k in ("code", "product", "place", "thing") if options[k]]
        if len(ways) != 1:
            raise CommandError(
                "Name one thing to trace: a code, --product with --date, --place with --from, or "
                "--thing."
            )
        if options["code"]:
            return options["code"]
        if options["product"]:
            if not options["date"]:
                raise CommandError("Say which date, too: --date YYYY-MM-DD.")
            day = clock.local(_moment(options["date"], end=False)).date()
            return roots.product_on(options["product"], day)
        end = _moment(options["end"], end=True) if options["end"] else None
        if options["thing"]:
            thing = Thing.objects.filter(name__iexact=options["thing"].strip()).first()
            if thing is None:
                raise CommandError(f"No thing is called {options['thing']}.")
            return roots.since_last_good_check(thing, end)
        if not options["start"]:
            raise CommandError("Say since when, too: --from YYYY-MM-DD or YYYY-MM-DDTHH:MM.")
        start = _moment(options["start"], end=False)
        return roots.at_place(options["place"], start, end or clock.now())


def _moment(text: str, *, end: bool) -> dt.datetime:
    """A local day or moment. A day begins at its first moment and lasts to its last."""
    try:
        if len(text) == 10:
            day = within_years(dt.date.fromisoformat(text))
            return clock.end_of(day) if end else clock.start_of(day)
        told = dt.datetime.fromisoformat(text)
        within_years(told)
    except ValueError as error:
        raise CommandError(
            f"{text} is no date; write it as 2026-03-02 or 2026-03-02T14:30."
        ) from error
    return told if told.tzinfo else told.replace(tzinfo=clock.zone())


# --- in words -------------------------------------------------------------------------------


def told(found: tracing.Trace) -> list[str]:
    """The answer as lines for a person under stress: the gravest first."""
    lots = found.report.lots
    out = []
    for i in found.roots[:MOST]:
        lot = lots[i]
        out.append(f"{lot.code}  {LotKind(lot.kind).label}  {lot.title}".rstrip())
        if lot.use_by:
            out.append(f"  use by {lot.use_by:%d %b %Y}")
    if len(found.roots) > MOST:
        out.append(f"and {len(found.roots) - MOST} more lots")
    if found.asked not in {lots[i].code for i in found.roots}:
        out.append(f"Asked: {found.asked}")
    out += found.notes
    if found.recorded_in_error:
        out.append("Recorded in error: the entry was cancelled, and it has no origin or outcome.")
    out += ["", found.notice]
    out += [f"  {lots[i].code} {why}" for i, why in sorted(found.held.items()) if i in lots]
    if found.gaps:
        out += ["", "Gaps and warnings"]
        out += [f"  {gap.says}" for gap in found.gaps]
    out += ["", "Who must be told"]
    for one in found.told:
        reach = ", ".join(filter(None, one.who.reach().values())) or "no contact recorded"
        out.append(f"  {one.who.outlet}: {reach}")
        out += [
            f"    {code}  {_many(quantity, unit)}"
            + (f", {_many(here, unit)} still there" if here else "")
            for code, quantity, unit, here in one.lots
        ]
    if not found.told:
        out.append("  Nobody outside is recorded as having had any of it.")
    out += ["", "Where it is"]
    for i in [*found.roots, *found.down]:
        if lots[i].here:
            out += _here(lots[i], found)
    out += ["", *_balance(found)]
    for title, ids in (("Came from", found.up), ("Went into", found.down)):
        out += ["", title]
        out += [_joined(found, i) for i in ids] or ["  nothing recorded"]
    out += ["", "Alongside"]
    for shared in found.shared:
        codes = gaps.name(lots[i] for i in shared.lots)
        out.append(f"  {shared.says}: {len(shared.lots)} ({codes})")
    if not found.shared:
        out.append("  nothing recorded")
    out += [
        "",
        f"From the records here, in {found.took_ms:.0f} ms. Suspect food: stop it, hold it, call "
        "the local authority at once; local rules come first.",
    ]
    return out


def _here(lot: LotFlows, found: tracing.Trace) -> list[str]:
    sold = found.sold.get(lot.id)
    head = f"  {lot.code}  {lot.title}".rstrip()
    if sold and sold[1]:
        head += f", possibly sold: {tills.range_says(sold)}"
    return [head] + [
        f"    {h.place.name}: {_many(h.quantity, lot.unit)}, {h.basis.replace('_', ' ')}"
        for h in lot.here
    ]


def _balance(found: tracing.Trace) -> list[str]:
    out = ["Does it add up?"]
    if len(found.roots) == 1:
        out.append("  This lot: " + _adds_up(found.balance))
    if found.together.made and (len(found.roots) > 1 or found.down):
        out.append("  With all that was made from it, in grams: " + _adds_up(found.together))
    if len(out) == 1:
        out.append("  No quantity is recorded.")
    return out


def _adds_up(b: Balance) -> str:
    if b.percent is None:
        return "no quantity is recorded."
    made = _many(b.made, b.unit)
    return (
        f"made {made}, unexplained {_many(b.unexplained, b.unit)}; {b.percent} % accounted for, "
        f"{b.percent_by_evidence} % by evidence, of {made}."
    )


def _many(quantity: int, unit: str) -> str:
    return str(quantity) if unit == Unit.EACH else f"{quantity} {unit}"


def _joined(found: tracing.Trace, i: int) -> str:
    lot = found.report.lots[i]
    joins = found.joins.get(i, [])
    ways = []
    for way in dict.fromkeys((j.how, j.struck) for j in joins):
        mine = [j for j in joins if (j.how, j.struck) == way]
        names = ", ".join(
            j.code + (f" {j.quantity} {j.unit}" if j.quantity is not None else "")
            for j in mine[:MOST]
        )
        more = f" and {len(mine) - MOST} more" if len(mine) > MOST else ""
        ways.append(f"{way[0]}{' (corrected since)' if way[1] else ''}: {names}{more}")
    line = f"  {lot.code}  {LotKind(lot.kind).label}  {lot.title}".rstrip()
    return f"{line}\n      {'; '.join(ways)}" if ways else line
