"""What we know about a picture file besides its pixels."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal


@dataclass(frozen=True, slots=True)
class Metadata:
    """Descriptive text from EXIF, IPTC or XMP, each at most 2,000 characters; None if absent."""

    title: str | None = None
    creator: str | None = None
    rights: str | None = None
    description: str | None = None
    captured: str | None = None  # 'YYYY:MM:DD HH:MM:SS' as EXIF writes it (DateTimeOriginal)


@dataclass(frozen=True, slots=True)
class PictureFacts:
    """One picture's header, as read by its decoder.

    `width_px` and `height_px` are as displayed, with the orientation tag applied.
    """

    format: Literal["TIFF", "JPEG", "PNG"]
    width_px: int
    height_px: int
    bits: Literal[8, 16]
    colour: Literal["rgb", "grey"]
    compression: str = "none"
    orientation: int = 1  # EXIF 2.32, tag 274: 1 to 8
    pages: int = 1  # real pages, not counting thumbnails and masks
    layered: bool = False  # a composite saved together with editor layers
    selection: bool = False  # an extra channel that is not transparency
    alpha: bool = False  # a transparency channel is present (opaque or not)
    ppi: float | None = None  # as tagged; None if absent, zero or without unit
    declared_space: Literal["srgb", "adobe-rgb"] | None = None  # declared by EXIF or PNG, in addition to any profile
    metadata: Metadata = field(default_factory=Metadata)
