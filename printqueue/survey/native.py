"""What lies in the pixel grid itself, on the sample of tiles; the same for every print of the picture."""

from __future__ import annotations

from printqueue.survey.first import FirstPass
from printqueue.survey.readings import Readings


def native_readings(first: FirstPass) -> Readings:
    """Rows read, and tone levels used."""
    return Readings(
        {
            "read.rows": first.rows,
            "levels.used": first.levels.used,
            "levels.eight_in_sixteen": "yes" if first.levels.eight_in_sixteen else "no",
            "levels.combed_percent": round(first.levels.combed_percent, 2),
        }
    )
