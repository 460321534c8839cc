"""What lies in the pixel grid itself, on the sample of tiles; the same for every print of the picture."""

from __future__ import annotations

from printqueue.measure import banding, blocking, softness
from printqueue.model.picture import PictureFacts
from printqueue.survey.first import FirstPass
from printqueue.survey.readings import Readings, rounded


def native_readings(first: FirstPass, facts: PictureFacts) -> Readings:
    """Rows read, tone levels used, steps in smooth areas, traces of compression, true detail."""
    return _levels(first) | _banding(first, facts) | _blocking(first) | _softness(first, facts)


def _levels(first: FirstPass) -> Readings:
    return Readings(
        {
            "read.rows": first.rows,
            "levels.used": first.levels.used,
            "levels.eight_in_sixteen": "yes" if first.levels.eight_in_sixteen else "no",
            "levels.combed_percent": round(first.levels.combed_percent, 2),
        }
    )


def _banding(first: FirstPass, facts: PictureFacts) -> Readings:
    found = banding.measure_banding(first.tiles, (facts.width_px, facts.height_px))
    return Readings(
        {
            "banding.area_percent": round(found.area_percent, 2),
            "banding.step_counts": rounded(found.step_counts, 2),
            "banding.stepped_percent": round(found.stepped_percent, 2),
        },
        {"banding": found.where},
    )


def _blocking(first: FirstPass) -> Readings:
    found = blocking.measure_blocking(first.tiles)
    return Readings(
        {
            "compression.score_percent": rounded(found.score_percent, 2),
            "compression.step_counts": rounded(found.step_counts, 2),
            "compression.quality": found.quality,
        },
        {"compression": found.where},
    )


def _softness(first: FirstPass, facts: PictureFacts) -> Readings:
    found = softness.measure_softness(first.tiles, (facts.width_px, facts.height_px))
    return Readings(
        {
            "softness.detail_percent": rounded(found.detail_percent, 1),
            "softness.tail_db": rounded(found.tail_db, 2),
            "softness.peak": rounded(found.peak, 2),
            "softness.paired": rounded(found.paired, 3),
            "softness.noise_percent": rounded(found.noise_percent, 3),
            "softness.enlarged": "yes" if found.enlarged else "no",
        },
        {"softness": found.where},
    )
