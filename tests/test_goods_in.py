"""Goods in: what is told at the door, the page of it without a script, what came without a note and
what a cook cut. In a real browser: `test_goods_in_browser`."""

from __future__ import annotations

import datetime as dt
import html
import io
import re
from decimal import Decimal
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from grow import photos
from grow.errors import Conflict, Refusal
from grow.faults import faults
from grow.models import Business, Crop, Event, Flag, Lot, Person, Photo, Thing
from sales.models import DeliveryNote, Money, Receipt, ReceiptLine
from sales.operations import Arrived
from tests.farm import Farm, decided

NOT_MET = Flag.Kind.AGAINST_RULE


def picture(colour: str = "green", **more: Any) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (80, 60), colour).save(out, "JPEG", **more)
    return out.getvalue()


def flags(event: Event) -> dict[str, str]:
    return dict(event.flags.values_list("kind", "says"))


@pytest.fixture
def probe(farm: Farm) -> Thing:
    return Thing.objects.create(name="Kitchen probe", kind="probe", place=farm.kitchen_place)


# --- the act -------------------------------------------------------------------------------------


def test_how_it_came_is_kept_and_goes_with_the_receipt(farm: Farm, probe: Thing) -> None:
    run = farm.pack([farm.cut(3000)], packs=20)
    sent = farm.send(run, 12)
    photo = Photo.objects.create(sha256="1" * 64, jpeg=picture())
    lines = [Arrived(run, 9, short=1, rejected=2, reason="wilted", photo=photo)]
    told: dict[str, Any] = {
        "note": sent.note,
        "lines": lines,
        "temperature_c": Decimal("5.1"),
        "measured": "between",
        "probe": probe,
        "condition": "good",
    }
    came = farm.tell("receive", client_id="door", **told)
    receipt = Receipt.objects.get()
    assert (receipt.event, receipt.note) == (came, sent.note)
    assert (receipt.temperature_c, receipt.measured) == (Decimal("5.1"), "between")
    assert (receipt.probe, receipt.condition) == (probe, "good")
    line = receipt.lines.get()
    assert (line.lot, line.short, line.rejected) == (run, 1, 2)
    assert (line.reason, line.photo) == ("wilted", photo)
    assert farm.tell("receive", client_id="door", **told) == came
    with pytest.raises(Conflict):
        farm.tell("receive", client_id="door", **{**told, "temperature_c": Decimal("5.2")})
    farm.tell("cancel", event=came, reason="other note")
    assert not Receipt.objects.exists()
    assert not ReceiptLine.objects.exists()
    assert faults() == []


def test_an_ordinary_receipt_leaves_no_more_than_its_quantities(farm: Farm) -> None:
    run = farm.pack([farm.cut(3000)], packs=20)
    farm.arrive(farm.send(run, 12), run, 12)
    assert not Receipt.objects.exists()


@pytest.mark.parametrize(("reading", "flagged"), [("8.0", False), ("8.1", True), ("17", True)])
def test_a_warm_reading_is_written_and_flagged(farm: Farm, reading: str, flagged: bool) -> None:
    """SI 2013/2996 schedule 4: above 8 °C. A run without a decision is taken for chilled food."""
    run = farm.pack([farm.cut(3000)], packs=20)
    came = farm.arrive(farm.send(run, 12), run, 12, temperature_c=Decimal(reading))
    assert (NOT_MET in flags(came)) is flagged
    assert farm.stock(run, farm.kitchen_place) == 12


def test_what_is_not_judged_at_eight_degrees(farm: Farm) -> None:
    """Leaf just cut, a whole unwashed bag of it, and basil hours later: 17 °C is no fault."""
    warm = {"temperature_c": Decimal(17)}
    basil = Crop.objects.create(name="Basil", cold_c=10)
    cold = Crop.objects.create(name="Chard", cold_c=0)
    leaf = farm.cut(900)
    farm.pass_time(minutes=40)
    assert NOT_MET not in flags(farm.arrive(farm.send(leaf, 300), leaf, 300, **warm))
    decided(farm.bag)
    bag = farm.pack([leaf], packs=5)
    assert NOT_MET not in flags(farm.arrive(farm.send(bag, 2), bag, 2, **warm))
    lots = [farm.cut(500, crop=basil), farm.cut(500, crop=cold)]
    farm.pass_time(hours=3)
    said = [flags(farm.arrive(farm.send(lot, 500), lot, 500, **warm)) for lot in lots]
    assert [NOT_MET in one for one in said] == [False, True]
    assert "17 °C is above 8 °C" in said[1][NOT_MET]
    assert NOT_MET in flags(farm.arrive(farm.send(bag, 1), bag, 1, **warm))
    farm.kitchen.cooling_minutes = 600
    farm.kitchen.save()
    assert NOT_MET not in flags(farm.arrive(farm.send(bag, 1), bag, 1, **warm))


def test_what_no_thermometer_shows_and_what_is_no_probe_are_slips(farm: Farm) -> None:
    run = farm.pack([farm.cut(3000)], packs=20)
    sent = farm.send(run, 12)
    good = Arrived(run, 1)
    farm.tell("receive", note=sent.note, lines=[good], temperature_c=Decimal(5))
    for code, wrong in {
        "too_many": {"temperature_c": Decimal(900)},
        "no_such_choice": {"measured": "by hand"},
        "wrong_kind": {"probe": farm.scale},
        "too_long": {"lines": [Arrived(run, 1, rejected=1, reason="x" * 81)]},
    }.items():
        with pytest.raises(Refusal) as refused:
            farm.tell("receive", **{"note": sent.note, "lines": [good], **wrong})
        assert refused.value.code == code


# --- the page ------------------------------------------------------------------------------------


