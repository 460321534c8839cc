"""Everything that one check may look at: header facts, paper, placement, numbers. No pixels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from printqueue.model.finding import Value
from printqueue.model.paper import PaperFacts
from printqueue.model.picture import PictureFacts
from printqueue.model.request import Placement, Request

Measurements = Mapping[str, Value]


@dataclass(frozen=True, slots=True)
class Subject:
    """One picture for one print. `placement` is None where the picture cannot be placed."""

    picture: PictureFacts
    paper: PaperFacts
    request: Request
    placement: Placement | None
    measured: Measurements

    def number(self, name: str) -> float | None:
        """The measurement `name` as a number, None where it could not be measured."""
        value = self.measured.get(name)
        return float(value) if isinstance(value, int | float) else None

    def text(self, name: str) -> str | None:
        """The measurement `name` as text, None where there is none."""
        value = self.measured.get(name)
        return value if isinstance(value, str) else None
