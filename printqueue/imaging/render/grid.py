"""The grid of working values: multiples of 2⁻³², so that sums of them under weights of 2⁻¹⁹ are exact in a double. Pure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float64]  # (H, W) of values 0..1 on the grid; a little more after a pass of the filter
STEPS = 2.0**32  # from 0 to 1
# Adding it leaves no room for bits below 2⁻³², so taking it away again rounds to the grid, half to even.
_ROUNDING = 1.5 * 2.0**52 / STEPS


def on_grid(values: NDArray[np.floating]) -> Plane:
    """The nearest multiples of 2⁻³², as a copy; for values of less than 2¹⁹ in size."""
    return brought_to_grid(values.astype(np.float64))


def brought_to_grid(values: Plane) -> Plane:
    """The same in place."""
    values += _ROUNDING
    values -= _ROUNDING
    return values
