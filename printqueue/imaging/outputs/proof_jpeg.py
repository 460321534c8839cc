"""A picture for the eyes as a JPEG in sRGB, its profile embedded. Nothing of its master's metadata is in it."""

from __future__ import annotations

from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from printqueue.imaging.colour import spaces

PROOF_QUALITY, THUMBNAIL_QUALITY = 88, 80


def write(out: BinaryIO, pixels: NDArray[np.uint8], *, ppi: int, quality: int) -> None:
    """Write (H, W, 3) sRGB codes. The same pixels give the same bytes on this kind of machine: no clock is in them.

    Full colour resolution (4:4:4): the edges of coloured marks must not fray.
    """
    image = Image.fromarray(pixels)
    image.save(out, "JPEG", quality=quality, subsampling=0, dpi=(ppi, ppi), icc_profile=spaces.profile_bytes("srgb"))
