"""The one place where colours are converted: 16-bit ICC transforms through lcms2.

Nothing else in the package calls `colour.engine`. A print's pixels go through `to_paper`
exactly once; the other functions are only for looking.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.paper import Intent
from printqueue.imaging.colour import spaces
from printqueue.imaging.colour.difference import luminance
from printqueue.imaging.colour.engine import Target, is_direct, prepare
from printqueue.imaging.colour.icc import ProfileError, read_profile

Codes = NDArray[np.uint16]

# lcms2.h: cmsFLAGS_BLACKPOINTCOMPENSATION, cmsFLAGS_HIGHRESPRECALC (49 nodes an axis), cmsFLAGS_GRIDPOINTS(n) (n << 16)
_BPC = 0x2000
_HIGH_RESOLUTION = 0x0400
# The fewest of 49, 57, 65, 73 and 81 nodes that keep the mean error within dE76 0.03; as fast per pixel as 49.
_FINE = 65 << 16
_NO_TABLE = 0x0100  # cmsFLAGS_NOOPTIMIZE: exact; fast for a single pixel, half as fast for many
# ICC.1:2022 6.3.4.2, 16-bit Lab encoding: L* 100 = 65535, a* 0 = 0x8080
_LAB_STEP = np.array([100 / 65535, 1 / 257, 1 / 257], np.float32)
_LAB_OFFSET = np.array([0, 128, 128], np.float32)
ENGINE = f"lcms2 through imagecodecs {imagecodecs.__version__}"


def asks_the_engine_directly() -> bool:
    """Whether its C interface is used, prepared once; else imagecodecs prepares every call: same codes, slower."""
    return is_direct()


def to_paper(pixels: Codes, source: bytes, paper: bytes, *, intent: Intent, black_point_compensation: bool) -> Codes:
    """Convert (H, W, 3) RGB or (H, W) grey codes into the paper's device RGB, (H, W, 3) uint16.

    This is *the* conversion of a print. Raises `ProfileError` if the engine refuses a profile.
    """
    # Between two matrix spaces a table is off by up to 8 % where a channel clips; into a printer's tables, by dE00 0.3.
    precision = _FINE if "B2A0" in read_profile(paper).tags else _NO_TABLE
    flags = precision | (_BPC if black_point_compensation else 0)
    return _transform(pixels, source, paper, "rgb-16", intent=intent, flags=flags)


def to_paper_exact(
    pixels: Codes, source: bytes, paper: bytes, *, intent: Intent, black_point_compensation: bool
) -> Codes:
    """The same without the engine's table, ten times slower: for a few colours and for checking, never to print."""
    flags = _NO_TABLE | (_BPC if black_point_compensation else 0)
    return _transform(pixels, source, paper, "rgb-16", intent=intent, flags=flags)


def to_lab(pixels: Codes, profile: bytes, *, intent: Intent = Intent.RELATIVE) -> NDArray[np.float32]:
    """Convert RGB or grey codes to L*a*b* (D50), (H, W, 3) float32; for looking, never for printing.

    `relative`: the medium's white is L* 100; `absolute`: as a meter would read it.
    """
    # The engine's usual table is off by up to dE00 0.4 in the darks of a matrix space, the finer one by 0.13.
    precision = 0 if "A2B0" in read_profile(profile).tags else _HIGH_RESOLUTION
    lab = _transform(pixels, profile, _lab_profile(), "lab-16", intent=intent, flags=precision)
    return np.asarray(lab * _LAB_STEP - _LAB_OFFSET, np.float32)


def print_black(source: bytes, paper: bytes, *, grey: bool, intent: Intent, black_point_compensation: bool) -> float:
    """L* at which the paper shows the source's black, paper white = 100: the deepest tone of such a print."""
    black = np.zeros((1, 1) if grey else (1, 1, 3), np.uint16)
    device = to_paper_exact(black, source, paper, intent=intent, black_point_compensation=black_point_compensation)
    lab = _transform(device, paper, _lab_profile(), "lab-16", intent=Intent.RELATIVE, flags=_NO_TABLE)
    return float(lab[0, 0, 0] * _LAB_STEP[0])


def try_out(profile: bytes, *, grey: bool) -> None:
    """Convert one pixel out of `profile` with each intent. Raises `ProfileError` if any of them fails."""
    black = np.zeros((1, 1) if grey else (1, 1, 3), np.uint16)
    for intent in Intent:
        _transform(black, profile, _lab_profile(), "lab-16", intent=intent, flags=_NO_TABLE)


def to_lightness(pixels: Codes, profile: bytes) -> NDArray[np.float32]:
    """L* alone (0..100) of RGB or grey codes, shape (H, W), the medium's white = 100."""
    lab = _transform(pixels, profile, _lab_profile(), "lab-16", intent=Intent.RELATIVE, flags=0)
    return np.asarray(np.multiply(lab[..., 0], _LAB_STEP[0], dtype=np.float32))


def to_screen(device: Codes, paper: bytes, *, seen: Intent = Intent.RELATIVE) -> NDArray[np.uint8]:
    """What a screen shows of a print: the paper's device RGB (H, W, 3) as 8-bit sRGB; for looking, never for printing.

    `seen` relative: bare paper becomes the screen's white, and full ink is as light as it looks beside that white;
    `absolute`: bare paper keeps its own lightness and tint. Colours outside sRGB are clipped (IEC 61966-2-1).
    """
    precision = 0 if "A2B0" in read_profile(paper).tags else _NO_TABLE  # as in `to_paper`
    return np.asarray(
        _transform(device, paper, spaces.profile_bytes("srgb"), "rgb-8", intent=seen, flags=precision), np.uint8
    )


def tone_curve(profile: bytes, *, grey: bool) -> NDArray[np.float64]:
    """Relative luminance (0..1) of the neutral codes 0..65535 of an RGB or grey space; never decreases.

    For profiles without curves of their own: the neutral axis stands in for all channels. Normalised so that
    code 65535 gives 1; the engine's 16-bit connection space limits the resolution to 1/32768.
    """
    ramp = np.arange(65536, dtype=np.uint16)[None]
    pixels = ramp if grey else np.repeat(ramp[..., None], 3, axis=2)
    lab = _transform(pixels, profile, _lab_profile(), "lab-double", intent=Intent.RELATIVE, flags=0)
    Y = np.maximum.accumulate(np.clip(luminance(lab[0, :, 0]), 0, None))
    if not Y[-1] > 0:
        raise ProfileError("it maps white to black")
    return np.asarray(Y / Y[-1])


def _transform(pixels: Codes, source: bytes, target: bytes, to: Target, *, intent: Intent, flags: int) -> NDArray[Any]:
    return prepare(source, target, to, grey=pixels.ndim == 2, intent=intent.number, flags=flags)(pixels)


def load() -> None:
    """Load everything a first conversion needs, for processes that cannot load anything later."""
    is_direct()
    _lab_profile()


@lru_cache(maxsize=1)
def _lab_profile() -> bytes:
    from PIL import ImageCms

    return bytes(ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes())
