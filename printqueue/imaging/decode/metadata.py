"""Descriptive text from untrusted bytes: XMP before IPTC before EXIF, field by field; and XMP's orientation.

Sources: ISO 16684-1 (XMP) and its RDF subset; IPTC-NAA Information Interchange Model 4.2, record 2 datasets 5, 80,
116, 120. All text is decoded, trimmed and bounded here; it is escaped where it is shown. The XML parser accepts no
DOCTYPE, no entities defined by the document, at most 1 MB, and a bounded depth.
"""

from __future__ import annotations

import re
from dataclasses import fields
from xml.parsers import expat

from printqueue.core.model.picture import Metadata

MAX_BYTES = 1 << 20  # per block of metadata
MAX_CHARACTERS = 2_000
MAX_IPTC_FIELDS = 2_000
MAX_XMP_DEPTH = 64
MAX_XMP_ITEMS = 100
IPTC_RESOURCE = b"8BIM\x04\x04"
_ISO_TIME = re.compile(r"(?!0000)(\d{4})-(\d\d)-(\d\d)T(\d\d:\d\d(?::\d\d)?)")
_TITLE, _CREATOR, _RIGHTS, _DESCRIPTION = 5, 80, 116, 120  # IPTC
_DC = "http://purl.org/dc/elements/1.1/ "
_ITEM = "http://www.w3.org/1999/02/22-rdf-syntax-ns# li"
_LANGUAGE = "http://www.w3.org/XML/1998/namespace lang"
_TAKEN = "http://ns.adobe.com/exif/1.0/ DateTimeOriginal"  # the namespace's registered name
_TURN = "http://ns.adobe.com/tiff/1.0/ Orientation"
_WANTED = (_DC + "title", _DC + "creator", _DC + "rights", _DC + "description", _TAKEN, _TURN)


def merged(xmp_packet: bytes | None, iptc_block: bytes | None, *others: Metadata) -> Metadata:
    """Return each field from the first source that has it; `others` come last, in the order given."""
    sources = (_xmp(xmp_packet), _iptc(iptc_block), *others)
    return Metadata(
        **{
            item.name: next((value for source in sources if (value := getattr(source, item.name))), None)
            for item in fields(Metadata)
        }
    )


def orientation(exif: int | None, xmp_packet: bytes | None) -> int:
    """Return how to turn the picture, 1 to 8; `exif` is None if EXIF has no such tag.

    One rule for all formats: EXIF wins (in a TIFF, its own directory), whatever else is there. Only if EXIF has no
    such tag does XMP's `tiff:Orientation` count, which other readers obey as well (Pillow 13, ImageMagick 6; a test
    compares). A tag that is there but absurd turns nothing.
    """
    if exif is not None:
        return exif
    packet = xmp_packet or b""
    if b"Orientation" not in packet and b"\0" not in packet:  # most have none; a NUL suggests UTF-16, so parse it
        return 1
    found = next((text for _, text in _xmp_items(packet).get(_TURN, [])), "1")
    return int(found) if found in {"1", "2", "3", "4", "5", "6", "7", "8"} else 1


def clean(data: bytes | None) -> str | None:
    """Return the bytes as text: UTF-8, else Latin-1; NUL-separated parts are joined; None if nothing is left."""
    if not data:
        return None
    kept = data[: 4 * MAX_CHARACTERS]
    try:
        text = kept.decode("utf-8")
    except UnicodeDecodeError:
        cut = len(data) > len(kept)
        text = kept.decode("utf-8", "ignore") if cut else kept.decode("latin-1")
    return _bounded(", ".join(part.strip() for part in text.split("\0") if part.strip()))


def _bounded(text: str | None) -> str | None:
    """Trim, and cut to 2,000 characters; None if nothing is left."""
    return (text or "").strip()[:MAX_CHARACTERS].strip() or None


def _exif_time(text: str | None) -> str | None:
    """Return an ISO 8601 time in EXIF's form (without its zone), else None."""
    found = _ISO_TIME.match((text or "").strip())
    if not found:
        return None
    year, month, day, clock = found.groups()
    return f"{year}:{month}:{day} {clock if len(clock) == 8 else clock + ':00'}"


# -- IPTC ------------------------------------------------------------------------------


