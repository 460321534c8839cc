"""How much of a picture is in memory at once. These numbers bound it, and `sandbox/needs` predicts from them."""

from __future__ import annotations

from printqueue.core.model.request import Placement

THREADS = 2
PIECE_ROWS = 64  # of the print, resampled at once in floating point
# Of the print file, made and encoded at once. The grid of bands decides the file's bytes, the number of threads does not.
# Fewer rows cost time (128: 4 %), more cost memory (320: no quicker, 38 MB more at 50 MP).
SHEET_ROWS = 192
FIRST_ROWS = 512  # of the source, read at once by the first pass
PRINTED_ROWS = 256  # of the print, measured at once
_SOURCE_PIXELS = 6_000_000  # read for one piece, so that a strong reduction of a huge picture stays bounded


def rows_at_once(placement: Placement, source_width_px: int) -> int:
    """Print rows that are made from one piece of the source."""
    _, top, _, bottom = placement.crop_px
    per_row = source_width_px * (bottom - top) / placement.picture_px[1]
    return max(1, min(PIECE_ROWS, int(_SOURCE_PIXELS / per_row)))
