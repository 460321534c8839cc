"""Facts of a TIFF, and its source."""

from __future__ import annotations

from printqueue.decode import _exif, _xmp
from printqueue.decode import tiff_header as header
from printqueue.decode._bounds import Bounds
from printqueue.decode._ifd import Directory
from printqueue.decode._metadata import merged
from printqueue.decode._oriented import is_turned, orientation
from printqueue.decode._reader import Reader
from printqueue.decode.tiff import TiffSource
from printqueue.errors import PictureError
from printqueue.model.picture import PictureFacts

_XMP, _IPTC, _ICC = 700, 33723, 34675
_LAYERS = 37724  # a composite saved together with an editor's layers


def open_tiff(reader: Reader, bounds: Bounds) -> TiffSource:
    """Return the first true page as stored."""
    found = header.document(reader, bounds)
    entry = found.pages[0]
    page = header.page(reader, entry, bounds)
    said, packet = _exif.from_directory(reader, entry), _raw(entry, _XMP)
    turn = orientation(said.orientation, packet)
    turned = is_turned(turn)
    facts = PictureFacts(
        format="TIFF",
        width_px=page.height if turned else page.width,
        height_px=page.width if turned else page.height,
        bits=page.bits,
        colour="grey" if page.photometric in (header.WHITE_IS_ZERO, header.BLACK_IS_ZERO) else "rgb",
        compression=header.COMPRESSIONS[page.compression],
        orientation=turn,
        pages=len(found.pages),
        layered=_LAYERS in entry,
        selection=0 in page.extras,
        alpha=any(kind in (1, 2) for kind in page.extras),
        ppi=said.ppi,
        declared_space=said.declared_space,
        metadata=merged(packet, _raw(entry, _IPTC), said.metadata),
    )
    return TiffSource(reader, page, facts, _icc(entry, bounds))


def _icc(entry: Directory, bounds: Bounds) -> bytes | None:
    """Return the profile; None without one, b"" where it is out of bounds (so that it is called unreadable)."""
    try:
        return entry.raw(_ICC, bounds.icc_bytes)
    except PictureError:
        return b""


def _raw(entry: Directory, tag: int) -> bytes | None:
    """Return a block of text metadata; a broken one says nothing."""
    try:
        return entry.raw(tag, _xmp.MAX_BYTES)
    except PictureError:
        return None
