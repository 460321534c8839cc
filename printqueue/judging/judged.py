"""The result of judging a picture: for each print its findings, its place on the sheet, and the numbers behind them."""

from __future__ import annotations

from dataclasses import dataclass, field

from printqueue.core.model.finding import Finding, Value
from printqueue.core.model.measures import Key
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Placement


@dataclass(frozen=True, slots=True)
class Judged:
    """One print's findings and the numbers behind them."""

    findings: tuple[Finding, ...]
    placement: Placement | None
    measurements: dict[Key, Value] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Report:
    """Answer to `judge`: one `Judged` per print. `picture` is None if not even the header was readable."""

    picture: PictureFacts | None
    prints: tuple[Judged, ...]
