"""Turns the stored picture as its orientation tag says (EXIF 2.32 and TIFF 6.0, tag 274)."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from typing import cast

import numpy as np

from printqueue.imaging.source import Samples, Source

# stored → displayed, for whole pictures (rows, columns, channels)
_TURNS: dict[int, Callable[[Samples], Samples]] = {
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.transpose(1, 0, 2),
    6: lambda a: a[::-1].transpose(1, 0, 2),
    7: lambda a: a[::-1, ::-1].transpose(1, 0, 2),
    8: lambda a: a[:, ::-1].transpose(1, 0, 2),
}


class OrientedSource:
    """A stored source as displayed. Orientations 2 to 4 stay banded; 5 to 8 (`lying`) hold the whole picture."""

    def __init__(self, stored: Source) -> None:
        facts = stored.facts
        self.stored = stored
        self.icc = stored.icc
        self.lying = facts.orientation in (5, 6, 7, 8)
        self.facts = replace(facts, width_px=facts.height_px, height_px=facts.width_px) if self.lying else facts
        self._turn = _TURNS[facts.orientation]
        self._whole: Samples | None = None
        self._lock = threading.Lock()

    def rows(self, start: int, stop: int) -> Samples:
        """Rows as displayed."""
        height = self.stored.facts.height_px
        if self.lying:
            band = self._displayed()[start:stop]
        elif self.facts.orientation == 2:
            band = self._turn(self.stored.rows(start, stop))
        else:
            band = self._turn(self.stored.rows(height - stop, height - start))
        return cast(Samples, np.ascontiguousarray(band))

    def transparent(self) -> bool:
        """Whether any pixel is not fully opaque."""
        return self.stored.transparent()

    def _displayed(self) -> Samples:
        with self._lock:
            if self._whole is None:
                self._whole = self._turn(self.stored.rows(0, self.stored.facts.height_px))
            return self._whole
