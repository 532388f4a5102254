"""What every test stands on. Stories bring their own farm; here is only the ground.

The database is the one that DATABASE_URL names, else a SQLite file: the same tests run on both.
"""

import shutil
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from django.conf import settings
from django.core.cache import cache
from django.db import connections
from django.test import TransactionTestCase, override_settings
from hypothesis import settings as hypothesis_settings

from tests.demo_fixture import _played_year, demo_year  # noqa: F401  (shared fixtures)

CHROMIUM = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
)
# As root and in a closed network: no sandbox, and none of its own errands.
CHROMIUM_ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

hypothesis_settings.register_profile("project", deadline=None, print_blob=True)
hypothesis_settings.load_profile("project")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """A test that cannot be true here is skipped by name, never silently left out."""
    on_postgres = settings.DATABASES["default"]["ENGINE"].endswith("postgresql")
    for item in items:
        if "page" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.browser)
            item.add_marker(pytest.mark.once)
        if item.get_closest_marker("browser") and CHROMIUM is None:
            item.add_marker(pytest.mark.skip(reason="Chromium is not installed"))
        if item.get_closest_marker("postgres") and not on_postgres:
            item.add_marker(pytest.mark.skip(reason="true only on PostgreSQL; this is SQLite"))
        if item.get_closest_marker("once") and on_postgres:
            item.add_marker(pytest.mark.skip(reason="asks no database anything; seen on SQLite"))
        if item.get_closest_marker("sqlite") and on_postgres:
            item.add_marker(pytest.mark.skip(reason="true only on SQLite; this is PostgreSQL"))


@pytest.fixture(scope="session", autouse=True)
def plain_settings() -> Iterator[None]:
    """As a stranger runs it, whatever the environment says; and quick passwords.

    Lock-out is off because the test client signs in without a request; its own test turns it on.
    """
    with override_settings(
        ALLOWED_HOSTS=["testserver", "localhost", "127.0.0.1"],
        AXES_ENABLED=False,
        PASSWORD_HASHERS=["django.contrib.auth.hashers.MD5PasswordHasher"],
        SECURE_SSL_REDIRECT=False,
        SESSION_COOKIE_SECURE=False,
        CSRF_COOKIE_SECURE=False,
        STORAGES={
            **settings.STORAGES,
            "staticfiles": {
                "BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage",
            },
        },
    ):
        yield


@pytest.fixture(scope="session", autouse=True)
def flush_past_the_triggers() -> Iterator[None]:
    """Tables written once refuse the flush after a transactional test, so the triggers are lifted
    for it; the flush's own post_migrate puts them back, with the places and roles."""
    from grow import triggers

    flush = TransactionTestCase._fixture_teardown

    def lifted_flush(self: TransactionTestCase) -> None:
        for alias in self._databases_names(include_mirrors=False):
            triggers.lift(alias)
        flush(self)

    TransactionTestCase._fixture_teardown = lifted_flush
    yield
    TransactionTestCase._fixture_teardown = flush


@pytest.fixture(autouse=True)
def nothing_left_behind() -> Iterator[None]:
    """No test leaves its clock, a place of a database flushed since, or what was counted of an
    address that asks, to the next."""
    from grow import clock, setup

    clock.play(None)
    setup.forget()
    cache.clear()
    yield
    clock.play(None)
    setup.forget()


@pytest.fixture
def farm(db: None) -> Any:
    """A small farm that only calls operations."""
    from tests.farm import Farm

    return Farm()


@pytest.fixture
def page(live_server: Any) -> Iterator[Any]:
    """A tab of a real browser. What a page says on its console is kept in `page.said`.

    While it is open this thread has an event loop, and Django refuses to ask the database from
    it: set up before the tab opens, look through the page, or ask through `orm`.
    """
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS, headless=True
        )
        tab = browser.new_context(base_url=live_server.url).new_page()
        tab.set_default_timeout(15_000)
        tab.said = []
        tab.on("console", lambda message: tab.said.append(f"{message.type}: {message.text}"))
        tab.on("pageerror", lambda error: tab.said.append(f"error: {error}"))
        yield tab
        browser.close()


@pytest.fixture
def orm() -> Iterator[Callable[[Callable[[], Any]], Any]]:
    """`orm(lambda: Lot.objects.count())`: asks the database while a browser tab is open."""

    def close() -> None:
        connections.close_all()

    with ThreadPoolExecutor(max_workers=1) as thread:
        yield lambda ask: thread.submit(ask).result()
        thread.submit(close).result()
