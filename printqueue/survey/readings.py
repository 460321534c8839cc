"""What the measurements say: numbers by name, and where in the picture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from printqueue.model.finding import Value
from printqueue.model.region import Region


@dataclass(frozen=True, slots=True)
class Readings:
    """`numbers` by full name ("halo.score_percent"); `where` by group ("halo"), the worst place first."""

    numbers: Mapping[str, Value] = field(default_factory=dict)
    where: Mapping[str, tuple[Region, ...]] = field(default_factory=dict)

    def __or__(self, other: Readings) -> Readings:
        """Both together."""
        return Readings({**self.numbers, **other.numbers}, {**self.where, **other.where})


def rounded(value: float | None, digits: int, factor: float = 1.0) -> float | None:
    """`value` × `factor`, rounded; None stays None."""
    return None if value is None else round(value * factor, digits)
