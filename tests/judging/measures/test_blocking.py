"""Compression: real JPEG codecs at known qualities, whatever became of the file since; and what only looks like it."""

from __future__ import annotations

import io
from functools import lru_cache
from typing import Any

import cv2
import imagecodecs
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from PIL.JpegImagePlugin import JpegImageFile

from printqueue.judging.measures.blocking import Blocking, measure_blocking
from tests.judging.measures.whole import tiles_of

Eight = NDArray[np.uint8]


@lru_cache
def scene(seed: int = 7) -> Eight:
    """A coast of (320, 384, 3): a smooth sky with a whisper of noise over water with detail at all scales."""
    random = np.random.default_rng(seed)
    y, x = np.mgrid[0:320, 0:384].astype(np.float32)
    sky = 150 + 0.25 * y + 18 * np.sin(x / 70 + y / 90)
    water = sum(
        cv2.resize(random.normal(0, 9, (320 // n, 384 // n)), (384, 320), interpolation=cv2.INTER_CUBIC)
        for n in (2, 4, 8, 16)
    )
    luma = np.where(y < 190, sky, sky - 40 + water) + random.normal(0, 0.7, (320, 384))
    colour = luma[..., None] + np.array([-8.0, 0.0, 14.0]) * (y[..., None] / 320)
    return np.asarray(np.clip(np.rint(colour), 1, 254), np.uint8)


def jpeg(codes: Eight, quality: int, subsampling: int = 2) -> Eight:
    """Through JPEG and back; 0: 4:4:4, 2: 4:2:0."""
    memory = io.BytesIO()
    Image.fromarray(codes).save(memory, "JPEG", quality=quality, subsampling=subsampling)
    return np.asarray(Image.open(memory))


def measured(codes: NDArray[Any]) -> Blocking:
    """Of a whole picture."""
    return measure_blocking(tiles_of(np.ascontiguousarray(codes)))


def score(codes: NDArray[Any]) -> float:
    """Its score, which there must be."""
    found = measured(codes).score_percent
    assert found is not None
    return found


@pytest.mark.parametrize("subsampling", [0, 2])
@pytest.mark.parametrize("quality", [90, 80, 70, 60, 50])
def test_the_quality_is_read_from_the_rounding(quality: int, subsampling: int) -> None:
    """Within 3 of the setting given to libjpeg, whose tables are those of T.81 K.1 scaled."""
    found = measured(jpeg(scene(), quality, subsampling))
    assert found.quality == pytest.approx(quality, abs=3)


def test_the_table_is_the_one_in_the_file() -> None:
    """Another codec's word for it: where quality 60 is read, the file itself holds K.1 × 80 %."""
    memory = io.BytesIO()
    Image.fromarray(scene()).save(memory, "JPEG", quality=60)
    memory.seek(0)
    assert JpegImageFile(memory).quantization[0][1] == 9  # 11 × 0.8, rounded
    decoded = imagecodecs.jpeg8_decode(memory.getvalue())
    assert measured(np.asarray(decoded, np.uint8)).quality == pytest.approx(60, abs=3)


def test_score_rises_as_quality_falls() -> None:
    """Coarser rounding, higher steps."""
    scores = [score(jpeg(scene(), quality)) for quality in (95, 85, 70, 50, 30)]
    assert scores == sorted(scores)
    assert scores[0] < 12
    assert scores[-1] > 40


@pytest.mark.parametrize(("left", "top"), [(0, 0), (3, 5), (7, 1), (4, 4)])
def test_a_crop_moves_the_blocks_not_the_verdict(left: int, top: int) -> None:
    """Any phase of the grid is found: score and quality stay."""
    whole, cropped = measured(jpeg(scene(), 60)), measured(jpeg(scene(), 60)[top:, left:])
    assert whole.score_percent is not None
    assert cropped.score_percent == pytest.approx(whole.score_percent, rel=0.15)
    assert cropped.quality == pytest.approx(60, abs=3)


def test_sixteen_bits_hide_nothing() -> None:
    """The same picture × 257 measures the same; after a curve in 16 bits the blocks still show."""
    lossy = jpeg(scene(), 50)
    deep = lossy.astype(np.uint16) * np.uint16(257)
    assert score(deep) == pytest.approx(score(lossy), abs=0.1)
    assert measured(deep).quality == measured(lossy).quality
    curved = np.rint((lossy / 255) ** 0.85 * 65535).astype(np.uint16)
    assert score(curved) > 30


@pytest.mark.parametrize("turn", ["mirrored", "turned", "upside down"])
def test_orientation_does_not_matter(turn: str) -> None:
    """Mirrored or turned, a picture whose sides are no multiples of 8 measures nearly the same."""
    lossy = jpeg(scene()[:310, :371], 60)
    turned = {"mirrored": lossy[:, ::-1], "turned": lossy.transpose(1, 0, 2), "upside down": lossy[::-1]}[turn]
    assert score(turned) == pytest.approx(score(lossy), rel=0.15)


def enlarged(codes: Eight, factor: float, kind: int) -> Eight:
    """By OpenCV."""
    return np.asarray(cv2.resize(codes, None, fx=factor, fy=factor, interpolation=kind), np.uint8)


def bordered(codes: Eight, width: int) -> Eight:
    """In a black border."""
    framed = codes.copy()
    framed[:width] = framed[-width:] = 0
    framed[:, :width] = framed[:, -width:] = 0
    return framed


def checks(period: int) -> Eight:
    """A chequered cloth of squares of `period` px with a little weave."""
    y, x = np.indices((320, 384))
    weave = np.random.default_rng(3).normal(0, 1, (320, 384))
    return np.asarray(np.rint(120 + 6.0 * ((x // period + y // period) % 2) + weave)[..., None], np.uint8)


def lines(period: int) -> Eight:
    """A screen of dark lines, one pixel wide, both ways."""
    y, x = np.indices((320, 384))
    weave = np.random.default_rng(4).normal(0, 1, (320, 384))
    return np.asarray(np.rint(150 - 20.0 * ((x % period == 0) | (y % period == 0)) + weave)[..., None], np.uint8)


INNOCENT: dict[str, Eight] = {
    "untouched": scene(),
    "enlarged 2": enlarged(scene(), 2, cv2.INTER_CUBIC),
    "enlarged 2, pixels doubled": enlarged(scene(), 2, cv2.INTER_NEAREST),
    "enlarged 1.5": enlarged(scene(), 1.5, cv2.INTER_LANCZOS4),
    "noise": np.clip(scene() + np.random.default_rng(5).normal(0, 4, scene().shape), 0, 255).astype(np.uint8),
    "border of 16": bordered(scene(), 16),
    "border of 24": bordered(scene(), 24),
    "border of 13": bordered(scene(), 13),
    "chequered, 8 px": checks(8),
    "chequered, 16 px": checks(16),
    "screen, 8 px": lines(8),
}


@pytest.mark.parametrize("name", INNOCENT)
def test_what_only_looks_like_blocks(name: str) -> None:
    """No score to speak of, and no quality made up."""
    found = measured(INNOCENT[name])
    assert found.score_percent is not None
    assert found.score_percent < 10
    assert found.quality is None


@pytest.mark.parametrize("angle", [0, 20, 30, 45, 70])
def test_a_clear_sky_is_no_pattern(angle: int) -> None:
    """In a gradient the blocks climb alike, in one direction or both; they still count."""
    y, x = np.indices((320, 384))
    turned = x * np.cos(np.radians(angle)) + y * np.sin(np.radians(angle))
    sky = 60 + 0.3 * turned[..., None] + np.random.default_rng(10).normal(0, 0.8, (320, 384, 1))
    assert score(jpeg(np.repeat(np.rint(sky), 3, axis=2).astype(np.uint8), 40)) > 20


def test_the_step_is_a_real_number_of_counts() -> None:
    """Blocks of random height on a flat ground: the step is their mean difference, here 2 of 255.

    Heights are ± 1, so neighbours differ by 0 or 2 with even chance: mean step 1 at the edges, 0 inside.
    """
    heights = np.random.default_rng(6).choice([-1, 1], (40, 48))
    blocks = (128 + heights.repeat(8, axis=0).repeat(8, axis=1))[..., None].astype(np.uint8)
    found = measured(blocks)
    assert found.step_counts == pytest.approx(1.0, abs=0.1)
    # mean activity is 1/8 count: 1 / (1/8 + 1)
    assert found.score_percent == pytest.approx(100 / 1.125, rel=0.1)


def test_where_blocks_are() -> None:
    """Only the right half was compressed: the places lie there."""
    calm = np.clip(np.concatenate([scene()[:190]] * 3), 0, 255).astype(np.uint8)
    wide = np.concatenate(
        [calm[:512, :256], calm[:512, :256], jpeg(np.ascontiguousarray(calm[:512, :256]), 30)], axis=1
    )
    wide = np.concatenate([wide, wide[:, 512:]], axis=1)
    places = measured(wide).where
    assert places
    assert all(place.centre[0] > 0.5 for place in places)


@pytest.mark.parametrize("shape", [(1, 1, 3), (63, 300, 3), (8, 8, 1), (64, 64, 1), (300, 70, 3)])
@pytest.mark.parametrize("kind", ["constant", "noise", "extremes"])
def test_hostile_sizes_and_contents(shape: tuple[int, int, int], kind: str) -> None:
    """A number or None, for 8 and 16 bits; nothing crashes."""
    random = np.random.default_rng(8)
    made = {
        "constant": np.full(shape, 77),
        "noise": random.integers(0, 256, shape),
        "extremes": random.choice([0, 255], shape),
    }[kind]
    for codes in (made.astype(np.uint8), (made * 257).astype(np.uint16)):
        found = measured(codes)
        assert found.score_percent is None or 0 <= found.score_percent < 50
        assert found.quality is None


def test_too_small_or_too_busy_is_none() -> None:
    """Under 64 px, or without a calm place, there is no score, which is not the same as 0."""
    assert measured(scene()[:60]).score_percent is None
    busy = np.indices((256, 256)).sum(axis=0)[..., None] % 3 * 100
    busy = busy.astype(np.uint8)
    assert measured(busy).score_percent is None
    assert measured(np.full((256, 256, 1), 90, np.uint8)).score_percent == 0
