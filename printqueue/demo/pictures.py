"""The demonstration pictures, each by its name: synthesised here, the same on every run.

Nothing is read from disk and nothing else of this package is used; every random number comes from a PCG64
stream with a fixed seed. Pixels are 16 bit, gamma-encoded (sRGB curve, IEC 61966-2-1).
"""

from collections.abc import Callable
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from printqueue.demo.canvas import unsharp
from printqueue.demo.scene_buoys import buoys
from printqueue.demo.scene_fog import fog_harbour
from printqueue.demo.scene_kelp import kelp_toned
from printqueue.demo.scene_light import lighthouse
from printqueue.demo.scene_loft import net_loft
from printqueue.demo.scene_marsh import salt_marsh
from printqueue.demo.scene_mill import lit_windows
from printqueue.demo.scene_quay import night_quay
from printqueue.demo.scene_ropes import mooring_ropes, mooring_ropes_crisp
from printqueue.demo.scene_sheds import boat_sheds
from printqueue.demo.scene_slip import slipway_large, slipway_small
from printqueue.demo.scene_storm import breakwater
from printqueue.demo.scene_tide import tide_high, tide_low, tide_mid

Space = Literal["srgb"]
Recipe = Callable[[], NDArray[np.uint16]]

RECIPES: MappingProxyType[str, Recipe] = MappingProxyType(
    {
        "fog-harbour": fog_harbour,
        "lit-windows": lit_windows,
        "net-loft": net_loft,
        "salt-marsh-panorama": salt_marsh,
        "kelp-toned": kelp_toned,
        "lighthouse-archive": lighthouse,
        "slipway-large": slipway_large,
        "slipway-small": slipway_small,
        "breakwater": breakwater,
        "mooring-ropes": mooring_ropes,
        "mooring-ropes-crisp": mooring_ropes_crisp,
        "buoys": buoys,
        "boat-sheds": boat_sheds,
        "night-quay": night_quay,
        "tide-tables-low": tide_low,
        "tide-tables-mid": tide_mid,
        "tide-tables-high": tide_high,
    }
)
"""Name → function that paints the picture: (H, W, 3) uint16, 0 to 65535. The array may be read-only."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A finished picture.

    `pixels` is (H, W, 3) uint16, 0 to 65535, gamma-encoded in `space`.
    """

    pixels: NDArray[np.uint16]
    space: Space


def picture(name: str) -> Picture:
    """The picture of that name; KeyError if there is none."""
    return Picture(RECIPES[name](), "srgb")


__all__ = ["RECIPES", "Picture", "Recipe", "Space", "picture", "unsharp"]
