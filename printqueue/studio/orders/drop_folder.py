"""Reads the folders a picture was dropped into as paper, size and the photographer's own grouping. Pure."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from printqueue.core.errors import PictureError
from printqueue.core.nearest import suggestion
from printqueue.core.sizes import looks_like_size
from printqueue.core.text import shown


@dataclass(frozen=True, slots=True)
class DropFolder:
    """The folders between ready/ and a picture.

    paper    the first folder, if it is a paper's key; None for a picture directly in ready/
    size     the second folder, as written, if it is a size (or was meant as one: '30x40')
    group    all further folders: the photographer's own, kept in print/, review/ and masters/
    unknown  the first folder, if it is not a paper's key
    """

    paper: str | None
    size: str | None
    group: tuple[str, ...]
    unknown: str | None = None


def drop_folder(parts: Sequence[str], known_papers: Collection[str]) -> DropFolder:
    """Read `parts`, the path below ready/ split at '/', ending in the file name."""
    first, *rest = parts[:-1] or (None,)
    if first is None:
        return DropFolder(None, None, ())
    size, group = (rest[0], rest[1:]) if rest and looks_like_size(rest[0]) else (None, rest)
    known = first in known_papers
    return DropFolder(first if known else None, size, tuple(group), None if known else first)


def unknown_paper(name: str, known_papers: Collection[str]) -> PictureError:
    """The error for a folder or an order key that does not name a paper."""
    says = f"There is no paper '{shown(name, limit=80)}' in rules/."
    do = f"Use a paper's key (its file name without .yaml). {suggestion(name, known_papers)}"
    if looks_like_size(name):
        example = f"PAPER/{shown(name, limit=40)}/"
        do = f"It reads as a size; the paper comes first, the size second, for example {example}. {do}"
    return PictureError(says, do=do.strip(), check="order")
