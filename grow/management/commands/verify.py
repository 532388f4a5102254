import json

from django.core.management.base import BaseCommand, CommandError

from grow.faults import CHECKS


class Command(BaseCommand):
    help = "Recount the whole ledger and name every fault. Exits with 1 when there is one."

    def add_arguments(self, parser) -> None:
        parser.add_argument("--json", action="store_true", help="faults by check, as JSON")

    def handle(self, *args, **options) -> None:
        from tqdm import tqdm

        found: dict[str, list[str]] = {}
        for check in tqdm(CHECKS, disable=None if not options["json"] else True, unit="check"):
            found[check.__name__] = list(check())
        number = sum(map(len, found.values()))
        if options["json"]:
            self.stdout.write(json.dumps({"faults": number, "checks": found}, indent=2))
        else:
            for sentences in found.values():
                for sentence in sentences:
                    self.stdout.write(self.style.ERROR(sentence))
            if not number:
                self.stdout.write(
                    self.style.SUCCESS(f"No fault found by {len(CHECKS)} checks of the books.")
                )
        if number:
            raise CommandError(f"{number} fault{'s' if number > 1 else ''} in the books.")
