"""Text from outside is shown harmless, short, and still recognisable."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from printqueue.core.text import MAX_SHOWN, shown

# UAX #9: the characters that change the reading direction, and the line separators
DIRECTION = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u2028\u2029"


@given(st.text(st.characters() | st.characters(categories=["Cc", "Cf", "Cs", "Co"])), st.integers(1, 300))
def test_nothing_acts(text: str, limit: int) -> None:
    """No control, direction, private or surrogate character comes out; never more than `limit` characters."""
    result = shown(text, limit=limit)
    assert len(result) <= limit
    assert not {unicodedata.category(char) for char in result} & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    result.encode("utf-8")


@given(st.text(st.characters(categories=["L", "N", "P", "S", "Zs", "M"]), max_size=MAX_SHOWN))
def test_ordinary_text_is_untouched(text: str) -> None:
    """Letters of any script, digits, punctuation and spaces come out as they are."""
    assert shown(text) == text


@given(st.binary(max_size=300))
def test_any_file_name_can_be_shown(name: bytes) -> None:
    """Bytes that are no UTF-8 are shown too, as visible escapes."""
    assert shown(name).isprintable()


@given(st.text(max_size=300))
def test_showing_twice_changes_nothing(text: str) -> None:
    """What was made harmless once stays as it is."""
    assert shown(shown(text)) == shown(text)


@pytest.mark.parametrize("char", DIRECTION)
def test_direction_controls_are_visible(char: str) -> None:
    """A name cannot pretend another ending by turning its reading direction."""
    assert shown(f"fog{char}gpj.tif") == f"fog\\u{ord(char):04x}gpj.tif"


@pytest.mark.parametrize(
    ("text", "result"),
    [
        ("\x1b[31mred", "\\x1b[31mred"),
        ("one\ntwo", "one\\x0atwo"),
        ("\x9b31m", "\\x9b31m"),
        (b"fog\xff.tif", "fog\\xff.tif"),
        ("fog\udcff.tif", "fog\\xff.tif"),
        ("\ud800", "\\ud800"),
        ("\U000e0001", "\\U000e0001"),
        ("é 漁港", "é 漁港"),
        ("x" * 201, "x" * 199 + "…"),
        ("x" * 200, "x" * 200),
    ],
)
def test_examples(text: str | bytes, result: str) -> None:
    """Escapes are those a programmer knows; long text is cut with an ellipsis."""
    assert shown(text) == result
