"""plotly.js as a static file of ours, out of the installed package: no copy of five megabytes in
the repository, and never another version than the package's own."""

from __future__ import annotations

from collections.abc import Iterable
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from django.contrib.staticfiles.finders import BaseFinder
from django.core.exceptions import ImproperlyConfigured
from django.core.files.storage import FileSystemStorage

SCRIPT = "plotly.min.js"


class PlotlyFinder(BaseFinder):
    """Finds plotly/plotly.min.js and nothing else of the package."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        spec = find_spec("plotly")
        if spec is None or spec.origin is None:
            raise ImproperlyConfigured("plotly is not installed: its script draws the pictures.")
        self.storage = FileSystemStorage(location=Path(spec.origin).parent / "package_data")
        setattr(self.storage, "prefix", "plotly")  # noqa: B010  (collectstatic asks for it so)
        super().__init__(*args, **kwargs)

    def find(self, path: str, find_all: bool = False, **kwargs: Any) -> Any:
        found = self.storage.path(SCRIPT) if path == f"plotly/{SCRIPT}" else None
        return ([found] if found else []) if find_all else found

    def list(self, ignore_patterns: Iterable[str] | None) -> Iterable[Any]:
        yield SCRIPT, self.storage
