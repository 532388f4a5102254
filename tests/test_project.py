"""The house rules: who may import whom, what lies where, and that wrong settings say so."""

import ast
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType, SimpleNamespace

import pytest
from django.apps import apps
from django.core.exceptions import ImproperlyConfigured
from django.core.management import call_command
from django.template.response import TemplateResponse
from django.test import Client, override_settings
from django.urls import path

import config.site
from config.environment import Environment

ROOT = Path(__file__).resolve().parent.parent

# Lower may not know higher. analytics reads both, sales stands on grow, grow stands alone; and
# config knows them all while none knows it.
MAY_IMPORT = {
    "grow": {"grow"},
    "sales": {"grow", "sales"},
    "analytics": {"grow", "sales", "analytics"},
}
OURS = {*MAY_IMPORT, "config", "tests"}
TOP_LEVEL = {
    "config",
    "grow",
    "sales",
    "analytics",
    "tests",
    "fixtures",
    "README.md",
    "DEVELOPERS.md",
    "manage.py",
    "pyproject.toml",
    "constraints.txt",
    "LICENSE",
}


# Direction ---------------------------------------------------------------------------------------


def reaches(source: str, package: str) -> Iterator[str]:
    """Our top-level packages that a module reaches: by import, or by a dotted name in a string,
    as in ForeignKey("sales.Buyer") or has_perm("sales.add_note")."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (name.name.split(".")[0] for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield (node.module or package).split(".")[0] if node.level == 0 else package
        elif isinstance(node, ast.Constant) and re.fullmatch(r"[a-z_]+(\.\w+)+", str(node.value)):
            yield str(node.value).split(".")[0]


def test_a_reach_upward_is_seen_however_it_is_written():
    upward = [
        "import sales",
        "from sales.models import Note",
        "def late():\n    from sales import operations",
        "buyer = ForeignKey('sales.Buyer', PROTECT)",
        "import_module('sales.operations')",
    ]
    assert all("sales" in set(reaches(source, "grow")) for source in upward)
    assert set(reaches("from .models import Lot\nword = 'sales are good'", "grow")) == {"grow"}


@pytest.mark.parametrize("app", MAY_IMPORT)
def test_an_app_reaches_only_downward(app):
    wrong = [
        f"{file.relative_to(ROOT)} reaches {name}"
        for file in sorted((ROOT / app).rglob("*.py"))
        for name in sorted(set(reaches(file.read_text(), app)) & OURS - MAY_IMPORT[app])
    ]
    assert not wrong


def test_no_foreign_key_points_up():
    ours = [model for model in apps.get_models() if model._meta.app_label in MAY_IMPORT]
    assert ours
    wrong = [
        f"{model._meta.label}.{field.name} → {field.related_model._meta.label}"
        for model in ours
        for field in [*model._meta.local_fields, *model._meta.local_many_to_many]
        if field.related_model
        and field.related_model._meta.app_label
        in MAY_IMPORT.keys() - MAY_IMPORT[model._meta.app_label]
    ]
    assert not wrong


# Files -------------------------------------------------------------------------------------------


def files() -> list[Path]:
    """What is committed or about to be; without git, whatever a fresh checkout would hold."""
    if (ROOT / ".git").exists() and shutil.which("git"):
        listed = subprocess.run(
            ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
            cwd=ROOT,
            capture_output=True,
            text=True,
        )
        if listed.returncode == 0:
            found = [ROOT / name for name in listed.stdout.split("\0") if name]
            return [file for file in found if file.is_file()]
    return [
        file
        for top in ROOT.iterdir()
        if top.name in TOP_LEVEL | {".ci", ".gitignore"}
        for file in ([top] if top.is_file() else top.rglob("*"))
        if file.is_file() and "__pycache__" not in file.parts
    ]


def test_the_top_level_holds_only_what_the_design_names():
    tops = {file.relative_to(ROOT).parts[0] for file in files()}
    assert not {top for top in tops if not top.startswith(".")} - TOP_LEVEL


def test_no_file_names_a_registry_or_a_path_of_somebodys_machine():
    # Written in two halves, so that this file does not hold them either.
    hosts = ["py" + "pi.org", "python" + "hosted.org", "npm" + "js.org", "npm" + "js.com"]
    hosts += ["registry." + "yarnpkg", "deb." + "debian.org", "static." + "crates.io"]
    places = re.compile(r"(?<![\w.])/(?:wo" + r"rk|ro" + r"ot|ho" + r"me|op" + r"t)/\w")
    wrong = []
    for file in files():
        try:
            text = file.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
        name = file.relative_to(ROOT)
        wrong += [f"{name}: {host}" for host in hosts if host in text]
        wrong += [f"{name}: {found.group()}" for found in places.finditer(text)]
        if len(ROOT.parts) > 2 and str(ROOT) in text:
            wrong.append(f"{name}: {ROOT}")
    assert not wrong


def test_constraints_pin_every_package_and_nothing_else():
    lines = (ROOT / "constraints.txt").read_text().splitlines()
    assert [line for line in lines if not re.fullmatch(r"[\w.-]+==[\w.+!]+", line)] == []


@pytest.mark.django_db
def test_migrations_are_complete(capsys):
    try:
        call_command("makemigrations", check=True, dry_run=True)
    except SystemExit:
        pytest.fail(capsys.readouterr().out)


def test_migrations_have_names():
    named = [file.stem for app in MAY_IMPORT for file in (ROOT / app / "migrations").glob("0*.py")]
    assert named
    assert [name for name in named if "_auto_" in name] == []


# Settings explain themselves ---------------------------------------------------------------------


def sentences(**variables: str) -> list[str]:
    environment = Environment(variables)
    environment.unknown_names()
    environment.yes("DJANGO_DEBUG", default=False)
    environment.hosts("DJANGO_ALLOWED_HOSTS")
    environment.number("DJANGO_HSTS_SECONDS", default=86400)
    environment.choice("DJANGO_LOG_LEVEL", ["INFO", "DEBUG"])
    return [f"{problem.code} {problem.sentence}" for problem in environment.problems]


@pytest.mark.parametrize(
    ("right", "wrong", "says"),
    [
        (
            {"DJANGO_DEBUG": "on"},
            {"DJANGO_DEBUG": "maybe"},
            "E001 DJANGO_DEBUG is 'maybe', which is neither yes nor no.",
        ),
        (
            {"DJANGO_HSTS_SECONDS": "3600"},
            {"DJANGO_HSTS_SECONDS": "an hour"},
            "E002 DJANGO_HSTS_SECONDS is 'an hour', which is not a whole number.",
        ),
        (
            {"DJANGO_ALLOWED_HOSTS": "farm.example, 10.0.0.5, [::1]"},
            {"DJANGO_ALLOWED_HOSTS": "https://farm.example:8000/"},
            "E003 DJANGO_ALLOWED_HOSTS names 'https://farm.example:8000/', "
            "and no request would ever match it.",
        ),
        (
            {"DJANGO_ALLOWED_HOSTS": ".farm.example"},
            {"DJANGO_ALLOWED_HOSTS": "*"},
            "W004 DJANGO_ALLOWED_HOSTS is '*': the site answers under any name it is called by.",
        ),
        (
            {"DJANGO_DEBUG": ""},
            {"DJANGO_DEBUGG": "on"},
            "W005 DJANGO_DEBUGG is set, but nothing reads it.",
        ),
        (
            {"DJANGO_LOG_LEVEL": "debug"},
            {"DJANGO_LOG_LEVEL": "loud"},
            "E006 DJANGO_LOG_LEVEL is 'LOUD', which is none of INFO, DEBUG.",
        ),
    ],
)
def test_a_wrong_variable_is_said_in_a_sentence(right, wrong, says):
    assert sentences(**right) == []
    assert sentences(**wrong) == [says]


def test_a_misspelt_variable_is_told_the_nearest_real_one():
    environment = Environment({"DJANGO_ALOWED_HOSTS": "farm.example"})
    environment.unknown_names()
    assert environment.problems[0].hint == "Was DJANGO_ALLOWED_HOSTS meant?"


def test_a_database_that_the_project_cannot_use_stops_it_at_once(monkeypatch):
    def engine(url: str) -> str:
        return Environment({"DATABASE_URL": url}).database(default="")["ENGINE"]

    assert engine("sqlite:////srv/farm.sqlite3") == "django.db.backends.sqlite3"
    for wrong in ("mysql://farm@db/farm", "farm.sqlite3"):
        with pytest.raises(ImproperlyConfigured, match="This project runs on SQLite"):
            engine(wrong)
    with pytest.raises(ImproperlyConfigured, match="/ is written %2F"):
        engine("postgres://farm:a/b@db:5432/farm")

    monkeypatch.setattr("config.environment.find_spec", lambda name: object())
    assert engine("postgres://farm@db/farm") == "django.db.backends.postgresql"
    monkeypatch.setattr("config.environment.find_spec", lambda name: None)
    with pytest.raises(ImproperlyConfigured, match="driver is not installed"):
        engine("postgres://farm@db/farm")


def test_a_secret_key_is_made_once_and_kept_for_its_owner_alone(tmp_path):
    made, told = Environment({}).secret_key(tmp_path)
    assert len(made) > 80
    assert not told
    assert Environment({}).secret_key(tmp_path) == (made, False)
    assert [file.name for file in tmp_path.iterdir()] == [".secret-key"]
    assert (tmp_path / ".secret-key").stat().st_mode & 0o777 == 0o600
    assert Environment({"DJANGO_SECRET_KEY": "told"}).secret_key(tmp_path) == ("told", True)

    (tmp_path / ".secret-key").write_text("")
    with pytest.raises(ImproperlyConfigured, match="Delete it to have a new key made"):
        Environment({}).secret_key(tmp_path)


def test_settings_that_would_lose_a_sale_are_refused(settings, monkeypatch):
    from config.checks import sqlite_keeps_what_it_is_told

    def codes() -> list[str]:
        return [message.id for message in sqlite_keeps_what_it_is_told()]

    kept = {"transaction_mode": "IMMEDIATE", "init_command": "PRAGMA synchronous=FULL;"}
    file = {"ENGINE": "django.db.backends.sqlite3", "NAME": ROOT / "db.sqlite3", "OPTIONS": kept}
    for change, found in [
        ({}, []),
        ({"OPTIONS": {**kept, "transaction_mode": "DEFERRED"}}, ["config.E007"]),
        ({"OPTIONS": {**kept, "init_command": "PRAGMA synchronous=NORMAL;"}}, ["config.E008"]),
        ({"NAME": ROOT / "no such folder" / "db.sqlite3"}, ["config.E009"]),
    ]:
        monkeypatch.setitem(settings.DATABASES, "default", {**file, **change})
        assert codes() == found


@pytest.mark.once
def test_a_command_says_what_is_wrong_before_it_runs(tmp_path):
    def check(*arguments: str, **variables: str) -> subprocess.CompletedProcess[str]:
        clean = {k: v for k, v in os.environ.items() if not k.startswith("DJANGO_")}
        clean["DATABASE_URL"] = f"sqlite:///{tmp_path / 'farm.sqlite3'}"
        return subprocess.run(
            [sys.executable, "manage.py", "check", *arguments],
            cwd=ROOT,
            env={**clean, **variables},
            capture_output=True,
            text=True,
        )

    right = check(DJANGO_DEBUG="off")
    assert right.returncode == 0, right.stderr
    wrong = check(DJANGO_DEBUG="offf")
    assert wrong.returncode == 1
    assert "DJANGO_DEBUG is 'offf', which is neither yes nor no." in wrong.stderr
    assert "Say DJANGO_DEBUG=on or DJANGO_DEBUG=off." in wrong.stderr
    deployed = check(
        "--deploy", DJANGO_ALLOWED_HOSTS="farm.example", DJANGO_STATIC_ROOT=str(tmp_path)
    )
    assert "config.W010" in deployed.stderr
    assert "config.W011" in deployed.stderr
    assert "security." not in deployed.stderr


@pytest.mark.sqlite
@pytest.mark.django_db
def test_sqlite_writes_through_and_keeps_foreign_keys():
    from django.db import connection

    with connection.cursor() as cursor:
        read = [
            cursor.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        ]
    assert read == ["wal", 2, 1, 20000]
    assert connection.transaction_mode == "IMMEDIATE"


@pytest.mark.postgres
@pytest.mark.django_db
def test_postgres_does_not_wait_for_ever():
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT current_setting('lock_timeout'),"
            " current_setting('idle_in_transaction_session_timeout')"
        )
        assert cursor.fetchone() == ("20s", "1min")


# The site ----------------------------------------------------------------------------------------


@pytest.fixture
def manager(django_user_model):
    return django_user_model.objects.create_superuser("manager", password="a long password")


@pytest.fixture
def packer(django_user_model):
    return django_user_model.objects.create_user(
        "packer", password="a long password", is_staff=True
    )


def policy(response) -> dict[str, list[str]]:
    parts = [part.split() for part in response["Content-Security-Policy"].split(";")]
    return {part[0]: part[1:] for part in parts if part}


@pytest.mark.django_db
def test_the_sign_in_page_stands_under_a_strict_policy(client):
    response = client.get("/login/")
    assert response.status_code == 200
    told = policy(response)
    assert told["default-src"] == ["'self'"]
    assert not {"script-src", "style-src"} & told.keys()
    assert told["frame-ancestors"] == told["object-src"] == ["'none'"]
    assert "unsafe" not in response["Content-Security-Policy"]
    html = response.content.decode()
    assert not re.search(r"<style|<script(?![^>]* src=)|\sstyle=|\son\w+=", html)
    assert not re.search(r"(?:src|href)=.https?:", html)


@pytest.mark.django_db
def test_nobody_sees_anything_without_signing_in(client):
    for address in ("/", "/grow/", "/no/such/page/"):
        response = client.get(address)
        assert (response.status_code, response.url) == (302, f"/login/?next={address}")


@pytest.mark.django_db
def test_eight_wrong_passwords_are_followed_by_a_wait(manager):
    def sign_in(client: Client, password: str) -> int:
        told = {"username": "manager", "password": password}
        return client.post("/login/", told).status_code

    with override_settings(AXES_ENABLED=True):
        assert sign_in(Client(), "a long password") == 302
        assert {sign_in(Client(), f"guess {n}") for n in range(7)} == {200}
        assert sign_in(Client(), "guess 8") == 429
        assert sign_in(Client(), "a long password") == 429


@pytest.fixture
def site_with_a_page(monkeypatch, settings):
    """The site as it is when an app offers one more page, to those who may change people."""
    page = SimpleNamespace(
        path="cut/",
        name="cut",
        title="Cut",
        permission="grow.change_person",
        view=lambda request: TemplateResponse(request, "admin/base_site.html", {}),
    )
    every = [*config.site.offered_pages(), page]
    monkeypatch.setattr(config.site, "offered_pages", lambda: every)
    urls = ModuleType("urls_with_a_page")
    from django.contrib import admin

    urls.urlpatterns = [path("", admin.site.urls)]
    monkeypatch.setitem(sys.modules, urls.__name__, urls)
    settings.ROOT_URLCONF = urls.__name__


@pytest.mark.django_db
def test_an_apps_page_stands_in_the_site_for_those_who_may(site_with_a_page, manager, packer):
    mine, theirs, nobodys = Client(), Client(), Client()
    mine.force_login(manager)
    theirs.force_login(packer)

    shown = mine.get("/cut/")
    assert shown.status_code == 200
    assert "<h1>Cut</h1>" in shown.content.decode()
    assert '<a href="/cut/" aria-current="page">Cut</a>' in shown.content.decode()
    assert '<a href="/cut/">Cut</a>' in mine.get("/").content.decode()

    assert theirs.get("/cut/").status_code == 403
    assert "/cut/" not in theirs.get("/").content.decode()
    assert nobodys.get("/cut/").url == "/login/?next=/cut/"


def test_a_manager_signs_in_on_a_phone(manager, page):
    page.set_viewport_size({"width": 390, "height": 800})
    page.goto("/")
    page.get_by_label("Username").fill("manager")
    page.get_by_label("Password").fill("a long password")
    page.get_by_role("button", name="Log in").click()
    page.get_by_role("heading", name="Today", exact=True).wait_for()
    for address in ("/grow/person/", "/grow/person/add/", "/password_change/"):
        assert page.goto(address).status == 200
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, address
    assert [line for line in page.said if line.startswith(("error", "warning"))] == []
