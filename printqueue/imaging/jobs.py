"""What imaging can be asked to make, and its answers. Plain values, cheap to import: the service handles prints without
loading the code that makes them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from printqueue.core.model.paper import Intent, PaperFacts
from printqueue.core.model.region import Region
from printqueue.core.model.request import Request
from printqueue.core.units import Size
from printqueue.core.yaml.limits import Limits


@dataclass(frozen=True, slots=True)
class PrintJob:
    """One print to judge or render, with the rules and profile bytes as they were when it was claimed."""

    request: Request
    paper: PaperFacts
    limits: Mapping[str, Limits]
    paper_profile: bytes


@dataclass(frozen=True, slots=True)
class Provenance:
    """How the print was made, without clock or job number, so that the same print has the same words."""

    recipe: str  # SHA-256, hex
    master_sha256: str
    paper: str
    profile_sha256: str
    profile_name: str
    settings: str  # one line, in plain words
    versions: str

    @property
    def sentence(self) -> str:
        """Sentence for ImageDescription: ASCII, ending with the recipe."""
        text = f"Print file for {self.paper}; colours converted once into {self.profile_name} ({self.settings}); recipe {self.recipe}"
        return text.encode("ascii", "replace").decode("ascii")


@dataclass(frozen=True, slots=True)
class Verified:
    """How many pixels were recomputed, and how far the file's differ from them (ΔE76 of what the paper shows)."""

    pixels: int
    mean: float
    worst: float


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece of a strip: the lift in stops and the intent that it shows."""

    lift_stops: float
    intent: Intent


@dataclass(frozen=True, slots=True)
class StripWish:
    """What a test strip should show.

    `crop`: left, top, width, height in source pixels, or in percent of the picture if `in_percent`; None: the most
    telling part. `head`, `foot`: lines of text above and below; `labels`: lines under each piece, one entry per piece.
    """

    pieces: tuple[Piece, ...]
    columns: int  # pieces that differ only in lift stand side by side
    head: tuple[str, ...]
    labels: tuple[tuple[str, ...], ...]
    foot: tuple[str, ...]
    stocked: tuple[Size, ...]
    crop: tuple[float, float, float, float] | None = None
    in_percent: bool = False


@dataclass(frozen=True, slots=True)
class StripMade:
    """The result: the sheet, the part shown, in source pixels (left, top, width, height) and in mm, and the proof."""

    sheet: str
    sheet_mm: tuple[float, float]
    part_px: tuple[float, float, float, float]
    part_mm: tuple[float, float]
    picture_mm: tuple[float, float]
    verified: Verified
    sha256: str


@dataclass(frozen=True, slots=True)
class ProofWords:
    """The words on the sheet: the picture, the print, the verdict, and a line or two about the findings.

    `unseen`: why no picture is shown, "" if one is. `assumed`: what had to be assumed in order to show it.
    """

    title: str
    print: str
    verdict: str
    found: tuple[str, ...] = ()
    demonstration: str = ""
    unseen: str = ""
    assumed: str = ""


@dataclass(frozen=True, slots=True)
class Marked:
    """The places of one check's finding; `called`: its words in the legend."""

    check: str
    called: str
    places: tuple[Region, ...]


@dataclass(frozen=True, slots=True)
class ProofWish:
    """What to say on the proof picture, and which places to mark."""

    words: ProofWords
    marked: tuple[Marked, ...] = ()