def cook(farm: Farm, name: str = "chef", *places: Any) -> Client:
    person = Person.objects.create_user(name, is_staff=True, shown_as=name.title())
    person.groups.add(Group.objects.get(name="chef"))
    person.places.set(places or (farm.kitchen_place,))
    client = Client()
    client.force_login(person)
    return client


@pytest.fixture
def chef(farm: Farm) -> Client:
    return cook(farm)


def text(answer: Any) -> str:
    return html.unescape(re.sub(r"<[^>]*>", " ", answer.content.decode()))


def says(answer: Any) -> str:
    """What the page's refusal says, or nothing."""
    found = re.search(r'id="refusal">\s*<p>(.*?)</p>', answer.content.decode(), re.DOTALL)
    plain = re.sub(r"<[^>]*>", "", found[1]) if found else ""
    return html.unescape(" ".join(plain.split()))


def form(sent: Event, *lots: tuple[Lot, int], press: str = "record", **more: Any) -> dict[str, Any]:
    """The form of a note as a browser sends it."""
    data: dict[str, Any] = {"note": sent.note.number, "client_id": "one", "press": press}
    for lot, on in lots:
        data[f"on-{lot.code}"] = str(on)
    return data | more


def line(sent: Event, lot: Lot) -> tuple[int, ...]:
    names = ("accepted", "short", "rejected", "to_follow", "over")
    return tuple(sent.note.lines.values_list(*names).get(lot=lot))


def test_todays_notes_are_there_and_one_press_takes_one_in(farm: Farm, chef: Client) -> None:
    run, leaf = farm.pack([farm.cut(3000)], packs=20), farm.cut(4200)
    sent = farm.tell(
        "deliver",
        outlet=farm.kitchen,
        lines=[farm_line(farm, run, 12), farm_line(farm, leaf, 4200)],
    )
    page = chef.get("/goods-in/")
    shown = text(page)
    for word in (sent.note.number, "12 packs", "Salad bag 120 g", "4.2 kg", run.code, leaf.code):
        assert word in shown
    assert "Temperature" not in shown
    hidden = dict(
        re.findall(r'type="hidden" name="([^"]+)" value="([^"]+)"', page.content.decode())
    )
    answer = chef.post("/goods-in/", hidden | {"press": "all"})
    assert answer.status_code == 302
    told = chef.get(answer["Location"])
    assert "Recorded: goods in" in text(told)
    assert (line(sent, run), line(sent, leaf)) == ((12, 0, 0, 0, 0), (4200, 0, 0, 0, 0))
    assert "No note is on its way." in text(chef.get("/goods-in/"))
    assert chef.post("/goods-in/", hidden | {"press": "all"}).status_code == 302
    assert Event.objects.filter(kind="receive").count() == 1


def test_one_delivery_told_from_two_devices_is_asked_about(farm: Farm, chef: Client) -> None:
    """The second page was shown before the first was pressed. Told as come besides it is a fact."""
    run, bag = (farm.pack([farm.cut(3000)], packs=20) for _ in range(2))
    lines = [farm_line(farm, run, 12), farm_line(farm, bag, 5)]
    sent = farm.tell("deliver", outlet=farm.kitchen, lines=lines)
    second = cook(farm, "sous")
    shown = form(sent, (run, 12), (bag, 5))
    first = shown | {f"off-{run.code}": "follows", f"follows-{run.code}": "2"}
    assert chef.post("/goods-in/", first).status_code == 302
    again = shown | {"press": "all", "client_id": "two"}
    asked = (
        f"Note {sent.note.number} was taken in meanwhile. "
        "Salad bag 120 g: 10 packs came already, 2 packs still to come; this page said 12 packs. "
        "Salad bag 120 g: 5 packs came already, 0 packs still to come; this page said 5 packs. "
        "If it is the same delivery, drop it."
    )
    answer = second.post("/goods-in/", again)
    assert (answer.status_code, says(answer)) == (422, f"Not recorded yet. {asked}")
    assert "drop this" in text(answer)
    told = queue(second, "/goods-in/", again).json()
    assert (told["code"], told["sentence"]) == ("came_already", asked)
    assert [way["name"] for way in told["ways"]] == ["besides"]
    assert line(sent, bag) == (5, 0, 0, 0, 0)
    # what is said of another line alone is not asked about, nor what the first device sends again
    assert chef.post("/goods-in/", first).status_code == 302
    rest = form(sent, (run, 2), client_id="three", press="all")
    assert second.post("/goods-in/", rest).status_code == 302
    assert (line(sent, run), line(sent, bag)) == ((12, 0, 0, 0, 0), (5, 0, 0, 0, 0))
    assert second.post("/goods-in/", again | {"press": "all|besides|yes"}).status_code == 302
    assert line(sent, bag) == (10, 0, 0, 0, 5)
    assert faults() == []


def test_what_comes_on_a_note_that_was_cancelled_is_no_second_delivery(
    farm: Farm, chef: Client
) -> None:
    run = farm.pack([farm.cut(3000)], packs=20)
    sent = farm.send(run, 12)
    farm.tell("cancel", event=sent, reason="another outlet")
    assert chef.post("/goods-in/", form(sent, (run, 12), press="all")).status_code == 302
    assert farm.stock(run, farm.kitchen_place) == 12


def farm_line(farm: Farm, lot: Lot, quantity: int) -> Any:
    from sales.operations import Line

    return Line(lot, quantity, farm.store)


