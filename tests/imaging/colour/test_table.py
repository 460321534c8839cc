"""What the engine's table costs: the conversion of a print against the same engine without it, on what the paper shows.

Limits: ΔE76 0.03 in the mean and 0.3 at the 99th percentile. With the table of 65 nodes the worst of these 16 cases are 0.025 and
0.204 (with the engine's own fine table of 49 nodes they were 0.0418 and 0.289). The same engine, so this says nothing of its
correctness (`test_manager` does), only of the table. Photographs: those that scikit-image ships.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from skimage import data

from printqueue.core.model.paper import Intent
from printqueue.imaging.colour import manager, spaces

PROFILES = Path(__file__).parents[3] / "printqueue" / "rules" / "profiles"
PAPERS = ("baryta", "kozo", "smooth-rag", "textured-rag")


def photograph(name: str) -> np.ndarray[tuple[int, ...], np.dtype[np.uint16]]:
    """Every third pixel of a colour photograph, in 16 bits."""
    return np.asarray(getattr(data, name)()[::3, ::3, :3].astype(np.uint16) * 257)


@pytest.mark.parametrize("compensated", [True, False], ids=["BPC", "no BPC"])
@pytest.mark.parametrize("space", ["srgb", "adobe-rgb"])
@pytest.mark.parametrize("paper", PAPERS)
def test_the_table_stays_within_the_limits(paper: str, space: str, *, compensated: bool) -> None:
    """Two photographs, four papers, two source spaces, relative intent with and without black point compensation."""
    profile, source = (PROFILES / f"{paper}.icc").read_bytes(), spaces.profile_bytes(space)
    apart = []
    for name in ("astronaut", "coffee"):
        pixels = photograph(name)
        lab = [
            manager.to_lab(
                convert(pixels, source, profile, intent=Intent.RELATIVE, black_point_compensation=compensated), profile
            ).astype(np.float64)
            for convert in (manager.to_paper, manager.to_paper_exact)
        ]
        apart.append(np.sqrt(((lab[0] - lab[1]) ** 2).sum(axis=-1)).ravel())
    every = np.concatenate(apart)
    assert every.mean() <= 0.03
    assert np.percentile(every, 99) <= 0.3
    assert every.max() > 0, "the two ways are not one"
