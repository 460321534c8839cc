"""A JPEG for looking at: sRGB, profile embedded, none of the master's metadata."""

from __future__ import annotations

from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from printqueue.imaging.colour import spaces

PROOF_QUALITY, THUMBNAIL_QUALITY = 88, 80


def write(out: BinaryIO, pixels: NDArray[np.uint8], *, ppi: int, quality: int) -> None:
    """Write (H, W, 3) sRGB codes. The same pixels give the same bytes on machines of one kind; there is no timestamp.

    Full colour resolution (4:4:4) keeps the edges of coloured marks clean.
    """
    image = Image.fromarray(pixels)
    image.save(out, "JPEG", quality=quality, subsampling=0, dpi=(ppi, ppi), icc_profile=spaces.profile_bytes("srgb"))
