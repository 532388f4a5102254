"""What the API offers of growing and of the ledger."""

from __future__ import annotations

from django.urls import URLPattern
from rest_framework.routers import SimpleRouter

from . import acts


def register(router: SimpleRouter) -> None:
    pass


def urls() -> list[URLPattern]:
    return list(acts.addresses())
