"""Roles: what a person of each may tell, and which tables they look at and set up.

A role is a Group of that name, made after each migrate. An app above adds its own kinds and
tables. Operations do not ask: what has happened is a fact whoever tells it. The doors do, by
`may(person, kind)`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from django.contrib.auth.models import Group, Permission
from django.db import transaction

from .models import Person

GROWER, PACKER, CHEF, SHOP = "grower", "packer", "chef", "shop"
MANAGER, LEAD, LEARNER = "manager", "food_safety_lead", "learner"
ROLES = (GROWER, PACKER, CHEF, SHOP, MANAGER, LEAD, LEARNER)

#: Kind of event → roles that may tell it.
MAY: dict[str, frozenset[str]] = {}
#: What a learner does not do, whatever else they are: spray, let go, approve.
NOT_A_LEARNERS = {"treat", "release", "clear_origin", "correct_origin", "countersign"}
#: Role → tables ("app.model") that it may add to and change.
SETS_UP: dict[str, set[str]] = defaultdict(set)
#: Tables that only those see who set them up, the manager and the lead.
PRIVATE: set[str] = set()
#: Role → tables that it does not look at, although others do.
HIDDEN: dict[str, set[str]] = defaultdict(set)
#: Apps whose other tables everybody may look at, as far as their places let them.
LOOKED_AT: set[str] = set()


def allow(roles: Iterable[str], *kinds: str) -> None:
    """Let these roles tell these kinds. So may the manager and the food-safety lead, always."""
    for kind in kinds:
        MAY[kind] = frozenset({*roles, MANAGER, LEAD})


def may(person: Person, kind: str) -> bool:
    """Whether a person's roles let them tell a kind of event; a superuser may tell any."""
    if not person.is_active or (kind in NOT_A_LEARNERS and is_learner(person)):
        return False
    return person.is_superuser or not MAY.get(kind, frozenset()).isdisjoint(roles_of(person))


def roles_of(person: Person) -> frozenset[str]:
    """The person's roles, read once for each request's person."""
    known: frozenset[str] | None = person.__dict__.get("_roles")
    if known is None:
        names = person.groups.values_list("name", flat=True) if person.pk else ()
        known = person.__dict__["_roles"] = frozenset(names) & frozenset(ROLES)
    return known


def is_learner(person: Person) -> bool:
    return LEARNER in roles_of(person)


# --- growing ------------------------------------------------------------------------------------

_GROWS = {GROWER, LEARNER}
_HANDLES = _GROWS | {PACKER}
allow(_GROWS, "sow", "check_germination", "lose_plants", "move_plants", "transplant", "clear")
allow(_GROWS, "opening_entry")
allow(_GROWS, "fill", "top_up", "dose", "drain_and_clean", "feed", "test_water")
allow({GROWER}, "treat", "cancel", "correct_weight")
allow((), "correct_origin")
# whoever of them is signed off for teaching; the operation asks
allow({GROWER, PACKER, CHEF, SHOP}, "countersign")
# the lead alone answers for what is safe to eat
MAY["release"] = MAY["clear_origin"] = frozenset({LEAD})
allow(_GROWS | {CHEF}, "harvest")
allow(_HANDLES, "receive_input", "receive_produce", "open_input", "finish_input", "print_tags")
allow(_HANDLES, "hold", "describe")
allow({GROWER, PACKER}, "lab_result")
allow(_HANDLES | {SHOP}, "move", "clean")
allow(_HANDLES | {SHOP, CHEF}, "discard", "count", "check", "incident")
allow(ROLES, "undo")

LOOKED_AT.add("grow")
PRIVATE |= {"grow.person", "grow.signoff", "grow.device", "grow.seal"}
SETS_UP[GROWER] |= {"grow.variety", "grow.cropcard", "grow.item", "grow.plantsite", "grow.thing"}
SETS_UP[PACKER] |= {"grow.item", "grow.thing"}
SETS_UP[LEAD] |= {"grow.thing", "grow.signoff"}
SETS_UP[MANAGER] |= SETS_UP[GROWER] | SETS_UP[LEAD]
SETS_UP[MANAGER] |= {"grow.business", "grow.crop", "grow.place", "grow.person", "grow.device"}


# --- after each migrate -------------------------------------------------------------------------


def after_migrate(sender, using: str = "default", **_) -> None:
    """Make the groups, and give each what it lacks of an app's permissions. Nothing is taken
    away: a business may let its packers do more."""
    if sender.label not in LOOKED_AT:
        return
    rows = Permission.objects.using(using).filter(content_type__app_label=sender.label)
    given = Group.permissions.through
    with transaction.atomic(using=using):
        groups = Group.objects.using(using)
        groups.bulk_create([Group(name=role) for role in ROLES], ignore_conflicts=True)
        ids = dict(groups.filter(name__in=ROLES).values_list("name", "pk"))
        given._default_manager.using(using).bulk_create(
            [
                given(group_id=ids[role], permission_id=permission.pk)
                for permission in rows.select_related("content_type")
                for role in ROLES
                if _given(role, permission)
            ],
            ignore_conflicts=True,
        )


def _given(role: str, permission: Permission) -> bool:
    verb = permission.codename.partition("_")[0]
    of = permission.content_type
    table = f"{of.app_label}.{of.model.removeprefix('historical')}"
    sets_up = table in SETS_UP[role]
    if verb == "view":
        open_ = table not in PRIVATE and table not in HIDDEN[role]
        return open_ or sets_up or role in (MANAGER, LEAD)
    # "may tell something at all" is what the task pages ask
    return (sets_up and verb in ("add", "change")) or (verb, table) == ("add", "grow.event")
