"""What is bought in, opened and finished; and what is learnt about a lot later."""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import json
from typing import Annotated, Any

from django.db.models import Q

from .. import codes, dated, gate, holds
from ..errors import Refusal
from ..fitting import (
    Called,
    Input,
    Keeping,
    Note,
    Number,
    Passport,
    Standing,
    Supplier,
    Units,
    as_in,
)
from ..ledger import BEFORE_CANCEL, Entry, operation
from ..models import (
    Basis,
    Crop,
    Description,
    Event,
    Flag,
    InUse,
    Item,
    Lot,
    LotKind,
    Person,
    Photo,
    Place,
    Unit,
)
from ..queries import stocks
from ..setup import the
from ..shelf import date_of

#: How a lot's note begins that says where it grew, and what stands there while nobody has said.
ORIGIN_NOTE, NOT_TOLD = "Origin: ", "not told"


def learn(entry: Entry, lot: Lot, called: str = "", **more) -> None:
    """Hang a name, or what else was learnt, on a lot when the entry is posted."""
    called = called.strip()
    entry.later.append(
        lambda: Description.objects.create(
            event=entry.event, lot=lot, name=called, name_key=codes.fold(called)[:60], **more
        )
    )


@operation(says="received", slot=4)
def receive_input(
    entry: Entry,
    *,
    item: Item,
    supplier: Supplier,
    place: Standing,
    supplier_lot: Called = "",
    quantity: Number | None = None,
    unit: Units = Unit.EACH,
    paid_pence: Number | None = None,
    best_before: dt.date | None = None,
    plant_passport: Passport = "",
) -> None:
    """A receipt of seed, medium, nutrient, packaging…, with our own code. The supplier's lot may
    repeat or be missing ("none on pack"). A quantity is optional and never refused; without one
    nothing moves."""
    lot = entry.make(LotKind.INPUT, unit, item=item, variety=item.variety, title=item.name)
    if quantity:
        entry.move(lot, supplier, place, quantity, Basis.COUNTED)
    if supplier_lot or best_before or plant_passport:
        learn(entry, lot, supplier_lot, best_before=best_before, plant_passport=plant_passport)


@operation(says="opened", slot=5, gate_=gate.ALONE)
def open_input(entry: Entry, *, lot: Input, place: Standing) -> None:
    """In use from now: the packet is open, the roll is on the printer. Moves nothing. Place may
    be an area; acts in it are touched."""
    entry.renews = True
    if _in_use(entry, lot, place):
        entry.refuse_or(
            "an_input_is_open_once_at_a_place", f"{lot.code} is in use at {place} already."
        )
    _in_use_anew(lot, place)


@operation(says="finished", slot=22, gate_=gate.ALONE)
def finish_input(entry: Entry, *, lot: Input, place: Standing) -> None:
    """In use until now. What the books held of it then is used up, as a remainder."""
    entry.renews = True
    if not _in_use(entry, lot, place):
        entry.refuse_or("not_open", f"{lot.code} was not in use at {place} then; open it first.")
        says = f"{lot.code} is finished at {place}, and the books did not have it in use there."
        entry.flag(Flag.Kind.NOT_ON_BOOKS, says, lot)
    _in_use_anew(lot, place)
    if InUse.objects.filter(lot=lot, ended_by=None).exists():
        return
    then = stocks(entry.event.placed_at, lots=[lot.pk])
    for held in lot.holdings.filter(quantity__gt=0).select_related("place"):
        if held.place.is_standing:
            entry.take((lot, held.place))
            # of what stood there then no more than another finish, told before, has left
            quantity = min(held.quantity, then.get((lot.pk, held.place_id), 0))
            entry.move(lot, held.place, the("used"), max(quantity, 0), Basis.REMAINDER)


def _in_use(entry: Entry, lot: Lot, place: Place) -> bool:
    at = entry.event.placed_at
    then = Q(ended_at__isnull=True) | Q(ended_at__gt=at)
    return InUse.objects.filter(then, lot=lot, place=place, began_at__lte=at).exists()


def _in_use_anew(lot: Lot, place: Place) -> None:
    """When an input was in use at a place, read anew from all that stands told of the two."""
    acts = dated.standing(place, ("open_input", "finish_input"))
    mine = acts.filter(placed_at__gte=lot.made_by.placed_at, told__contains=f'"lot":{lot.pk}')
    said = [act for act in mine if json.loads(act.told or "{}")["lot"] == lot.pk]
    dated.read_anew(InUse, [(act, act.kind == "open_input") for act in said], lot=lot, place=place)


