"""What a database must have before the books may be trusted. Asked with
`manage.py check --database default`, and by `migrate` before it begins."""

from collections.abc import Iterable
from typing import Any

from django.core.checks import CheckMessage, Tags, Warning, register

from . import triggers


@register(Tags.database)
def triggers_are_there(databases: Iterable[str] | None = None, **_: Any) -> list[CheckMessage]:
    """A warning, not an error: `migrate` asks first, and is what puts the triggers back."""
    return [
        Warning(
            f"Trigger {name} is missing: what was written could be changed unseen.",
            hint="Run: manage.py migrate, which installs it. Then manage.py verify.",
            obj=using,
            id="grow.W001",
        )
        for using in databases or ()
        for name in triggers.missing(using)
    ]
