"""From a file to its picture: the facts of each format, and the source of its pixels."""

from __future__ import annotations

from collections.abc import Callable
from typing import BinaryIO

from printqueue.core.errors import PictureError
from printqueue.core.model.picture import PictureFacts
from printqueue.imaging.decode import exif, jpeg_header, metadata, png_header, tiff_header
from printqueue.imaging.decode.jpeg_pixels import JpegSource
from printqueue.imaging.decode.orientation import OrientedSource
from printqueue.imaging.decode.png_pixels import PngSource
from printqueue.imaging.decode.reader import Bounds, FileReader
from printqueue.imaging.decode.sniff import Kind, recognise
from printqueue.imaging.decode.tiff_ifd import Directory
from printqueue.imaging.decode.tiff_pixels import TiffSource
from printqueue.imaging.source import Source

_XMP, _IPTC, _ICC = 700, 33723, 34675  # TIFF tags
_LAYERS = 37724  # a composite saved together with an editor's layers


def open_picture(handle: BinaryIO, bounds: Bounds) -> Source:
    """Return the picture behind an open, seekable handle, which must stay open while the source is used.

    The header is checked against `bounds` before any library sees the file.
    `icc` is None without a profile, b"" if one is announced but broken or too
    long, so that it is reported as unreadable, not missing. Bands may be
    read-only. Raises `PictureError` (`IncompletePictureError` if the end is
    missing), `WorldError` if the disk or share fails.
    """
    reader = FileReader(handle)
    stored = _FORMATS[recognise(reader)](reader, bounds)
    return stored if stored.facts.orientation == 1 else OrientedSource(stored)


def _jpeg(reader: FileReader, bounds: Bounds) -> JpegSource:
    head = jpeg_header.read(reader, bounds)
    said = exif.from_block(head.exif)
    facts = PictureFacts(
        format="JPEG",
        width_px=head.frame.width,
        height_px=head.frame.height,
        bits=8,
        colour="rgb" if head.frame.components == 3 else "grey",
        compression="JPEG",
        orientation=metadata.orientation(said.orientation, head.xmp),
        ppi=head.jfif_ppi or said.ppi,
        declared_space=said.declared_space,
        metadata=metadata.merged(head.xmp, head.iptc, said.metadata),
    )
    return JpegSource(reader, head, facts, jpeg_header.icc(head, bounds))


def _png(reader: FileReader, bounds: Bounds) -> PngSource:
    head = png_header.read(reader, bounds)
    said = exif.from_block(png_header.exif_block(head))
    packet, texts = png_header.texts(head)
    facts = PictureFacts(
        format="PNG",
        width_px=head.width,
        height_px=head.height,
        bits=16 if head.depth == 16 else 8,
        colour="grey" if head.colours == 1 else "rgb",
        compression="Deflate",
        orientation=metadata.orientation(said.orientation, packet),
        pages=png_header.frames(head),
        alpha=head.has_alpha,
        ppi=png_header.resolution(head) or said.ppi,
        declared_space=png_header.declared_space(head) or said.declared_space,
        metadata=metadata.merged(packet, None, said.metadata, texts),
    )
    return PngSource(reader, head, facts, png_header.icc(head, bounds))


def _tiff(reader: FileReader, bounds: Bounds) -> TiffSource:
    """The first true page is the picture."""
    pages = tiff_header.pages(reader, bounds)
    ifd, page = pages[0], tiff_header.page(reader, pages[0], bounds)
    said, packet = exif.from_directory(reader, ifd), _block(ifd, _XMP, metadata.MAX_BYTES)
    facts = PictureFacts(
        format="TIFF",
        width_px=page.width,
        height_px=page.height,
        bits=page.bits,
        colour="grey" if page.photometric in (tiff_header.WHITE_IS_ZERO, tiff_header.BLACK_IS_ZERO) else "rgb",
        compression=tiff_header.COMPRESSIONS[page.compression],
        orientation=metadata.orientation(said.orientation, packet),
        pages=len(pages),
        layered=_LAYERS in ifd,
        selection=0 in page.extras,
        alpha=page.alpha is not None,
        ppi=said.ppi,
        declared_space=said.declared_space,
        metadata=metadata.merged(packet, _block(ifd, _IPTC, metadata.MAX_BYTES), said.metadata),
    )
    return TiffSource(reader, page, facts, _block(ifd, _ICC, bounds.icc_bytes))


def _block(ifd: Directory, tag: int, limit: int) -> bytes | None:
    """Return the tag's bytes; None without the tag, b"" if they are out of bounds."""
    try:
        return ifd.raw(tag, limit)
    except PictureError:
        return b""


_FORMATS: dict[Kind, Callable[[FileReader, Bounds], Source]] = {"TIFF": _tiff, "JPEG": _jpeg, "PNG": _png}
