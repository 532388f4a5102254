"""The page for a night without this service: every customer with their number and what they had,
every place with what stands there, on one side of paper."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pypdfium2 as pdfium
import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from grow.models import Business
from sales.tonight import tonight
from sales.tonight_pdf import MOST, pdf_of
from tests.farm import Farm

pytestmark = pytest.mark.django_db


def read(content: bytes) -> str:
    document = pdfium.PdfDocument(content)
    assert len(document) == 1
    return document[0].get_textpage().get_text_range()


def test_who_had_what_and_where_the_rest_is(farm: Farm, client: Client, tmp_path: Path) -> None:
    Business.objects.update_or_create(
        id=1, defaults={"name": "Hollow Field", "authority_telephone": "01632 960 100"}
    )
    farm.kitchen.contact, farm.kitchen.out_of_hours = "Osk Bram", "01632 960 007"
    farm.kitchen.save()
    gone = farm.pack([farm.cut(1250)], packs=10)
    farm.arrive(farm.send(gone, 10), gone, accepted=10)
    farm.pass_time(days=20)
    run, other = (farm.pack([farm.cut(1250)], packs=10) for _ in range(2))
    farm.arrive(farm.send(run, 4), run, accepted=3, short=1)
    farm.tell("use", place=farm.kitchen_place, lot=run, quantity=1)
    farm.to_shop(other, 2)
    taken_back = farm.send(other, 5)
    farm.tell("cancel", event=taken_back, reason="typed twice")
    farm.hold(other)

    found = tonight()
    theirs = {spot.name: spot for spot in found.theirs}
    (at_kitchen,) = [lot for lot in theirs["Kitchen"].lots if lot.code == run.code]
    # of four that set out one is said to be short: it may be there all the same
    assert (at_kitchen.had, at_kitchen.here) == ("4 packs", "2 packs")
    # what came three weeks ago stands there by the books, and is listed for that alone
    assert [lot.code for lot in theirs["Kitchen"].lots] == [run.code, gone.code]
    assert theirs["Kitchen"].reach == ["Osk Bram", "at night 01632 960 007"]
    assert theirs["Farm shop"].reach == ["no telephone told"]
    (shop,) = theirs["Farm shop"].lots
    assert (shop.code, shop.had, shop.held) == (other.code, "2 packs", True)
    (store,) = [spot for spot in found.ours if spot.name == "Cold store"]
    assert {lot.code: lot.here for lot in store.lots} == {
        run.code: "6 packs", other.code: "8 packs"
    }  # fmt: skip
    assert found.stopped == ["1 lot is held"]

    said = read(pdf_of(found))
    for words in ("Hollow Field", "01632 960 100", "01632 960 007", run.code, "(HELD)"):
        assert words in said
    client.force_login(farm.grower)
    farm.grower.is_staff = True
    farm.grower.save()
    assert run.code in read(client.get(reverse("admin:tonight")).content)
    call_command("tonight", str(tmp_path / "tonight.pdf"))
    assert run.code in read((tmp_path / "tonight.pdf").read_bytes())
    with pytest.raises(CommandError, match="cannot be written"):
        call_command("tonight", str(tmp_path / "no" / "tonight.pdf"))


def test_however_much_there_is_it_is_one_page_and_the_latest_stand(farm: Farm) -> None:
    for n in range(6):
        buyer = farm.other_shop() if n == 0 else farm.shop
        for _ in range(MOST // 2 if n else MOST + 3):
            run = farm.pack([farm.cut(150)], packs=1)
            if buyer == farm.shop:
                farm.to_shop(run, 1)
            else:
                farm.arrive(farm.send(run, 1, buyer), run, accepted=1)
        farm.now += dt.timedelta(minutes=1)
    said = read(pdf_of(tonight()))
    assert "and 3 more, made earlier" in said
    assert run.code in said
