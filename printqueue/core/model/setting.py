"""The day and the light in which a picture is judged: nothing measures them, so the checks must be told."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date


@dataclass(frozen=True, slots=True)
class ViewingLight:
    """The light in which prints are viewed, and the white of the screen they were judged on."""

    print_lux: float = 200.0
    screen_cd_m2: float = 100.0


@dataclass(frozen=True, slots=True)
class Setting:
    """If `today` is None, the day is unknown and checks that depend on it stay silent."""

    today: date | None = None
    light: ViewingLight = field(default_factory=ViewingLight)
