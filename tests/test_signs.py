"""NUL in what is sent: PostgreSQL keeps no text that holds it, and no keyboard writes it."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from grow.errors import Refusal
from grow.models import Event, Person
from tests.farm import Farm

pytestmark = pytest.mark.django_db


@pytest.fixture
def boss(farm: Farm) -> Client:
    client = Client()
    client.force_login(Person.objects.create_superuser("boss"))
    return client


@pytest.mark.parametrize(
    ("url", "sent"),
    [
        ("/goods-in/without-note/", {"press": "record", "packs": "3", "client_id": "a#"}),
        ("/shelf/", {"press": "sold_out", "product": "x#"}),
        ("/till-file/", {"till": "Till #"}),
        ("/labels/reduced/", {"lot": "R#"}),
        ("/login/", {"username": "a#"}),
        ("/goods-in/?scan=R#", None),
        ("/notes/N#/", None),
    ],
)  # fmt: skip
def test_no_page_reads_a_sign_that_no_database_keeps(
    farm: Farm, boss: Client, url: str, sent: dict[str, str] | None
) -> None:
    def ask(sign: str, **more: Any) -> Any:
        at = url.replace("#", sign)
        if sent is None:
            return boss.get(at, **more)
        return boss.post(at, {k: v.replace("#", sign) for k, v in sent.items()}, **more)

    assert ask("1").status_code in (200, 302, 404, 409, 422)
    before = Event.objects.count()
    answer = ask("%00" if sent is None else "\0")
    assert answer.status_code == 400
    assert 'role="alert">There is a sign in it that no keyboard writes' in answer.content.decode()
    queued = ask("%00" if sent is None else "\0", headers={"X-Queue": "last"})
    assert (queued.status_code, queued.json()["code"]) == (400, "no_text")
    assert Event.objects.count() == before


def test_no_act_has_it_in_its_id(farm: Farm) -> None:
    facts = {"item": farm.seed_item, "supplier": farm.supplier, "place": farm.store}
    farm.tell("receive_input", client_id="a1", **facts)
    with pytest.raises(Refusal, match="without an id of its own"):
        farm.tell("receive_input", client_id="a\0", **facts)