def _use_cancelled(entry: Entry, event: Event) -> None:
    """The cancel stands in the books already, so what is read anew is without the event."""
    said = json.loads(event.told or "{}")
    _in_use_anew(Lot.objects.get(pk=said["lot"]), Place.objects.get(pk=said["place"]))


BEFORE_CANCEL["open_input"] = BEFORE_CANCEL["finish_input"] = _use_cancelled


@operation(says="bought in", slot=4)
def receive_produce(
    entry: Entry,
    *,
    crop: Crop,
    supplier: Supplier,
    place: Keeping,
    grams: int,
    supplier_lot: Called = "",
    origin: Annotated[str, as_in(Description, "note", less=len(ORIGIN_NOTE))] = "",
    received_c: str = "",
    paid_pence: Number | None = None,
    use_by: dt.date | None = None,
) -> None:
    """Leaf grown by somebody else: a parent like any other, and never "grown here"."""
    if grams <= 0:
        raise Refusal("nought", f"{grams} g is nothing to receive.")
    lot = entry.make(
        LotKind.PRODUCE,
        Unit.G,
        crop=crop,
        title=f"{crop} (bought in)",
        line=f"crop:{crop.pk}",
        use_by=use_by,
    )
    entry.move(lot, supplier, place, grams, Basis.WEIGHED)
    learn(entry, lot, supplier_lot, note=f"{ORIGIN_NOTE}{origin or NOT_TOLD}")


@operation(says="described", gate_=gate.ALONE)
def describe(
    entry: Entry,
    *,
    lot: Lot,
    called: Called = "",
    best_before: dt.date | None = None,
    plant_passport: Passport = "",
    photo: Photo | None = None,
    note: Note = "",
) -> None:
    """What is learnt later: another name, a date, a passport, a picture. The latest stands, of
    dates the earliest: one may be shortened, never lengthened. What was labelled with a later
    one all the same is held."""
    if best_before:
        known = date_of(lot, entry.event.placed_at)
        if known and best_before > known and lot.kind != LotKind.INPUT:
            entry.refuse_or(
                "date_lengthened",
                f"{lot.code} is dated {known:%d %b %Y}; a later date, {best_before:%d %b %Y}, "
                "cannot be given.",
            )
            says = f"labelled {best_before:%d %b %Y}, later than its date, {known:%d %b %Y}"
            entry.flag(Flag.Kind.AGAINST_RULE, f"{lot.code} was {says}.", lot)
            entry.later.append(lambda: holds.place_holds({lot.pk: says}, entry.event))
        entry.walk_again([lot], entry.event.placed_at)
    if not (called or best_before or plant_passport or photo or note):
        raise Refusal("nought", "Write a name, a date, a passport number, a note or add a picture.")
    learn(
        entry,
        lot,
        called,
        best_before=best_before,
        plant_passport=plant_passport,
        photo=photo,
        note=note,
    )


#: Points that a picture may have which must be unpacked whole to be made smaller: 150 MB of
#: them. A JPEG, alone or in a row as some cameras write it, is read at a fraction of its size.
MOST_POINTS = 50_000_000


def _refuse_vast(image: Any) -> None:
    points = image.width * image.height
    if image.format not in ("JPEG", "MPO") and points > MOST_POINTS:
        raise Refusal(
            "too_large",
            f"That picture has {points // 10**6} million points; {MOST_POINTS // 10**6} million "
            "are the most, unless it is a JPEG.",
        )


def keep_photo(sent: bytes, by: Person | None = None) -> Photo:
    """Re-encode a picture, upright and with nothing that came along with it, and keep it, before
    the gate. by: who sent it. Raises Refusal when it is none."""
    from PIL import Image, ImageOps, UnidentifiedImageError

    try:
        with Image.open(io.BytesIO(sent)) as image:
            _refuse_vast(image)
            image.thumbnail((1600, 1600))
            out = io.BytesIO()
            # a camera turned on its side says so in what is not kept
            upright = ImageOps.exif_transpose(image)
            upright.getexif().clear()
            upright.convert("RGB").save(out, "JPEG", quality=80)
    except (UnidentifiedImageError, OSError, ValueError, Image.DecompressionBombError) as error:
        raise Refusal("no_picture", "That file is not a picture that can be read.") from error
    digest = hashlib.sha256(sent).hexdigest()
    photo, _ = Photo.objects.get_or_create(sha256=digest, defaults={"jpeg": out.getvalue()})
    if by is not None:
        photo.sent_from.add(*by.places.all())
    return photo
