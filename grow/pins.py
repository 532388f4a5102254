"""Short PINs and badges: how a person is known on a shared device.

A PIN is hashed slowly, before any transaction of the ledger. Wrong ones are counted in the
database, for several processes may be asked at once: the count goes up before the hash is looked
at, so that no crowd of guesses gets past it, and a right one sets it back. Nothing else is ever
locked: not the badge, not another person, not the device.
"""

from __future__ import annotations

import datetime as dt
import re

from django.contrib.auth.hashers import check_password, make_password
from django.db.models import Case, F, Q, Value, When

from . import clock
from .errors import Refusal
from .models import Person

LEAST, MOST = 4, 8
WRONG_IN_A_ROW = 5
RESTS = dt.timedelta(minutes=5)
_MINUTES = RESTS.seconds // 60
_RUNS = ("0123456789", "9876543210")


def fit(pin: str) -> str:
    """A new PIN as it was typed. Raises Refusal for one that is none, or easily guessed."""
    pin = pin.strip()
    if not re.fullmatch(rf"[0-9]{{{LEAST},{MOST}}}", pin):
        raise Refusal("pin", f"A PIN is {LEAST} to {MOST} digits.")
    if len(set(pin)) == 1 or any(pin in run for run in _RUNS):
        raise Refusal("pin_easy", "That PIN is guessed at once; take digits that do not run on.")
    return pin


def hashed(pin: str) -> str:
    """Slow on purpose: never inside a transaction of the ledger. Raises Refusal."""
    return make_password(fit(pin))


def give(person: Person, hash_: str) -> None:
    """A new PIN, or none; it has not been mistyped yet."""
    person.pin, person.wrong_pins, person.pin_rests_until = hash_, 0, None
    Person.objects.filter(pk=person.pk).update(pin=hash_, wrong_pins=0, pin_rests_until=None)


def refuse_wrong(person: Person, pin: str) -> None:
    """Raises Refusal unless it is the person's PIN."""
    if not person.pin:
        raise Refusal("no_pin", f"{person} has no PIN yet.")
    _refuse_resting(person)
    if check_password(pin.strip(), person.pin):
        Person.objects.filter(pk=person.pk).update(wrong_pins=0, pin_rests_until=None)
        return
    person.refresh_from_db(fields=["wrong_pins", "pin_rests_until"])
    if person.pin_rests_until:
        raise _resting(person)
    raise Refusal(
        "wrong_pin",
        f"That is not the PIN of {person}: wrong {person.wrong_pins} of {WRONG_IN_A_ROW} times. "
        f"After {WRONG_IN_A_ROW} in a row it rests for {_MINUTES} minutes.",
        wrong=person.wrong_pins,
    )


def _refuse_resting(person: Person) -> None:
    """Count this try as a wrong one until it is found right; the last of the row lets the PIN rest
    while it is looked at."""
    now = clock.now()
    last = Q(pin_rests_until=None, wrong_pins__gte=WRONG_IN_A_ROW - 1)
    awake = Q(pin_rests_until=None) | Q(pin_rests_until__lte=now)
    counted = Person.objects.filter(awake, pk=person.pk).update(
        wrong_pins=Case(When(pin_rests_until=None, then=F("wrong_pins") + 1), default=Value(1)),
        pin_rests_until=Case(When(last, then=Value(now + RESTS)), default=None),
    )
    if not counted:
        person.refresh_from_db(fields=["wrong_pins", "pin_rests_until"])
        raise _resting(person)


def _resting(person: Person) -> Refusal:
    until = person.pin_rests_until or clock.now() + RESTS
    return Refusal(
        "pin_rests",
        f"{WRONG_IN_A_ROW} wrong PINs in a row: the PIN of {person} rests for {_MINUTES} minutes, "
        f"until {clock.local(until):%H:%M:%S}. The badge still works, and everybody else's PIN.",
        until=until.isoformat(),
    )


def bearer(scanned: str) -> Person:
    """Whose badge was scanned. Raises Refusal, however often: a wrong scan locks nothing."""
    code = "".join(sign for sign in scanned if sign.isprintable()).strip()
    people = Person.objects.filter(is_active=True)
    found = list(people.filter(badge=code)[:1]) or list(people.filter(badge__iexact=code)[:2])
    if not code or len(found) != 1:
        said = f"“{code[:40]}” is nobody's badge here." if code else "Scan a badge."
        raise Refusal("no_badge", f"{said} Scan it again, or tap your name.")
    return found[0]
