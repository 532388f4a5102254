"""A scanner that types as on one country's keyboard into a computer that reads another's. What is
garbled how is written out by hand below; the whole layouts are held to those of the X Window
System (xkeyboard-config, read by libxkbcommon), where a system has them."""

from __future__ import annotations

import ctypes
import ctypes.util
import itertools
import re
import string
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grow import codes
from sales import gs1
from sales.gs1.keyboards import _KEYS, _sent

pytestmark = pytest.mark.once


def known(text: str) -> bool:
    """Our codes are letters, figures and hyphens; folding them for comparison drops other signs."""
    ours = re.compile("[A-Z][A-Z0-9-]+")
    return gs1.known_form(text, lambda code: bool(ours.fullmatch(code)) and codes.is_valid(code))


# --- by hand -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("garbled", "meant", "scanner", "computer"),
    [
        ("https>&&farm.example&", "https://farm.example/", "German", "British"),
        ("httpsÖ--farm.example-", "https://farm.example/", "British", "German"),
        ("httpsM!!fqr,:exq,ple!", "https://farm.example/", "British", "French"),
        ("https.>>fqr;<exq;ple>", "https://farm.example/", "French", "British"),
        ("httpsM--fqr,;exq,ple-", "https://farm.example/", "", ""),  # no one computer reads that
        ("H26330/04/0", "H26330-04-0", "German", "British"),
        ("H26330ß04ß0", "H26330-04-0", "British", "German"),
        ('Hé-""à)à\')à', "H26330-04-0", "British", "French"),
        ("H@^##)6)$6)", "H26330-04-0", "French", "US"),
        ('H"^££)6)$6)', "H26330-04-0", "French", "British"),
        ("H26330ß04ß1", "", "", ""),  # mended it would have a wrong check character
        ("H26330ß05ßY", "H26330-05-Z", "British", "German"),
        ("+Q301095212345432131010L1ßA", "]Q301095212345432131010L1-A", "British", "German"),
        ('^A"à&àç(é&é"\'(\'"é&"&àL&', "]Q3010952123454321310L1", "German", "French"),
        ("(01=09521234543213(10=L1", "(01)09521234543213(10)L1", "", ""),
        (")01=09521234543213)10=L1", "(01)09521234543213(10)L1", "British", "German"),
        ("*01(09521234543213*10(L1", "(01)09521234543213(10)L1", "German", "British"),
    ],
)
def test_what_was_garbled_is_mended(garbled: str, meant: str, scanner: str, computer: str) -> None:
    mended = gs1.mended(garbled, known)
    if not scanner:
        assert mended is None
        return
    assert mended == gs1.Mended(meant, scanner, computer)
    assert f"Read as {meant}" in mended.says
    assert f"to type on a {scanner} keyboard" in mended.says
    assert f"set the scanner to {computer}" in mended.says


def test_what_is_right_or_nothing_is_left_alone() -> None:
    for text in ("https://farm.example/", "H26330-04-0", "green salad", "", "ß", "https>", "*"):
        assert gs1.mended(text, known) is None


def test_two_things_that_it_may_have_been_are_none() -> None:
    """Z on a British computer may have been a German scanner's Y or a French one's W."""
    for one in ("Y", "W"):
        found = gs1.mended("Z", lambda text, one=one: text == one)
        assert found is not None
        assert found.text == one
    assert gs1.mended("Z", lambda text: text in ("Y", "W")) is None


LABELS = ["https://farm.example/l/H26330-04-0", "]Q3010952123454321317251130", "H26330-04-0"]


@pytest.mark.parametrize(("scanner", "computer"), [*itertools.permutations(_KEYS, 2)])
def test_every_pair_of_countries_is_told_apart_from_right(scanner: str, computer: str) -> None:
    """What a label holds, garbled by each pair, is mended or refused, never made something else."""
    garble = {sent: read for read, sent in _sent(scanner, computer).items()}
    sent = [label for label in LABELS if all(character in garble for character in label)]
    assert len(sent) >= 2  # a bracket may have no key there
    for label in sent:
        assert known(label)
        typed = "".join(garble[character] for character in label)
        found = gs1.mended(typed, known)
        assert typed == label or (found is not None and found.text == label), typed


@given(st.text(string.ascii_uppercase + string.digits + "-", min_size=6, max_size=14))
def test_what_is_mended_is_known_and_the_text_was_not(text: str) -> None:
    found = gs1.mended(text, known)
    if found is not None:
        assert known(found.text)
        assert not known(text)


# --- the layouts ---------------------------------------------------------------------------------

#: Keys as X numbers them, in the order of `_KEYS`.
_X_KEYS = [49, *range(10, 22), *range(24, 36), *range(38, 49), 51, 94, *range(52, 62)]
_X_NAMES = {
    "British": ("gb", ""),
    "US": ("us", ""),
    "German": ("de", ""),
    "French": ("fr", "azerty"),
}
_DEAD = {"dead_circumflex": "^", "dead_acute": "´", "dead_grave": "`", "dead_diaeresis": "¨"}


class _Names(ctypes.Structure):
    _fields_ = [(n, ctypes.c_char_p) for n in ("rules", "model", "layout", "variant", "options")]


@pytest.fixture(scope="module")
def xkb() -> Any:
    """libxkbcommon with the layouts of xkeyboard-config."""
    path = ctypes.util.find_library("xkbcommon")
    if path is None:
        pytest.skip("libxkbcommon is not installed")
    library = ctypes.CDLL(path)
    library.xkb_context_new.restype = library.xkb_keymap_new_from_names.restype = ctypes.c_void_p
    number = ctypes.c_uint32
    syms = ctypes.POINTER(ctypes.POINTER(number))
    library.xkb_keymap_new_from_names.argtypes = [ctypes.c_void_p, ctypes.POINTER(_Names), number]
    library.xkb_keymap_key_get_syms_by_level.argtypes = [ctypes.c_void_p, *[number] * 3, syms]
    return library


@pytest.mark.parametrize("country", _KEYS)
def test_a_layout_is_that_of_the_x_window_system(country: str, xkb: Any) -> None:
    layout, variant = (name.encode() for name in _X_NAMES[country])
    names = _Names(b"evdev", b"pc105", layout, variant, b"")
    keymap = xkb.xkb_keymap_new_from_names(xkb.xkb_context_new(0), ctypes.byref(names), 0)
    if not keymap:
        pytest.skip("xkeyboard-config is not installed")

    def on_key(key: int, level: int) -> str:
        syms = ctypes.POINTER(ctypes.c_uint32)()
        if not xkb.xkb_keymap_key_get_syms_by_level(keymap, key, 0, level, ctypes.byref(syms)):
            return ""
        text, name = ctypes.create_string_buffer(8), ctypes.create_string_buffer(64)
        xkb.xkb_keysym_to_utf8(syms[0], text, 8)
        xkb.xkb_keysym_get_name(syms[0], name, 64)
        return text.value.decode() or _DEAD.get(name.value.decode(), "")

    for level, row in enumerate(_KEYS[country]):
        ours = row.replace("  ", "")
        theirs = [on_key(key, level) for key in _X_KEYS]
        assert [o for o in ours if o != "·"] == [
            t for o, t in zip(ours, theirs, strict=True) if o != "·"
        ]
