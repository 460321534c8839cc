"""Names: numbers, twins, and the 255 bytes of a file name."""

import os
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from printqueue.core import naming

# Any file name that Linux allows: 1 to 255 bytes without NUL and '/', not '.' or '..', as os.listdir gives it.
RAW = st.binary(min_size=1, max_size=255).filter(lambda b: not set(b) & {0, 0x2F} and b not in (b".", b".."))
TEXT = st.text(min_size=1, max_size=120).map(lambda t: t.encode("utf-8", "ignore")).filter(lambda b: 0 < len(b) <= 255)
NAMES = st.one_of(RAW, TEXT.filter(lambda b: not set(b) & {0, 0x2F} and b not in (b".", b".."))).map(os.fsdecode)


@pytest.mark.parametrize(
    ("name", "parts"),
    [
        ("Fog.tif", ("Fog", ".tif")),
        ("Fog", ("Fog", "")),
        (".tif", (".tif", "")),
        ("a.b.tif", ("a.b", ".tif")),
        ("Slipway no. 3 at the old harbour", ("Slipway no. 3 at the old harbour", "")),
        ("", ("", "")),
    ],
)
def test_split(name: str, parts: tuple[str, str]) -> None:
    """A name is split at its last point, unless nothing stands before it or too much behind it to be an extension."""
    assert naming.split(name) == parts


@given(NAMES)
def test_split_loses_nothing(name: str) -> None:
    """Stem and extension together are the name."""
    assert "".join(naming.split(name)) == name


@given(NAMES, st.integers(1, 9999))
def test_every_name_of_a_group_fits(name: str, number: int) -> None:
    """Numbered pictures, orders and companions of any legal name are legal names of at most 255 bytes."""
    stem, extension = naming.split(name)
    short = naming.companion_stem(stem)
    names = [naming.numbered(short, number) + ending for ending in (*naming.COMPANIONS, naming.PRINT, ".order.yaml")]
    names.append(naming.numbered(stem, number) + extension)
    if number > 1:
        names.append(naming.numbered(stem, number) + extension + ".order.yaml")
    for one in names:
        assert 0 < len(os.fsencode(one)) <= naming.MAX_BYTES
        assert "/" not in one
        assert "\0" not in one


@given(NAMES)
def test_first_of_a_name_is_unchanged(name: str) -> None:
    """Number 1 is the name itself."""
    assert naming.numbered(name, 1) == name


def test_long_stem_is_cut_between_characters() -> None:
    """A stem of two-byte letters is shortened by whole letters."""
    short = naming.companion_stem("ü" * 125)
    assert set(short) == {"ü"}
    assert len(short) < 125


@given(st.text(max_size=40))
def test_twins(name: str) -> None:
    """Composed, decomposed, upper and lower case of a name that keeps its letters are one name."""
    key = naming.twin_key(name)
    assert naming.twin_key(unicodedata.normalize("NFD", name)) == naming.twin_key(unicodedata.normalize("NFC", name))
    assert naming.twin_key(unicodedata.normalize("NFC", name)) == key


@pytest.mark.parametrize(("one", "other"), [("FOG.tif", "fog.TIF"), ("Straße", "STRASSE"), ("Übung", "U\u0308BUNG")])
def test_case_twins(one: str, other: str) -> None:
    """Names that differ in case or composition only have one key."""
    assert naming.twin_key(one) == naming.twin_key(other)
