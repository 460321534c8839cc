"""The demo pictures by name: five scenes, and what is done to them.

Nothing is read from disk, and every random number comes from a PCG64 stream with a fixed seed, so each run gives the
same pictures. Pixels are 16 bit, gamma-encoded (sRGB curve, IEC 61966-2-1).
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

from printqueue.demo.canvas import Pixels
from printqueue.demo.scene_fog import fog_harbour
from printqueue.demo.scene_kelp import kelp
from printqueue.demo.scene_marsh import salt_marsh
from printqueue.demo.scene_mill import lit_windows
from printqueue.demo.scene_pier import pier_half, pier_high, pier_low
from printqueue.demo.treatments import (
    enlarged,
    for_the_screen,
    left_half,
    on_film,
    oversharpened,
    right_half,
    underexposed,
)


@dataclass(frozen=True, slots=True)
class Recipe:
    """A scene, and the treatments applied to it in order."""

    scene: Callable[[], Pixels]
    treatments: tuple[Callable[[Pixels], Pixels], ...] = ()


RECIPES: MappingProxyType[str, Recipe] = MappingProxyType(
    {
        "fog": Recipe(fog_harbour),
        "mill": Recipe(lit_windows),
        "mill-underexposed": Recipe(lit_windows, (underexposed,)),
        "marsh": Recipe(salt_marsh),
        "marsh-creek": Recipe(salt_marsh, (right_half,)),
        "marsh-creek-film": Recipe(salt_marsh, (right_half, on_film)),
        "marsh-reeds": Recipe(salt_marsh, (left_half,)),
        "marsh-reeds-crisp": Recipe(salt_marsh, (left_half, oversharpened)),
        "kelp": Recipe(kelp),
        "kelp-enlarged": Recipe(kelp, (enlarged,)),
        "pier-low": Recipe(pier_low),
        "pier-low-small": Recipe(pier_low, (for_the_screen,)),
        "pier-half": Recipe(pier_half),
        "pier-high": Recipe(pier_high),
    }
)
"""Name → recipe. The first word of a name is its scene: what shares a scene is painted together."""


def picture(name: str) -> Pixels:
    """The picture with that name, (H, W, 3), read-only; KeyError if there is none."""
    recipe = RECIPES[name]
    pixels = _painted(recipe.scene)
    for treatment in recipe.treatments:
        pixels = treatment(pixels)
    return pixels


@lru_cache(maxsize=1)
def _painted(scene: Callable[[], Pixels]) -> Pixels:
    """The scene, cached until a different one is asked for, since several pictures share one."""
    pixels = scene()
    pixels.flags.writeable = False
    return pixels
