"""How much of a picture is in memory at once. `sandbox/needs` predicts memory from these limits."""

from __future__ import annotations

from printqueue.core.model.request import Placement

THREADS = 2
PIECE_ROWS = 64  # of the print, resampled in floating point at once
# Of the print file, made and encoded at once. The file's bytes depend on this grid of bands, not on the thread count.
# Fewer rows cost time (128: 4 %), more cost memory (320: no faster, 38 MB more at 50 MP).
SHEET_ROWS = 192
FIRST_ROWS = 512  # of the source, read at once by the first pass
PRINTED_ROWS = 256  # of the print, measured at once
_SOURCE_PIXELS = 6_000_000  # read for one piece, so that reducing a huge picture strongly stays bounded


def rows_at_once(placement: Placement, source_width_px: int) -> int:
    """Print rows to make from one piece of the source."""
    _, top, _, bottom = placement.crop_px
    per_row = source_width_px * (bottom - top) / placement.picture_px[1]
    return max(1, min(PIECE_ROWS, int(_SOURCE_PIXELS / per_row)))
