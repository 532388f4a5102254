"""Nobody raises their own rights: a manager sets up people, and is one of them."""

from __future__ import annotations

from typing import Any

import pytest
from django.contrib.auth.models import Group, Permission
from django.test import Client
from django.urls import reverse

from grow.models import Device, Person, SignOff
from grow.roles import MAY
from tests.farm import Farm
from tests.test_countersign import person

pytestmark = pytest.mark.django_db


@pytest.fixture
def mo() -> Person:
    return person("mo", "manager")


def signed_in(who: Person) -> Client:
    client = Client()
    client.force_login(who)
    return client


def change(who: Person, **more: Any) -> dict[str, Any]:
    """The change form of a person, with everything ticked that might be."""
    return {
        "username": who.username,
        "shown_as": who.shown_as,
        "is_active": "on",
        "is_staff": "on",
        "is_superuser": "on",
        "groups": list(Group.objects.values_list("pk", flat=True)),
        "user_permissions": list(Permission.objects.values_list("pk", flat=True)[:5]),
        "sign_offs-TOTAL_FORMS": "1",
        "sign_offs-INITIAL_FORMS": "0",
        "sign_offs-0-task": "releasing",
        "sign_offs-0-since": "2026-01-01",
        "sign_offs-0-by": str(who.pk),
        "sign_offs-0-person": str(who.pk),
        **more,
    }


def page_of(who: Person) -> str:
    return reverse("admin:grow_person_change", args=[who.pk])


def rights(who: Person) -> tuple[Any, ...]:
    who = Person.objects.get(pk=who.pk)
    roles = sorted(who.groups.values_list("name", flat=True))
    return roles, who.is_superuser, who.user_permissions.count(), who.sign_offs.count()


def test_a_manager_gives_roles_to_others_but_none_to_themselves(mo: Person) -> None:
    pat = person("pat", "packer")
    manager = signed_in(mo)
    assert manager.post(page_of(mo), change(mo, shown_as="Mo")).status_code == 302
    assert Person.objects.get(pk=mo.pk).shown_as == "Mo"  # the rest of the form is theirs
    assert rights(mo) == (["manager"], False, 0, 0)
    assert manager.post(page_of(pat), change(pat)).status_code == 302
    roles, everything, permissions, signed_off = rights(pat)
    assert len(roles) == Group.objects.count()
    assert (everything, permissions, signed_off) == (False, 0, 1)


def test_a_manager_does_not_touch_who_may_do_everything(mo: Person) -> None:
    boss = Person.objects.create_superuser("boss", password="a long one of theirs")
    manager = signed_in(mo)
    assert manager.post(page_of(boss), change(boss)).status_code == 403
    url = reverse("admin:auth_user_password_change", args=[boss.pk])
    new = {"password1": "another-long-1", "password2": "another-long-1", "usable_password": "true"}
    assert manager.post(url, new).status_code == 403
    assert Person.objects.get(pk=boss.pk).check_password("a long one of theirs")


def test_nobody_signs_themselves_off(mo: Person) -> None:
    fay = person("fay", "food_safety_lead")
    told = {"task": "releasing", "since": "2026-01-01"}
    for who in (mo, fay):
        client, add = signed_in(who), reverse("admin:grow_signoff_add")
        sent = told | {"person": str(who.pk), "by": str(who.pk)}
        had = who.sign_offs.count()
        assert client.post(add, sent).status_code == 200  # refused: the form comes back
        assert who.sign_offs.count() == had
        other = {mo: fay, fay: mo}[who]
        assert client.post(add, sent | {"person": str(other.pk)}).status_code == 302
    row = SignOff.objects.get(person=fay)
    url = reverse("admin:grow_signoff_change", args=[row.pk])
    sent = told | {"person": str(fay.pk), "by": str(mo.pk), "since": "2025-01-01"}
    assert signed_in(fay).post(url, sent).status_code == 403
    assert signed_in(mo).post(url, sent).status_code == 302
    both = person("bo", "learner", "manager")
    assert signed_in(both).get(add).status_code == 403
    assert signed_in(both).post(url, sent).status_code == 403
    assert "sign_offs" not in signed_in(both).get(page_of(fay)).content.decode()
    alone = Person.objects.create_superuser("alone")
    sent = told | {"person": str(alone.pk), "by": str(alone.pk)}
    assert signed_in(alone).post(reverse("admin:grow_signoff_add"), sent).status_code == 302


def test_what_is_never_shown_is_not_found_by_asking(mo: Person) -> None:
    pat = person("pat", "packer", pin="argon2$x")
    Device.objects.create(name="Bench tablet", key="c0ffee")
    manager = signed_in(mo)
    for table, rows in (("person", "is_active__exact=1"), ("device", "in_use__exact=1")):
        url = reverse(f"admin:grow_{table}_changelist")
        assert manager.get(f"{url}?{rows}").status_code == 200
    people = reverse("admin:grow_person_changelist")
    for asked in ("pin__startswith=a", "pin=x", "password__startswith=m", "wrong_pins__gt=0"):
        assert manager.get(f"{people}?{asked}").status_code == 400, asked
    devices = reverse("admin:grow_device_changelist")
    assert manager.get(f"{devices}?key__startswith=c").status_code == 400
    signed = reverse("admin:grow_signoff_changelist")
    assert manager.get(f"{signed}?person__pin__startswith=a").status_code == 400
    assert str(pat.pin) not in manager.get(page_of(pat)).content.decode()


def test_nobody_records_as_somebody_else(farm: Farm, mo: Person) -> None:
    """recorded_by, the device and the kind are the door's, whatever is sent."""
    client = signed_in(mo)
    sent = {"place": "Bench 1", "kind": "glass list", "passed": True}
    for name in ("recorded_by", "person", "entry", "client_id", "device"):
        answer = client.post(
            reverse("act-check"),
            sent | {name: farm.grower.username},
            content_type="application/json",
            HTTP_IDEMPOTENCY_KEY=f"as-{name}",
        )
        assert answer.status_code == 400, name
    answer = client.post(
        reverse("act-check"), sent, content_type="application/json", HTTP_IDEMPOTENCY_KEY="own"
    )
    assert (answer.status_code, answer.json()["recorded_by"]) == (201, "mo")
    assert "check" in MAY
