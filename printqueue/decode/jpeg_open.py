"""Facts of a JPEG, its source, and the proof that it is whole."""

from __future__ import annotations

from printqueue.decode import _exif
from printqueue.decode import jpeg_header as header
from printqueue.decode._bounds import Bounds
from printqueue.decode._metadata import merged
from printqueue.decode._oriented import is_turned, orientation
from printqueue.decode._reader import Reader
from printqueue.decode._whole import no_empty_pages, no_hole
from printqueue.decode.jpeg import JpegSource
from printqueue.model.picture import PictureFacts


def open_jpeg(reader: Reader, bounds: Bounds) -> JpegSource:
    """Return the JPEG as stored. Raises `PictureError`."""
    head = header.read(reader, bounds)
    said = _exif.from_block(head.exif)
    turn = orientation(said.orientation, head.xmp)
    turned = is_turned(turn)
    facts = PictureFacts(
        format="JPEG",
        width_px=head.frame.height if turned else head.frame.width,
        height_px=head.frame.width if turned else head.frame.height,
        bits=8,
        colour="rgb" if head.frame.components == 3 else "grey",
        compression="JPEG",
        orientation=turn,
        ppi=head.jfif_ppi or said.ppi,
        declared_space=said.declared_space,
        metadata=merged(head.xmp, head.iptc, said.metadata),
    )
    return JpegSource(reader, head, facts, header.icc(head, bounds))


def probe_jpeg(reader: Reader, bounds: Bounds) -> None:
    """Check that the end marker follows the last scan and that nothing was left unwritten."""
    head = header.read(reader, bounds)
    no_hole(reader, 0, head.stop)
    no_empty_pages(reader, head.scan_start, head.scan_stop)
