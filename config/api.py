"""The API's wiring: addresses of every app, tokens, the schema and its page.

Each app's endpoints are in its own `api.py`, which offers `register(router)` and `urls()`.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

from django.apps import apps
from django.conf import settings
from django.contrib.auth import authenticate
from django.urls import URLPattern, URLResolver, include, path, re_path
from django.utils.module_loading import module_has_submodule
from drf_spectacular.utils import extend_schema
from drf_spectacular.views import SpectacularAPIView, SpectacularSwaggerSplitView
from knox.models import AuthToken
from rest_framework import serializers, status
from rest_framework.exceptions import NotFound
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter
from rest_framework.views import APIView

from grow.errors import Refusal

# --- tokens -------------------------------------------------------------------------------------


class SignInSerializer(serializers.Serializer):
    username = serializers.CharField(max_length=150)
    password = serializers.CharField(max_length=200, trim_whitespace=False, write_only=True)


class NewTokenSerializer(serializers.Serializer):
    """The token is shown this once; only its hash is kept."""

    token = serializers.CharField()
    key = serializers.CharField(help_text="By which the token is listed and taken back.")
    expiry = serializers.DateTimeField()


class TokenSerializer(serializers.Serializer):
    key = serializers.CharField(source="token_key")
    created = serializers.DateTimeField()
    expiry = serializers.DateTimeField(allow_null=True)
    this_one = serializers.SerializerMethodField(help_text="Whether this request used it.")

    def get_this_one(self, token: AuthToken) -> bool:
        return token == self.context["request"].auth


class SignIn(APIView):
    """A token for a device or a program, against a name and a password."""

    authentication_classes: list[Any] = []
    permission_classes = [AllowAny]

    @extend_schema(
        operation_id="token_make",
        tags=["token"],
        request=SignInSerializer,
        responses={201: NewTokenSerializer},
    )
    def post(self, request: Request) -> Response:
        told = SignInSerializer(data=request.data)
        told.is_valid(raise_exception=True)
        http = request._request
        person = authenticate(http, **told.validated_data)
        if getattr(http, "axes_locked_out", False):
            http.axes_locked_out = False  # type: ignore[attr-defined]  # else a page is answered
            raise _locked_out()
        if person is None:
            refusal = Refusal("wrong_password", "That name and password do not belong together.")
            refusal.status = 400
            raise refusal
        kept, token = AuthToken.objects.create(user=person)
        return Response(
            {"token": token, "key": kept.token_key, "expiry": kept.expiry},
            status=status.HTTP_201_CREATED,
        )


def _locked_out() -> Exception:
    from rest_framework.exceptions import Throttled

    return Throttled(wait=settings.AXES_COOLOFF_TIME.total_seconds())


class SignOut(APIView):
    """The token that this request is sent with is good no more."""

    @extend_schema(operation_id="token_end", tags=["token"], request=None, responses={204: None})
    def post(self, request: Request) -> Response:
        if not isinstance(request.auth, AuthToken):
            refusal = Refusal(
                "no_token", "This request came without a token; there is none to end."
            )
            refusal.status = 400
            raise refusal
        request.auth.delete()
        return Response(status=status.HTTP_204_NO_CONTENT)


class OwnTokens(APIView):
    """One's own tokens that still hold."""

    @extend_schema(
        operation_id="token_list", tags=["token"], responses={200: TokenSerializer(many=True)}
    )
    def get(self, request: Request) -> Response:
        rows = AuthToken.objects.filter(user=request.user).order_by("-created")
        return Response(TokenSerializer(rows, many=True, context={"request": request}).data)


class OwnToken(APIView):
    """Take one of one's own tokens back: a tablet was lost."""

    @extend_schema(operation_id="token_take_back", tags=["token"], responses={204: None})
    def delete(self, request: Request, key: str) -> Response:
        gone, _ = AuthToken.objects.filter(user=request.user, token_key=key).delete()
        if not gone:
            raise NotFound
        return Response(status=status.HTTP_204_NO_CONTENT)


# --- addresses ------------------------------------------------------------------------------------


@extend_schema(exclude=True)
class Nowhere(APIView):
    """Every other address under api/, in the API's own shape."""

    authentication_classes: list[Any] = []
    permission_classes = [AllowAny]

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        raise NotFound


class Page(SpectacularSwaggerSplitView):
    template_name = "api.html"
    url_name = "schema"


def _apps() -> list[URLPattern | URLResolver]:
    router = SimpleRouter()
    own: list[URLPattern] = []
    for app in apps.get_app_configs():
        if app.module is not None and module_has_submodule(app.module, "api"):
            api = import_module(f"{app.name}.api")
            if app.name != "config" and hasattr(api, "register"):
                api.register(router)
                own += api.urls()
    return [*own, *router.urls]


def addresses() -> list[URLPattern | URLResolver]:
    """All under api/, for the project's own addresses."""
    return [
        path("", Page.as_view(), name="api"),
        path("schema/", SpectacularAPIView.as_view(), name="schema"),
        path("v1/token/", SignIn.as_view(), name="token"),
        path("v1/token/logout/", SignOut.as_view(), name="token-logout"),
        path("v1/tokens/", OwnTokens.as_view(), name="tokens"),
        path("v1/tokens/<slug:key>/", OwnToken.as_view(), name="own-token"),
        path("v1/", include(_apps())),
        re_path("", Nowhere.as_view()),
    ]
