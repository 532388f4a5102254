"""Two pages for what is kept elsewhere: files to import, and a paper sheet to type up.

Both play through `grow.importing.playing`: nothing, or all of it. The files are not kept between
trying and recording; they are sent again, and what was recorded once is not recorded twice.
"""

from __future__ import annotations

import contextlib
import json
import uuid
from collections.abc import Generator, Iterator
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import (
    Http404,
    HttpRequest,
    HttpResponse,
    HttpResponseRedirect,
    StreamingHttpResponse,
)
from django.http.response import HttpResponseBase
from django.template.loader import render_to_string
from django.template.response import TemplateResponse
from django.urls import reverse

from . import clock, devices
from .errors import Refusal
from .importing import templates
from .importing.grid import KINDS_ON_PAPER, Grid
from .importing.playing import Outcome, Play, play
from .importing.sheets import MOST_BYTES, XLSX, Sheet, read
from .importing.tables import table, tables
from .models import Person
from .page import Page
from .roles import may
from .wording import act

#: More rows than this would hold the books against everybody else for minutes.
MOST_ROWS = 5000
#: How the page's script asks for news while it is played: one JSON object a line.
NEWS = "application/x-ndjson"
_SHOWN = 300


def _person(request: HttpRequest) -> Person:
    assert isinstance(request.user, Person)
    return request.user


# --- files ----------------------------------------------------------------------------------


def import_page(request: HttpRequest) -> HttpResponseBase:
    """Files to try, then to record. A script that asks for news gets them line by line."""
    if request.method != "POST":
        return _files_page(request, {})
    record = "record" in request.POST
    news = NEWS in request.headers.get("Accept", "")
    try:
        sheets = _sheets(request)
    except Refusal as refusal:
        if news:
            return _lines(_only(_result({"refusal": refusal})))
        return _files_page(request, {"refusal": refusal})
    if news:
        return _lines(_played(Play(sheets, _person(request), record=record)))
    try:
        outcome = play(sheets, _person(request), record=record)
    except Refusal as refusal:
        return _files_page(request, {"refusal": refusal})
    return _files_page(request, _came_of(outcome))


def _files_page(request: HttpRequest, result: dict[str, Any]) -> HttpResponseBase:
    listed = tables()
    context = {
        "set_up": [t for t in listed if t.set_up],
        "kinds": [t for t in listed if t.kind],
        "most_rows": MOST_ROWS,
        "most_mb": MOST_BYTES >> 20,
        **result,
    }
    return TemplateResponse(request, "grow/import.html", context)


def _sheets(request: HttpRequest) -> list[Sheet]:
    files = request.FILES.getlist("files")
    if not files:
        raise Refusal("no_file", "Choose the files first.")
    if sum(file.size or 0 for file in files) > MOST_BYTES:
        raise Refusal("too_large", f"Together they are larger than {MOST_BYTES >> 20} MB.")
    sheets = [sheet for file in files for sheet in read(file.name or "file", file.read())]
    rows = sum(len(sheet.rows) for sheet in sheets)
    if rows > MOST_ROWS:
        raise Refusal(
            "too_many_rows",
            f"There are {rows} rows in them; this page takes {MOST_ROWS} at once, since nobody "
            "else can record meanwhile. Send them in parts, or have them imported at night with "
            "manage.py import_records.",
        )
    return sheets


def _played(played: Play) -> Generator[dict[str, Any], None, None]:
    try:
        # closed at once when the browser goes away, and with it the transaction
        with contextlib.closing(played.steps()) as steps:
            for done, of in steps:
                if done % 10 == 0 or done == of:
                    yield {"done": done, "of": of}
        yield _result(_came_of(played.outcome))
    except Refusal as refusal:
        yield _result({"refusal": refusal})


def _only(news: dict[str, Any]) -> Generator[dict[str, Any], None, None]:
    yield news


def _result(result: dict[str, Any]) -> dict[str, Any]:
    return {"html": render_to_string("grow/import_result.html", result)}


def _lines(news: Generator[dict[str, Any], None, None]) -> StreamingHttpResponse:
    def lines() -> Iterator[str]:
        with contextlib.closing(news):
            for one in news:
                yield json.dumps(one) + "\n"

    response = StreamingHttpResponse(lines(), content_type=f"{NEWS}; charset=utf-8")
    # packed, the lines would be kept back until there are enough of them
    response["Content-Encoding"] = "identity"
    response["Cache-Control"] = "no-store"
    return response


