import json
from functools import partial
from random import Random
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import connection

from analytics.bench import history, posting, rows, scratch
from grow.faults import faults


def _advance(bar: Any, movements: int) -> None:
    bar.update(movements - bar.n)


class Command(BaseCommand):
    help = (
        "Measure this machine's traces and postings on histories made for it, as ratios against "
        "baselines of the same run. Uses scratch databases of its own on the configured server."
    )

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--movements", default="20000,1000000", help="sizes, small to large")
        parser.add_argument("--roots", type=int, default=60, help="lots to trace from")
        parser.add_argument("--seed", type=int, default=history.SEED)
        parser.add_argument("--seconds", type=float, default=5, help="how long packers pack")
        parser.add_argument("--json", action="store_true")
        parser.add_argument("--no-verify", action="store_true", help="trust the history made")

    def handle(self, *args: Any, **options: Any) -> None:
        from tqdm import tqdm

        try:
            sizes = [int(n) for n in options["movements"].split(",")]
        except ValueError as error:
            raise CommandError("Write the sizes as numbers: --movements 20000,1000000.") from error
        out: list[rows.Row] = []
        made: list[dict[str, Any]] = []
        answers: list[dict[int, list[float]]] = []
        for size in sizes:
            with scratch.database(str(size)) as db, scratch.turned_to(db):
                bar = tqdm(total=size, unit="movement", desc=f"history of {size}", disable=None)
                shape = history.load(
                    size,
                    seed=options["seed"],
                    whole=True,
                    progress=partial(_advance, bar),
                )
                bar.close()
                found = [] if options["no_verify"] else faults()
                if found:
                    raise CommandError(f"The history made has faults, the first: {found[0]}")
                made.append({name: getattr(shape, name) for name in shape.__slots__})
                dice = Random(options["seed"])
                measured, by_size = rows.traces(shape.movements, options["roots"], dice)
                out += measured
                answers.append(by_size)
                out += posting.posting(shape.movements)
                out += posting.beside_a_planter(shape.movements, options["seconds"])
        if len(sizes) > 1:
            out.append(rows.growth(answers[0], answers[-1], made[-1]["movements"]))
        if options["json"]:
            self.stdout.write(
                json.dumps(
                    {
                        "database": connection.vendor,
                        "histories": made,
                        "rows": [row.as_json() for row in out],
                    },
                    indent=2,
                )
            )
        else:
            self._table(made, out)

    def _table(self, made: list[dict[str, Any]], out: list[rows.Row]) -> None:
        for shape in made:
            self.stdout.write(", ".join(f"{n} {name}" for name, n in shape.items()))
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
