"""People, what they are signed off for, and the devices that they share."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import admin
from django.contrib.admin.utils import unquote
from django.contrib.auth.admin import UserAdmin
from django.contrib.auth.forms import (
    AdminPasswordChangeForm,
    AdminUserCreationForm,
    UserChangeForm,
)
from django.core.exceptions import PermissionDenied
from django.db import models
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.utils.html import format_html
from knox.models import AuthToken

from . import clock, credentials, pins
from .admin_help import OnceEach, SetUpAdmin
from .errors import Refusal
from .models import OUTLETS, Device, Person, Place, SignOff
from .roles import is_learner

#: Django's own names and helps, in the words of a farm.
_SAYS = {
    "username": ("Sign-in name", "Initials or a number will do; it need not be a real name."),
    "is_active": ("Works here", "Take the tick off instead of deleting: the records stand."),
    "is_staff": (
        "May sign in with a password",
        "Not needed by who only records on shared devices, by badge or PIN.",
    ),
    "is_superuser": ("May do everything", "Whatever the roles below say."),
    "groups": (
        "Roles",
        "A learner's entries wait to be countersigned; a learner does not spray, release or "
        "approve, whatever else is ticked.",
    ),
}


class PinForm(forms.Form):
    """A PIN can be given and taken away, and is never shown."""

    new_pin = forms.CharField(
        required=False,
        label="New PIN",
        widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off", "size": 10}),
    )
    no_pin = forms.BooleanField(required=False, label="Take the PIN away")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, (label, help_) in _SAYS.items():
            if name in self.fields:
                self.fields[name].label, self.fields[name].help_text = label, help_
        person = getattr(self, "instance", None)
        if "new_pin" in self.fields:
            has = "There is a PIN. A new one takes its place." if person and person.pin else ""
            digits = f"{pins.LEAST} to {pins.MOST} digits, for shared devices and countersigning."
            self.fields["new_pin"].help_text = f"{has or 'There is none yet.'} {digits}"

    def clean_new_pin(self) -> str:
        pin: str = self.cleaned_data["new_pin"]
        if pin:
            try:
                pins.fit(pin)
            except Refusal as refusal:
                raise forms.ValidationError(refusal.sentence) from refusal
        return pin


class PersonForm(PinForm, UserChangeForm):
    pass


class NewPersonForm(PinForm, AdminUserCreationForm):
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["username"].widget.attrs.pop("autofocus", None)  # the page sees to it
        asked = self.fields["usable_password"]
        asked.label, asked.help_text = "How they come in", ""
        asked.choices = (  # type: ignore[attr-defined]  # one of two
            ("true", "With a password, and by badge or PIN"),
            ("false", "By badge or PIN alone, on shared devices"),
        )


class PasswordForm(AdminPasswordChangeForm):
    """A new password ends the tokens of before (config.passwords); so does having none."""

    def save(self, commit: bool = True) -> Person:
        person: Person = super().save(commit)
        if not person.has_usable_password():
            AuthToken.objects.filter(user=person).delete()
        return person


class Roles(forms.ModelMultipleChoiceField):
    """By what they are called, not by their keys."""

    def label_from_instance(self, role: Any) -> str:
        return called(role.name)


def called(role: str) -> str:
    """“Food-safety lead”"""
    return role.replace("food_safety", "food-safety").replace("_", " ").capitalize()


class SignOffInline(admin.StackedInline):
    model = SignOff
    formset = OnceEach
    fk_name = "person"
    extra = 0
    autocomplete_fields = ("by",)
    verbose_name_plural = "Signed off for"


def _may_sign_off(request: HttpRequest, person: Person | None = None) -> bool:
    """No learner signs anybody off, and nobody themselves; but who may do everything may do that,
    too: on a farm of one there is nobody else."""
    who = request.user
    assert isinstance(who, Person)
    if is_learner(who):
        return False
    return who.is_superuser or person is None or person.pk != who.pk


@admin.register(Person)
class PersonAdmin(UserAdmin):
    form = PersonForm
    add_form = NewPersonForm
    change_password_form = PasswordForm
    list_display = ("__str__", "username", "roles", "has_badge", "has_pin", "is_active")
    list_filter = ("groups", "is_active", "sign_offs__task", "places")
    search_fields = ("username", "shown_as")
    ordering = ("username",)
    filter_horizontal = ()
    add_form_template = "grow/person_add.html"
    inlines = (SignOffInline,)
    fieldsets = (
        (None, {"fields": ("username", "shown_as", "is_active")}),
        ("On shared devices", {"fields": ("badge", "new_pin", "no_pin")}),
        ("With a password", {"fields": ("is_staff", "their_password")}),
        ("What they may see and do", {"fields": ("groups", "places", "is_superuser")}),
    )
    add_fieldsets = (
        (None, {"fields": ("username", "shown_as")}),
        ("On shared devices", {"fields": ("badge", "new_pin")}),
        ("Coming in", {"fields": ("usable_password", "password1", "password2")}),
        ("What they may see and do", {"fields": ("groups", "places")}),
    )

    def get_queryset(self, request: HttpRequest) -> QuerySet[Person]:
        return super().get_queryset(request).prefetch_related("groups")

    @admin.display(description="roles")
    def roles(self, person: Person) -> str:
        return ", ".join(called(group.name) for group in person.groups.all())

    @admin.display(description="badge", boolean=True)
    def has_badge(self, person: Person) -> bool:
        return bool(person.badge)

    @admin.display(description="PIN", boolean=True)
    def has_pin(self, person: Person) -> bool:
        return bool(person.pin)

    def get_readonly_fields(self, request: HttpRequest, obj: Any = None) -> tuple[str, ...]:
        return ("their_password",)

    def get_fieldsets(self, request: HttpRequest, obj: Any = None) -> Any:
        if obj is None or request.user.is_superuser:
            return super().get_fieldsets(request, obj)
        # nobody makes themselves able to do everything, or gives themselves a role
        name, *ways_in, (title, _) = self.fieldsets
        shown = [name, *(ways_in if self._may_set(request, obj) else ())]
        if obj.pk != request.user.pk:
            shown.append((title, {"fields": ("groups", "places")}))
        return tuple(shown)

    def _may_set(self, request: HttpRequest, person: Person) -> bool:
        """Whether one sees and sets this person's ways in: their badge is one, too."""
        who = request.user
        assert isinstance(who, Person)
        return self.has_change_permission(request, person) and credentials.may_set(who, person)

    def get_form(
        self, request: HttpRequest, obj: Any = None, change: bool = False, **kwargs: Any
    ) -> Any:
        form = super().get_form(request, obj, change=change, **kwargs)
        who = request.user
        assert isinstance(who, Person)
        if "groups" in form.base_fields:
            given: Any = form.base_fields["groups"]
            given.queryset = credentials.roles_to_give(who, obj)
        if obj is not None and not self._may_set(request, obj):
            for name in ("new_pin", "no_pin"):  # the form's own, whatever is shown of it
                del form.base_fields[name]
        return form

    def user_change_password(
        self, request: HttpRequest, id: str, form_url: str = ""
    ) -> HttpResponse:
        person, who = self.get_object(request, unquote(id)), request.user
        assert isinstance(who, Person)
        if person is not None and not credentials.may_set(who, person):
            raise PermissionDenied(
                f"{person} may do what you may not: their password is set by themselves, or by "
                "whoever may do everything."
            )
        return super().user_change_password(request, id, form_url)

    def lookup_allowed(self, lookup: str, value: Any, request: HttpRequest) -> bool:
        # what is never shown is not found out by asking for its beginning, either
        secret = lookup.startswith(("badge", "pin", "wrong_pins"))
        return not secret and super().lookup_allowed(lookup, value, request)

    def get_inlines(self, request: HttpRequest, obj: Any = None) -> Any:
        return super().get_inlines(request, obj) if _may_sign_off(request, obj) else ()

    @admin.display(description="Password")
    def their_password(self, person: Person) -> str:
        has = "There is one." if person.has_usable_password() else "There is none."
        return format_html('{} <a class="button" href="../password/">Set it</a>', has)

    def formfield_for_manytomany(
        self, db_field: Any, request: HttpRequest, **kwargs: Any
    ) -> forms.ModelMultipleChoiceField | None:
        if db_field.name == "places":
            # whoever is tied to a place is tied to one where goods go
            known = models.Q(kind__in=OUTLETS) | models.Q(people__isnull=False)
            kwargs["queryset"] = Place.objects.filter(known).distinct().order_by("name")
        if db_field.name == "groups":
            kwargs["form_class"] = Roles
        kwargs["widget"] = forms.CheckboxSelectMultiple
        return super().formfield_for_manytomany(db_field, request, **kwargs)

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        above = obj is not None and obj.is_superuser and not request.user.is_superuser
        return not above and super().has_change_permission(request, obj)

    def formfield_for_dbfield(self, db_field: Any, request: HttpRequest, **kwargs: Any) -> Any:
        field = super().formfield_for_dbfield(db_field, request, **kwargs)
        if field is not None and db_field.many_to_many:
            field.widget.can_add_related = False
        return field

    def changeform_view(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        """The slow hash comes before the transaction that the page is saved in."""
        try:
            if pin := request.POST.get("new_pin", ""):
                request.pin_hash = pins.hashed(pin)  # type: ignore[attr-defined]  # for save_model
        except Refusal:
            pass  # said by the form
        return super().changeform_view(request, *args, **kwargs)

    def save_model(self, request: HttpRequest, obj: Person, form: Any, change: bool) -> None:
        told = form.cleaned_data
        if told.get("new_pin") or told.get("no_pin"):
            obj.pin = request.pin_hash if told.get("new_pin") else ""  # type: ignore[attr-defined]  # set by the view
            obj.wrong_pins, obj.pin_rests_until = 0, None
        if not change:
            obj.is_staff = obj.has_usable_password()
        super().save_model(request, obj, form, change)
        if not obj.is_active:  # nor does a program of theirs come back with them
            AuthToken.objects.filter(user=obj).delete()


@admin.register(SignOff)
class SignOffAdmin(SetUpAdmin):
    help = {"person": "Who may do it.", "task": "What they were shown and can do alone."}
    list_display = ("person", "task", "since", "by")
    list_filter = ("task", "since")
    list_select_related = ("person", "by")
    search_fields = ("person__username", "person__shown_as", "by__username", "by__shown_as")
    autocomplete_fields = ("person", "by")
    radio_fields = {"task": admin.VERTICAL}

    def formfield_for_foreignkey(self, db_field: Any, request: HttpRequest, **kwargs: Any) -> Any:
        if db_field.name == "person" and not request.user.is_superuser:
            # said by the form as a choice that is none
            kwargs["queryset"] = Person.objects.exclude(username=request.user.get_username())
        return super().formfield_for_foreignkey(db_field, request, **kwargs)

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        may = _may_sign_off(request, obj and obj.person)
        return may and super().has_change_permission(request, obj)

    def has_add_permission(self, request: HttpRequest) -> bool:
        return _may_sign_off(request) and super().has_add_permission(request)

    def get_changeform_initial_data(self, request: HttpRequest) -> dict[str, Any]:
        today = clock.local(clock.now()).date()
        told = super().get_changeform_initial_data(request)
        return {"by": request.user.pk, "since": today, **told}


@admin.register(Device)
class DeviceAdmin(SetUpAdmin):
    """Made on the device itself, at its own page; here it is looked up, renamed and shut."""

    list_display = ("name", "in_use")
    list_filter = ("in_use",)
    search_fields = ("name",)
    change_list_template = "grow/devices.html"

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def lookup_allowed(self, lookup: str, value: Any, request: HttpRequest) -> bool:
        return not lookup.startswith("key") and super().lookup_allowed(lookup, value, request)
