"""Maximum modulation along edges, against the closed form of a Gaussian edge after an unsharp mask."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from printqueue.measure import halo
from printqueue.measure.modulation import maximum_modulation, modulation

FREQUENCIES = np.arange(1, 51) / 100


def edge(amount: float, *, blur: float = 0.7, radius: float = 1.0, degrees: float = 5.0) -> NDArray[np.float32]:
    """A slanted edge between 35 and 65 % of tone, point-sampled; unsharp mask in closed form."""
    y, x = np.mgrid[:300, :300] - 149.5
    across = x * np.cos(np.radians(degrees)) + y * np.sin(np.radians(degrees))
    profile = (1 + amount) * ndtr(across / blur) - amount * ndtr(across / np.hypot(blur, radius))
    return np.asarray(0.35 + 0.3 * profile, np.float32)


def closed_form(amount: float, *, blur: float = 0.7, radius: float = 1.0) -> NDArray[np.float64]:
    """exp(−2(π s f)²) (1 + a (1 − exp(−2(π r f)²)))."""
    lens = np.exp(-2 * (np.pi * blur * FREQUENCIES) ** 2)
    return np.asarray(lens * (1 + amount * (1 - np.exp(-2 * (np.pi * radius * FREQUENCIES) ** 2))))


@pytest.mark.parametrize(("degrees", "within"), [(5.0, 0.007), (14.0, 0.01), (27.0, 0.02), (39.0, 0.022)])
@pytest.mark.parametrize("amount", [0.0, 0.5, 1.0, 1.5, 2.0, 3.0])
def test_maximum_is_that_of_the_closed_form(amount: float, degrees: float, within: float) -> None:
    """0.7 % on the usual slanted edge of 5°, at most 2.2 % at any angle; 1.0 where nothing rises."""
    found = maximum_modulation(halo.find_edges(edge(amount, degrees=degrees), level=0).profiles)
    assert found == pytest.approx(max(1.0, closed_form(amount).max()), rel=within)


def test_the_whole_curve() -> None:
    """Up to 0.2 cycles/px within 2 % on the 5° edge; above, the mean of seven lines takes some away."""
    found = modulation(halo.find_edges(edge(1.5), level=0).profiles)
    assert found[:20] == pytest.approx(closed_form(1.5)[:20], rel=0.02)


def test_noise_does_not_lift_it() -> None:
    """σ 4/255 over an unsharpened edge: under 1.05."""
    noise = np.random.default_rng(5).normal(0, 4 / 255, (300, 300)).astype(np.float32)
    found = maximum_modulation(halo.find_edges(edge(0.0) + noise, level=0).profiles)
    assert found is not None
    assert found < 1.05


@pytest.mark.parametrize("spoiled", [np.nan, np.inf, 1e38, 0.5], ids=["NaN", "infinite", "absurd", "no edge at all"])
def test_profiles_that_are_no_edges_are_left_out(spoiled: float) -> None:
    """They change nothing beside sound edges, and alone they say nothing."""
    sound = halo.find_edges(edge(1.5), level=0).profiles
    broken = np.full((20, sound.shape[1]), spoiled)
    assert maximum_modulation(np.concatenate([sound, broken])) == maximum_modulation(sound)
    assert maximum_modulation(broken) is None


@pytest.mark.parametrize("count", [0, 11])
def test_too_few_edges_say_nothing(count: int) -> None:
    """Eleven are not twelve."""
    assert maximum_modulation(np.linspace(0, 1, 33)[None].repeat(count, 0)) is None
