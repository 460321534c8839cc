"""The pictures of the demo: what each is, how it is saved, where it is dropped, and what must become of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

SaveAs = Literal["tiff", "tiff-bare", "jpeg", "jpeg-coarse", "enlarged", "png", "cmyk", "printer", "half"]


@dataclass(frozen=True, slots=True)
class Case:
    """One picture. `check` and `level`: the finding that its caption promises, None where all is quiet."""

    name: str  # below ready/
    recipe: str  # in `pictures.RECIPES`
    save: SaveAs
    accepted: bool
    caption: str
    check: str | None = None
    level: Literal["reject", "warn", "note", "pass"] | None = None


CASES = (
    # must be accepted
    Case(
        "smooth-rag/A4/Fog over the harbour.tif",
        "fog-harbour",
        "tiff",
        accepted=True,
        caption="Fog: bright and almost without edges, and that is no fault.",
        check="brightness",
        level="pass",
    ),
    Case(
        "baryta/A4/Lit windows.tif",
        "lit-windows",
        "tiff",
        accepted=True,
        caption="Low key with lit lights: dark on purpose, so brightness is a note, no warning.",
        check="brightness",
        level="note",
    ),
    Case(
        "smooth-rag/A4/Net loft.tif",
        "net-loft",
        "tiff",
        accepted=True,
        caption="A grainy film scan: grain is not taken for sharpening.",
        check="oversharpening",
        level="pass",
    ),
    Case(
        "textured-rag/A4/Salt marsh, dusk.tif",
        "salt-marsh-panorama",
        "tiff",
        accepted=True,
        caption="A panorama: its shape is no fault; nothing is cropped.",
        check="size",
        level="pass",
    ),
    Case(
        "kozo/A5/Kelp.tif",
        "kelp-toned",
        "tiff",
        accepted=True,
        caption="A toned black-and-white picture passes bit depth unremarked.",
        check="bit-depth",
        level="pass",
    ),
    Case(
        "baryta/A4/Lighthouse, from the archive.jpg",
        "lighthouse-archive",
        "jpeg",
        accepted=True,
        caption="An 8-bit JPEG from the archive: good enough, with a note.",
        check="bit-depth",
        level="note",
    ),
    # faulty
    Case(
        "smooth-rag/A3/Slipway, low tide.tif",
        "slipway-small",
        "tiff",
        accepted=False,
        caption="1344 pixels wide: made for a screen, too few for A3.",
        check="resolution",
        level="reject",
    ),
    Case(
        "smooth-rag/A4/Breakwater.tif",
        "breakwater",
        "tiff-bare",
        accepted=False,
        caption="Exported without its profile: the numbers could mean any colours.",
        check="profile",
        level="reject",
    ),
    Case(
        "baryta/A4/Mooring ropes.tif",
        "mooring-ropes-crisp",
        "tiff",
        accepted=False,
        caption="Sharpened far too much: the edges ring.",
        check="oversharpening",
        level="reject",
    ),
    Case(
        "smooth-rag/A4/Buoys.tif",
        "buoys",
        "cmyk",
        accepted=False,
        caption="A CMYK separation, made for another machine.",
        check="profile",
        level="reject",
    ),
    Case(
        "smooth-rag/A4/Boat sheds.tif",
        "boat-sheds",
        "printer",
        accepted=False,
        caption="Already converted into a printer's profile: it would be colour managed twice.",
        check="profile",
        level="reject",
    ),
    Case(
        "textured-rag/A4/Breakwater, half copied.tif",
        "breakwater",
        "half",
        accepted=False,
        caption="The copy was cut short.",
        check="whole",
        level="reject",
    ),
    # a folder dropped whole, with one order for all
    Case(
        "textured-rag/A5/Tide tables/Low water.tif",
        "tide-tables-low",
        "tiff",
        accepted=True,
        caption="A folder dropped whole, with one order.yaml for its three pictures: low water.",
        check="size",
        level="pass",
    ),
    Case(
        "textured-rag/A5/Tide tables/Half tide.tif",
        "tide-tables-mid",
        "tiff",
        accepted=True,
        caption="The same folder: half tide.",
        check="size",
        level="pass",
    ),
    Case(
        "textured-rag/A5/Tide tables/High water.tif",
        "tide-tables-high",
        "tiff",
        accepted=True,
        caption="The same folder: high water.",
        check="size",
        level="pass",
    ),
    # two of the same name: nothing is overwritten
    Case(
        "smooth-rag/A5/Slipway.png",
        "slipway-large",
        "png",
        accepted=True,
        caption="Two pictures want to be print/…/Slipway.tif; the second becomes Slipway (2).",
        check="resolution",
        level="pass",
    ),
    Case(
        "smooth-rag/A5/Slipway.tif",
        "slipway-large",
        "tiff",
        accepted=True,
        caption="The other of the same name.",
        check="resolution",
        level="pass",
    ),
    # accepted with a warning
    Case(
        "smooth-rag/A4/Night quay.tif",
        "night-quay",
        "tiff",
        accepted=True,
        caption="Too dark for a matte sheet, with light to spare: accepted, with a warning and a lift to try.",
        check="brightness",
        level="warn",
    ),
    Case(
        "smooth-rag/A5/Fog, sent by mail.jpg",
        "fog-harbour",
        "jpeg-coarse",
        accepted=True,
        caption="Saved as JPEG at quality 25: its blocks show in the fog; accepted, with a warning.",
        check="compression",
        level="warn",
    ),
    Case(
        "baryta/A5/Slipway, enlarged.tif",
        "slipway-large",
        "enlarged",
        accepted=True,
        caption="Enlarged three times before it came here: the pixels are there, the detail is not.",
        check="softness",
        level="warn",
    ),
)
ORDERS = {
    "textured-rag/A5/Tide tables/order.yaml": "title: Tide tables\nborder: {style: weighted, width: 20 mm}\n"
    "foot_line: 1.5 mm\n"
    "note: A series of three, to hang in one row.\n",
    "smooth-rag/A4/Fog over the harbour.order.yaml": "hairline: 0.2 mm\n",
}
