"""The profile reader: what it finds against exiftool, what it refuses, with which words."""

from __future__ import annotations

import json
import os
import shutil
import struct
import subprocess
from pathlib import Path

import pytest
import skimage
from PIL import Image

from printqueue.imaging.colour import spaces
from printqueue.imaging.colour.icc import MAX_BYTES, Profile, ProfileError, read_profile, tag_bytes
from tests.imaging.colour.looking import missing_printer_tags

PROFILES = Path(__file__).parents[3] / "printqueue/rules/profiles"
PICTURES = Path(skimage.__file__).parent / "data"
SRGB = spaces.profile_bytes("srgb")


def exiftool(path: Path) -> dict[str, str]:
    """Header fields of a profile by a parser of another family, in ICC.1's signatures."""
    tool = shutil.which("exiftool")
    if tool is None:
        reason = "exiftool is not installed (Debian package libimage-exiftool-perl)"
        (pytest.fail if os.environ.get("PRINTQUEUE_REQUIRE_TOOLS") == "1" else pytest.skip)(reason)
    command = [tool, "-j", "-n", "-ICC_Profile:all", str(path)]
    found: dict[str, str] = json.loads(subprocess.run(command, capture_output=True, timeout=30, check=True).stdout)[0]
    return found


def edited(*edits: tuple[int, bytes]) -> bytes:
    """Our sRGB profile with bytes overwritten."""
    out = bytearray(SRGB)
    for where, what in edits:
        out[where : where + len(what)] = what
    return bytes(out)


def entry(name: bytes) -> int:
    """Where a tag's entry stands in the tag table."""
    return SRGB.index(name, 128)


@pytest.mark.parametrize("name", ["baryta", "kozo", "smooth-rag", "textured-rag"])
def test_printer_profiles_as_exiftool_reads_them(name: str) -> None:
    """Class, space, connection space, version, description and white are those that exiftool finds."""
    path = PROFILES / f"{name}.icc"
    agree(read_profile(path.read_bytes()), exiftool(path))


@pytest.mark.parametrize("name", ["rocket.jpg", "astronaut.png", "color.png", "page.png"])
def test_profiles_in_the_wild_as_exiftool_reads_them(name: str, tmp_path: Path) -> None:
    """The same for profiles that came with other people's pictures."""
    with Image.open(PICTURES / name) as image:
        data = bytes(image.info["icc_profile"])
    (tmp_path / "p.icc").write_bytes(data)
    agree(read_profile(data), exiftool(tmp_path / "p.icc"))


def agree(ours: Profile, theirs: dict[str, str]) -> None:
    """Fail where the two readers differ."""
    assert (ours.device_class, ours.space) == (theirs["ProfileClass"], theirs["ColorSpaceData"].strip())
    assert ours.pcs == theirs["ProfileConnectionSpace"].strip()
    assert ours.description.strip() == theirs["ProfileDescription"].strip()
    major, minor, *_ = str(theirs["ProfileVersion"]).split(".") if "." in str(theirs["ProfileVersion"]) else (0, 0)
    number = int(theirs["ProfileVersion"]) if not major else 0
    assert ours.version in (f"{major}.{minor}", f"{number >> 8}.{(number >> 4) & 15}")
    assert ours.white == pytest.approx(tuple(map(float, theirs["MediaWhitePoint"].split())), abs=1e-4)


def test_printer_profiles_are_complete() -> None:
    """The shipped papers' profiles lack no tag that ICC.1 asks of a colour printer; a display's lacks the tables."""
    facts = read_profile((PROFILES / "baryta.icc").read_bytes())
    assert missing_printer_tags(facts) == ()
    assert facts.is_demonstration
    assert set(missing_printer_tags(read_profile(SRGB))) == {"A2B0", "A2B1", "A2B2", "B2A0", "B2A1", "B2A2", "gamt"}


@pytest.mark.parametrize(
    ("data", "words"),
    {
        "nothing": (b"", "only 0 bytes"),
        "header cut": (SRGB[:131], "only 131 bytes"),
        "end cut": (SRGB[:-1], "cut short or damaged"),
        "end longer": (SRGB + b"\0", "but \\d+ are there"),
        "no mark": (edited((36, b"acsq")), "acsp"),
        "no class": (edited((12, b"abcd")), "class is none"),
        "too many tags": (edited((128, struct.pack(">I", 201))), "201 entries"),
        "tags past the end": (edited((128, struct.pack(">I", 60))), "60 entries"),
        "count of all ones": (edited((128, b"\xff" * 4)), "4294967295 entries"),
        "offset past the end": (edited((entry(b"wtpt") + 4, struct.pack(">I", len(SRGB)))), "outside the profile"),
        "offset in the header": (edited((entry(b"wtpt") + 4, struct.pack(">I", 100))), "outside the profile"),
        "size past the end": (edited((entry(b"wtpt") + 8, b"\x7f\xff\xff\xff")), "outside the profile"),
        "sum wraps 32 bits": (
            edited((entry(b"wtpt") + 4, struct.pack(">II", 0xFFFFFFF0, 0x20))),
            "outside the profile",
        ),
        "empty tag": (edited((entry(b"wtpt") + 8, bytes(4))), "outside the profile"),
    }.values(),
)
def test_broken_profiles(data: bytes, words: str) -> None:
    """Each way to be broken is told in one clause that goes on after 'the profile cannot be used:'."""
    with pytest.raises(ProfileError, match=words) as caught:
        read_profile(data)
    assert str(caught.value)[0].islower()
    assert not str(caught.value).endswith(".")


def test_size_is_bounded() -> None:
    """A profile over 16 MB is refused before anything in it is read."""
    with pytest.raises(ProfileError, match="larger than 16 MB"):
        read_profile(SRGB + bytes(MAX_BYTES))


def test_a_missing_tag_is_named() -> None:
    """Asking for a tag that is not there says which one."""
    assert tag_bytes(SRGB, "rXYZ")[:4] == b"XYZ "
    with pytest.raises(ProfileError, match="no A2B0 tag"):
        tag_bytes(SRGB, "A2B0")


@pytest.mark.parametrize("kind", [b"mluc", b"text", b"desc"])
def test_damaged_descriptions_do_no_harm(kind: bytes) -> None:
    """A description whose lengths lie gives some text or none, never an error."""
    (offset,) = struct.unpack_from(">I", SRGB, entry(b"desc") + 4)
    for lie in (b"\xff" * 20, bytes(20), struct.pack(">5I", 1, 12, 0, 0x7FFFFFFF, 0x7FFFFFF0)):
        data = edited((offset, kind), (offset + 8, lie))
        assert len(read_profile(data).description) <= 800


def test_a_white_of_another_type_is_none() -> None:
    """A white point that is no XYZ is left out instead of being misread."""
    (offset,) = struct.unpack_from(">I", SRGB, entry(b"wtpt") + 4)
    assert read_profile(edited((offset, b"sf32"))).white is None
