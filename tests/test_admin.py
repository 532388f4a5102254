"""Pages of the ledger ask the database as often for many rows as for few."""

from __future__ import annotations

from typing import Any

import pytest
from django.contrib import admin
from django.db import connection, models
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from grow.admin import LedgerAdmin
from grow.models import Person
from sales.operations import Arrived, Line
from tests.farm import Farm


@pytest.fixture
def manager(client: Client, farm: Farm) -> Client:
    client.force_login(Person.objects.create_superuser("mo", password="x"))
    return client


def asked(client: Client, row: models.Model) -> int:
    url = reverse(f"admin:{row._meta.app_label}_{row._meta.model_name}_change", args=[row.pk])
    client.get(url)  # permissions and content types are asked for once
    with CaptureQueriesContext(connection) as queries:
        assert client.get(url).status_code == 200
    return len(queries)


def test_a_lot_an_act_and_a_note_show_many_rows_at_one_asking(manager: Client, farm: Farm) -> None:
    batch = farm.sow(40)
    few, many = farm.cut(3000, batch), farm.cut(3000, batch)
    runs = [farm.pack([many], 3, left=2600 - 400 * n) for n in range(6)]
    runs += [farm.pack([few], 3, left=2600)]
    sent = []
    for some in (runs[:1], runs[1:6]):
        lines = [Line(run, 2, farm.store) for run in some]
        sent.append(farm.tell("deliver", outlet=farm.kitchen, lines=lines))
        came = [Arrived(run, 1, rejected=1) for run in some]
        farm.tell("receive", note=sent[-1].note, lines=came)
    assert asked(manager, few) == asked(manager, many)
    assert asked(manager, sent[0]) == asked(manager, sent[1])
    assert asked(manager, sent[0].note) == asked(manager, sent[1].note)


def _set_up() -> list[tuple[Any, Any]]:
    return [
        (model, table)
        for model, table in admin.site._registry.items()
        if model._meta.app_label in ("grow", "sales", "analytics")
        and not isinstance(table, LedgerAdmin)
    ]


def test_every_table_to_be_filled_in_is_found_searched_and_explained(admin_client, rf, admin_user):
    """Search, and a list that is searched for what has many rows; help in the grower's words."""
    request = rf.get("/")
    request.user = admin_user
    assert len(_set_up()) > 12
    for model, table in _set_up():
        if model.__name__ in ("Business", "Person"):  # one row; and the framework's own form
            continue
        assert table.search_fields, model
        searched = {*table.autocomplete_fields, *table.filter_horizontal}
        for field in model._meta.get_fields():
            if isinstance(field, models.ForeignKey | models.OneToOneField | models.ManyToManyField):
                assert field.name in searched or not field.editable, (model, field.name)
        for name, field in table.get_form(request)().fields.items():
            assert field.help_text, (model, name)
