"""Roles are there after each migrate, and say who may tell what."""

from __future__ import annotations

import pytest
from django.contrib.auth.models import Group, Permission
from django.core.management import call_command
from django.test import Client

from grow.kinds import KINDS
from grow.models import Person
from grow.roles import MAY, ROLES, may

pytestmark = pytest.mark.django_db

#: A grower could read it: what each may tell, what not.
TABLE = """
    grower           | sow harvest treat fill pack countersign undo     | release sell clear_origin
    packer           | pack rework move count hold print_tags undo      | sow treat cancel sell use
    chef             | receive use harvest discard return_goods undo    | pack sell hold treat sow
    shop             | put_on_shelf sell count move return_goods undo   | pack harvest use hold
    manager          | treat correct_origin cancel sell use hold undo   | release clear_origin
    food_safety_lead | release hold clear_origin correct_weight sow     |
    learner          | sow transplant harvest pack dose hold undo       | treat release countersign
"""


def somebody(role: str = "", **more: bool) -> Person:
    person = Person.objects.create_user(f"{role or 'nobody'}-1", **more)
    if role:
        person.groups.add(Group.objects.get(name=role))
    return Person.objects.get(pk=person.pk)


def test_every_kind_says_who_may_tell_it() -> None:
    assert MAY.keys() == KINDS.keys()
    assert all(roles and roles <= set(ROLES) for roles in MAY.values())


@pytest.mark.parametrize("row", TABLE.strip().splitlines(), ids=lambda row: row.split()[0])
def test_who_may_tell_what(row: str) -> None:
    role, may_, may_not = (cell.strip() for cell in row.split("|"))
    person = somebody(role)
    assert {kind: may(person, kind) for kind in may_.split()} == dict.fromkeys(may_.split(), True)
    assert not any(may(person, kind) for kind in may_not.split())


def test_nobody_may_tell_anything_and_a_superuser_all() -> None:
    nobody, root = somebody(), somebody("packer", is_superuser=True)
    gone = somebody("manager", is_active=False)
    assert not any(may(nobody, kind) or may(gone, kind) for kind in KINDS)
    assert all(may(root, kind) for kind in KINDS)
    assert not may(somebody("food_safety_lead"), "no such kind")


#: What stands on top of every page of each, in this order.
ON_TOP = """
    grower           | Cut list, What is here, What was done, Trace, Yields
    packer           | Pack, Cut list, Send out, Labels, What is here
    chef             | Goods in, Kitchen, Notes, Trace, What is here
    shop             | Shelf, Goods in, What is here, What was done, Trace
    manager          | Cut list, What is here, What was done, Trace, Crops
    food_safety_lead | Trace, Recalls, What is here, What was done, Notes
    learner          | Cut list, What is here, What was done, Trace
    superuser        | Cut list, What is here, What was done, Trace, Crops
"""


@pytest.mark.parametrize("row", ON_TOP.strip().splitlines(), ids=lambda row: row.split()[0])
def test_a_few_pages_stand_on_top_and_every_page_is_one_tap_further(row: str) -> None:
    role, titles = (cell.strip() for cell in row.split("|"))
    root = role == "superuser"
    person = somebody("" if root else role, is_staff=True, is_superuser=root)
    client = Client()
    client.force_login(person)
    page = client.get("/trace/")
    tasks = page.context["tasks"]
    assert [task["title"] for task in page.context["row"]] == titles.split(", ")
    assert len(tasks) > 6
    nav = page.content.decode().partition('aria-label="Tasks"')[2].partition("</nav>")[0]
    on_top, _, sheet = nav.partition("<details")  # it opens without a script
    for task in tasks:
        link = f"{task['title']}</a>"
        assert (link in on_top) == (task["title"] in titles.split(", "))
        assert link in sheet
        assert client.get(task["url"]).status_code == 200
    assert '<a href="/trace/" aria-current="page">' in sheet


def test_who_sets_up_which_tables() -> None:
    can = {role: somebody(role).has_perm for role in ROLES}
    for role, has in can.items():
        assert has("grow.view_lot")
        assert has("sales.view_price") == (role != "chef")
        assert has("grow.add_event")
        assert not has("grow.change_event")
        assert not has("grow.delete_crop")
    changes = {
        table: {role for role, has in can.items() if has(f"{app}.change_{table}")}
        for app, table in (
            ("grow", "crop"),
            ("grow", "variety"),
            ("grow", "thing"),
            ("grow", "person"),
            ("grow", "signoff"),
            ("sales", "price"),
            ("sales", "labelstock"),
            ("analytics", "rate"),
        )
    }
    assert changes == {
        "crop": {"manager"},
        "variety": {"grower", "manager"},
        "thing": {"grower", "packer", "manager", "food_safety_lead"},
        "person": {"manager"},
        "signoff": {"manager", "food_safety_lead"},
        "price": {"manager"},
        "labelstock": {"grower", "packer", "manager", "food_safety_lead"},
        "rate": {"manager"},
    }
    assert not can["packer"]("grow.view_person")
    assert not can["chef"]("sales.view_money")
    assert can["food_safety_lead"]("grow.view_person")


def test_a_migrate_gives_what_is_missing_and_takes_nothing_away() -> None:
    packer, chef = (Group.objects.get(name=name) for name in ("packer", "chef"))
    extra = Permission.objects.get(codename="change_price")
    packer.permissions.add(extra)
    before = {g.name: set(g.permissions.values_list("pk", flat=True)) for g in Group.objects.all()}
    chef.permissions.clear()
    Group.objects.get(name="learner").delete()
    call_command("migrate", verbosity=0)
    after = {g.name: set(g.permissions.values_list("pk", flat=True)) for g in Group.objects.all()}
    assert after == before
    assert extra.pk in after["packer"]
