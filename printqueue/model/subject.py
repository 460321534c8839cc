"""Everything that one check may look at: header facts, paper, placement, numbers. No pixels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from printqueue.model.finding import Value
from printqueue.model.paper import PaperFacts
from printqueue.model.picture import PictureFacts
from printqueue.model.region import Region
from printqueue.model.request import Placement, Request
from printqueue.model.setting import Setting

Measurements = Mapping[str, Value]
Regions = Mapping[str, tuple[Region, ...]]


@dataclass(frozen=True, slots=True)
class Subject:
    """One picture for one print. `placement` is None where the picture cannot be placed."""

    picture: PictureFacts
    paper: PaperFacts
    request: Request
    placement: Placement | None
    measured: Measurements
    where: Regions = field(default_factory=dict)  # by the group of measurements: "halo", "gamut", ...
    setting: Setting = field(default_factory=Setting)

    def number(self, name: str) -> float | None:
        """The measurement `name` as a number, None where it could not be measured."""
        value = self.measured.get(name)
        return float(value) if isinstance(value, int | float) else None

    def text(self, name: str) -> str | None:
        """The measurement `name` as text, None where there is none."""
        value = self.measured.get(name)
        return value if isinstance(value, str) else None

    def regions(self, name: str) -> tuple[Region, ...]:
        """Where the measurement `name` found something, the worst first; () where it has no place."""
        return self.where.get(name, ())
