"""The first account of an empty database, made in the browser of the machine that it runs on.

Whoever makes it may do everything, so it is asked of nobody else: from another machine, or through
a proxy, the page says what to type on the server. Once there is a person it is not there.
"""

from __future__ import annotations

import ipaddress
from typing import Any

from django import forms
from django.conf import settings
from django.contrib.auth import login, password_validation
from django.contrib.auth.hashers import make_password
from django.db import connection, transaction
from django.http import Http404, HttpRequest, HttpResponseRedirect
from django.http.response import HttpResponseBase
from django.template.response import TemplateResponse
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_protect
from django.views.decorators.debug import sensitive_post_parameters

from grow.models import Person

#: A request that a proxy hands on has its own machine's address, whoever sent it.
_HANDED_ON = ("HTTP_X_FORWARDED_FOR", "HTTP_FORWARDED", "HTTP_X_REAL_IP", "HTTP_VIA")


def nobody_yet() -> bool:
    return not Person.objects.exists()


def from_this_machine(request: HttpRequest) -> bool:
    """Whether the browser runs on the machine that answers, for certain."""
    if settings.SECURE_PROXY_SSL_HEADER or any(name in request.META for name in _HANDED_ON):
        return False
    try:
        return ipaddress.ip_address(request.META.get("REMOTE_ADDR", "")).is_loopback
    except ValueError:
        return False


class FirstAccount(forms.ModelForm):
    """A name and a password, typed twice, held to the same rules as any password here."""

    use_required_attribute = False
    password1 = forms.CharField(
        label="Password",
        strip=False,
        widget=forms.PasswordInput({"autocomplete": "new-password"}),
        help_text="At least eight characters; a few words are easiest to keep in mind.",
    )
    password2 = forms.CharField(
        label="The same again",
        strip=False,
        widget=forms.PasswordInput({"autocomplete": "new-password"}),
    )

    class Meta:
        model = Person
        fields = ["username"]
        labels = {"username": "Name"}
        widgets = {
            "username": forms.TextInput({"autocomplete": "username", "autocapitalize": "none"})
        }
        help_texts = {"username": "The one you sign in with: one word, such as bryony."}

    def clean(self) -> dict[str, Any]:
        told = super().clean() or self.cleaned_data
        one, other = told.get("password1"), told.get("password2")
        if one and other and one != other:
            self.add_error("password2", "The two passwords are not the same.")
        elif one:
            try:
                password_validation.validate_password(
                    one, Person(username=told.get("username", ""))
                )
            except forms.ValidationError as error:
                self.add_error("password1", error)
        return told


def make(username: str, password: str) -> Person | None:
    """The first person, who may do everything; nothing where somebody was quicker."""
    person = Person(
        username=username,
        password=make_password(password),  # slow, so before the lock
        is_staff=True,
        is_superuser=True,
    )
    with transaction.atomic():
        if connection.vendor == "postgresql":  # on SQLite the transaction has begun alone
            with connection.cursor() as cursor:
                cursor.execute(
                    f"LOCK TABLE {connection.ops.quote_name(Person._meta.db_table)}"
                    " IN SHARE ROW EXCLUSIVE MODE"
                )
        if not nobody_yet():
            return None
        person.save()
    return person


@sensitive_post_parameters()
@csrf_protect
@never_cache
def page(request: HttpRequest, context: dict[str, Any]) -> HttpResponseBase:
    """Asks for name and password, makes the account and signs in."""
    if not nobody_yet():
        raise Http404("There is an account already: sign in.")
    if not from_this_machine(request):
        return _show(request, context, None, 403)
    if request.method != "POST":
        return _show(request, context, FirstAccount())
    form = FirstAccount(request.POST)
    if not form.is_valid():
        return _show(request, context, form, 422)
    person = make(form.cleaned_data["username"], form.cleaned_data["password1"])
    if person is None:
        return HttpResponseRedirect(reverse("admin:login"))
    login(request, person, backend="django.contrib.auth.backends.ModelBackend")
    return HttpResponseRedirect(reverse("admin:index"))


def _show(
    request: HttpRequest, context: dict[str, Any], form: FirstAccount | None, status: int = 200
) -> TemplateResponse:
    context = {**context, "title": "The first account", "form": form}
    return TemplateResponse(request, "admin/first_account.html", context, status=status)
