"""Nobody raises their own rights: a manager sets up people, and is one of them."""

from __future__ import annotations

from typing import Any

import pytest
from django.contrib.auth.hashers import check_password
from django.contrib.auth.models import Group, Permission
from django.test import Client
from django.urls import reverse

from grow.importing.playing import play
from grow.importing.sheets import read
from grow.models import Device, Person, SignOff
from grow.roles import LEAD, MAY, ROLES
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
    sent = change(pat)
    own = [pk for pk, name in Group.objects.values_list("pk", "name") if name != LEAD]
    assert manager.post(page_of(pat), sent | {"groups": own}).status_code == 302
    roles, everything, permissions, signed_off = rights(pat)
    assert set(roles) == set(ROLES) - {LEAD}
    assert (everything, permissions, signed_off) == (False, 0, 1)


def test_a_manager_does_not_touch_who_may_do_everything(mo: Person) -> None:
    boss = Person.objects.create_superuser("boss", password="a long one of theirs")
    manager = signed_in(mo)
    assert manager.post(page_of(boss), change(boss)).status_code == 403
    url = reverse("admin:auth_user_password_change", args=[boss.pk])
    new = {"password1": "another-long-1", "password2": "another-long-1", "usable_password": "true"}
    assert manager.post(url, new).status_code == 403
    assert Person.objects.get(pk=boss.pk).check_password("a long one of theirs")


def test_a_page_that_is_sent_twice_signs_off_once(mo: Person) -> None:
    pat = person("pat", "packer")
    sent = change(pat, groups=[group.pk for group in pat.groups.all()])
    assert signed_in(mo).post(page_of(pat), sent).status_code == 302
    again = signed_in(mo).post(page_of(pat), sent)
    assert "That person was signed off for it on that day already." in again.content.decode()
    assert rights(pat)[3] == 1


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


def password_page(who: Person) -> str:
    return reverse("admin:auth_user_password_change", args=[who.pk])


NEW = {"password1": "another-long-1", "password2": "another-long-1", "usable_password": "true"}


def ways_in(who: Person) -> tuple[Any, ...]:
    return Person.objects.values_list("password", "pin", "badge").get(pk=who.pk)


@pytest.mark.parametrize(
    ("roles", "signed_off", "works"),
    [
        (["food_safety_lead"], (), True),
        (["packer", "food_safety_lead"], (), True),
        (["food_safety_lead"], (), False),  # and is let back in afterwards
        (["learner", "food_safety_lead"], (), True),  # and is no learner any more
        (["grower"], ("spraying",), True),
        (["packer"], ("releasing",), True),
    ],
)
def test_a_manager_does_not_come_in_as_who_may_more(
    mo: Person, roles: list[str], signed_off: tuple[str, ...], works: bool
) -> None:
    """Whoever has somebody's password, PIN or badge is that person."""
    pat = person("pat", "packer")  # who may nothing that a manager may not
    fay = person("fay", *roles, signed_off=signed_off, badge="FY-8K2", is_active=works)
    manager = signed_in(mo)
    before = ways_in(fay)
    sent = {"new_pin": "5038", "badge": "MINE-1", "is_superuser": "", "sign_offs-TOTAL_FORMS": "0"}
    same = [group.pk for group in fay.groups.all()]
    page = manager.get(page_of(fay)).content.decode()
    assert not any(word in page for word in ("new_pin", "FY-8K2", "../password/"))
    assert manager.post(page_of(fay), change(fay, **sent, groups=same)).status_code == 302
    assert manager.get(password_page(fay)).status_code == 403
    assert manager.post(password_page(fay), NEW).status_code == 403
    assert ways_in(fay) == before
    assert rights(fay)[0] == sorted(roles)  # the rest of the form is the manager's
    others = [group.pk for group in pat.groups.all()]
    assert manager.post(page_of(pat), change(pat, **sent, groups=others)).status_code == 302
    assert manager.post(password_page(pat), NEW).status_code == 302
    password, pin, badge = ways_in(pat)
    assert check_password("another-long-1", password)
    assert check_password("5038", pin)
    assert badge == "MINE-1"
    boss = signed_in(Person.objects.create_superuser("boss"))
    assert boss.post(password_page(fay), NEW).status_code == 302
    assert ways_in(fay) != before


