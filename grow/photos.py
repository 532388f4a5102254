"""Photographs by API: sent before the act that names them, fetched by who may see what they show.

A packet's picture may stand for the typing. It is re-encoded before anything else is done with it,
so that what is kept is a picture and nothing that came along with it.
"""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.exceptions import NotFound
from rest_framework.parsers import BaseParser
from rest_framework.permissions import IsAuthenticated
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from . import scope
from .errors import Refusal
from .operations import keep_photo
from .rest import MayLook, who

#: More than any phone's camera makes of one picture, in bytes.
MOST = 12 * 1024 * 1024
SENT_AS = ("image/jpeg", "image/png", "image/webp")


def too_large() -> Refusal:
    """What is said of a picture beyond `MOST`."""
    refusal = Refusal(
        "too_large", f"A picture may have {MOST // 1024 // 1024} MB at most; send a smaller one."
    )
    refusal.status = 413
    return refusal


class Picture(BaseParser):
    """The bytes of one picture, as they are."""

    media_type = "image/*"

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        sent: bytes = stream.read(MOST + 1)
        if len(sent) > MOST:
            raise too_large()
        return sent


class Jpeg(BaseRenderer):
    media_type = "image/jpeg"
    format = "jpeg"
    charset = None
    render_style = "binary"

    def render(self, data: Any, media_type: Any = None, renderer_context: Any = None) -> bytes:
        return bytes(data)


class PhotoSerializer(serializers.Serializer):
    """The number by which an act names the photograph."""

    id = serializers.IntegerField()


class MayTell(MayLook):
    """Whoever tells anything may send a picture of it."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        return request.user.has_perm("grow.add_event")


class Photos(APIView):
    """Send one picture; the answer is the number by which an act names it. The same picture sent
    again has the same number."""

    permission_classes = [IsAuthenticated, MayTell]
    parser_classes = [Picture]

    @extend_schema(
        operation_id="photo_send",
        tags=["acts"],
        request=dict.fromkeys(SENT_AS, OpenApiTypes.BINARY),
        responses={201: PhotoSerializer},
    )
    def post(self, request: Request) -> Response:
        kept = request.data if isinstance(request.data, bytes) else b""
        return Response({"id": keep_photo(kept, who(request)).pk}, 201)


class OnePhoto(APIView):
    """A photograph, as JPEG, of a lot or a note that one may see."""

    permission_classes = [IsAuthenticated, MayLook]
    needs = "grow.view_lot"
    renderer_classes = [JSONRenderer, Jpeg]

    @extend_schema(
        operation_id="photo",
        tags=["readings"],
        responses={(200, "image/jpeg"): OpenApiResponse(OpenApiTypes.BINARY)},
    )
    def get(self, request: Request, pk: int) -> HttpResponse:
        photo = scope.photo(pk, who(request))
        if photo is None:
            raise NotFound
        return HttpResponse(bytes(photo.jpeg), content_type="image/jpeg")
