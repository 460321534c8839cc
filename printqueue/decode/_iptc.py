"""IPTC-IIM captions: title, creator, rights, description.

Source: IPTC-NAA Information Interchange Model 4.2, record 2 datasets 5, 80, 116,
120; record 1 dataset 90 names the character set.
"""

from __future__ import annotations

from printqueue.decode._text import bounded, clean
from printqueue.model.picture import Metadata

MAX_BYTES = 1 << 20
MAX_FIELDS = 2_000
_RESOURCE = b"8BIM\x04\x04"
_TITLE, _CREATOR, _RIGHTS, _DESCRIPTION = 5, 80, 116, 120


def read(data: bytes | None) -> Metadata:
    """Read an IPTC block, bare or as an image resource; a broken one gives what was read before the break."""
    block = (data or b"")[:MAX_BYTES]
    if block.startswith(_RESOURCE):
        block = _resource(block)
    fields = _fields(block)
    if not fields and len(block) % 4 == 0:  # written as LONGs and turned by a byte-swapping writer
        fields = _fields(b"".join(block[at : at + 4][::-1] for at in range(0, len(block), 4)))
    return Metadata(
        title=_first(fields, _TITLE),
        creator=bounded(", ".join(filter(None, map(clean, fields.get(_CREATOR, []))))),
        rights=_first(fields, _RIGHTS),
        description=_first(fields, _DESCRIPTION),
    )


def _first(fields: dict[int, list[bytes]], dataset: int) -> str | None:
    return clean(fields.get(dataset, [None])[0])


def _resource(block: bytes) -> bytes:
    """Return the data of the first image resource: a padded Pascal name, a 32-bit length, the data."""
    name = 6
    size_at = name + (block[name] + 2 & ~1 if len(block) > name else 0)
    size = int.from_bytes(block[size_at : size_at + 4], "big")
    return block[size_at + 4 : size_at + 4 + size]


def _fields(block: bytes) -> dict[int, list[bytes]]:
    found: dict[int, list[bytes]] = {}
    at = 0
    for _ in range(MAX_FIELDS):
        head = block[at : at + 5]
        size = int.from_bytes(head[3:5], "big")
        if len(head) < 5 or head[0] != 0x1C or size & 0x8000:  # extended sizes hold no captions
            break
        if head[1] == 2:
            found.setdefault(head[2], []).append(block[at + 5 : at + 5 + size])
        at += 5 + size
    return found