def test_a_role_that_may_more_is_given_by_who_may_it(mo: Person) -> None:
    """Else a manager makes a lead whose PIN the manager knows."""
    pat, lead = person("pat", "packer"), Group.objects.get(name=LEAD)
    manager, fay = signed_in(mo), person("fay", LEAD)
    told = {"username": "ghost", "new_pin": "5038", "usable_password": "false"}
    none = {"sign_offs-TOTAL_FORMS": "0", "sign_offs-INITIAL_FORMS": "0"}
    add = reverse("admin:grow_person_add")
    refused = manager.post(add, told | none | {"groups": [lead.pk]})
    assert "is not one of the available choices" in refused.content.decode()
    assert not Person.objects.filter(username="ghost").exists()
    assert manager.post(page_of(pat), change(pat)).status_code == 200  # refused: the form again
    assert rights(pat)[0] == ["packer"]
    # taken away, it does not come back by the same hand
    assert manager.post(page_of(fay), change(fay, groups=[])).status_code == 302
    once = {"sign_offs-TOTAL_FORMS": "0", "is_superuser": ""}
    again = manager.post(page_of(fay), change(fay, groups=[lead.pk], **once))
    assert "is not one of the available choices" in again.content.decode()
    assert rights(fay)[0] == []
    boss = signed_in(Person.objects.create_superuser("boss"))
    sent = change(fay, groups=[lead.pk], **once)
    assert boss.post(page_of(fay), sent).status_code == 302
    assert rights(fay)[0] == [LEAD]


def test_the_lead_sees_nobodys_badge(mo: Person) -> None:
    Person.objects.filter(pk=mo.pk).update(badge="MO-3W7")
    lead = signed_in(person("fay", LEAD, badge="FY-8K2"))
    assert "MO-3W7" not in lead.get(page_of(mo)).content.decode()
    for who in (lead, signed_in(mo)):
        found = who.get(reverse("admin:grow_person_changelist")).content.decode()
        assert ">fay<" in found
        assert not any(badge in found for badge in ("MO-3W7", "FY-8K2"))


def test_no_badge_is_found_by_its_letters(farm: Farm, mo: Person) -> None:
    """By search, filter, what a field offers, a name in the API, or a file that says it."""
    fay = person("fay", LEAD, badge="FY-8K2", shown_as="Fay")
    SignOff.objects.create(person=fay, task="releasing", since="2026-01-01", by=mo)
    manager = signed_in(mo)

    def found(url: str) -> bool:
        answer = manager.get(url)
        return answer.status_code == 200 and "fay" in answer.content.decode().lower()

    field = "app_label=grow&model_name=signoff&field_name=person"
    offered = f"{reverse('admin:autocomplete')}?{field}&term="
    for url in (
        f"{reverse('admin:grow_person_changelist')}?q=",
        f"{reverse('admin:grow_signoff_changelist')}?q=",
        offered,
        "/api/v1/sign-offs/?person=",
    ):
        assert found(f"{url}fay"), url
        assert not found(f"{url}FY-8K2"), url
    for asked in ("badge=FY-8K2", "badge__startswith=F", "person__badge__startswith=F"):
        for table in ("person", "signoff"):
            url = reverse(f"admin:grow_{table}_changelist")
            assert not found(f"{url}?{asked}"), asked
    told = "username,badge\nfay,ZZ-1\n"
    (bad,) = play(read("people.csv", told.encode()), mo, record=False).bads
    assert "Fay is there already, with another badge or none" in bad.sentence
    assert "FY-8K2" not in bad.sentence


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