@pytest.mark.parametrize(
    ("typed", "came"),
    [
        ({"off": ["short"], "short": "3"}, (9, 3, 0, 0, 0)),
        ({"off": ["short"]}, (0, 12, 0, 0, 0)),
        ({"off": ["rejected"], "rejected": "2", "reason": "wilted"}, (10, 0, 2, 0, 0)),
        ({"off": ["rejected"], "reason": "pest"}, (0, 0, 12, 0, 0)),
        ({"off": ["follows"], "follows": "5"}, (7, 0, 0, 5, 0)),
        ({"off": ["more"], "more": "2"}, (14, 0, 0, 0, 2)),
        (
            {"off": ["short", "rejected", "follows"], "short": "1", "rejected": "2",
             "follows": "3", "reason": "damaged"},
            (6, 1, 2, 3, 0),
        ),
        ({"off": ["short", "rejected"], "rejected": "2", "reason": "pest"}, (0, 10, 2, 0, 0)),
        # what is typed and not ticked is not said
        ({"off": [], "short": "3"}, (12, 0, 0, 0, 0)),
    ],
)  # fmt: skip
def test_only_what_is_odd_is_said(
    farm: Farm, chef: Client, typed: dict[str, Any], came: tuple[int, ...]
) -> None:
    run = farm.pack([farm.cut(3000)], packs=20)
    sent = farm.send(run, 12)
    data = form(sent, (run, 12), **{f"{name}-{run.code}": v for name, v in typed.items()})
    answer = chef.post("/goods-in/", data)
    assert answer.status_code == 302, says(answer)
    assert line(sent, run) == came
    assert faults() == []


def test_weights_are_typed_in_kilograms_and_a_note_comes_in_two_parts(
    farm: Farm, chef: Client
) -> None:
    leaf = farm.cut(4200)
    sent = farm.send(leaf, 4200)
    first = {f"off-{leaf.code}": "follows", f"follows-{leaf.code}": "1,5"}
    assert chef.post("/goods-in/", form(sent, (leaf, 4200), **first)).status_code == 302
    assert line(sent, leaf) == (2700, 0, 0, 1500, 0)
    shown = text(chef.get("/goods-in/", {"note": sent.note.number}))
    assert "1.5 kg" in shown
    rest = form(sent, (leaf, 1500), client_id="two")
    assert chef.post("/goods-in/", rest).status_code == 302
    assert line(sent, leaf) == (4200, 0, 0, 0, 0)


def test_what_is_shown_in_grams_is_typed_in_grams(farm: Farm, chef: Client) -> None:
    leaf = farm.cut(900)
    sent = farm.send(leaf, 900)
    page = chef.get("/goods-in/", {"note": sent.note.number}).content.decode()
    assert 'class="unit">g<' in page
    odd = {f"off-{leaf.code}": "short", f"short-{leaf.code}": "40"}
    assert chef.post("/goods-in/", form(sent, (leaf, 900), **odd)).status_code == 302
    assert line(sent, leaf) == (860, 40, 0, 0, 0)


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ({"off": ["short"], "short": "13"}, "13 packs is more than the 12 packs on the note."),
        ({"off": ["short"], "short": "three"}, "“three” is not a whole number."),
        ({"off": ["short"], "short": "0"}, "0 is nothing to say."),
        ({"off": ["more"]}, "write how much of it."),
        ({"off": ["short", "follows"]}, "write how much of it."),
        ({"off": ["rejected"], "rejected": "2"}, "tap why it was rejected."),
        ({"off": ["follows"]}, "Nothing of this note has come yet, as it is ticked."),
    ],
)
def test_a_slip_is_said_beside_its_line_and_loses_nothing(
    farm: Farm, chef: Client, typed: dict[str, Any], sentence: str
) -> None:
    run = farm.pack([farm.cut(3000)], packs=20)
    sent = farm.send(run, 12)
    data = form(sent, (run, 12), **{f"{name}-{run.code}": v for name, v in typed.items()})
    answer = chef.post("/goods-in/", data)
    assert answer.status_code == 422
    assert sentence in says(answer)
    page = answer.content.decode()
    assert 'value="one"' in page
    for name in typed["off"]:
        assert re.search(rf'name="off-{run.code}" value="{name}" checked', page)
    assert not Event.objects.filter(kind="receive").exists()
    assert chef.post("/goods-in/", form(sent, (run, 12))).status_code == 302


def test_a_note_is_opened_by_its_number_or_by_a_crate(farm: Farm, chef: Client) -> None:
    run, leaf = farm.pack([farm.cut(3000)], packs=20), farm.cut(4200)
    first, second = farm.send(run, 5), farm.send(leaf, 4200)
    farm.send(run, 5)
    number = second.note.number
    label = f"https://farm.example/l/{leaf.code}"
    paper = f"https://farm.example/notes/{number}/"
    for code in (number, number.lower().replace("-", ""), paper, leaf.code, label):
        page = text(chef.get("/goods-in/", {"scan": code}))
        assert "Tap only what is different" in page
        assert number in page
    both = text(chef.get("/goods-in/", {"scan": run.code}))  # on two notes: which?
    assert first.note.number in both
    assert number not in both
    lost = chef.get("/goods-in/", {"scan": "R99999-99-9"})
    assert lost.status_code == 422
    assert "No note that is still to come says “R99999-99-9”." in says(lost)
    assert "It came without a note" in text(lost)
    # the phone's camera reads the paper: what is done at the door comes first there
    shown = chef.get(f"/notes/{number}/").content.decode()
    assert re.search(r'act-button" href="[^"]+">Receive it<', shown)
    for code, asked_for in ((run.code, "packs"), (leaf.code, "kg")):
        page_ = chef.get("/goods-in/without-note/", {"code": code}).content.decode()
        assert re.findall(r'name="(\w+)"[^>]* autofocus', page_) == [asked_for]
    for asked in (chef.get, lambda url, data: chef.post(url, data | {"press": "all"})):
        assert asked("/goods-in/", {"note": "N99999-9"}).status_code == 404


