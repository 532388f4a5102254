"""The schema's page works from this server alone, under the site's own strict policy."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.management import call_command


@pytest.mark.parametrize("width", [390, 1280])
def test_the_page_of_the_schema_says_nothing_and_asks_nobody(page: Any, width: int) -> None:
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.set_viewport_size({"width": width, "height": 900})
    answer = page.goto("/api/")
    assert "default-src 'self'" in answer.headers["content-security-policy"]
    assert "unsafe" not in answer.headers["content-security-policy"]
    # the list is drawn as far as one scrolls
    page.locator("#operations-acts-tell_cancel button.opblock-summary-control").click()
    page.get_by_text("Take an event back as if it had not been told").wait_for()
    page.get_by_role("button", name="Try it out").click()
    page.get_by_placeholder("Idempotency-Key").wait_for()
    assert page.said == []
    here = page.url.partition("/api/")[0]
    assert {url for url in asked if not url.startswith((here, "data:"))} == set()


@pytest.mark.django_db
def test_the_schema_is_whole(capsys: Any) -> None:
    """drf-spectacular (BSD) warns of whatever it had to guess; the OpenAPI schema itself judges."""
    call_command("spectacular", "--validate", "--fail-on-warn")
    said = capsys.readouterr()
    assert "Warning" not in said.err
    assert "/api/v1/acts/harvest/" in said.out
