"""Small readings that several formats share."""

from __future__ import annotations

import math

MAX_PPI = 100_000.0


def ppi(value: float | None, unit: int) -> float | None:
    """Return pixels per inch from a TIFF or EXIF resolution (unit 2 inch, 3 cm).

    None for an absent, zero, absurd or unitless value: it says nothing about size.
    """
    factor = {2: 1.0, 3: 2.54}.get(unit)
    if value is None or factor is None or not math.isfinite(value) or not 0 < value * factor <= MAX_PPI:
        return None
    return value * factor
