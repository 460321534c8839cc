"""A picture to look at: a JPEG in sRGB, its profile embedded, without any of the master's metadata."""

from __future__ import annotations

from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from printqueue.imaging.colour import spaces

PROOF_QUALITY, THUMBNAIL_QUALITY = 88, 80


def write(out: BinaryIO, pixels: NDArray[np.uint8], *, ppi: int, quality: int) -> None:
    """Write (H, W, 3) sRGB codes. The same pixels give the same bytes on machines of one kind: no timestamp is written.

    Full colour resolution (4:4:4): coloured marks keep clean edges.
    """
    image = Image.fromarray(pixels)
    image.save(out, "JPEG", quality=quality, subsampling=0, dpi=(ppi, ppi), icc_profile=spaces.profile_bytes("srgb"))
