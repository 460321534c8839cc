"""Facts of a PNG, its source, and the proof that it is whole."""

from __future__ import annotations

from printqueue.decode import _exif, png_header, png_notes
from printqueue.decode._bounds import Bounds
from printqueue.decode._metadata import merged
from printqueue.decode._oriented import is_turned, orientation
from printqueue.decode._reader import Reader
from printqueue.decode._whole import no_hole
from printqueue.decode.png import PngSource
from printqueue.model.picture import PictureFacts


def open_png(reader: Reader, bounds: Bounds) -> PngSource:
    """Return the PNG as stored. Raises `PictureError`."""
    head = png_header.read(reader, bounds)
    said = _exif.from_block(png_notes.exif(head))
    packet, texts = png_notes.texts(head)
    turn = orientation(said.orientation, packet)
    turned = is_turned(turn)
    facts = PictureFacts(
        format="PNG",
        width_px=head.height if turned else head.width,
        height_px=head.width if turned else head.height,
        bits=16 if head.depth == 16 else 8,
        colour="grey" if head.colours == 1 else "rgb",
        compression="Deflate",
        orientation=turn,
        pages=png_notes.frames(head),
        alpha=head.has_alpha,
        ppi=png_notes.resolution(head) or said.ppi,
        declared_space=png_notes.declared_space(head) or said.declared_space,
        metadata=merged(packet, None, said.metadata, texts),
    )
    return PngSource(reader, head, facts, png_notes.icc(head, bounds))


def probe_png(reader: Reader, bounds: Bounds) -> None:
    """Check every needed chunk's checksum and that nothing was left unwritten."""
    head = png_header.read(reader, bounds)
    for chunk in head.needed:
        png_header.check_sum(reader, chunk)
    no_hole(reader, 0, head.stop)
