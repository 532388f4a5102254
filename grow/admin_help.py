"""Tables that people fill in, with help in their own words."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.core.exceptions import ValidationError
from django.forms import BaseInlineFormSet
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


class OnceEach(BaseInlineFormSet):
    """Lines of a page, of which each is there once. The framework asks a constraint that names the
    row above them of the lines sent alone: a page that is sent twice would meet the database's."""

    def clean(self) -> None:
        super().clean()
        for form in self.forms:
            if form.is_valid() and form.has_changed() and form not in self.deleted_forms:
                try:
                    form.instance.validate_constraints()
                except ValidationError as error:
                    form.add_error(None, error.messages)
