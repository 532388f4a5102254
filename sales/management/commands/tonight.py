"""manage.py tonight: where everything is and whom to call, as one A4 page to keep elsewhere."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from grow.errors import Refusal
from sales.tonight import tonight
from sales.tonight_pdf import pdf_of


class Command(BaseCommand):
    help = (
        "Writes one A4 page: where every lot is now, who had what lately, and whom to call. Run it "
        "each night and keep the page off this machine, for the night on which it does not answer."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", help="the PDF to write")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            content = pdf_of(tonight())
            Path(options["file"]).write_bytes(content)
        except Refusal as refusal:
            raise CommandError(refusal.sentence) from refusal
        except OSError as error:
            raise CommandError(f"{options['file']} cannot be written: {error.strerror}.") from error
        self.stdout.write(f"{options['file']}: {len(content):,} bytes")
