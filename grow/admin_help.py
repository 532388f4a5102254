"""Tables that people fill in, with help in their own words."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.http import HttpRequest


class SetUpAdmin(admin.ModelAdmin):
    """A table that people fill in. `help` says in their words what a field is for, where the
    model's own words for programmers do not."""

    help: dict[str, str] = {}

    def formfield_for_dbfield(self, db_field: Any, request: HttpRequest, **kwargs: Any) -> Any:
        field = super().formfield_for_dbfield(db_field, request, **kwargs)
        if field is not None and db_field.name in self.help:
            field.help_text = self.help[db_field.name]
        return field
