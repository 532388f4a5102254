import contextlib
import json
from dataclasses import asdict
from functools import partial
from random import Random
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import connection

from analytics.bench import (
    figures,
    history,
    labels,
    over_http,
    packers,
    posting,
    rows,
    scratch,
    seals,
)
from grow.faults import CHECKS

#: What can be measured; packers on PostgreSQL only, figures with DuckDB. Labels need no history.
ROWS = ("traces", "figures", "seals", "posting", "packers", "http", "labels")
#: Ten sheets of 21.
LABELS = 210


def dice(options: dict[str, Any]) -> Random:
    return Random(options["seed"])


def _advance(bar: Any, movements: int) -> None:
    bar.update(movements - bar.n)


class Command(BaseCommand):
    help = (
        "Measure this machine's traces, figures, seals, postings and requests on histories made "
        "for it, and its labels, as ratios against baselines of the same run; ends badly where a "
        "limit is missed. Uses scratch databases of its own on the server that is configured."
    )

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--movements", default="20000,1000000", help="sizes, small to large")
        parser.add_argument("--roots", type=int, default=60, help="lots to trace from")
        parser.add_argument("--seed", type=int, default=history.SEED)
        parser.add_argument("--seconds", type=float, default=5, help="how long packers pack")
        parser.add_argument("--labels", type=int, default=LABELS, help="labels on sheets of 21")
        parser.add_argument("--rows", default=",".join(ROWS), help="which: " + ", ".join(ROWS))
        parser.add_argument("--json", action="store_true")
        parser.add_argument("--no-verify", action="store_true", help="trust the history made")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            sizes = [int(n) for n in options["movements"].split(",")]
        except ValueError as error:
            raise CommandError("Write the sizes as numbers: --movements 20000,1000000.") from error
        wanted = options["rows"].split(",")
        if unknown := sorted(set(wanted) - set(ROWS)):
            raise CommandError(f"No rows are called {unknown[0]}; there are {', '.join(ROWS)}.")
        if wanted == ["labels"]:
            sizes = []
        out: list[rows.Row] = []
        made: list[history.Size] = []
        with contextlib.ExitStack() as stack:
            databases = [
                stack.enter_context(scratch.database(f"{n}_{size}")) for n, size in enumerate(sizes)
            ]
            for size, db in zip(sizes, databases, strict=True):
                with scratch.turned_to(db):
                    made.append(self._history(size, options))
            if "traces" in wanted:
                for shape, db in zip(made, databases, strict=True):
                    with scratch.turned_to(db):
                        out += rows.traces(shape.movements, options["roots"], dice(options))
                if len(sizes) > 1:
                    ends = databases[0], databases[-1]
                    many = made[-1].movements
                    out.append(rows.growth(*ends, options["roots"], many, dice(options)))
            for shape, db in zip(made, databases, strict=True):
                with scratch.turned_to(db):
                    if "figures" in wanted:
                        out += figures.figures(shape.movements, dice(options))
                    if "seals" in wanted:
                        out += seals.seals(shape.movements, dice(options))
                    if "posting" in wanted:
                        out += posting.posting(shape.movements, db)
                    if "packers" in wanted:
                        out += packers.beside_a_planter(shape.movements, options["seconds"])
                    if "http" in wanted:
                        out += over_http.beside_a_bare_row(shape.movements, db)
        if "labels" in wanted:
            out += labels.labels(options["labels"], dice(options))
        if options["json"]:
            self.stdout.write(
                json.dumps(
                    {
                        "database": connection.vendor,
                        "histories": [asdict(shape) for shape in made],
                        "rows": [row.as_json() for row in out],
                    },
                    indent=2,
                )
            )
        else:
            self._table(made, out)
        if missed := [row for row in out if row.kept is False]:
            raise CommandError(
                f"{len(missed)} of {len(out)} limits missed, the first: {missed[0].name}, "
                f"{missed[0].ratio:.2f} where {missed[0].limit:g} is the limit."
            )

    def _history(self, size: int, options: dict[str, Any]) -> history.Size:
        """Load a history into the database in hand and have it recounted."""
        from tqdm import tqdm

        with tqdm(total=size, unit="movement", desc=f"history of {size}", disable=None) as bar:
            shape = history.load(
                size, seed=options["seed"], whole=True, progress=partial(_advance, bar)
            )
        if not options["no_verify"]:
            for check in tqdm(CHECKS, unit="check", desc="recount", disable=None):
                for fault in check():
                    raise CommandError(f"The history made has faults, the first: {fault}")
        return shape

    def _table(self, made: list[history.Size], out: list[rows.Row]) -> None:
        for shape in made:
            self.stdout.write(", ".join(f"{n} {name}" for name, n in asdict(shape).items()))
        self.stdout.write(
            f"\n{'on ' + connection.vendor:<66}{'movements':>10}{'ours ms':>10}"
            f"{'theirs ms':>11}{'ratio':>8}  limit"
        )
        for row in out:
            limit = "said only"
            if row.limit is not None:
                sign = "≥" if row.least else "≤"
                limit = f"{sign} {row.limit:g} {'kept' if row.kept else 'MISSED'}"
            self.stdout.write(
                f"{row.name:<66}{row.movements:>10}{row.ours_ms:>10.3f}{row.theirs_ms:>11.3f}"
                f"{row.ratio:>8.2f}  {limit}"
            )