def _came_of(outcome: Outcome) -> dict[str, Any]:
    """What a result shows: mistakes with what waits for each, and counts by table."""
    waiting: dict[int, list[str]] = {}
    for bad in outcome.dependants:
        for root in bad.because:
            waiting.setdefault(id(root), []).append(f"{bad.entry.file} {bad.line}")
    mistakes = [
        {"file": bad.entry.file, "line": bad.line, "sentence": bad.sentence, "waiting": waits}
        for bad in outcome.mistakes
        for waits in [waiting.get(id(bad), [])]
    ]
    mistakes = [{**vars(fault), "waiting": []} for fault in outcome.faults] + mistakes
    counts = [
        (one.says, outcome.told[one.name], outcome.already[one.name])
        for one in tables()
        if one.name in outcome.told or one.name in outcome.already
    ]
    return {
        "outcome": outcome,
        "mistakes": mistakes[:_SHOWN],
        "more_mistakes": len(mistakes) - len(mistakes[:_SHOWN]),
        "number": len(mistakes),
        "dependants": outcome.dependants[:_SHOWN],
        "counts": counts,
    }


def template_page(request: HttpRequest, name: str) -> HttpResponseBase:
    """harvest.csv, harvest.xlsx; all.xlsx is every table in one workbook."""
    stem, _, ending = name.rpartition(".")
    found = table(stem)
    listed = tables() if stem == "all" else [found] if found and found.name == stem else []
    if not listed or (stem, ending) == ("all", "csv"):
        raise Http404(f"There is no template called {name}.")
    if ending == "csv":
        # spreadsheets take CSV for the machine's own code page unless it says that it is UTF-8
        response = HttpResponse("\ufeff" + templates.as_csv(listed[0]), content_type="text/csv")
    elif ending == "xlsx":
        response = HttpResponse(templates.as_workbook(listed), content_type=XLSX)
    else:
        raise Http404(f"There is no template called {name}.")
    response["Content-Disposition"] = f'attachment; filename="{stem}.{ending}"'
    return response


# --- a paper sheet ---------------------------------------------------------------------------


def sheets_page(request: HttpRequest) -> HttpResponseBase:
    """Which sheet is to be typed up."""
    person = _person(request)
    listed = [(kind, act(kind).title) for kind in KINDS_ON_PAPER if may(person, kind)]
    return TemplateResponse(request, "grow/sheets.html", {"listed": listed})


def sheet_page(request: HttpRequest, kind: str) -> HttpResponseBase:
    """Twelve lines of one kind. All of it is recorded, or it comes back with the bad lines marked
    and everything as it was typed."""
    person = _person(request)
    found = table(kind)
    if found is None or found.kind is None or found.name != kind or kind not in KINDS_ON_PAPER:
        raise Http404(f"There is no sheet for “{kind}”.")
    if not may(person, kind):
        raise PermissionDenied(f"{found.kind.says} is not among your tasks.")
    if request.method != "POST":
        today = clock.local(clock.now()).date().isoformat()
        return _sheet(request, Grid(found, person, {"day": today, "token": uuid.uuid4().hex}))
    grid = Grid(found, person, request.POST.dict())
    try:
        outcome = grid.record(devices.noted(request))
    except Refusal as refusal:
        return _sheet(request, grid, refusal)
    if not outcome.recorded:
        return _sheet(request, grid)
    number = outcome.told.total() + outcome.already.total()
    messages.success(request, f"{number} {'line is' if number == 1 else 'lines are'} recorded.")
    if devices.noted(request):
        devices.let_go(request)
        return HttpResponseRedirect(reverse("admin:who"))
    return HttpResponseRedirect(reverse("admin:sheet", args=[kind]))


def _sheet(request: HttpRequest, grid: Grid, refusal: Refusal | None = None) -> HttpResponseBase:
    context = {"grid": grid, "refusal": refusal, "title": grid.title}
    return TemplateResponse(request, "grow/sheet.html", context)


#: Offered to the site by `grow.pages`.
IMPORT_PAGES = [
    # set-up lists come this way, too
    Page("import/", "import", "Import", "grow.add_place", import_page, own_password=True),
    Page("import/<str:name>", "import_template", "Import", "grow.add_place", template_page),
    Page("sheets/", "sheets", "Type up a sheet", "grow.add_event", sheets_page),
    Page("sheets/<slug:kind>/", "sheet", "Type up a sheet", "grow.add_event", sheet_page),
]
