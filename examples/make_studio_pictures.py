"""Paints the pictures of `examples/studio/`: python examples/make_studio_pictures.py

Pictures of the demonstration as small exports, the way a photographer drops them: JPEG, 8 bit, with an sRGB profile; title,
maker and rights in EXIF.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image

from printqueue.demo.pictures import picture
from printqueue.imaging.colour import spaces

FOLDER = Path(__file__).parent / "studio" / "ready" / "postcard"
# file → (recipe, width in px, title)
PICTURES = {
    "Fog over the harbour.jpg": ("fog", 1200, "Fog over the harbour"),
    "Lit windows.jpg": ("mill", 1200, "Lit windows"),
    "Reeds.jpg": ("marsh-reeds", 720, "Reeds"),
    "Reeds, seen from afar.jpg": ("marsh-reeds", 720, "Reeds"),
}


def main() -> None:
    """Write them all."""
    for name, (recipe, width, title) in PICTURES.items():
        pixels = picture(recipe)
        height = round(width * pixels.shape[0] / pixels.shape[1])
        export = Image.fromarray(np.uint8(pixels >> 8)).resize((width, height), Image.Resampling.LANCZOS)
        exif = Image.Exif()
        exif[0x010E], exif[0x013B], exif[0x8298] = title, "The print studio at the tidal mill", "All rights kept"
        icc = spaces.profile_bytes("srgb")
        export.save(FOLDER / name, quality=90, subsampling=0, icc_profile=icc, exif=exif)


if __name__ == "__main__":
    main()
