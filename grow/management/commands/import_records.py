from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from grow.errors import Refusal
from grow.importing.playing import Outcome, play
from grow.importing.sheets import MOST_ROWS, Sheet, read
from grow.models import Person


def the_person(username: str | None) -> Person:
    """Who records it: of that user name, or the only one there is. Raises CommandError."""
    people = Person.objects.filter(is_active=True)
    if username:
        person = people.filter(username=username).first()
        if person is None:
            raise CommandError(f"Nobody who is active has the user name {username}.")
        return person
    found = list(people[:2])
    if len(found) != 1:
        raise CommandError("Say who records it: --as USERNAME.")
    return found[0]


class Command(BaseCommand):
    help = (
        "Import set-up lists and entries from CSV and XLSX files, played together in order of "
        "time: all of it, or nothing. --dry-run plays it, names every bad row, and takes it back."
    )

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("files", nargs="+", metavar="FILE")
        parser.add_argument("--dry-run", action="store_true")
        parser.add_argument("--as", dest="username", help="who records it, by user name")

    def handle(self, *args: Any, **options: Any) -> None:
        from tqdm import tqdm

        person = the_person(options["username"])
        sheets = self._sheets(options["files"])
        with tqdm(disable=None, unit="entry") as bar:

            def progress(done: int, of: int) -> None:
                bar.total = of
                bar.update(done - bar.n)

            try:
                outcome = play(sheets, person, record=not options["dry_run"], progress=progress)
            except Refusal as refusal:  # the books are busy
                raise CommandError(refusal.sentence) from refusal
        self._report(outcome)

    def _sheets(self, files: list[str]) -> list[Sheet]:
        sheets: list[Sheet] = []
        try:
            for file in files:
                sheets += read(Path(file).name, Path(file).read_bytes())
        except (OSError, Refusal) as error:
            raise CommandError(str(error)) from error
        if sum(len(sheet.rows) for sheet in sheets) > MOST_ROWS:
            raise CommandError(f"There are more than {MOST_ROWS} rows; import them in parts.")
        return sheets

    def _report(self, outcome: Outcome) -> None:
        for fault in outcome.faults:
            self.stdout.write(f"{fault.file}, line {fault.line}: {fault.sentence}")
        for bad in outcome.bads:
            because = f" ({bad.says_because})" if bad.because else ""
            self.stdout.write(f"{bad.entry.file}, line {bad.line}: {bad.sentence}{because}")
        for says, counted in (("new", outcome.told), ("in the books before", outcome.already)):
            if counted:
                each = ", ".join(f"{n} {name}" for name, n in sorted(counted.items()))
                self.stdout.write(f"{counted.total()} {says}: {each}")
        if not outcome.good:
            mistakes = len(outcome.faults) + len(outcome.mistakes)
            raise CommandError(
                f"{mistakes} mistakes, and {len(outcome.dependants)} rows that fail because of "
                "them. Nothing was recorded."
            )
        if outcome.recorded:
            self.stdout.write(self.style.SUCCESS("All of it is recorded."))
        else:
            self.stdout.write("Nothing is wrong with it. This was a dry run: nothing is recorded.")
