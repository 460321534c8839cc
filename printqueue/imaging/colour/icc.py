"""Reads the header and tag table of an ICC profile without trusting a byte of it.

Layout: ICC.1:2022 clauses 7.2 (header) and 7.3 (tag table); the same in v2 and v4.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

MAX_BYTES = 16_000_000
_MAX_TAGS = 200
DEMONSTRATION_MARK = "DEMONSTRATION"

CLASS_NAMES = {
    "scnr": "input",
    "mntr": "display",
    "prtr": "printer",
    "link": "device link",
    "abst": "abstract",
    "spac": "colour space",
    "nmcl": "named colour",
}
_MATRIX_TAGS = ("rXYZ", "gXYZ", "bXYZ", "rTRC", "gTRC", "bTRC")


class ProfileError(ValueError):
    """The bytes are not a usable ICC profile; the message says why in one clause."""


@dataclass(frozen=True, slots=True)
class Profile:
    """The facts of one profile. `space` and `pcs` are ICC signatures without padding ("RGB", "Lab")."""

    size: int
    version: str
    device_class: str  # one of CLASS_NAMES
    space: str
    pcs: str
    description: str
    tags: frozenset[str]
    white: tuple[float, float, float] | None  # media white point, XYZ (D50 PCS)

    @property
    def is_demonstration(self) -> bool:
        """Whether the profile calls itself a demonstration, not made for a real sheet."""
        return self.description.startswith(DEMONSTRATION_MARK)

    @property
    def usable_as_source(self) -> bool:
        """Whether pixels can be read through it: it has a matrix, a table or, for grey, a curve."""
        if self.space == "GRAY":
            return "kTRC" in self.tags or "A2B0" in self.tags
        return "A2B0" in self.tags or all(tag in self.tags for tag in _MATRIX_TAGS)


def read_profile(data: bytes) -> Profile:
    """Read header, tag table, description and white point. Raises `ProfileError`."""
    if len(data) < 132:
        raise ProfileError(f"it is only {len(data)} bytes long, an ICC profile has at least 132")
    if len(data) > MAX_BYTES:
        raise ProfileError(f"it is larger than {MAX_BYTES // 1_000_000} MB")
    if data[36:40] != b"acsp":
        raise ProfileError("it does not carry the ICC mark 'acsp'")
    (size,) = struct.unpack_from(">I", data, 0)
    if size != len(data):
        raise ProfileError(f"its header says {size} bytes, but {len(data)} are there (cut short or damaged)")
    device_class = _signature(data, 12)
    if device_class not in CLASS_NAMES:
        raise ProfileError("its class is none that ICC.1 defines")
    tags = _tag_table(data)
    return Profile(
        size=size,
        version=f"{data[8]}.{data[9] >> 4}",
        device_class=device_class,
        space=_signature(data, 16),
        pcs=_signature(data, 20),
        description=_description(data, tags.get("desc")),
        tags=frozenset(tags),
        white=_white(data, tags.get("wtpt")),
    )


def tag_bytes(data: bytes, name: str) -> bytes:
    """Return the body of one tag, type signature first. Raises `ProfileError` if the profile lacks it."""
    tags = _tag_table(data)
    if name not in tags:
        raise ProfileError(f"it has no {name} tag")
    offset, size = tags[name]
    return data[offset : offset + size]


def _signature(data: bytes, offset: int) -> str:
    return data[offset : offset + 4].decode("ascii", "replace").rstrip()


def _tag_table(data: bytes) -> dict[str, tuple[int, int]]:
    (count,) = struct.unpack_from(">I", data, 128)
    if count > _MAX_TAGS or 132 + 12 * count > len(data):
        raise ProfileError(f"its tag table claims {count} entries, more than fit")
    tags = {}
    for index in range(count):
        offset, size = struct.unpack_from(">II", data, 132 + 12 * index + 4)
        if size < 8 or offset < 128 or offset + size > len(data):
            raise ProfileError("one of its tags points outside the profile (cut short or damaged)")
        tags[_signature(data, 132 + 12 * index)] = (offset, size)
    return tags


def _description(data: bytes, where: tuple[int, int] | None) -> str:
    """Text of `desc`: textDescriptionType (v2, ICC.1:2001 6.5.17) or multiLocalizedUnicodeType (v4)."""
    if where is None:
        return ""
    body = data[where[0] : where[0] + where[1]]
    if body[:4] == b"desc" and len(body) >= 12:
        (count,) = struct.unpack_from(">I", body, 8)
        return body[12 : 12 + min(count, 400)].split(b"\0")[0].decode("latin-1")
    if body[:4] == b"mluc" and len(body) >= 28:
        size, offset = struct.unpack_from(">II", body, 20)
        return body[offset : offset + min(size, 800)].decode("utf-16-be", "replace").rstrip("\0")
    return ""


def _white(data: bytes, where: tuple[int, int] | None) -> tuple[float, float, float] | None:
    if where is None or where[1] < 20 or data[where[0] : where[0] + 4] != b"XYZ ":
        return None
    X, Y, Z = struct.unpack_from(">iii", data, where[0] + 8)
    return X / 65536, Y / 65536, Z / 65536
