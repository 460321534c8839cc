"""Letters on a sheet: their height, that they are not cut, and what the font does not have."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from printqueue.lettering import MISSING, fitted, lettering, settable, width_px


@pytest.mark.parametrize("height", [14, 28, 57])  # 1, 2 and 4 mm at 360 ppi
def test_capitals_have_the_height_that_is_stated(height: int) -> None:
    """From the baseline up, within a pixel, and nothing of an H hangs below."""
    letter = lettering("H", height)
    rows = np.flatnonzero(letter.coverage.max(axis=1) > 127)
    assert abs(rows.size - height) <= 1
    assert abs(rows[-1] + 1 - letter.baseline_px) <= 1


@pytest.mark.parametrize("text", ["Jäger, fjord gypsum", "f", "j", "Ångström…", "W’", "1a2b3c4d"])
def test_nothing_is_cut_off(text: str) -> None:
    """The same ink as the letters with room on all sides."""
    tight, roomy = lettering(text, 40).coverage, lettering(f"  {text}  ", 40).coverage
    assert int(tight.astype(int).sum()) == int(roomy.astype(int).sum()) > 0


def test_a_one_in_a_recipe_is_no_letter() -> None:
    """Lining figures: a 1 is as high as an H, and not drawn as a small I."""
    heights = [int((lettering(char, 60).coverage.max(axis=1) > 127).sum()) for char in "1H"]
    assert abs(heights[0] - heights[1]) <= 4


def test_what_the_font_does_not_have() -> None:
    """Each such character becomes a visible sign, all others stay."""
    assert settable("Fog, Łódź, Αθήνα, Привет – “½” · ± 3") == "Fog, Łódź, Αθήνα, Привет – “½” · ± 3"
    assert settable("潮 tide\N{WAVING HAND SIGN}") == f"{MISSING} tide{MISSING}"
    assert settable("a\x1b[2J\n\u202eb\x85\udcff") == f"a{MISSING}[2J {MISSING}b {MISSING}"


@settings(max_examples=60, deadline=None, derandomize=True, database=None)
@given(
    st.text(st.characters(max_codepoint=0xFFFF, exclude_categories=()), min_size=1, max_size=60), st.integers(1, 900)
)
def test_a_line_keeps_to_its_room(text: str, room: int) -> None:
    """Whole where it fits, else its beginning with an ellipsis, or nothing."""
    text = settable(text)
    said = fitted(text, 20, room)
    assert not said or width_px(said, 20) <= room
    assert said == text or said == "" or (said.endswith("…") and text.startswith(said[:-1].rstrip()))
    assert (said == text) == (width_px(text, 20) <= room)
