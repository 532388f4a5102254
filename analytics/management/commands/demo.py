"""`manage.py demo`: play a year of an invented farm, say what to open, and serve it."""

from __future__ import annotations

import argparse
import datetime as dt
import os
import time
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection, connections
from tqdm import tqdm

from analytics.demo import stories
from analytics.demo.play import is_played, play
from analytics.demo.scenario import scenario
from analytics.demo.tables import accounts, pin
from grow import clock, seal
from grow.models import Event

FILE = "demo.sqlite3"


def _day(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text} is no date; write it as 2026-11-25") from error


class Command(BaseCommand):
    help = (
        "Play a year of an invented farm through the real operations, print what to open, and "
        "serve it on this machine. Without DATABASE_URL it lives in a file of its own, "
        f"{FILE}; started again, it serves what is there."
    )
    requires_migrations_checks = False

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--days", type=int, default=365, help="how many days to play")
        parser.add_argument("--until", type=_day, help="last day of the year; default yesterday")
        parser.add_argument("--seed", type=int, default=1, help="another seed, another year")
        parser.add_argument("--fresh", action="store_true", help=f"begin {FILE} anew")
        parser.add_argument("--stories", action="store_true", help="list the stories, then stop")
        parser.add_argument("--no-serve", action="store_true", help="stop when it is played")
        parser.add_argument("--port", type=int, default=8000)

    def handle(self, *args: Any, **options: Any) -> None:
        own = not os.environ.get("DATABASE_URL")
        if own:
            self._own_file(options["fresh"])
        elif options["fresh"]:
            raise CommandError(
                "--fresh empties only the demo's own file. DATABASE_URL names another database; "
                "leave it out, or give an empty one."
            )
        call_command("migrate", verbosity=0)
        if not is_played():
            if Event.objects.exists() and own:
                # a play that was cut short
                self._own_file(fresh=True)
                call_command("migrate", verbosity=0)
            elif Event.objects.exists():
                raise CommandError(
                    "This database already holds the records of a farm, and the demo would mix "
                    "its own among them. Give it an empty one, or leave DATABASE_URL out."
                )
            if options["stories"]:
                raise CommandError("No year has been played here yet; run `manage.py demo` first.")
            self._play(options, own)
        if options["stories"]:
            self._tell_stories()
            return
        self._say_what_to_open(options["port"])
        if not options["no_serve"]:
            # on this machine alone, which is what that server is for
            os.environ.setdefault("DJANGO_RUNSERVER_HIDE_WARNING", "true")
            call_command(
                "runserver", f"127.0.0.1:{options['port']}", use_reloader=False, verbosity=0
            )

    def _own_file(self, fresh: bool) -> None:
        """Turn every connection of this process to the demo's own file."""
        connections.close_all()
        path = settings.BASE_DIR / FILE
        if fresh:
            for end in ("", "-wal", "-shm", "-journal"):
                path.with_name(path.name + end).unlink(missing_ok=True)
        settings.DATABASES["default"]["NAME"] = path
        connection.settings_dict["NAME"] = path

    def _play(self, options: dict[str, Any], own: bool) -> None:
        until = options["until"] or clock.local(clock.now()).date() - dt.timedelta(days=1)
        if not 1 <= options["days"] <= 400:
            raise CommandError("Between 1 and 400 days can be played.")
        if connection.vendor == "sqlite" and own:
            # nobody has been told yet that anything here is kept
            with connection.cursor() as cursor:
                cursor.execute("PRAGMA synchronous=OFF")
        started = time.monotonic()
        play(
            until,
            options["days"],
            options["seed"],
            lambda days: tqdm(
                days,
                desc="Playing",
                unit=" days",
                # None: a bar for people, none in a log
                disable=None if options["verbosity"] else True,
            ),
        )
        took = time.monotonic() - started
        self.stdout.write(f"{Event.objects.count()} entries in {took:.0f} s.")
        self.stdout.write(f"{len(seal.seal())} days that are over are sealed.")
        connection.close()  # the next one writes through again

    def _tell_stories(self) -> None:
        for row in stories.told():
            self.stdout.write(f"{row.day:%d %b %Y}  {row.code:12}  {row.title}")

    def _say_what_to_open(self, port: int) -> None:
        say = self.stdout.write
        code = stories.code_to_trace()
        say(f"\n{scenario().name}, an invented place.")
        say(f"Open http://127.0.0.1:{port}/ and sign in as one of:\n")
        for name, who, password in accounts(scenario()):
            say(f"  {name:9} {password or '(badge or PIN)':20} PIN {pin(name)}   {who}")
        say("\nBadges and PINs are for a shared device: the manager makes one at /shared-device/.")
        say(f"\nA code to trace: {code}   (manage.py demo --stories lists the others)")
        say(
            "\nRecord keeping and decision support, not legal or food-safety advice: everything "
            "here is invented."
        )
        if not settings.THIS_MACHINE_ONLY:
            say("Other machines may reach this one: these accounts open everything in the demo.")