# --- the temperature -----------------------------------------------------------------------------


@pytest.fixture
def asked(farm: Farm, probe: Thing) -> tuple[Event, Lot]:
    farm.kitchen.asks_temperature = True
    farm.kitchen.save()
    run = farm.pack([farm.cut(3000)], packs=20)
    farm.pass_time(hours=5)
    return farm.send(run, 12), run


@pytest.mark.parametrize(
    ("typed", "kept"),
    [("5,1", "5.1"), ("5.1", "5.1"), (" 5.1 °C", "5.1"), ("-1", "-1"), ("−1", "-1"), ("8c", "8")],
)
def test_a_temperature_is_read_as_people_write_it(
    farm: Farm, chef: Client, asked: tuple[Event, Lot], typed: str, kept: str
) -> None:
    sent, run = asked
    data = form(sent, (run, 12), press="all", temperature=typed, measured="between")
    answer = chef.post("/goods-in/", data | {"probe": "Kitchen probe"})
    assert answer.status_code == 302, says(answer)
    receipt = Receipt.objects.get()
    assert receipt.temperature_c == Decimal(kept)
    assert (receipt.measured, receipt.condition) == ("between", "good")
    assert receipt.probe is not None


def test_it_is_asked_where_the_outlet_says_so_and_may_be_said_as_not_taken(
    farm: Farm, chef: Client, asked: tuple[Event, Lot]
) -> None:
    sent, run = asked
    page = text(chef.get("/goods-in/"))
    assert "Between packs" in page
    assert "Record keeping, not food-safety advice." in page
    assert "Rules: UK." in page
    assert "Scotland names no figure" in page
    assert "On display above 8 °C: less than 4 h, once." in page
    Business.objects.create(rule_set="Scotland")
    other = text(chef.get("/goods-in/"))
    assert "Rules: Scotland." in other
    assert "On display" not in other
    none = chef.post("/goods-in/", form(sent, (run, 12), press="all"))
    assert says(none).endswith("Write the temperature, or tap “Not taken”.")
    word = chef.post("/goods-in/", form(sent, (run, 12), press="all", temperature="cold"))
    assert "“cold” is not a number" in says(word)
    told = form(sent, (run, 12), press="all", measured="not_taken")
    assert chef.post("/goods-in/", told).status_code == 302
    receipt = Receipt.objects.get()
    assert (receipt.temperature_c, receipt.measured) == (None, "not_taken")


def test_a_forgotten_point_is_asked_back_once(
    farm: Farm, chef: Client, asked: tuple[Event, Lot]
) -> None:
    sent, run = asked
    data = form(sent, (run, 12), press="all", temperature="51", measured="air")
    answer = chef.post("/goods-in/", data)
    assert "51 °C is seldom true. Which is it?" in says(answer)
    ways = re.findall(r'name="press" value="([^"]+\|[^"]+)">([^<]+)<', answer.content.decode())
    assert ways == [("all|as-temperature|5.1", "5.1 °C"), ("all|sure|yes", "It is 51 °C")]
    assert chef.post("/goods-in/", data | {"press": ways[0][0]}).status_code == 302
    assert Receipt.objects.get().temperature_c == Decimal("5.1")
    farm.tell("cancel", event=Event.objects.get(kind="receive"), reason="for the other way")
    hot = data | {"press": ways[1][0], "client_id": "two"}
    answer = chef.post("/goods-in/", hot)
    assert Receipt.objects.get().temperature_c == 51
    shown = text(chef.get(answer["Location"]))
    assert "51 °C is above 8 °C: the figure is not met." in shown
    assert "SI 2013/2996" in shown


def test_what_was_said_at_the_door_is_shown_by_the_farms_own_clock(
    farm: Farm, chef: Client, asked: tuple[Event, Lot]
) -> None:
    """In July a clock in Britain is an hour ahead of UTC (Summer Time Act 1972)."""
    run = asked[1]
    farm.pass_time(days=120)
    sent = farm.send(run, 2, already_done=True)
    data = form(sent, (run, 2), press="all", temperature="9.40", measured="air")
    answer = chef.post("/goods-in/", data)
    hour = farm.now.hour + 1
    told = chef.get(answer["Location"]).content.decode()
    assert re.search(r'class="done-warns">9.4 °C is above 8 °C: the figure is not met', told)
    # the panel warns, and its lots are not shouted: they have their labels already
    assert 'class="done is-warned"' in told
    assert "done-code" not in told
    assert f"{hour:02d}:{farm.now:%M} {sent.note.number} 9.4 °C, air · good" in " ".join(
        text(chef.get("/goods-in/")).split()
    )


def test_how_it_was_measured_last_is_filled_in(
    farm: Farm, chef: Client, asked: tuple[Event, Lot]
) -> None:
    sent, run = asked
    chef.post("/goods-in/", form(sent, (run, 12), press="all", temperature="4", measured="surface"))
    farm.send(run, 2)
    page = chef.get("/goods-in/").content.decode()
    assert re.search(r'name="measured" value="surface" checked', page)


# --- photographs ---------------------------------------------------------------------------------


def sent_with(data: dict[str, Any], lot: Lot, content: bytes, name: str = "p.jpg") -> Any:
    return data | {f"photo-{lot.code}": SimpleUploadedFile(name, content, "image/jpeg")}


