"""Everything a check may look at: header facts, paper, placement, numbers. No pixels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from printqueue.core.model.measures import YES, Measure, Measurements, Where, Word, YesNo
from printqueue.core.model.paper import PaperFacts
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.region import Region
from printqueue.core.model.request import Placement, Request
from printqueue.core.model.setting import Setting

Regions = Mapping[Where, tuple[Region, ...]]


@dataclass(frozen=True, slots=True)
class Subject:
    """One picture for one print. `placement` is None if the picture cannot be placed."""

    picture: PictureFacts
    paper: PaperFacts
    request: Request
    placement: Placement | None
    measured: Measurements
    where: Regions = field(default_factory=dict)
    setting: Setting = field(default_factory=Setting)

    def number(self, name: Measure) -> float | None:
        """The measurement `name`, None if it could not be measured."""
        value = self.measured.get(name)
        return float(value) if isinstance(value, int | float) else None

    def text(self, name: Word) -> str | None:
        """The text `name`, None if there is none."""
        value = self.measured.get(name)
        return value if isinstance(value, str) else None

    def says_yes(self, name: YesNo) -> bool:
        """Whether the answer to `name` is yes."""
        return self.measured.get(name) == YES

    def tried(self, name: Measure) -> bool:
        """Whether `name` was measured at all, which may require a placement or colours."""
        return name in self.measured

    def regions(self, name: Where) -> tuple[Region, ...]:
        """Where `name` was found, worst first; () if nowhere in particular."""
        return self.where.get(name, ())
