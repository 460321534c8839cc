"""Pictures that scikit-image ships, read from its own installed files and compared to Pillow's pixels.

The table was read once with exiftool 12.57 (a parser of its own); pixels per metre are given as ppi to 0.01.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skimage
from PIL import Image

from printqueue.core.errors import PictureError
from printqueue.imaging.decode.opening import open_picture
from printqueue.imaging.decode.reader import Bounds
from printqueue.imaging.decode.whole import probe

FOLDER = Path(skimage.__file__).parent / "data"
# file: (width, height, colour, alpha, ppi, bytes of the profile or None, pages)
TABLE: dict[str, tuple[int, int, str, bool, float | None, int | None, int]] = {
    "rocket.jpg": (640, 427, "rgb", False, 72.0, 560, 1),  # a wide working space, not sRGB
    "hubble_deep_field.jpg": (1000, 872, "rgb", False, 300.0, 3144, 1),  # sRGB
    "retina.jpg": (1411, 1411, "rgb", False, 150.0, None, 1),
    "astronaut.png": (512, 512, "rgb", False, 300.0, 3144, 1),  # sRGB
    "chelsea.png": (451, 300, "rgb", False, 72.01, 3144, 1),
    "color.png": (371, 370, "rgb", False, None, 4376, 1),  # a display's own profile
    "page.png": (384, 191, "grey", False, 72.01, 912, 1),  # a grey profile of the printer class
    "coffee.png": (600, 400, "rgb", False, 96.01, None, 1),
    "horse.png": (400, 328, "rgb", True, 72.01, None, 1),
    "logo.png": (500, 500, "rgb", True, 100.0, None, 1),
    "camera.png": (512, 512, "grey", False, 72.01, None, 1),
    "text.png": (448, 172, "grey", False, None, None, 1),
    "multipage.tif": (10, 15, "grey", False, 72.0, None, 2),
}


@pytest.mark.parametrize("name", TABLE)
def test_facts_and_pixels(name: str) -> None:
    """Each picture has the facts that other tools read, and Pillow's pixels."""
    width, height, colour, alpha, ppi, icc, pages = TABLE[name]
    with (FOLDER / name).open("rb") as handle:
        probe(handle, Bounds())
        source = open_picture(handle, Bounds())
        facts = source.facts
        found = np.concatenate([source.rows(top, min(top + 100, height)) for top in range(0, height, 100)])
        assert source.transparent() == _transparent(name)
    assert (facts.width_px, facts.height_px, facts.colour, facts.alpha) == (width, height, colour, alpha)
    assert (facts.ppi, facts.pages) == (ppi, pages)
    assert (None if source.icc is None else len(source.icc)) == icc
    np.testing.assert_array_equal(found, _pillow(name, colour))


def _pillow(name: str, colour: str) -> np.ndarray[Any, Any]:
    with Image.open(FOLDER / name) as image:
        if image.mode in ("L", "I;16"):
            return np.asarray(image)[..., np.newaxis]
        whole = np.asarray(image.convert("RGBA" if "A" in image.mode else "RGB"))[..., :3]
        return whole if colour == "rgb" else whole[..., :1]


def _transparent(name: str) -> bool:
    with Image.open(FOLDER / name) as image:
        return "A" in image.mode and image.getchannel("A").getextrema() != (255, 255)


def test_profiles_are_byte_identical() -> None:
    """The embedded profile is given as it stands in the file, as Pillow gives it."""
    for name, row in TABLE.items():
        if row[5] is None:
            continue
        with (FOLDER / name).open("rb") as handle, Image.open(FOLDER / name) as image:
            assert open_picture(handle, Bounds()).icc == image.info["icc_profile"]


@pytest.mark.parametrize(
    ("name", "word"),
    [("multipage_rgb.tif", "64-bit floating point"), ("no_time_for_that_tiny.gif", "GIF"), ("README.txt", "text file")],
)
def test_other_files_are_refused(name: str, word: str) -> None:
    """What is no printable picture says what it is."""
    with (FOLDER / name).open("rb") as handle, pytest.raises(PictureError, match=word):
        open_picture(handle, Bounds())
