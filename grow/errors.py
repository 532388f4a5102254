"""One family of errors: a code, the facts, and one full sentence with the numbers."""

import functools
import re
from typing import Any

from django.apps import apps
from django.db import DataError, IntegrityError, models


class Refusal(Exception):
    """An act that the books do not allow, said before it is done. `status` is for HTTP."""

    status = 422

    def __init__(self, code: str, sentence: str, **facts: Any) -> None:
        super().__init__(sentence)
        self.code = code
        self.sentence = sentence
        self.facts = facts

    def as_json(self) -> dict[str, Any]:
        return {"code": self.code, "sentence": self.sentence, "facts": self.facts}


class NotKnown(Refusal):
    """A code, a place or a person that nobody here knows."""

    status = 404


class NotAllowed(Refusal):
    """This person may not do this."""

    status = 403


class Conflict(Refusal):
    """The same client id with other contents, or an event that was undone since."""

    status = 409


class Busy(Refusal):
    """The books are in use by something long; nothing was written, send it again."""

    status = 503

    def __init__(self) -> None:
        super().__init__(
            "busy", "The books are busy, an import may be running. Nothing was lost: send it again."
        )


#: What the triggers say; a constraint has its own sentence beside it, in the models.
_TRIGGERS = {
    "lot_is_held": "The lot is held; only the food-safety lead can release it.",
    "place_kind_is_fixed": "Something was there already; the kind of the place stays.",
    "zone_is_fixed": "Entries are booked by the days of this zone already; the zone stays.",
}


def polite(error: IntegrityError | DataError) -> Exception:
    """The second guard's refusal in the same words as the first's."""
    if isinstance(error, DataError):
        return Refusal("too_long", "Something in it is longer, or a number larger, than is kept.")
    rule = rule_of(error)
    says = sentences().get(rule)
    return Refusal(rule, says) if says else error


@functools.cache
def sentences() -> dict[str, str]:
    """Rule → what is said when it is broken: each constraint and each trigger that refuses."""
    rules = [rule for model in apps.get_models() for rule in model._meta.constraints]
    default = models.BaseConstraint.default_violation_error_message
    own = {
        r.name: str(r.violation_error_message)
        for r in rules
        if r.violation_error_message != default
    }
    return own | _TRIGGERS


def rule_of(error: IntegrityError) -> str:
    """The name of the constraint or trigger that said no; empty when it has none of ours. Of a
    unique one SQLite names only the columns."""
    text = str(error)
    columns = re.search(r"UNIQUE constraint failed: (.*)", text)
    if columns:
        return _by_columns().get(frozenset(columns[1].split(", ")), "")
    found = re.search(r'constraint "(\w+)"|CHECK constraint failed: (\w+)|^(\w+)$', text, re.M)
    return next(filter(None, found.groups()), "") if found else ""


@functools.cache
def _by_columns() -> dict[frozenset[str], str]:
    return {
        frozenset(
            f"{model._meta.db_table}.{model._meta.get_field(f).column}"  # type: ignore[union-attr]  # a column has one
            for f in rule.fields
        ): rule.name
        for model in apps.get_models()
        for rule in model._meta.constraints
        if isinstance(rule, models.UniqueConstraint)
    }