def test_a_photograph_is_kept_without_where_it_was_taken(farm: Farm, chef: Client) -> None:
    run = farm.pack([farm.cut(3000)], packs=20)
    sent = farm.send(run, 12)
    exif = Image.Exif()
    exif[0x010F] = "A camera of somebody"
    exif.get_ifd(0x8825)[2] = (51.0, 28.0, 40.0)  # GPSLatitude, Exif 2.32
    exif[0x0112] = 6  # turned on its side
    odd = {f"off-{run.code}": "rejected", f"rejected-{run.code}": "2", f"reason-{run.code}": "pest"}
    answer = chef.post(
        "/goods-in/", sent_with(form(sent, (run, 12), **odd), run, picture(exif=exif))
    )
    assert answer.status_code == 302
    photo = ReceiptLine.objects.get().photo
    assert photo is not None
    kept = bytes(photo.jpeg)
    assert b"somebody" not in kept
    with Image.open(io.BytesIO(kept)) as image:
        assert not image.getexif()
        assert image.size == (60, 80)  # upright
    page = chef.get("/goods-in/").content.decode()
    assert f"/photographs/{photo.pk}/" in page
    for url in (f"/photographs/{photo.pk}/", f"/api/v1/photos/{photo.pk}/"):
        shown = chef.get(url)
        assert (shown.status_code, shown["Content-Type"]) == (200, "image/jpeg")


@pytest.mark.parametrize("content", [b"GIF89a", b"<svg/>", b"\0" * 500])
def test_what_is_no_picture_is_refused(farm: Farm, chef: Client, content: bytes) -> None:
    run = farm.pack([farm.cut(3000)], packs=20)
    sent = farm.send(run, 12)
    odd = {f"off-{run.code}": "short", f"short-{run.code}": "2"}
    answer = chef.post("/goods-in/", sent_with(form(sent, (run, 12), **odd), run, content))
    assert "That file is not a picture that can be read." in says(answer)
    assert not Event.objects.filter(kind="receive").exists()


