"""A farm that serves two outlets, with something in every table and of each outlet: the kitchen's
own chef, a corner shop's cook, and somebody of every role."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.apps import apps
from django.contrib.auth.models import Group
from knox.models import AuthToken

from analytics.models import Claim, StandardUse, TimedDay
from analytics.rates import set_rate
from grow.models import (
    Business,
    CropCard,
    Device,
    Person,
    Photo,
    PlaceKind,
    SignOff,
    Thing,
)
from grow.seal import seal
from sales.models import LabelStock, Outlet, Price, Printer, Wanted
from tests.farm import Arrived, Crate, Farm, TillRow, decided

#: As the tests say it → the group's name.
GROUPS = {"lead": "food_safety_lead"}
PASSWORD = "a long one of theirs"
#: Of the other outlet, so odd that nothing else says them.
OTHER = "Quince corner shop"
OTHER_PENCE, OTHER_CONTACT, OTHER_REASON = 2371, "Zephyrine Oddwater", "xylophone dust"
OTHER_ORDER = 4713


class TwoOutlets:
    """`own` is the kitchen's, `other` the corner shop's: what was sent to it, on what
    note, and came."""

    def __init__(self, farm: Farm, roles: tuple[str, ...]) -> None:
        self.farm = farm
        Business.objects.create(name="Hollow Field")
        corner = farm.place(OTHER, PlaceKind.BUYER)
        self.corner = Outlet.objects.create(
            place=corner, contact=OTHER_CONTACT, shop_share_pct=37, price_basis="hand-shake"
        )
        day = dt.date(2026, 1, 1)
        for line in (farm.bag.line, farm.loose.line):
            Price.objects.create(outlet=self.corner, line=line, since=day, pence=OTHER_PENCE)
        self.people = {role: self._person(role, role) for role in roles}
        self.people["no role"] = self._person("stranger")
        self.people["superuser"] = self._person("boss", is_superuser=True)
        self.people["chef"].places.add(farm.kitchen_place)
        self.cook = self._person("quentina", "chef")
        self.cook.places.add(corner)
        self._set_up()
        self._grown()
        self._sold()
        for served in (self.own, self.other):
            farm.tell("lab_result", criterion="e_coli_guide", results="10", lots=[served["run"]])
        seal()

    def _person(self, name: str, *roles: str, **more: Any) -> Person:
        person = Person.objects.create_user(name, password=PASSWORD, is_staff=True, **more)
        groups = [GROUPS.get(role, role) for role in roles]
        person.groups.set(Group.objects.filter(name__in=groups))
        for task in SignOff.Task.values:
            SignOff.objects.create(
                person=person, task=task, since=dt.date(2026, 1, 1), by=self.farm.grower
            )
        return person

    def _set_up(self) -> None:
        farm = self.farm
        for outlet, quantity in ((farm.kitchen, 12), (self.corner, OTHER_ORDER)):
            for weekday in Wanted.Weekday:
                Wanted.objects.create(
                    outlet=outlet, product=farm.bag, weekday=weekday, quantity=quantity
                )
        CropCard.objects.create(variety=farm.green, cuts=4, source="own records")
        Device.objects.create(name="Bench tablet", key="k" * 32)
        LabelStock.objects.create(name="Roll", width_mm=60, height_mm=40)
        Printer.objects.create(name="Bench printer")
        decided(farm.bag)
        decided(farm.bag, outlet=self.corner, evidence="Quince trial")
        Thing.objects.create(name="Quince fridge", kind="fridge", place=self.corner.place)
        set_rate("wage", "1398.1", dt.date(2026, 1, 1), "agreed")
        agreed = {"since": dt.date(2026, 1, 1), "source": "agreed"}
        StandardUse.objects.create(item=farm.seed_item, amount=1, **agreed)
        told = {"said_by": "A seller", "floor": "without aisles", "source": "a leaflet"}
        Claim.objects.create(of="towers", amount=40, **told)
        TimedDay.objects.create(day=dt.date(2026, 3, 2), minutes=90, timed_by=farm.grower)
        self.token = AuthToken.objects.create(user=self.people["superuser"])[0]

    def _grown(self) -> None:
        farm = self.farm
        self.batch = farm.sow(60)
        farm.plant(self.batch, farm.t1, 40)
        farm.tell("feed", tank=farm.tank, begins=[farm.t1])
        food = farm.tell(
            "receive_input", item=farm.soap, supplier=farm.supplier, place=farm.store
        ).lot
        farm.tell("open_input", lot=food, place=farm.store)
        farm.pass_time(days=25)
        self.leaf = farm.cut(3000, self.batch)
        farm.tell("print_tags", count=2)
        self.learnt = farm.tell(
            "harvest",
            recorded_by=self.people["learner"],
            crates=[Crate(3000)],
            batches=[self.batch],
            store=farm.store,
        )

    def _sold(self) -> None:
        farm = self.farm
        self.own: dict[str, Any] = self._served(farm.kitchen, 1, "too warm")
        self.other: dict[str, Any] = self._served(self.corner, 2, OTHER_REASON)
        self._shared()
        at_shop = farm.pack([farm.cut(3000, self.batch)], packs=20)
        farm.to_shop(at_shop, 8)
        farm.tell("sell", outlet=farm.shop, rows=[TillRow(farm.bag, 2)])
        farm.tell("count", place=farm.shop_place, counted={at_shop: 5}, closing=True)
        farm.tell("issue_statement", outlet=farm.kitchen, month=dt.date(2026, 2, 1))
        self.mock = farm.tell(
            "open_recall", kind="recall", hazard="glass", lots=[self.leaf], mock=True
        ).recall
        for outlet, said in ((farm.kitchen, "too salty"), (self.corner, OTHER_REASON)):
            farm.tell("complain", happened=said, product=farm.bag, outlet=outlet)

    def _shared(self) -> None:
        """One run that both have: each sees its own part of it. What the other's learner told
        waits to be countersigned there."""
        farm = self.farm
        self.shared = farm.pack([farm.cut(3000, self.batch)], packs=20)
        for outlet, more in ((farm.kitchen, 0), (self.corner, 3)):
            sent = farm.send(self.shared, 5, outlet)
            self.shared_note = sent.note
            farm.pass_time(minutes=5)
            farm.arrive(sent, self.shared, accepted=5 + more)
        self.thrown = farm.tell(
            "discard",
            recorded_by=self.people["learner"],
            lot=self.other["run"],
            from_place=self.corner.place,
            to="compost",
            quantity=1,
            reason=OTHER_REASON,
        )

    def _served(self, outlet: Outlet, short: int, why: str) -> dict[str, Any]:
        """A run of an outlet's own, sent, come with one more than was sent, and held."""
        farm = self.farm
        crate = farm.cut(3000, self.batch)
        run = farm.pack([crate], packs=20)
        sent = farm.send(run, 12, outlet)
        by = self.cook if outlet == self.corner else farm.grower
        photo = Photo.objects.create(sha256=f"{short}" * 64, jpeg=f"of {outlet}".encode())
        photo.sent_from.add(outlet.place)
        line = Arrived(run, 13, rejected=1, reason=why, photo=photo)
        received = farm.tell("receive", note=sent.note, lines=[line], recorded_by=by)
        waiting = farm.send(run, 4, outlet)
        farm.tell("describe", lot=run, called=f"{outlet.place.name[:6]}-label")
        farm.hold(run, reason=why)
        return {
            "outlet": outlet,
            "crate": crate,
            "run": run,
            "note": sent.note,
            "open": waiting.note,
            "sent": sent,
            "received": received,
            "photo": photo,
        }


def rows_of(model: str) -> list[Any]:
    """Every row of a table, few as they are here."""
    return list(apps.get_model(model)._default_manager.order_by("pk")[:150])
