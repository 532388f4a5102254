"""Tokens for devices and programs. Apart from the views: those load it while they load."""

from __future__ import annotations

from typing import Any

from drf_spectacular.extensions import OpenApiAuthenticationExtension
from knox.auth import TokenAuthentication
from rest_framework.exceptions import AuthenticationFailed


class Tokens(TokenAuthentication):
    """A hashed, expiring token: `Authorization: Token …`."""

    def authenticate_credentials(self, token: bytes) -> Any:
        if not (token.isascii() and token.isalnum()):
            raise AuthenticationFailed("Invalid token.")
        return super().authenticate_credentials(token)


class TokensInSchema(OpenApiAuthenticationExtension):
    target_class = "config.tokens.Tokens"
    name = "token"

    def get_security_definition(self, auto_schema: Any) -> dict[str, Any]:
        return {
            "type": "apiKey",
            "in": "header",
            "name": "Authorization",
            "description": "“Token ” and the token that /api/v1/token/ gave.",
        }