def test_a_picture_may_not_be_larger_than_a_phone_makes_it(
    farm: Farm, chef: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = farm.pack([farm.cut(3000)], packs=20)
    sent = farm.send(run, 12)
    odd = {f"off-{run.code}": "short", f"short-{run.code}": "2"}
    content = picture()
    monkeypatch.setattr(photos, "MOST", len(content) - 1)
    answer = chef.post("/goods-in/", sent_with(form(sent, (run, 12), **odd), run, content))
    assert answer.status_code == 413
    assert not Photo.objects.exists()
    monkeypatch.setattr(photos, "MOST", len(content))
    answer = chef.post("/goods-in/", sent_with(form(sent, (run, 12), **odd), run, content))
    assert answer.status_code == 302


def test_a_photograph_by_api_is_seen_by_who_sees_the_note(farm: Farm, chef: Client) -> None:
    corner = farm.other_shop()
    other = cook(farm, "quentina", corner.place)
    run = farm.pack([farm.cut(3000)], packs=20)
    mine, theirs = farm.send(run, 6), farm.send(run, 6, corner)
    number = chef.post("/api/v1/photos/", picture(), content_type="image/jpeg").json()["id"]

    def tell(client: Client, note: DeliveryNote, key: str) -> Any:
        lines = [{"lot": run.code, "accepted": 4, "rejected": 2, "reason": "pest", "photo": number}]
        return client.post(
            "/api/v1/acts/receive/",
            {"note": note.number, "lines": lines},
            content_type="application/json",
            headers={"Idempotency-Key": key},
        )

    # both have some of the lot, and neither has the other's note, nor names the other's picture
    refused = tell(other, theirs.note, "a")
    assert (refused.status_code, refused.json()["code"]) == (400, "no_such_photograph")
    told = tell(chef, mine.note, "b")
    assert told.status_code == 201, told.content
    for url in (f"/api/v1/photos/{number}/", f"/photographs/{number}/"):
        assert [c.get(url).status_code for c in (chef, other)] == [200, 404]
    row = chef.get(f"/api/v1/notes/{mine.note.number}/").json()
    assert row["receipts"][0]["lines"] == [
        {"lot": run.code, "short": 0, "rejected": 2, "reason": "pest", "photo": number}
    ]
    assert other.get(f"/api/v1/notes/{mine.note.number}/").status_code == 404
    # whoever has the same picture may send it, too, and names it then
    assert (
        other.post("/api/v1/photos/", picture(), content_type="image/jpeg").json()["id"] == number
    )
    assert tell(other, theirs.note, "c").status_code == 201


# --- by a queue ----------------------------------------------------------------------------------


def queue(
    client: Client, url: str, data: dict[str, Any], more: str = "last", by: Person | None = None
) -> Any:
    entered = {"X-Queue-By": str(by.pk)} if by else {}
    return client.post(url, data, headers={"X-Queue": more, **entered})


def test_what_another_entered_is_not_sent_in_ones_own_name(farm: Farm, chef: Client) -> None:
    """Two tabs of one browser: in the second another has signed in since."""
    run = farm.pack([farm.cut(3000)], packs=20)
    data = form(farm.send(run, 12), (run, 12), press="all")
    cook(farm, "sous")
    own, other = (Person.objects.get(username=name) for name in ("chef", "sous"))
    answer = queue(chef, "/goods-in/", data, by=other)
    assert (answer.status_code, answer["Location"]) == (302, "/login/")
    assert not Event.objects.filter(kind="receive").exists()
    assert queue(chef, "/goods-in/", data, by=own).status_code == 200
    assert Event.objects.get(kind="receive").recorded_by == own


def test_a_queue_is_answered_in_json_and_its_clock_shifts_the_moment(
    farm: Farm, chef: Client
) -> None:
    run = farm.pack([farm.cut(3000)], packs=20)
    sent = farm.send(run, 12)
    truly = farm.now
    farm.pass_time(hours=1)
    wrong = dt.timedelta(hours=9)
    data = form(sent, (run, 12), press="all", at=(truly + wrong).isoformat())
    data["clock_reading"] = (farm.now + wrong).isoformat()
    answer = queue(chef, "/goods-in/", data)
    event = Event.objects.get(kind="receive")
    assert answer.json() == {"event": event.pk, "next": f"/?done={event.pk}"}
    assert event.happened_at == truly
    farm.pass_time(minutes=5)
    later = data | {"clock_reading": (farm.now + wrong).isoformat()}
    assert queue(chef, "/goods-in/", later, "more").json()["event"] == event.pk
    other = queue(chef, "/goods-in/", data | {f"on-{run.code}": "11"})
    assert (other.status_code, other.json()["code"]) == (409, "client_id_reused")
    (way,) = other.json()["ways"]
    assert (way["name"], way["label"]) == ("client_id", "Record it as another arrival")


def test_a_queue_gets_the_pages_own_sentence_and_its_ways_out(
    farm: Farm, chef: Client, asked: tuple[Event, Lot]
) -> None:
    sent, run = asked
    data = form(sent, (run, 12), press="all", temperature="51", measured="air")
    answer = queue(chef, "/goods-in/", data)
    assert answer.status_code == 422
    assert answer.json()["sentence"] == "51 °C is seldom true. Which is it?"
    assert [way["name"] for way in answer.json()["ways"]] == ["as-temperature", "sure"]
    lost = queue(chef, "/goods-in/", data | {"note": "N99999-9"})
    assert (lost.status_code, lost.json()["code"]) == (404, "no_such_note")


@pytest.fixture
def tablet(farm: Farm) -> Client:
    """A shared tablet, and two cooks with a badge."""
    manager = Person.objects.create_superuser("mo", password="a long one")
    for name, badge in (("ann", "CK-7Q3"), ("ben", "CK-8R4")):
        person = Person.objects.create_user(name, badge=badge, shown_as=name.title())
        person.groups.add(Group.objects.get(name="chef"))
        person.places.add(farm.kitchen_place)
    client = Client()
    client.force_login(manager)
    client.post("/shared-device/", {"name": "Kitchen tablet"})
    return client


def test_on_a_shared_tablet_all_of_a_cooks_entries_go_before_they_are_let_go(
    farm: Farm, tablet: Client
) -> None:
    """Two presses that waited for the network, and one by nobody."""
    run = farm.pack([farm.cut(3000)], packs=20)
    sent = [farm.send(run, n) for n in (2, 3, 4)]
    ann, ben = (Person.objects.get(username=name) for name in ("ann", "ben"))
    assert tablet.post("/who/", {"badge": "CK-7Q3"}).status_code == 302
    data = [
        form(s, (run, n), press="all", client_id=f"q{n}")
        for s, n in zip(sent, (2, 3, 4), strict=True)
    ]
    anothers = queue(tablet, "/goods-in/", data[0], by=ben)
    assert (anothers.status_code, anothers["Location"]) == (302, "/who/")
    first = queue(tablet, "/goods-in/", data[0], "more", by=ann)
    assert first.json()["next"] == "/"
    last = queue(tablet, "/goods-in/", data[1], by=ann)
    assert last.json()["next"] == "/who/"
    nobody = queue(tablet, "/goods-in/", data[2], by=ann)
    assert (nobody.status_code, nobody["Location"]) == (302, "/who/")
    told = Event.objects.filter(kind="receive")
    assert list(told.values_list("recorded_by__username", "device")) == [
        ("ann", "Kitchen tablet"),
        ("ann", "Kitchen tablet"),
    ]


@pytest.mark.parametrize(("more", "to"), [("more", "/who/"), (None, "")])
def test_what_a_page_sends_by_itself_is_no_press(
    farm: Farm, tablet: Client, more: str | None, to: str
) -> None:
    """After four minutes the page sends again, after six nobody has pressed anything for six."""
    assert tablet.post("/who/", {"badge": "CK-7Q3"}).status_code == 302
    farm.pass_time(minutes=4)
    slip = {"note": "N99999-9", "press": "all"}
    answer = queue(tablet, "/goods-in/", slip, more) if more else tablet.get("/goods-in/")
    assert answer.status_code == (404 if more else 200)
    farm.pass_time(minutes=2)
    assert tablet.get("/goods-in/").headers.get("Location", "") == to


@pytest.mark.parametrize("queued", [False, True])
@pytest.mark.parametrize("where", ["", "without-note/", "cut/"])
def test_on_a_shared_tablet_a_form_sent_too_late_waits_for_who_filled_it_in(
    farm: Farm, tablet: Client, where: str, queued: bool
) -> None:
    """After five idle minutes, without a script. What a queue sends it keeps by itself."""
    run = farm.pack([farm.cut(3000)], packs=20)
    sent = farm.send(run, 12)
    odd = {f"off-{run.code}": "short", f"short-{run.code}": "3"}
    url = f"/goods-in/{where}"
    data, shown = {
        "": (form(sent, (run, 12), **odd), f'name="short-{run.code}" value="3"'),
        "without-note/": ({"press": "record", "code": "R1", "packs": "77"}, 'value="77"'),
        "cut/": ({"press": "record", "by": "grams", "grams": "85"}, 'name="grams" value="85"'),
    }[where]
    assert tablet.post("/who/", {"badge": "CK-7Q3"}).status_code == 302
    farm.pass_time(minutes=6)
    late = queue(tablet, url, data) if queued else tablet.post(url, data)
    assert (late.status_code, late["Location"]) == (302, "/who/")
    back = tablet.post("/who/", {"badge": "CK-7Q3"})
    assert back["Location"] == ("/" if queued else url)
    if not queued:
        page = tablet.get(url).content.decode()
        assert shown in page
        assert "client_id" in page
        assert shown not in tablet.get(url).content.decode()
    assert not Event.objects.filter(kind="receive").exists()


# --- without a note ------------------------------------------------------------------------------


def without(client: Client, **data: Any) -> Any:
    sent = {"press": "record", "client_id": "w", **data}
    return client.post("/goods-in/without-note/", sent)


def test_what_came_without_a_note_writes_its_note(farm: Farm, chef: Client) -> None:
    leaf, run = farm.cut(3000), farm.pack([farm.cut(3000)], packs=20)
    answer = without(chef, code=leaf.code, kg="1.2")
    assert answer.status_code == 302, says(answer)
    note = DeliveryNote.objects.get()
    assert note.number in text(chef.get(answer["Location"]))
    paper = text(chef.get(f"/notes/{note.number}/"))
    assert leaf.code in paper
    assert "1.2 kg" in paper
    assert without(chef, code=leaf.code, kg="1.2").status_code == 302
    assert DeliveryNote.objects.count() == 1
    assert line(note.event, leaf) == (1200, 0, 0, 0, 0)
    assert without(chef, code=run.code, packs="25", client_id="x").status_code == 302
    farm.stands_at(
        """
        Cold store | leaf | 1800 g
        Kitchen    | leaf | 1200 g
        Kitchen    | run  | 25 each
        """,
        leaf=leaf,
        run=run,
    )
    assert farm.stock(run, farm.difference) == -5  # more than the books held came all the same
    assert Money.objects.filter(outlet=farm.kitchen).count() >= 2
    event = note.event
    more = farm.tell("receive", note=note, lines=[Arrived(leaf, 100)])
    with pytest.raises(Refusal) as refused:
        farm.tell("cancel", event=event, reason="typed twice")
    assert refused.value.code == "paper_on_it"
    farm.tell("cancel", event=more, reason="other note")
    assert "came to Kitchen without a note" in flags(event)[Flag.Kind.NOT_ON_BOOKS]
    farm.tell("cancel", event=event, reason="typed twice")
    assert not note.lines.exists()
    assert farm.stock(leaf, farm.store) == 3000
    assert faults() == []


@pytest.mark.parametrize("late", [False, True])
def test_it_comes_from_where_it_stood_then_whenever_it_is_told(farm: Farm, late: bool) -> None:
    """A crate came to the kitchen at eight, and the rest went to the bench at nine. The chef's
    telephone told it at once, or only in the evening."""
    leaf = farm.cut(3000)
    eight = farm.pass_time(minutes=10)
    nine = farm.pass_time(hours=1)
    came = {"outlet": farm.kitchen, "code": leaf.code, "grams": 1200, "at": eight}
    rest = {"from_place": farm.store, "to_place": farm.line, "quantity": 1800, "at": nine}
    acts: list[tuple[str, dict[str, Any]]] = [
        ("come_without_note", came),
        ("move", {"lot": leaf, **rest}),
    ]
    for verb, facts in reversed(acts) if late else acts:
        farm.tell(verb, **facts)
    farm.stands_at("Packing bench | leaf | 1800 g \n Kitchen | leaf | 1200 g", leaf=leaf)


def test_what_is_on_an_open_note_is_taken_in_there(farm: Farm, chef: Client) -> None:
    run = farm.pack([farm.cut(3000)], packs=20)
    number = farm.send(run, 5).note.number
    answer = without(chef, code=run.code, packs="5")
    assert says(answer) == f"Not recorded yet. That is on note {number}. Take it in there."
    assert f"/goods-in/?note={number}" in answer.content.decode()
    assert without(chef, code=run.code, packs="2", press="record|besides|yes").status_code == 302
    assert farm.stock(run, farm.kitchen_place) == 2


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ({}, "Write how much came: its weight, or how many packs."),
        ({"packs": "3"}, "say its weight."),
        ({"kg": "1,500"}, "1,500: 1.5 kg or 1500 g?"),
        ({"kg": "heavy"}, "heavy"),
    ],
)
def test_slips_of_what_came_without_a_note(
    farm: Farm, chef: Client, typed: dict[str, str], sentence: str
) -> None:
    leaf = farm.cut(3000)
    answer = without(chef, code=leaf.code, **typed)
    assert answer.status_code == 422
    assert sentence in says(answer)
    assert f'value="{leaf.code}"' in answer.content.decode()
    assert without(chef, code=leaf.code, kg="1.5").status_code == 302


