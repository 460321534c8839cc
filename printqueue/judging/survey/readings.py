"""The results of the measurements: numbers by name, and places in the picture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from printqueue.core.model.measures import Measurements, Where
from printqueue.core.model.region import Region


@dataclass(frozen=True, slots=True)
class Readings:
    """`numbers` by name, including texts and answers; `where`: the places of each kind, worst first."""

    numbers: Measurements = field(default_factory=dict)
    where: Mapping[Where, tuple[Region, ...]] = field(default_factory=dict)

    def __or__(self, other: Readings) -> Readings:
        """Both together."""
        return Readings({**self.numbers, **other.numbers}, {**self.where, **other.where})


def rounded(value: float | None, digits: int, factor: float = 1.0) -> float | None:
    """`value` × `factor`, rounded; None stays None."""
    return None if value is None else round(value * factor, digits)
