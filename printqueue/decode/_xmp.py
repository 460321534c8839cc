"""XMP: the Dublin Core title, creator, rights and description, the EXIF capture time, and the orientation.

Source: ISO 16684-1 (XMP) and its RDF subset. The parser takes no DOCTYPE and no
entity of the document's own, 1 MB at most, and a bounded depth.
"""

from __future__ import annotations

from xml.parsers import expat

from printqueue.decode._text import MAX_CHARACTERS, bounded, iso_time
from printqueue.model.picture import Metadata

MAX_BYTES = 1 << 20
MAX_DEPTH = 64
MAX_ITEMS = 100
_DC = "http://purl.org/dc/elements/1.1/ "
_ITEM = "http://www.w3.org/1999/02/22-rdf-syntax-ns# li"
_LANGUAGE = "http://www.w3.org/XML/1998/namespace lang"
_TAKEN = "http://ns.adobe.com/exif/1.0/ DateTimeOriginal"  # the namespace's registered name
_TURN = "http://ns.adobe.com/tiff/1.0/ Orientation"
_FIELDS = (_DC + "title", _DC + "creator", _DC + "rights", _DC + "description", _TAKEN, _TURN)


class _RefusedError(Exception):
    """The packet holds what no honest packet holds."""


class _Collector:
    """Texts of the wanted properties as the parser meets them."""

    def __init__(self) -> None:
        self.items: dict[str, list[tuple[str, str]]] = {}
        self._depth = 0
        self._field: str | None = None
        self._field_depth = 0
        self._language = ""
        self._text: list[str] = []
        self._room = MAX_CHARACTERS

    def start(self, name: str, attributes: dict[str, str]) -> None:
        """Begin an element; properties may also stand as attributes."""
        self._depth += 1
        if self._depth > MAX_DEPTH:
            raise _RefusedError
        for key in _FIELDS:
            if key in attributes and self._field is None:
                self._add(key, "", attributes[key])
        if self._field is None and name in _FIELDS:
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
        self._language, self._text, self._room = language, [], MAX_CHARACTERS

    def _add(self, field: str, language: str, text: str) -> None:
        kept = self.items.setdefault(field, [])
        if text.strip() and len(kept) < MAX_ITEMS:
            kept.append((language, text.strip()))


def _refuse(*_: object) -> None:
    raise _RefusedError


def read(packet: bytes | None) -> Metadata:
    """Read an XMP packet; one that is broken, too long or hostile says nothing."""
    return _metadata(_items(packet))


def orientation(packet: bytes | None) -> int:
    """Return the orientation, 1 to 8 as in TIFF; 1 where it is absent or absurd."""
    if not packet or (b"Orientation" not in packet and b"\0" not in packet):  # most have none; UTF-16 is looked into
        return 1
    found = next((text for _, text in _items(packet).get(_TURN, [])), "1")
    return int(found) if found in {"1", "2", "3", "4", "5", "6", "7", "8"} else 1


def _items(packet: bytes | None) -> dict[str, list[tuple[str, str]]]:
    """Texts and their languages by property."""
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


def _metadata(items: dict[str, list[tuple[str, str]]]) -> Metadata:
    def preferred(name: str) -> str | None:
        found = items.get(_DC + name, [])
        default = [text for language, text in found if language == "x-default"]
        return bounded((default or [text for _, text in found] or [""])[0])

    return Metadata(
        title=preferred("title"),
        creator=bounded(", ".join(text for _, text in items.get(_DC + "creator", []))),
        rights=preferred("rights"),
        description=preferred("description"),
        captured=iso_time(next((text for _, text in items.get(_TAKEN, [])), None)),
    )
