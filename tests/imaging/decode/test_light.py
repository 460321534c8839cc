"""What the modules of the decoder load when they are imported alone."""

from __future__ import annotations

import subprocess
import sys

import pytest

CODECS = {"cv2", "imagecodecs", "tifffile", "PIL"}


@pytest.mark.parametrize(
    ("module", "unwanted"),
    [
        ("errors", CODECS | {"numpy"}),
        ("reader", CODECS | {"numpy"}),
        ("whole", CODECS),
        ("opening", {"cv2", "tifffile", "PIL"}),
    ],
)
def test_what_needs_no_codec_loads_none(module: str, unwanted: set[str]) -> None:
    """Errors and bounds load no large library, the proof that a file is whole loads no codec, and pixels only their own."""
    asked = f"import sys, printqueue.imaging.decode.{module}; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True).stdout.split()
    assert f"printqueue.imaging.decode.{module}" in loaded
    assert not unwanted & set(loaded)
