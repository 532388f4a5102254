from django.core.management.base import BaseCommand

from grow.sums import sweep


class Command(BaseCommand):
    help = "Add the movements since the last sweep to the sums that the figures read."

    def handle(self, *args, **options) -> None:
        self.stdout.write(f"{sweep()} movements added to the sums.")
