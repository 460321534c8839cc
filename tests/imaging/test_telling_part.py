"""Which part of a picture a strip shows: the one where tones go from deep to light."""

from __future__ import annotations

import numpy as np
import pytest

from printqueue.imaging.telling_part import telling_part


def plane() -> np.ndarray[tuple[int, int], np.dtype[np.float32]]:
    """Flat grey of L* 50, 600 × 900."""
    return np.full((600, 900), 50, np.float32)


@pytest.mark.parametrize(("top", "left"), [(40, 60), (350, 600), (380, 100)])
def test_the_part_with_shadows_and_lights(top: int, left: int) -> None:
    """A patch from black to white in a grey picture is found wherever it lies, and is all inside the part."""
    tones = plane()
    tones[top : top + 150, left : left + 200] = np.linspace(3, 97, 200, dtype=np.float32)
    x, y = telling_part(tones, (0.3, 0.35))
    assert x * 900 <= left + 25
    assert left + 175 <= (x + 0.3) * 900
    assert y * 600 <= top + 25
    assert top + 125 <= (y + 0.35) * 600


def test_shadows_count_for_more_than_lights() -> None:
    """Of two patches with the same range of tones the one with deep shadows is taken."""
    tones = plane()
    tones[:, 50:250] = np.linspace(30, 90, 200, dtype=np.float32)
    tones[:, 650:850] = np.linspace(5, 65, 200, dtype=np.float32)
    assert telling_part(tones, (0.25, 0.25))[0] > 0.5


def test_a_flat_picture_gives_its_middle() -> None:
    """Where all parts are alike the middle one is taken."""
    x, y = telling_part(plane(), (0.2, 0.4))
    assert abs(x - 0.4) < 0.04
    assert abs(y - 0.3) < 0.04


@pytest.mark.parametrize("share", [(1.0, 1.0), (0.001, 1.0), (0.001, 0.001)])
def test_any_share_lies_inside(share: tuple[float, float]) -> None:
    """The whole picture, a sliver, a pixel."""
    tones = np.random.default_rng(3).uniform(0, 100, (41, 1200)).astype(np.float32)
    x, y = telling_part(tones, share)
    assert 0 <= x <= 1 - share[0] + 0.03
    assert 0 <= y <= 1 - share[1] + 0.03
