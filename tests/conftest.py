"""What every test stands on. Stories bring their own farm; here is only the ground.

The database is the one that DATABASE_URL names, else a SQLite file: the same tests run on both.
"""

import os
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

from tests import snapshots
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


#: Both databases' runs go side by side, as in .ci/run: what asks no database, or is marked
#: `beside`, is seen in that of PostgreSQL, which has no browser to wait for; and a browser that two
#: runs left without breath is asked once more, and its test named.
SIDE_BY_SIDE = "TESTS_SIDE_BY_SIDE" in os.environ


def _asks_a_database(item: pytest.Item) -> bool:
    asked = {"db", "transactional_db", "live_server"} & {*getattr(item, "fixturenames", ())}
    return bool(asked or item.get_closest_marker("django_db"))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """A test that cannot be true here is skipped by name, never silently left out."""
    on_postgres = settings.DATABASES["default"]["ENGINE"].endswith("postgresql")
    for item in items:
        if "demo_year" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.django_db)  # or, run alone, no database is made for it
            item.add_marker(pytest.mark.once)  # playing a year takes PostgreSQL four minutes
        if "page" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.browser)
            item.add_marker(pytest.mark.once)
            if SIDE_BY_SIDE:
                item.add_marker(pytest.mark.flaky(reruns=1))
        if item.get_closest_marker("browser") and CHROMIUM is None:
            item.add_marker(pytest.mark.skip(reason="Chromium is not installed"))
        if item.get_closest_marker("postgres") and not on_postgres:
            item.add_marker(pytest.mark.skip(reason="true only on PostgreSQL; this is SQLite"))
        if item.get_closest_marker("once"):
            beside = item.get_closest_marker("beside") or not _asks_a_database(item)
            here = "PostgreSQL" if SIDE_BY_SIDE and beside else "SQLite"
            if here != ("PostgreSQL" if on_postgres else "SQLite"):
                reason = f"no database changes it; seen on {here}"
                item.add_marker(pytest.mark.skip(reason=reason))
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
def as_after_a_migrate() -> Iterator[None]:
    """After a transactional test: on SQLite the file as it was at first is put back; elsewhere the
    tables are flushed. Those written once refuse a flush, so the triggers are lifted for it; its
    own post_migrate puts them back, with the places and roles."""
    from grow import triggers

    flush = TransactionTestCase._fixture_teardown

    def put_back(self: TransactionTestCase) -> None:
        if snapshots.put_back("empty"):
            return
        for alias in self._databases_names(include_mirrors=False):
            triggers.lift(alias)
        flush(self)

    TransactionTestCase._fixture_teardown = put_back
    yield
    TransactionTestCase._fixture_teardown = flush


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: Any) -> None:
    if snapshots.on_sqlite():
        with django_db_blocker.unblock():
            snapshots.keep("empty")


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
def people(transactional_db: None) -> Any:
    """A farm on a working morning, with a session of each role."""
    from tests.farm import Farm
    from tests.hands import People

    return snapshots.made_once("people", lambda: People(Farm()), lambda made: made.farm.now)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """One browser for all tests. From its start on this thread has an event loop, in which Django
    refuses to ask the database; it is the driver's own and runs none of our code."""
    from playwright.sync_api import sync_playwright

    with pytest.MonkeyPatch.context() as patch, sync_playwright() as playwright:
        patch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "yes")
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS, headless=True
        )
        yield browser
        browser.close()


#: A key that came before the first picture has the field already: grow/static/grow/scan.js.
_FASTER = "Autofocus processing was blocked because a document already has a focused element."


def _heard(tab: Any, message: Any) -> None:
    if message.text != _FASTER:
        tab.said.append(f"{message.type}: {message.text}")


@pytest.fixture
def page(live_server: Any, chromium: Any) -> Iterator[Any]:
    """A tab of a real browser that knows nothing of earlier tests. What a page says on its console
    is kept in `page.said`."""
    context = chromium.new_context(base_url=live_server.url)
    tab = context.new_page()
    tab.set_default_timeout(15_000)
    tab.said = []
    tab.on("console", lambda message: _heard(tab, message))
    tab.on("pageerror", lambda error: tab.said.append(f"error: {error}"))
    yield tab
    context.close()


@pytest.fixture
def orm() -> Iterator[Callable[[Callable[[], Any]], Any]]:
    """`orm(lambda: Lot.objects.count())`: asks the database while a browser tab is open."""

    def close() -> None:
        connections.close_all()

    with ThreadPoolExecutor(max_workers=1) as thread:
        yield lambda ask: thread.submit(ask).result()
        thread.submit(close).result()
