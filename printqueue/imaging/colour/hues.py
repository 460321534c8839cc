"""Hues in plain words, by CIELAB hue angle.

The names follow the hue families of the Munsell system (ASTM D1535): red R, orange YR, yellow Y, yellow-green GY,
green G, blue-green BG, blue B and PB, violet P, magenta RP. The boundaries are read off the renotation data at value
3 to 7 and chroma 6 to 10 and rounded to 5°, but shifted by up to 10° where a display primary would otherwise get a
name that nobody gives it (yellow 100°, green 136°, blue 301°, magenta 327°).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

# Where each hue begins, in degrees; magenta runs through 0° to the beginning of red.
STARTS = {
    "red": 10.0,
    "orange": 45.0,
    "yellow": 75.0,
    "yellow-green": 105.0,
    "green": 130.0,
    "blue-green": 175.0,
    "blue": 210.0,
    "violet": 305.0,
    "magenta": 325.0,
}
NAMES = tuple(STARTS)
_FIRST_DEGREES = np.array(list(STARTS.values()), np.float32)


def hue_index(a: Floats, b: Floats) -> NDArray[np.intp]:
    """Index into `NAMES` for the colours a*, b* (any one shape); neutrals, which have no hue, get one too."""
    angle = np.degrees(np.arctan2(b, a)) % 360
    return np.asarray((np.searchsorted(_FIRST_DEGREES, angle, side="right") - 1) % len(NAMES), np.intp)
