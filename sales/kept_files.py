"""A file that a page carries from one press to the next, so that it is chosen once."""

from __future__ import annotations

import base64
import binascii
import zlib

from grow.errors import Refusal
from grow.importing.sheets import MOST_BYTES


def packed(content: bytes) -> str:
    """As a hidden field holds it."""
    return base64.b64encode(zlib.compress(content)).decode() if content else ""


def unpacked(kept: str, what: str = "the file") -> bytes:
    """Raises Refusal for what is none of ours."""
    try:
        opened = zlib.decompressobj()
        return opened.decompress(base64.b64decode(kept, validate=True), MOST_BYTES + 1)
    except (ValueError, binascii.Error, zlib.error) as error:
        raise Refusal("no_file", f"Choose {what} once more.") from error
