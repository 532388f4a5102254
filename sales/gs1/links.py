"""GS1 Digital Link URIs, uncompressed: https://HOST/01/GTIN/10/LOT?17=YYMMDD."""

from __future__ import annotations

import re
from collections.abc import Callable
from urllib.parse import quote, unquote, unquote_plus

from grow.errors import Refusal

from .identifiers import Elements, elements, identifier
from .table import KEYS, NOT_IN_QUERY
from .values import check

CANONICAL = "https://id.gs1.org"
_URI = re.compile(r"(https?://[^/?#\s]+)(/[^?#\s]*)?(?:\?([^#\s]*))?(?:#\S*)?", re.IGNORECASE)
_STEM = re.compile(r"https?://[^/?#\s]+(/[^?#\s]*)?", re.IGNORECASE)
#: Alphanumeric mode of ISO/IEC 18004, which takes 5.5 bits a character instead of 8.
_ALPHANUMERIC = re.compile(r"[0-9A-Z $%*+\-./:]*")


def link(given: Elements, stem: str = CANONICAL) -> str:
    """The URI: its key and what qualifies it in the path, all else in the query, as they come.

    stem: https://HOST, with a path of one's own or without. Raises Refusal where no AI can be the
    key, or one has no place in the URI."""
    path, query = _laid_out(given)
    attributes = "&".join(f"{ai}={_quoted(given[ai])}" for ai in query)
    return _path(given, path, stem) + (f"?{attributes}" if attributes else "")


def canonical(given: Elements) -> str:
    """The one URI that all which say the same have in common."""
    path, query = _laid_out(given)
    rest = {ai: given[ai] for ai in sorted(query)}
    return link(Elements({ai: given[ai] for ai in path} | rest))


def in_capitals(given: Elements, stem: str) -> str:
    """HTTPS://HOST/01/GTIN/10/LOT, for a QR of fewer modules.

    Raises Refusal for a lot or a path of the stem in small letters, which would then be another's,
    for attributes, and for what a QR cannot hold in its alphanumeric mode."""
    path, query = _laid_out(given)
    host = re.match(r"https?://[^/]+", stem, re.IGNORECASE)
    start = host[0].upper() + stem[host.end() :] if host else stem
    uri = _path(given, path, start)
    if query or not _ALPHANUMERIC.fullmatch(uri):
        raise Refusal(
            "gs1_capitals",
            f"{link(given, stem)} cannot be written in capitals alone: that takes a lot of "
            "capitals, digits and hyphens, and nothing after it.",
        )
    return uri


def parse_link(uri: str) -> Elements:
    """The AIs of a Digital Link, its own stem passed over: those of the path, then of the query.

    Raises Refusal for what is none, or says what cannot be."""
    found = _URI.fullmatch(uri)
    if found is None:
        raise _no_link(uri, "it is no web address")
    path = _pairs_of_path(uri, (found[2] or "").removeprefix("/").split("/"))
    query = _pairs_of_query(found[3] or "")
    pairs = [*path, *query]
    given = [ai for ai, _ in pairs]
    if twice := next((ai for ai in given if given.count(ai) > 1), None):
        raise Refusal("gs1_repeated", f"({twice}) stands twice in {uri}.", ai=twice)
    key, *qualifiers = (ai for ai, _ in path)
    ways = KEYS[key]
    if not any(_in_order(qualifiers, way) for way in ways):
        order = " or ".join("/".join(way) or "nothing" for way in ways)
        raise _no_link(uri, f"after /{key}/ may follow {order}, in that order")
    for ai, _ in query:
        if any(ai in way for way in ways):
            raise _no_link(uri, f"({ai}) belongs in the path, not after the question mark")
        if ai in NOT_IN_QUERY:
            raise _no_link(uri, f"({ai}) may not stand after the question mark")
    return elements(pairs)


def _laid_out(given: Elements) -> tuple[list[str], list[str]]:
    """The AIs of the path and those of the query. Raises Refusal where one has no place."""
    key = next((ai for ai in given if ai in KEYS), None)
    if key is None:
        raise Refusal(
            "gs1_no_key",
            "A Digital Link begins with what it is of, such as a GTIN (01); there is none.",
        )
    way = max(KEYS[key], key=lambda way: sum(ai in given for ai in way))
    path = [key, *(ai for ai in way if ai in given)]
    query = [ai for ai in given if ai not in path]
    qualifiers = {ai for way in KEYS[key] for ai in way}
    if left := next((ai for ai in query if ai in NOT_IN_QUERY or ai in qualifiers), None):
        raise Refusal(
            "gs1_no_place",
            f"({left}) has no place in a Digital Link that begins with ({key}).",
            ai=left,
        )
    return path, query


def _path(given: Elements, path: list[str], stem: str) -> str:
    if not _STEM.fullmatch(stem):
        raise Refusal(
            "gs1_stem", f"“{stem}” is no web address; write https:// and the host's name."
        )
    return "/".join([stem.rstrip("/"), *(f"{ai}/{_quoted(given[ai])}" for ai in path)])


def _quoted(value: str) -> str:
    return quote(value, safe="")


def _pairs_of_path(uri: str, segments: list[str]) -> list[tuple[str, str]]:
    """From the last key that stands where an AI may, as the stem may hold anything."""
    for start in range(len(segments) - 2, -1, -2):
        if segments[start] in KEYS:
            own = segments[start:]
            return [
                (ai, _unquoted(value, unquote))
                for ai, value in zip(own[::2], own[1::2], strict=True)
            ]
    raise _no_link(uri, "its path does not end in pairs such as /01/GTIN/10/LOT")


def _pairs_of_query(query: str) -> list[tuple[str, str]]:
    """Keys in words are not GS1's, and passed over."""
    pairs = [part.partition("=") for part in query.split("&")]
    return [
        (identifier(key).ai, _unquoted(value, unquote_plus))
        for key, _, value in pairs
        if re.fullmatch("[0-9]+", key)
    ]


def _unquoted(value: str, how: Callable[[str], str]) -> str:
    check("pcenc", value)
    return how(value)


def _in_order(some: list[str], way: tuple[str, ...]) -> bool:
    return [ai for ai in way if ai in some] == some


def _no_link(uri: str, why: str) -> Refusal:
    return Refusal("gs1_link", f"{uri} is no Digital Link: {why}.")
