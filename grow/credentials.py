"""Who may set whose password, PIN and badge, and give whom which role.

Whoever has somebody's password, PIN or badge is that person, on every page and device. So nobody
sets them for a person who may do what they themselves may not, or gives a role that may: a manager
who is not the food-safety lead becomes none by setting the lead's PIN, nor by making one.
"""

from __future__ import annotations

from collections.abc import Iterable

from django.contrib.auth.models import Group, Permission
from django.db.models import QuerySet

from . import clock, roles
from .models import Person, SignOff
from .signing import why_not

#: Tasks that are refused to whoever is not signed off for them; teaching is asked of `why_not`.
_ASKED = (SignOff.Task.SPRAYING, SignOff.Task.RELEASING, SignOff.Task.NOTICES)


def may_set(who: Person, person: Person) -> bool:
    """One's own; a superuser's only as a superuser; anybody else's who may nothing that one may
    not oneself. Whether they work here just now makes no difference."""
    if who.is_superuser or who.pk == person.pk:
        return True
    return not person.is_superuser and _rights(person) <= _held(who)


def roles_to_give(who: Person, person: Person | None = None) -> QuerySet[Group]:
    """The roles of which one may all oneself, and those that the person has already."""
    every = Group.objects.order_by("pk")
    if who.is_superuser:
        return every
    held = _held(who)
    given = {group.pk for group in every if _of_roles([group.name]) <= held}
    if person is not None:
        given.update(person.groups.values_list("pk", flat=True))
    return every.filter(pk__in=given)


def _held(who: Person) -> frozenset[str]:
    """What somebody may now: a learner does not do some of it, whatever else they are."""
    rights = _rights(who)
    return rights - roles.NOT_A_LEARNERS if roles.is_learner(who) else rights


def _rights(person: Person) -> frozenset[str]:
    """What a person may at most: kinds of entry, permissions, and tasks signed off for."""
    names = person.groups.values_list("name", flat=True)
    own = Permission.objects.filter(user=person)
    signed = SignOff.objects.filter(person=person, task__in=_ASKED).values_list("task", flat=True)
    teaches = not why_not(person, clock.local(clock.now()).date())
    return frozenset({*_of_roles(names), *_codes(own), *signed, *(["teaching"] * teaches)})


def _of_roles(names: Iterable[str]) -> frozenset[str]:
    names = set(names)
    told = {kind for kind, may in roles.MAY.items() if may & names}
    return frozenset({*told, *_codes(Permission.objects.filter(group__name__in=names))})


def _codes(rows: QuerySet[Permission]) -> set[str]:
    found = rows.order_by().values_list("content_type__app_label", "codename")
    return {f"{app}.{code}" for app, code in found}
