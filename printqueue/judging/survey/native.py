"""What lies in the pixel grid itself, on the sample of tiles; the same for every print of the picture."""

from __future__ import annotations

from printqueue.core.model.measures import Measure, Where, YesNo, yes_no
from printqueue.core.model.picture import PictureFacts
from printqueue.judging.measures import banding, blocking, softness
from printqueue.judging.survey.first import FirstPass
from printqueue.judging.survey.readings import Readings, rounded


def native_readings(first: FirstPass, facts: PictureFacts) -> Readings:
    """Rows read, tone levels used, steps in smooth areas, traces of compression, true detail."""
    return _levels(first) | _banding(first, facts) | _blocking(first) | _softness(first, facts)


def _levels(first: FirstPass) -> Readings:
    return Readings(
        {
            Measure.READ_ROWS: first.rows,
            Measure.LEVELS_USED: first.levels.used,
            YesNo.LEVELS_EIGHT_IN_SIXTEEN: yes_no(first.levels.eight_in_sixteen),
            Measure.LEVELS_COMBED_PERCENT: round(first.levels.combed_percent, 2),
        }
    )


def _banding(first: FirstPass, facts: PictureFacts) -> Readings:
    found = banding.measure_banding(first.tiles, (facts.width_px, facts.height_px))
    return Readings(
        {
            Measure.BANDING_AREA_PERCENT: round(found.area_percent, 2),
            Measure.BANDING_STEP_COUNTS: rounded(found.step_counts, 2),
            Measure.BANDING_STEPPED_PERCENT: round(found.stepped_percent, 2),
        },
        {Where.BANDING: found.where},
    )


def _blocking(first: FirstPass) -> Readings:
    found = blocking.measure_blocking(first.tiles)
    return Readings(
        {
            Measure.COMPRESSION_SCORE_PERCENT: rounded(found.score_percent, 2),
            Measure.COMPRESSION_STEP_COUNTS: rounded(found.step_counts, 2),
            Measure.COMPRESSION_QUALITY: found.quality,
        },
        {Where.COMPRESSION: found.where},
    )


def _softness(first: FirstPass, facts: PictureFacts) -> Readings:
    found = softness.measure_softness(first.tiles, (facts.width_px, facts.height_px))
    return Readings(
        {
            Measure.SOFTNESS_DETAIL_PERCENT: rounded(found.detail_percent, 1),
            Measure.SOFTNESS_TAIL_DB: rounded(found.tail_db, 2),
            Measure.SOFTNESS_PEAK: rounded(found.peak, 2),
            Measure.SOFTNESS_PAIRED: rounded(found.paired, 3),
            Measure.SOFTNESS_NOISE_PERCENT: rounded(found.noise_percent, 3),
            YesNo.SOFTNESS_ENLARGED: yes_no(found.enlarged),
        },
        {Where.SOFTNESS: found.where},
    )
