"""Names for the files we make: companions, numbers for taken names, and the file system's limits. Pure."""

from __future__ import annotations

import unicodedata

MAX_BYTES = 255  # NAME_MAX of the usual Linux file systems
PRINT, PRINT_NOTE, REASON, PROOF, STRIP_NOTE = ".tif", ".print.txt", ".reason.txt", ".proof.jpg", ".strip.txt"
COMPANIONS = (PRINT_NOTE, REASON, PROOF, STRIP_NOTE)
MAX_REASON_BYTES = 1 << 20  # ours are a few thousand bytes long
_ORDER = ".order.yaml"
_MAX_EXTENSION = 20  # bytes; anything longer counts as part of the stem
_MAX_NUMBER = len(b" (9999)")


def split(name: str) -> tuple[str, str]:
    """'Fog.tif' → ('Fog', '.tif'); the second is empty if there is no extension."""
    stem, dot, extension = name.rpartition(".")
    return (stem, dot + extension) if stem and _bytes(extension) < _MAX_EXTENSION else (name, "")


def same_stem(one: str, other: str) -> bool:
    """Whether two names differ at most in their extension."""
    return split(one)[0] == split(other)[0]


def numbered(stem: str, number: int) -> str:
    """Number 1 keeps the name, the next are 'Fog (2)', 'Fog (3)', shortened if they would not fit."""
    if number == 1:
        return stem
    return _cut(stem, MAX_BYTES - _MAX_NUMBER - _MAX_EXTENSION - len(_ORDER)) + f" ({number})"


def companion_stem(stem: str) -> str:
    """The stem, shortened at a character boundary so that every companion's name fits into 255 bytes."""
    return _cut(stem, MAX_BYTES - _MAX_NUMBER - max(len(s) for s in (*COMPANIONS, _ORDER)))


def _cut(stem: str, max_bytes: int) -> str:
    if _bytes(stem) <= max_bytes:
        return stem
    while _bytes(stem) > max_bytes:
        stem = stem[:-1]
    return stem.rstrip()


def _bytes(name: str) -> int:
    return len(name.encode("utf-8", "surrogateescape"))


def twin_key(name: str) -> str:
    """Equal for names that some file systems cannot tell apart: NFC, case-folded."""
    if name.isascii():  # same result, thirty times faster
        return name.lower()
    return unicodedata.normalize("NFC", name).casefold()
