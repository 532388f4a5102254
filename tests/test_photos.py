"""Photographs sent by API: re-encoded, named by an act, seen by who may see the lot."""

from __future__ import annotations

import io
import struct
import zlib
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.test import Client
from PIL import Image

from grow import photos
from grow.models import Description, Person, Photo
from tests.farm import Farm

ADDRESS = "/api/v1/photos/"


def picture(colour: str = "green", kind: str = "JPEG", **more: Any) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (80, 60), colour).save(out, kind, **more)
    return out.getvalue()


def signed_in(role: str, *places: Any) -> Client:
    person = Person.objects.create_user(role)
    person.groups.add(Group.objects.get(name=role))
    person.places.set(places)
    client = Client()
    client.force_login(person)
    return client


def send(client: Client, sent: bytes, kind: str = "image/jpeg") -> Any:
    return client.post(ADDRESS, sent, content_type=kind)


def test_a_packet_is_described_by_its_picture(farm: Farm) -> None:
    packet = farm.tell(
        "receive_input", item=farm.seed_item, supplier=farm.supplier, place=farm.store
    ).lot
    grower = signed_in("grower")
    sent = send(grower, picture())
    assert sent.status_code == 201
    number = sent.json()["id"]
    told = grower.post(
        "/api/v1/acts/describe/",
        {"lot": packet.code, "photo": number},
        content_type="application/json",
        headers={"Idempotency-Key": "one"},
    )
    assert told.status_code == 201, told.content
    assert Description.objects.get().photo_id == number
    shown = grower.get(f"{ADDRESS}{number}/")
    assert shown["Content-Type"] == "image/jpeg"
    with Image.open(io.BytesIO(shown.content)) as image:
        assert image.size == (80, 60)


def test_a_picture_is_seen_by_who_may_see_what_it_shows(farm: Farm) -> None:
    packet = farm.tell(
        "receive_input", item=farm.seed_item, supplier=farm.supplier, place=farm.store
    ).lot
    photo = Photo.objects.get(pk=send(signed_in("grower"), picture()).json()["id"])
    packer = signed_in("packer")
    assert packer.get(f"{ADDRESS}{photo.pk}/").status_code == 404  # nothing is shown by it yet
    farm.tell("describe", lot=packet, photo=photo)
    assert packer.get(f"{ADDRESS}{photo.pk}/").status_code == 200
    chef = signed_in("chef", farm.kitchen_place)
    assert chef.get(f"{ADDRESS}{photo.pk}/").status_code == 404
    assert chef.get(f"{ADDRESS}999999/").status_code == 404


def test_the_same_picture_has_the_same_number(farm: Farm) -> None:
    client = signed_in("grower")
    first, again = send(client, picture()), send(client, picture())
    assert first.json() == again.json()
    assert send(client, picture("red")).json() != first.json()


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "JPEG"])
def test_what_came_along_with_it_is_not_kept(farm: Farm, kind: str) -> None:
    exif = Image.Exif()
    exif[0x010F] = "A camera of somebody"
    sent = send(signed_in("grower"), picture(kind=kind, exif=exif), f"image/{kind.lower()}")
    kept = bytes(Photo.objects.get(pk=sent.json()["id"]).jpeg)
    assert b"somebody" not in kept
    with Image.open(io.BytesIO(kept)) as image:
        assert image.format == "JPEG"
        assert not image.getexif()


@pytest.mark.parametrize("sent", [b"", b"GIF89a", b"<svg/>", b"\0" * 500, picture()[:200]])
def test_what_is_no_picture_is_refused_in_a_sentence(farm: Farm, sent: bytes) -> None:
    answer = send(signed_in("grower"), sent)
    assert answer.status_code == 422
    assert answer.json()["code"] == "no_picture"
    assert not Photo.objects.exists()


def test_a_picture_that_would_fill_the_memory_is_not_unpacked(farm: Farm) -> None:
    """A PNG says in its head how many points it has, before any of them is read. Of 40,000 by
    40,000 Pillow knows better; 8,000 by 8,000 are a few thousand bytes, and 200 MB unpacked."""
    grower = signed_in("grower")
    assert send(grower, black(40_000, rows=1), "image/png").json()["code"] == "no_picture"
    large = black(8_000)
    assert len(large) < 20_000
    answer = send(grower, large, "image/png")
    assert (answer.status_code, answer.json()["code"]) == (422, "too_large")
    assert "64 million" in answer.json()["sentence"]
    assert not Photo.objects.exists()
    assert send(grower, black(4_000), "image/png").status_code == 201


def black(side: int, rows: int = 0) -> bytes:
    """A square PNG (ISO/IEC 15948) of one bit a point."""

    def part(name: bytes, data: bytes) -> bytes:
        whole = name + data
        return struct.pack(">I", len(data)) + whole + struct.pack(">I", zlib.crc32(whole))

    head = struct.pack(">IIBBBBB", side, side, 1, 0, 0, 0, 0)
    points = zlib.compress(b"\0" * (1 + side // 8) * (rows or side), 9)
    parts = part(b"IHDR", head), part(b"IDAT", points), part(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)


def test_too_large_a_file_is_refused_with_the_number(
    farm: Farm, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(photos, "MOST", 1024 * 1024)
    answer = send(signed_in("grower"), b"\xff" * (1024 * 1024 + 1))
    assert answer.status_code == 413
    assert "1 MB" in answer.json()["sentence"]


def test_who_tells_nothing_sends_nothing(farm: Farm) -> None:
    nobody = Client()
    assert send(nobody, picture()).status_code == 401
    person = Person.objects.create_user("onlooker")
    nobody.force_login(person)
    assert send(nobody, picture()).status_code == 403
    assert (
        signed_in("grower").post(ADDRESS, {"x": 1}, content_type="application/json").status_code
        == 415
    )