def test_a_code_may_be_as_long_as_a_label_makes_it(farm: Farm, chef: Client) -> None:
    """A GS1 Digital Link of more than sixty signs, by the API as it was scanned."""
    run = farm.pack([farm.cut(3000)], packs=20)
    code = f"https://farm.example/traceability/01/09521234543213/10/{run.code}?17=261201&15=261201"
    assert len(code) > 60

    def tell(code: str, key: str) -> Any:
        return chef.post(
            "/api/v1/acts/come_without_note/",
            {"outlet": "Kitchen", "code": code, "packs": 3},
            content_type="application/json",
            headers={"Idempotency-Key": key},
        )

    answer = tell(code, "a")
    assert answer.status_code == 201, answer.content
    assert farm.stock(run, farm.kitchen_place) == 3
    assert tell("x" * 200, "b").status_code == 201
    assert tell("x" * 201, "c").json()["code"] == "too_long"


def test_of_a_code_that_is_not_theirs_to_know_it_is_kept_that_it_came(
    farm: Farm, chef: Client
) -> None:
    """Of another outlet's goods and of nobody's the same is said, nothing moves, and whoever sends
    goods out sees that something came."""
    corner = farm.other_shop()
    theirs = farm.pack([farm.cut(3000)], packs=20)
    farm.arrive(farm.send(theirs, 5, corner), theirs, 5)
    for key, code in (("a", theirs.code), ("b", "R26061-77-X")):
        answer = without(chef, code=code, packs="3", client_id=key)
        assert answer.status_code == 302
        event = Event.objects.get(client_id=key)
        said = flags(event)[Flag.Kind.NOT_ON_BOOKS]
        assert said.startswith(f"3 of “{code}” came to Kitchen without a note")
        assert "the books there know no such lot" in text(chef.get(answer["Location"]))
        assert not event.movements.exists()
    assert farm.stock(theirs, farm.store) == 15
    assert chef.get(f"/api/v1/lots/{theirs.code}/").status_code == 404
    # whoever sees the whole farm means the lot
    farm.tell("come_without_note", outlet=farm.kitchen, code=theirs.code, packs=3)
    assert farm.stock(theirs, farm.kitchen_place) == 3


