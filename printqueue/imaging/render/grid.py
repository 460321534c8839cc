"""The grid of working values: multiples of 2⁻³², so that sums weighted in steps of 2⁻¹⁹ are exact in a double. Pure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float64]  # (H, W) of values 0..1 on the grid; slightly more after a filter pass
STEPS = 2.0**32  # from 0 to 1
# Adding this leaves no room for bits below 2⁻³², so subtracting it again rounds to the grid, half to even.
_ROUNDING = 1.5 * 2.0**52 / STEPS


def on_grid(values: NDArray[np.floating]) -> Plane:
    """Copy with values rounded to multiples of 2⁻³²; they must be below 2¹⁹ in magnitude."""
    return brought_to_grid(values.astype(np.float64))


def brought_to_grid(values: Plane) -> Plane:
    """Round to the grid in place."""
    values += _ROUNDING
    values -= _ROUNDING
    return values
