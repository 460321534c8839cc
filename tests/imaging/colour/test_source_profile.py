"""Which profile a picture is read through: found pictures with their own profiles, and made-up ones for each state."""

from __future__ import annotations

import re
import struct
from pathlib import Path
from typing import Literal

import pytest
import skimage
from PIL import Image

from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.profile_state import ProfileState
from printqueue.imaging.colour import spaces
from printqueue.imaging.colour.icc import read_profile
from printqueue.imaging.colour.source_profile import SourceProfile, choose
from printqueue.imaging.decode.opening import open_picture
from printqueue.imaging.decode.reader import Bounds

PICTURES = Path(skimage.__file__).parent / "data"
PROFILES = Path(__file__).parents[3] / "printqueue/rules/profiles"
Colour = Literal["rgb", "grey"]


def facts(colour: Colour = "rgb", declared: Literal["srgb", "adobe-rgb"] | None = None) -> PictureFacts:
    """A small 8-bit picture."""
    return PictureFacts("JPEG", 60, 40, 8, colour, declared_space=declared)


def edited(data: bytes, *edits: tuple[int, bytes]) -> bytes:
    """The profile with bytes overwritten."""
    out = bytearray(data)
    for where, what in edits:
        out[where : where + len(what)] = what
    return bytes(out)


def tag_offset(data: bytes, name: bytes) -> int:
    """Where a tag's body lies, by ICC.1's layout."""
    (count,) = struct.unpack_from(">I", data, 128)
    rows = [struct.unpack_from(">4sII", data, 132 + 12 * i) for i in range(count)]
    return next(int(offset) for signature, offset, _ in rows if signature == name)


SRGB = spaces.profile_bytes("srgb")


@pytest.mark.parametrize(
    ("name", "state", "title"),
    [
        ("rocket.jpg", "fine", "Adobe RGB (1998)"),
        ("astronaut.png", "fine", "sRGB IEC61966-2.1"),
        ("hubble_deep_field.jpg", "fine", "sRGB IEC61966-2.1"),
        ("color.png", "display", "Color LCD"),
        ("page.png", "fine", "Dot Gain 20%"),
        ("coffee.png", "missing", ""),
        ("retina.jpg", "missing", ""),
    ],
)
def test_pictures_in_the_wild(name: str, state: str, title: str) -> None:
    """Pictures that scikit-image ships (profiles read apart by exiftool) get the state that fits, and their own bytes."""
    with (PICTURES / name).open("rb") as handle:
        source = open_picture(handle, Bounds())
        chosen = choose(source.facts, source.icc, None)
    assert (chosen.state, chosen.name) == (state, title)
    assert chosen.data == source.icc
    assert (chosen.facts is None) == (source.icc is None)


def test_a_declaration_serves_without_a_profile() -> None:
    """EXIF or PNG saying the space is taken at its word, with our profile of it."""
    chosen = choose(facts(declared="adobe-rgb"), None, None)
    assert (chosen.state, chosen.name, chosen.data) == (
        "declared",
        "Adobe RGB (1998)",
        spaces.profile_bytes("adobe-rgb"),
    )
    assert choose(facts("grey", declared="srgb"), None, None).state == "missing", "a declared RGB space fits no grey"


@pytest.mark.parametrize("key", spaces.SPACES)
def test_an_order_may_assume(key: str) -> None:
    """`assume_profile` serves where nothing is embedded, before a declaration."""
    chosen = choose(facts(declared="srgb"), None, key)
    assert (chosen.state, chosen.data) == ("assumed", spaces.profile_bytes(key))
    assert chosen.facts == read_profile(spaces.profile_bytes(key))
    assert chosen.space_key == ("romm" if key == "romm" else None)


def test_an_order_does_not_override_what_is_embedded() -> None:
    """A usable embedded profile wins; a printer's is not papered over; a broken one may be replaced."""
    assert choose(facts(), SRGB, "romm").data == SRGB
    assert choose(facts(), (PROFILES / "baryta.icc").read_bytes(), "srgb").state == "printer"
    assert choose(facts(), SRGB[:-1], "romm").state == "assumed"
    assert choose(facts("grey"), None, "srgb").state == "missing", "an RGB space fits no grey"


def test_a_broken_profile_is_not_replaced_by_a_declaration() -> None:
    """Where a profile is there but damaged, only the order may say what was meant."""
    chosen = choose(facts(declared="srgb"), SRGB[:-1], None)
    assert chosen.state == "unreadable"
    assert "cut short" in chosen.problem


@pytest.mark.parametrize("name", ["baryta", "kozo", "smooth-rag", "textured-rag"])
def test_rgb_of_the_printer_class(name: str) -> None:
    """RGB that is converted for a printer already is told apart, under the profile's own name."""
    data = (PROFILES / f"{name}.icc").read_bytes()
    chosen = choose(facts(), data, None)
    assert chosen.state == "printer"
    assert chosen.data == data, "the artist may allow it, and then it is what the numbers mean"
    assert chosen.name.startswith("DEMONSTRATION")


