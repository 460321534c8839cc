"""Files in ready/ named like the notes and proof pictures that we put beside prints.

People drag whole groups, so such a file is passed over silently if its picture is known: beside it, in the ledger, in
review/ or in masters/. Any other is the photographer's own: its name keeps it from being printed, so it is reported,
never silently ignored.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator

from printqueue.core import naming
from printqueue.core.disk import folders
from printqueue.core.model.why import Reason, Why
from printqueue.service.context import ServiceContext
from printqueue.service.intake.scan import Sweep
from printqueue.studio import passing

_NUMBER = re.compile(r" \(\d+\)\Z")


class Companions:
    """Remembers the files whose picture it has found."""

    def __init__(self, context: ServiceContext) -> None:
        self._context = context
        self._at_home: set[str] = set()
        self._lone: dict[str, int] = {}  # path → newest fact when we last looked for its picture in vain

    def lone(self, found: Sweep) -> list[tuple[str, Reason]]:
        """The companions without a picture, as (path, why)."""
        if not found.companions:
            return []
        beside = {_stem(seen.path) for seen in found.pictures}
        newest = self._context.ledger.newest_fact()
        lone = [path for path in found.companions if not self._has_picture(path, beside, newest)]
        self._at_home &= set(found.companions)
        self._lone = dict.fromkeys(lone, newest)
        return [(path, _why(path)) for path in lone]

    def _has_picture(self, path: str, beside: set[str], newest: int) -> bool:
        if path in self._at_home:
            return True
        if any(one in beside for one in _pictures(path)):
            return True  # as long as it stands there; once taken, it is in the ledger
        if self._lone.get(path) == newest:
            return False
        if any(self._is_known(one) for one in _pictures(path)):
            self._at_home.add(path)
            return True
        return False

    def _is_known(self, path: str) -> bool:
        """`path` is relative to ready/, has no extension, and may be shortened, as our own overlong names are."""
        cut = naming.companion_stem(path.rpartition("/")[2] + "…") == path.rpartition("/")[2]
        if any(_stem(one) == path for one in self._context.ledger.names_like(path, cut=cut)):
            return True
        folder = os.path.dirname(path)
        tops = (self._context.studio.path(top, folder).rstrip("/") for top in ("review", "masters"))
        return any(_stem(os.path.join(folder, name)) == path for top in tops for name in _pictures_in(top))


def _pictures_in(folder: str) -> list[str]:
    try:
        return [name for name in folders.names(folder) if not passing.hidden(name)]
    except OSError:
        return []


def _stem(path: str) -> str:
    """A picture's path as its companions spell it."""
    folder, name = os.path.split(path)
    return os.path.join(folder, naming.companion_stem(naming.split(name)[0]))


def _pictures(path: str) -> Iterator[str]:
    """Possible pictures of a companion: the same name, or that name without the number added in print/ or review/."""
    folder, name = os.path.split(path)
    stem = passing.companion_of(name) or name
    yield os.path.join(folder, stem)
    if _NUMBER.search(stem):
        yield os.path.join(folder, _NUMBER.sub("", stem))


def _why(path: str) -> Reason:
    name = path.rpartition("/")[2]
    why = Why.LONE_PROOF if name.endswith(naming.PROOF) else Why.LONE_NOTE
    return Reason(why, (passing.companion_of(name) or name,))
