"""What a master says of where, when and with what it was made: the print carries the maker's words, and nothing else of it."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from PIL import Image

from printqueue.imaging.colour import spaces
from tests.cli.support import run

pytestmark = pytest.mark.slow

PLANTED = {
    "EXIF:GPSLatitude": "54.3217",
    "EXIF:GPSLatitudeRef": "N",
    "EXIF:GPSLongitude": "8.7654",
    "EXIF:GPSLongitudeRef": "E",
    "XMP-exif:GPSLatitude": "54.3217",
    "EXIF:SerialNumber": "SN-4711-body",
    "EXIF:LensSerialNumber": "SN-4712-lens",
    "XMP-aux:SerialNumber": "SN-4711-body",
    "EXIF:OwnerName": "somebody private",
    "IPTC:City": "Saltmouth",
    "XMP-iptcCore:Location": "Saltmouth quay",
    "EXIF:UserComment": "a private remark",
    "EXIF:Make": "A maker of cameras",
}
CARRIED = {
    "EXIF:Artist": "A. Keeper",
    "EXIF:Copyright": "(c) A. Keeper",
    "XMP-dc:Title": "Low tide",
    "IPTC:Caption-Abstract": "Boats on the hard",
    "EXIF:DateTimeOriginal": "2024:02:29 08:00:00",
}
PRIVATE = ("54.3217", "54.32", "8.765", "SN-471", "somebody private", "Saltmouth", "private remark", "maker of cameras")


def exiftool(*words: str) -> bytes:
    """Run it; a missing tool skips, or fails where tools are required."""
    if shutil.which("exiftool") is None:
        required = os.environ.get("PRINTQUEUE_REQUIRE_TOOLS") == "1"
        (pytest.fail if required else pytest.skip)("exiftool is not installed")
    return subprocess.run(["exiftool", *words], capture_output=True, check=True, timeout=60).stdout


def tags(path: Path) -> dict[str, Any]:
    """Every tag that exiftool finds, with its family 1 group."""
    found: list[dict[str, Any]] = json.loads(exiftool("-j", "-a", "-G1", "-ee", str(path)))
    return found[0]


@pytest.mark.parametrize("name", ["Boats.jpg", "Boats.tif"])
def test_places_serials_and_thumbnails_stay_out(
    name: str, studio: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Planted by exiftool into a master, found there by it, and not found by it (nor in the bytes) in the print."""
    path, icc = tmp_path / name, spaces.profile_bytes("srgb")
    y, x = np.mgrid[0:600, 0:900]
    pixels = np.stack([90 + x // 9, 60 + y // 6, 120 + (x + y) // 20], -1).astype(np.uint8)
    Image.fromarray(pixels).save(path, icc_profile=icc)
    thumbnail = tmp_path / "thumbnail.jpg"
    Image.fromarray(pixels[::6, ::6]).save(thumbnail)
    values = [f"-{tag}={value}" for tag, value in (PLANTED | CARRIED).items()]
    exiftool("-q", "-overwrite_original", *values, f"-ThumbnailImage<={thumbnail}", str(path))
    before = json.dumps(tags(path))
    assert all(word in before for word in ("SN-4711-body", "Saltmouth", "somebody private", "A. Keeper"))
    out = tmp_path / "print.tif"
    ran = run(capsys, "-C", str(studio), "render", str(path), "--paper", "smooth-rag", "--size", "A5", "-o", str(out))
    assert ran.code == 0, ran.out + ran.err
    after = tags(out)
    said = json.dumps(after)
    for word in PRIVATE:
        assert word not in said
        assert word.encode() not in out.read_bytes()
    assert not [
        tag for tag in after if "GPS" in tag or "Thumbnail" in tag or "Serial" in tag or tag.startswith("IPTC:")
    ]
    assert after["IFD0:Artist"] == "A. Keeper"
    assert after["IFD0:Copyright"] == "(c) A. Keeper"
    assert after["XMP-dc:Title"] == "Low tide"
    assert after["XMP-dc:Description"] == "Boats on the hard"
    assert after["XMP-exif:DateTimeOriginal"] == "2024:02:29 08:00:00"
    with tifffile.TiffFile(out) as tiff:
        assert len(tiff.pages) == 1