def _iptc(data: bytes | None) -> Metadata:
    """Read an IPTC block, bare or as an image resource; a broken one yields what comes before the break."""
    block = (data or b"")[:MAX_BYTES]
    if block.startswith(IPTC_RESOURCE):
        block = _resource(block)
    found = _iptc_fields(block)
    if not found and len(block) % 4 == 0:  # written as LONGs by a writer that swaps bytes
        found = _iptc_fields(b"".join(block[at : at + 4][::-1] for at in range(0, len(block), 4)))

    def first(dataset: int) -> str | None:
        return clean(found.get(dataset, [None])[0])

    creators = filter(None, map(clean, found.get(_CREATOR, [])))
    return Metadata(first(_TITLE), _bounded(", ".join(creators)), first(_RIGHTS), first(_DESCRIPTION))


def _resource(block: bytes) -> bytes:
    """Return the data of the first image resource: a padded Pascal name, a 32-bit length, the data."""
    name = 6
    size_at = name + (block[name] + 2 & ~1 if len(block) > name else 0)
    size = int.from_bytes(block[size_at : size_at + 4], "big")
    return block[size_at + 4 : size_at + 4 + size]


def _iptc_fields(block: bytes) -> dict[int, list[bytes]]:
    found: dict[int, list[bytes]] = {}
    at = 0
    for _ in range(MAX_IPTC_FIELDS):
        head = block[at : at + 5]
        size = int.from_bytes(head[3:5], "big")
        if len(head) < 5 or head[0] != 0x1C or size & 0x8000:  # extended sizes never hold captions
            break
        if head[1] == 2:
            found.setdefault(head[2], []).append(block[at + 5 : at + 5 + size])
        at += 5 + size
    return found


# -- XMP -------------------------------------------------------------------------------


class _RefusedError(Exception):
    """The packet holds something that no honest packet holds."""


class _Collector:
    """Collects the texts of the wanted properties as the parser meets them."""

    def __init__(self) -> None:
        self.items: dict[str, list[tuple[str, str]]] = {}
        self._depth = 0
        self._field: str | None = None
        self._field_depth = 0
        self._begin("")

    def start(self, name: str, attributes: dict[str, str]) -> None:
        """Begin an element; properties may also be written as attributes."""
        self._depth += 1
        if self._depth > MAX_XMP_DEPTH:
            raise _RefusedError
        for key in _WANTED:
            if key in attributes and self._field is None:
                self._add(key, "", attributes[key])
        if self._field is None and name in _WANTED:
            self._field, self._field_depth = name, self._depth
            self._begin("")
        elif self._field is not None and name == _ITEM:
            self._begin(attributes.get(_LANGUAGE, ""))

    def text(self, data: str) -> None:
        """Take character data inside a wanted property."""
        if self._field is not None and self._room > 0:
            self._text.append(data[: self._room])
            self._room -= len(data)

    def end(self, name: str) -> None:
        """End an element."""
        if self._field is not None and (name == _ITEM or self._depth == self._field_depth):
            self._add(self._field, self._language, "".join(self._text))
            self._begin("")
        if self._depth == self._field_depth:
            self._field, self._field_depth = None, 0
        self._depth -= 1

    def _begin(self, language: str) -> None:
        self._language = language
        self._text: list[str] = []
        self._room = MAX_CHARACTERS

    def _add(self, field: str, language: str, text: str) -> None:
        kept = self.items.setdefault(field, [])
        if text.strip() and len(kept) < MAX_XMP_ITEMS:
            kept.append((language, text.strip()))


def _refuse(*_: object) -> None:
    raise _RefusedError


def _xmp_items(packet: bytes | None) -> dict[str, list[tuple[str, str]]]:
    """Texts and their languages by property; a broken, oversized or hostile packet yields nothing."""
    if not packet or len(packet) > MAX_BYTES:
        return {}
    collector = _Collector()
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    parser.StartDoctypeDeclHandler = _refuse
    parser.EntityDeclHandler = _refuse
    parser.StartElementHandler = collector.start
    parser.EndElementHandler = collector.end
    parser.CharacterDataHandler = collector.text
    try:
        parser.Parse(packet.strip(b"\0 \r\n\t"), True)  # noqa: FBT003 - isfinal is positional only
    except (expat.ExpatError, _RefusedError, ValueError, LookupError):
        return {}
    return collector.items


def _xmp(packet: bytes | None) -> Metadata:
    items = _xmp_items(packet)

    def preferred(name: str) -> str | None:
        found = items.get(_DC + name, [])
        default = [text for language, text in found if language == "x-default"]
        return _bounded((default or [text for _, text in found] or [""])[0])

    return Metadata(
        title=preferred("title"),
        creator=_bounded(", ".join(text for _, text in items.get(_DC + "creator", []))),
        rights=preferred("rights"),
        description=preferred("description"),
        captured=_exif_time(next((text for _, text in items.get(_TAKEN, [])), None)),
    )
