"""What a check or a renderer may know about the paper, taken from its YAML and its profile."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from printqueue.core.units import Size

Lab = tuple[float, float, float]
DECKLED_BORDER_MM = 20.0  # from the shallowest point of a torn edge; less looks too close (common practice, no source)


class Surface(StrEnum):
    """The kind of surface; decides which starter limits fit."""

    GLOSSY = "glossy"
    LUSTRE = "lustre"
    BARYTA = "baryta"
    SMOOTH_MATTE = "smooth-matte"
    TEXTURED_MATTE = "textured-matte"
    WASHI = "washi"
    CANVAS = "canvas"

    @property
    def matte(self) -> bool:
        """Whether blacks get no darker than about L* 17 (common practice, no source)."""
        return self in (Surface.SMOOTH_MATTE, Surface.TEXTURED_MATTE, Surface.WASHI, Surface.CANVAS)

    @property
    def textured(self) -> bool:
        """Whether weave or fibre hides fine detail."""
        return self in (Surface.TEXTURED_MATTE, Surface.WASHI, Surface.CANVAS)


class Intent(StrEnum):
    """Rendering intents; the numbers are those of the ICC.1 header field."""

    PERCEPTUAL = "perceptual"
    RELATIVE = "relative"
    SATURATION = "saturation"
    ABSOLUTE = "absolute"

    @property
    def number(self) -> int:
        """ICC.1: 0 perceptual, 1 media-relative, 2 saturation, 3 ICC-absolute."""
        return list(Intent).index(self)


@dataclass(frozen=True, slots=True)
class Margins:
    """What the printer cannot reach, in mm: along the ends (the edges fed first and last) and along the sides."""

    ends_mm: float = 3.0
    sides_mm: float = 3.0


@dataclass(frozen=True, slots=True)
class PaperFacts:
    """The paper as the checks see it. `white` and `black` are absolute L*a*b* (D50)."""

    key: str
    name: str
    surface: Surface
    white: Lab
    black: Lab
    stocked: tuple[Size, ...]
    profile_name: str
    profile_is_demonstration: bool
    margins: Margins = Margins()
    deckled: bool = False  # a torn edge: placement is only accurate to about 3 mm
