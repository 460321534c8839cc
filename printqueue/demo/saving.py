"""Encodes a painted picture the way its case wants it, faults included."""

from __future__ import annotations

import io

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

from printqueue.core.model.paper import Intent
from printqueue.demo.cases import Case
from printqueue.demo.pictures import picture
from printqueue.imaging.colour import manager, spaces

_JPEG_QUALITY, _COARSE_QUALITY = 92, 25
_HALF = 0.55  # the fraction of the bytes that arrives


def encoded(case: Case, printer_profile: bytes) -> bytes:
    """The file's bytes."""
    pixels, srgb = picture(case.recipe), spaces.profile_bytes("srgb")
    match case.save:
        case "jpeg":
            return _pillow(pixels, "JPEG", icc_profile=srgb, quality=_JPEG_QUALITY, subsampling=0)
        case "jpeg-coarse":
            return _pillow(pixels, "JPEG", icc_profile=srgb, quality=_COARSE_QUALITY)
        case "png":
            return _png(pixels, srgb)
        case "cmyk":
            return _cmyk(pixels)
        case "printer":
            inked = manager.to_paper(
                pixels, srgb, printer_profile, intent=Intent.RELATIVE, black_point_compensation=True
            )
            return _tiff(inked, printer_profile)
        case "half":
            whole = _tiff(pixels, srgb)
            return whole[: int(_HALF * len(whole))]
        case "tiff-bare":
            return _tiff(pixels, None)
        case _:
            return _tiff(pixels, srgb)


def _tiff(pixels: NDArray[np.uint16], profile: bytes | None, photometric: str = "rgb") -> bytes:
    stream = io.BytesIO()
    tifffile.imwrite(
        stream,
        pixels,
        photometric=photometric,
        compression="deflate",
        compressionargs={"level": 1},
        predictor=True,
        rowsperstrip=64,
        resolution=(300, 300),
        iccprofile=profile,
        metadata=None,
    )
    return stream.getvalue()


def _pillow(pixels: NDArray[np.uint16], kind: str, **options: object) -> bytes:
    stream = io.BytesIO()
    eight = np.asarray((pixels.astype(np.uint32) + 128) // 257, np.uint8)
    Image.fromarray(eight).save(stream, kind, **options)
    return stream.getvalue()


def _png(pixels: NDArray[np.uint16], profile: bytes) -> bytes:
    """16-bit PNG with an iCCP chunk (PNG, ISO/IEC 15948, 11.3.3.3) inserted before the first IDAT."""
    import struct
    import zlib

    plain = bytes(imagecodecs.png_encode(pixels, level=1))
    body = b"iCCPsRGB\0\0" + zlib.compress(profile)
    chunk = struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))
    at = plain.index(b"IDAT") - 4
    return plain[:at] + chunk + plain[at:]


def _cmyk(pixels: NDArray[np.uint16]) -> bytes:
    """A naive separation: c = 1 − r and so on, with the grey component moved to black."""
    ink = 65535 - pixels.astype(np.int32)
    black = ink.min(axis=-1, keepdims=True)
    return _tiff(np.concatenate([ink - black, black], axis=-1).astype(np.uint16), None, "separated")
