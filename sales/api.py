"""What the API offers of packing and selling."""

from __future__ import annotations

from django.urls import URLPattern
from rest_framework import serializers
from rest_framework.routers import SimpleRouter

from grow.acts import MORE
from grow.models import Event
from sales.models import DeliveryNote

# --- acts: the number of the note that a delivery wrote -------------------------------------------


def _number(event: Event) -> str | None:
    if event.kind != "deliver":
        return None
    return DeliveryNote.objects.values_list("number", flat=True).get(event=event)


MORE["note"] = (serializers.CharField(allow_null=True, help_text="Of a delivery."), _number)


def register(router: SimpleRouter) -> None:
    pass


def urls() -> list[URLPattern]:
    return []
