"""One description from several: XMP before IPTC before EXIF, field by field."""

from __future__ import annotations

from dataclasses import fields

from printqueue.decode import _iptc, _xmp
from printqueue.model.picture import Metadata


def merged(xmp_packet: bytes | None, iptc_block: bytes | None, *others: Metadata) -> Metadata:
    """Return each field from the first source that has it; `others` come last, in their order."""
    sources = (_xmp.read(xmp_packet), _iptc.read(iptc_block), *others)
    return Metadata(
        **{
            item.name: next((value for source in sources if (value := getattr(source, item.name))), None)
            for item in fields(Metadata)
        }
    )
