"""What is measured at the size of the print: small prints whole, large ones in evenly spaced bands."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from printqueue.core.model.measures import Measure
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Request
from printqueue.core.units import MM_PER_INCH, Size
from printqueue.imaging.colour import spaces
from printqueue.imaging.colour.icc import read_profile
from printqueue.imaging.render.bands import PRINTED_ROWS
from printqueue.imaging.render.engine import Renderer, renderer
from printqueue.imaging.render.plan import place
from printqueue.imaging.render.tone import tone_bands
from printqueue.judging.measures import halo
from printqueue.judging.survey.printed import printed_readings

PPI = 100
SRGB = spaces.profile_bytes("srgb")


class Held:
    """A picture in memory."""

    def __init__(self, pixels: NDArray[np.uint16]) -> None:
        self.pixels, self.icc, self.asked = pixels, SRGB, 0
        self.facts = PictureFacts("TIFF", pixels.shape[1], pixels.shape[0], 16, "rgb")

    def rows(self, start: int, stop: int) -> NDArray[np.uint16]:
        """Its rows."""
        self.asked += stop - start
        return self.pixels[start:stop]


def bars(amount: float, rows: int, width: int = 700) -> NDArray[np.float64]:
    """(rows, width) slanted bars of 30 to 60 % of the code range, sharpened by `amount` in closed form (s 0.8, r 1 px)."""
    y, x = np.mgrid[:rows, :width]
    phase = (x + 0.2 * y) % 80
    edge = np.minimum(phase, 80 - phase) - 20
    return np.asarray(0.3 + 0.3 * ((1 + amount) * ndtr(edge / 0.8) - amount * ndtr(edge / np.hypot(0.8, 1.0))))


def drawn(tone: NDArray[np.float64]) -> tuple[Renderer, Held]:
    """A print of exactly the picture's own pixels."""
    held = Held(np.repeat((tone * 65535).round().astype(np.uint16)[..., None], 3, axis=2))
    height, width = tone.shape
    picture = Size("", width / PPI * MM_PER_INCH, height / PPI * MM_PER_INCH)
    sheet = Size("", picture.width_mm + 20, picture.height_mm + 20)
    request = Request("test", sheet, picture=picture, ppi=PPI)
    source: Any = held
    return renderer(
        source, SRGB, read_profile(SRGB), paper_profile=SRGB, request=request, placement=place(request, width, height)
    ), held


def test_a_small_print_is_judged_whole() -> None:
    """Rims in the second band count as much as the clean edges of the first and third."""
    clean, sharp = bars(0.0, PRINTED_ROWS), bars(3.0, PRINTED_ROWS)
    print_, _ = drawn(np.concatenate([clean, sharp, clean, sharp]))
    found = printed_readings(print_, read_profile(SRGB)).numbers
    bands = tone_bands(print_, read_profile(SRGB))
    planes = [bands.band(start, start + PRINTED_ROWS) for start in range(0, 4 * PRINTED_ROWS, PRINTED_ROWS)]
    whole = halo.score({level: [halo.find_edges(p, level=level) for p in planes] for level in halo.LEVELS})
    assert whole.score_percent is not None
    assert found[Measure.HALO_SCORE_PERCENT] == pytest.approx(whole.score_percent, abs=0.01)
    assert found[Measure.HALO_SCORE_PERCENT] == pytest.approx(25.7, abs=3)  # closed form of the sharp half
    # half of the edges ring, and each counts by its slope, which the mask has made (4 / 0.8 - 3 / 1.28) / (1 / 0.8) as steep
    steeper = (4 / 0.8 - 3 / np.hypot(0.8, 1.0)) / (1 / 0.8)
    assert found[Measure.HALO_SHARE_PERCENT] == pytest.approx(100 * steeper / (steeper + 1), abs=3)


def test_a_large_print_is_sampled() -> None:
    """Of a print of 8.4 MP with edges enough every second band is read, and no more."""
    print_, held = drawn(np.tile(bars(0.0, 3000), (1, 4)))
    printed_readings(print_, read_profile(SRGB))
    assert held.asked < 0.6 * held.facts.height_px
