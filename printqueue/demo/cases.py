"""The demo's pictures: what each is, how it is saved, where it is dropped and what must become of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

SaveAs = Literal["tiff", "tiff-bare", "jpeg", "jpeg-coarse", "png", "cmyk", "printer", "half"]


@dataclass(frozen=True, slots=True)
class Case:
    """One picture. `check` and `level` are the finding its caption promises."""

    name: str  # below ready/
    recipe: str  # in `pictures.RECIPES`
    caption: str
    check: str
    level: Literal["reject", "warn", "note", "pass"]
    save: SaveAs = "tiff"

    @property
    def accepted(self) -> bool:
        """Whether a print gets made."""
        return self.level != "reject"


CASES = (
    # must be accepted
    Case(
        "smooth-rag/A4/Fog over the harbour.tif",
        "fog",
        "Fog: bright and almost without edges, and that is no fault.",
        "brightness",
        "pass",
    ),
    Case(
        "baryta/A4/Lit windows.tif",
        "mill",
        "Low key with lit lights: dark on purpose, so brightness is a note, no warning.",
        "brightness",
        "note",
    ),
    Case(
        "smooth-rag/A4/Creek, from film.tif",
        "marsh-creek-film",
        "A grainy film scan: grain is not taken for sharpening.",
        "oversharpening",
        "pass",
    ),
    Case(
        "textured-rag/A4/Salt marsh, dusk.tif",
        "marsh",
        "A panorama: its shape is no fault; nothing is cropped.",
        "size",
        "pass",
    ),
    Case(
        "kozo/A5/Kelp.tif",
        "kelp",
        "A toned black-and-white picture passes bit depth unremarked.",
        "bit-depth",
        "pass",
    ),
    Case(
        "baryta/A4/Reeds, from the archive.jpg",
        "marsh-reeds",
        "An 8-bit JPEG from the archive: good enough, with a note.",
        "bit-depth",
        "note",
        "jpeg",
    ),
    # faulty
    Case(
        "smooth-rag/A3/Pier, low tide.tif",
        "pier-low-small",
        "1344 pixels wide: made for a screen, too few for A3.",
        "resolution",
        "reject",
    ),
    Case(
        "smooth-rag/A4/Kelp on rock.tif",
        "kelp",
        "Exported without its profile: the numbers could mean any colours.",
        "profile",
        "reject",
        "tiff-bare",
    ),
    Case(
        "baryta/A4/Reeds.tif",
        "marsh-reeds-crisp",
        "Sharpened far too much: the edges ring.",
        "oversharpening",
        "reject",
    ),
    Case(
        "smooth-rag/A4/Mill at nightfall.tif",
        "mill",
        "A CMYK separation, made for another machine.",
        "profile",
        "reject",
        "cmyk",
    ),
    Case(
        "smooth-rag/A4/Creek at dusk.tif",
        "marsh-creek",
        "Already converted into a printer's profile: it would be colour managed twice.",
        "profile",
        "reject",
        "printer",
    ),
    Case(
        "textured-rag/A4/Fog, half copied.tif",
        "fog",
        "The copy was cut short.",
        "whole",
        "reject",
        "half",
    ),
    # a whole folder dropped at once, with one order for all
    Case(
        "textured-rag/A5/Tide tables/Low water.tif",
        "pier-low",
        "A folder dropped whole, with one order.yaml for its three pictures: low water.",
        "size",
        "pass",
    ),
    Case("textured-rag/A5/Tide tables/Half tide.tif", "pier-half", "The same folder: half tide.", "size", "pass"),
    Case("textured-rag/A5/Tide tables/High water.tif", "pier-high", "The same folder: high water.", "size", "pass"),
    # two with the same name: nothing is overwritten
    Case(
        "smooth-rag/A5/Pier.png",
        "pier-high",
        "Two pictures want to be print/…/Pier.tif; the second becomes Pier (2).",
        "resolution",
        "pass",
        "png",
    ),
    Case("smooth-rag/A5/Pier.tif", "pier-high", "The other of the same name.", "resolution", "pass"),
    # accepted with a warning
    Case(
        "smooth-rag/A4/Mill before dawn.tif",
        "mill-underexposed",
        "Too dark for a matte sheet, with light to spare: accepted, with a warning and a lift to try.",
        "brightness",
        "warn",
    ),
    Case(
        "smooth-rag/A5/Fog, sent by mail.jpg",
        "fog",
        "Saved as JPEG at quality 25: its blocks show in the fog; accepted, with a warning.",
        "compression",
        "warn",
        "jpeg-coarse",
    ),
    Case(
        "baryta/A5/Kelp, enlarged.tif",
        "kelp-enlarged",
        "Enlarged three times before it came here: the pixels are there, the detail is not.",
        "softness",
        "warn",
    ),
)
ORDERS = {
    "textured-rag/A5/Tide tables/order.yaml": "title: Tide tables\nborder: {style: weighted, width: 20 mm}\n"
    "foot_line: 1.5 mm\n"
    "note: A series of three, to hang in one row.\n",
    "smooth-rag/A4/Fog over the harbour.order.yaml": "hairline: 0.2 mm\n",
}
