"""How much one picture may ask for before any library sees it."""

from __future__ import annotations

from dataclasses import dataclass

from printqueue.decode.errors import refused

MAX_SIDE_PX = 1_000_000
MAX_SAMPLES = 64  # per pixel: three colours and the extra channels of a large working file


@dataclass(frozen=True, slots=True)
class Bounds:
    """Limits for one picture, judged from its header alone.

    `pixels` per picture, `samples_bytes` decoded bytes of all channels, `pages`
    image directories of a TIFF (thumbnails count here), `icc_bytes` of a profile.
    """

    pixels: int = 1_000_000_000
    samples_bytes: int = 8_000_000_000
    pages: int = 64
    icc_bytes: int = 16 * 1024 * 1024

    def admit(self, width_px: int, height_px: int, samples: int, bits: int) -> None:
        """Raise `PictureError` unless a picture of these dimensions may be decoded."""
        size = f"{width_px} × {height_px} px"
        if width_px < 1 or height_px < 1:
            raise refused(f"The header says {size}, so there is no picture.", "Export it again.")
        if max(width_px, height_px) > MAX_SIDE_PX or width_px * height_px > self.pixels:
            raise refused(
                f"The header says {size}; the limit is {self.pixels / 1e6:g} MP and {MAX_SIDE_PX:,} px a side.",
                "Export it at its print size, or raise `limits: pixels` in studio.yaml.",
                measured=size,
            )
        if not 1 <= samples <= MAX_SAMPLES:
            raise refused(f"The header says {samples} channels; 1 to {MAX_SAMPLES} are read.")
        if width_px * height_px * samples * ((bits + 7) // 8) > self.samples_bytes:
            raise refused(
                f"Decoded, the picture needs more than {self.samples_bytes / 1e9:g} GB ({samples} channels).",
                "Export it without extra channels, or at its print size.",
            )