# --- cut by oneself ------------------------------------------------------------------------------


@pytest.fixture
def tower(farm: Farm) -> Lot:
    batch = farm.sow(60)
    farm.pass_time(days=25)
    farm.plant(batch, farm.t1, 40)
    farm.pass_time(days=25)
    return batch


def cut(client: Client, farm: Farm, **data: Any) -> Any:
    sent = {"press": "record", "client_id": "c", "what": f"{farm.lettuce.pk}|T1", "by": "bunch"}
    return client.post("/goods-in/cut/", sent | data)


@pytest.mark.parametrize(
    ("said", "grams", "basis"),
    [
        ({"by": "bunch"}, 100, "estimated"),
        ({"by": "bunch", "count": "3"}, 300, "estimated"),
        ({"by": "handful"}, 50, "estimated"),
        ({"by": "grams", "grams": "35"}, 35, "weighed"),
        ({"by": "", "grams": "0.2 kg"}, 200, "weighed"),
    ],
)
def test_one_press_is_the_cut_and_its_issue(
    farm: Farm, chef: Client, tower: Lot, said: dict[str, str], grams: int, basis: str
) -> None:
    answer = cut(chef, farm, **said)
    assert answer.status_code == 302, says(answer)
    lot = Event.objects.get(kind="harvest").lot
    assert farm.moved(lot) == [("Growth", "Kitchen", grams, basis)]
    assert list(lot.above.filter(kind="grew").values_list("parent", flat=True)) == [tower.pk]
    assert Money.objects.get().pence == (grams * 1100 + 500) // 1000  # half up
    assert cut(chef, farm, **said).status_code == 302
    assert Event.objects.filter(kind="harvest").count() == 1
    assert faults() == []


def test_a_spray_is_shown_in_red_first_and_the_cut_is_recorded_all_the_same(
    farm: Farm, chef: Client, tower: Lot
) -> None:
    assert "harvest interval" not in text(chef.get("/goods-in/cut/"))
    farm.tell("treat", item=farm.soap, places=[farm.t1], reason="aphid")
    farm.pass_time(hours=1)
    page = chef.get("/goods-in/cut/").content.decode()
    assert re.search(r'is-danger"><input type="radio" name="what" value="\d+\|T1"', page)
    assert "in the harvest interval of Leaf soap, until" in page
    answer = cut(chef, farm)
    assert answer.status_code == 422
    assert says(answer).startswith("Stop. Do not use it: cut inside the harvest interval of")
    assert not Event.objects.filter(kind="harvest").exists()
    told = cut(chef, farm, press="record|seen|yes")
    assert told.status_code == 302
    lot = Event.objects.get(kind="harvest").lot
    assert lot.holds.filter(ended_by=None).exists()
    # the answer was lost on the way: it is not asked again
    assert cut(chef, farm, press="record|seen|yes").status_code == 302
    assert Event.objects.filter(kind="harvest").count() == 1


def test_what_is_held_is_shown_in_red(farm: Farm, chef: Client, tower: Lot) -> None:
    assert "is-danger" not in chef.get("/goods-in/cut/").content.decode()
    farm.hold(tower)
    page = chef.get("/goods-in/cut/")
    assert "is held: laboratory result" in text(page)
    # the tower, and wherever it stands besides
    assert page.content.decode().count("is-danger") == 2
    answer = queue(chef, "/goods-in/cut/", {"press": "record", "client_id": "c",
                   "what": f"{farm.lettuce.pk}|T1", "by": "bunch"})  # fmt: skip
    assert answer.status_code == 422
    assert [w["name"] for w in answer.json()["ways"]] == ["seen"]


@pytest.mark.parametrize(
    ("said", "sentence"),
    [
        ({"what": ""}, "Say what was cut."),
        ({"what": "999|T1"}, "Say what was cut."),
        ({"by": ""}, "Say how much: a bunch, a handful, or grams."),
        ({"by": "grams"}, "Write how many grams."),
        ({"count": "none"}, "“none” is not a whole number."),
        ({"count": "0"}, "0 is no number of bunches."),
    ],
)
def test_slips_of_a_cut(
    farm: Farm, chef: Client, tower: Lot, said: dict[str, str], sentence: str
) -> None:
    answer = cut(chef, farm, **said)
    assert answer.status_code == 422
    assert sentence in says(answer)
    assert cut(chef, farm).status_code == 302


def test_a_crop_without_a_usual_bunch_is_told_in_grams(
    farm: Farm, chef: Client, tower: Lot
) -> None:
    farm.lettuce.usual_bunch_g = None
    farm.lettuce.save()
    assert "No usual bunch of Loose-leaf lettuce is set" in says(cut(chef, farm))
    assert cut(chef, farm, by="grams", grams="80").status_code == 302


def test_a_scanned_tower_chooses_what_stands_on_it(farm: Farm, chef: Client, tower: Lot) -> None:
    page = chef.get("/goods-in/cut/", {"scan": "t1"}).content.decode()
    assert re.search(rf'value="{farm.lettuce.pk}\|T1" checked', page)