UNUSABLE = {
    "empty": (b"", "rgb", "0 bytes"),
    "grey profile in RGB": (edited(SRGB, (16, b"GRAY")), "rgb", "is for GRAY pixels, the file has RGB"),
    "RGB profile in grey": (SRGB, "grey", "is for RGB pixels, the file has GRAY"),
    "CMYK profile in RGB": (edited(SRGB, (16, b"CMYK")), "rgb", "is for CMYK pixels"),
    "device link": (edited(SRGB, (12, b"link")), "rgb", "device link profile, which cannot describe a picture"),
    "abstract": (edited(SRGB, (12, b"abst")), "rgb", "abstract profile"),
    "no class": (edited(SRGB, (12, b"zzzz")), "rgb", "class is none"),
    "no curve": (edited(SRGB, (SRGB.index(b"gTRC"), b"xxxx")), "rgb", "lacks the tables"),
    "curve of no kind": (edited(SRGB, (tag_offset(SRGB, b"rTRC"), b"XYZ ")), "rgb", "tone curve|colour engine"),
    "white is black": (
        edited(SRGB, (tag_offset(SRGB, b"rTRC") + 8, struct.pack(">HHi3i", 3, 0, 65536, 0, 0, 0))),
        "rgb",
        "white to black",
    ),
}


@pytest.mark.parametrize("case", UNUSABLE)
def test_unusable_profiles(case: str) -> None:
    """What cannot describe these pixels is unreadable, says why in a clause, and gives no bytes to convert with."""
    data, colour, words = UNUSABLE[case]
    chosen = choose(facts("grey" if colour == "grey" else "rgb"), data, None)
    assert (chosen.state, chosen.data, chosen.facts) == ("unreadable", None, None)
    assert re.search(words, chosen.problem), chosen.problem


@pytest.mark.parametrize("tag", [b"A2B0", b"A2B1", b"A2B2"])
def test_one_broken_table_makes_it_unreadable(tag: bytes) -> None:
    """A table for one intent that is broken is found before a print asks for that intent, not while it is made."""
    whole = edited((PROFILES / "smooth-rag.icc").read_bytes(), (12, b"spac"))
    assert choose(facts(), whole, None).state == "fine"
    white = struct.pack(">II", tag_offset(whole, b"wtpt"), 20)
    broken = edited(whole, (whole.index(tag, 128, 128 + 4 + 12 * 20) + 4, white))
    assert choose(facts(), broken, None).state == "unreadable"


def test_a_hostile_name_is_shown_tamed() -> None:
    """Control characters in a profile's description never reach a terminal or a page."""
    name = "sRGB".encode("utf-16-be")
    hostile = "\x1b[2J".encode("utf-16-be")
    at = SRGB.index(name)
    chosen = choose(facts(), edited(SRGB, (at, hostile)), None)
    assert "\x1b" not in chosen.name


@pytest.mark.parametrize(
    ("title", "state"), [("sRGB", "fine"), ("abcd", "display"), ("ROMM", "fine"), ("P3  ", "fine"), ("L*  ", "fine")]
)
def test_display_profiles_by_name(title: str, state: str) -> None:
    """A display-class profile that is named like no working space is one display's own."""
    data = edited(SRGB, (SRGB.index("sRGB".encode("utf-16-be")), title.encode("utf-16-be")))
    assert choose(facts(), data, None).state == state


@pytest.mark.parametrize("device_class", [b"scnr", b"spac"])
def test_scanner_and_colour_space_classes_are_fine(device_class: bytes) -> None:
    """A scanner's profile and a colour space's describe pictures, whatever their names."""
    data = edited(SRGB, (12, device_class), (SRGB.index("sRGB".encode("utf-16-be")), "abcd".encode("utf-16-be")))
    assert choose(facts(), data, None).state == "fine"


def test_wide_spaces_are_known_by_name() -> None:
    """8 bits in ROMM can band: the key says which profiles are meant."""
    assert SourceProfile(ProfileState.FINE, "ProPhoto RGB").space_key == "romm"
    assert SourceProfile(ProfileState.FINE, "ROMM RGB: ISO 22028-2").space_key == "romm"
    assert SourceProfile(ProfileState.FINE, "Adobe RGB (1998)").space_key is None


@pytest.mark.parametrize("device_class", [b"mntr", b"scnr", b"prtr", b"spac"])
def test_grey_of_any_class_with_a_curve(device_class: bytes) -> None:
    """Grey with a curve is fine whatever its class: a dot-gain profile is a printer's, and usual."""
    with Image.open(PICTURES / "page.png") as image:
        data = edited(bytes(image.info["icc_profile"]), (12, device_class))
    assert choose(facts("grey"), data, None).state == "fine"
