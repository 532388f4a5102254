"""Wrong settings explain themselves: each is one sentence with its way out, before a command runs.

E-numbers stop the command, W-numbers are said and passed. E001 to W005 and E006 are noted while
the environment is read (`config.environment`); the rest look at the settings as they came out.
"""

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Error, Tags, Warning, register

from config.environment import SECRET_KEY_FILE


@register()
def environment_makes_sense(**_: Any) -> list[CheckMessage]:
    return [
        (Error if problem.code.startswith("E") else Warning)(
            problem.sentence, hint=problem.hint, id=f"config.{problem.code}"
        )
        for problem in settings.ENV.problems
    ]


@register()
def sqlite_keeps_what_it_is_told(**_: Any) -> list[CheckMessage]:
    """The gate and the promise that nothing acknowledged is lost rest on two settings."""
    database = settings.DATABASES["default"]
    if database["ENGINE"] != "django.db.backends.sqlite3":
        return []
    found: list[CheckMessage] = []
    options = database.get("OPTIONS", {})
    if options.get("transaction_mode") != "IMMEDIATE":
        found.append(
            Error(
                "SQLite transactions do not begin IMMEDIATE, so two people at once end in "
                "'database is locked'.",
                hint="Keep OPTIONS['transaction_mode'] = 'IMMEDIATE' in settings.",
                id="config.E007",
            )
        )
    if "synchronous=FULL" not in options.get("init_command", ""):
        found.append(
            Error(
                "SQLite is not told to write through, so a power cut may lose what was "
                "already acknowledged.",
                hint="Keep 'PRAGMA synchronous=FULL' in OPTIONS['init_command'].",
                id="config.E008",
            )
        )
    folder = Path(database["NAME"]).parent
    if not folder.is_dir():
        found.append(
            Error(
                f"The database file is to lie in {folder}, and there is no such folder.",
                hint="Make the folder, or put another path into DATABASE_URL.",
                id="config.E009",
            )
        )
    return found


@register()
def static_files_are_collected(**_: Any) -> list[CheckMessage]:
    """With hosts named, pages ask for hashed file names, which collectstatic makes."""
    root = settings.STATIC_ROOT
    if root is None or (Path(root) / "staticfiles.json").is_file():
        return []
    return [
        Warning(
            f"{root} holds no collected static files, so every page would fail.",
            hint="Run: manage.py collectstatic --no-input",
            id="config.W010",
        )
    ]


@register(Tags.security, deploy=True)
def secret_key_is_told(**_: Any) -> list[CheckMessage]:
    if settings.SECRET_KEY_TOLD:
        return []
    return [
        Warning(
            f"The secret key is the one kept in {SECRET_KEY_FILE} on this machine.",
            hint="Set DJANGO_SECRET_KEY, so that it is kept with your other secrets and a second "
            "server reads the same sessions.",
            id="config.W011",
        )
    ]
