"""What is passed over in ready/, and why. Pure: needs only names and stat results."""

from __future__ import annotations

import re
import stat

from printqueue.core.model.why import Why
from printqueue.core.naming import COMPANIONS

_UNFINISHED = ("~", ".tmp", ".part", ".partial", ".crdownload", ".filepart", ".swp", ".lock")
_SYSTEM = {"thumbs.db", "desktop.ini"}
# How sync programs name the second version of a file changed in two places (common practice, no source).
_SECOND_VERSION = re.compile(
    r"\([^()]*\bconflicted copy\b[^()]*\)|[._](?:sync-)?conflict-\d{8}-\d{6}(?![0-9])", re.IGNORECASE
)


def hidden(name: str) -> bool:
    """Whether the name cannot be a picture's and status need not mention it: hidden, or a companion dragged along."""
    return name.startswith(".") or name.lower() in _SYSTEM or name.endswith(COMPANIONS)


def companion_of(name: str) -> str | None:
    """The stem of a companion's name ('Fog (2).proof.jpg' → 'Fog (2)'), None for any other name."""
    ending = next((one for one in COMPANIONS if name.endswith(one)), None)
    return None if ending is None or name.startswith(".") or name == ending else name.removesuffix(ending)


def folder_reason(name: str) -> Why | None:
    """Why a folder is passed over, None if it is searched."""
    return Why.SERVER_FOLDER if name.startswith(("@", "#")) else None


def file_reason(name: str, mode: int, size: int) -> Why | None:
    """Why a file is passed over, None if it is a candidate."""
    if stat.S_ISLNK(mode):
        return Why.LINK
    if not stat.S_ISREG(mode):
        return Why.NO_FILE
    if name.startswith("~$") or name.lower().endswith(_UNFINISHED):
        return Why.UNFINISHED
    if _SECOND_VERSION.search(name):
        return Why.SECOND_VERSION
    return Why.EMPTY if size == 0 else None


def order_reason(name: str, mode: int, size: int) -> Why:
    """Why a file meant as an order cannot be one."""
    if stat.S_ISLNK(mode):
        return Why.ORDER_LINK
    if stat.S_ISDIR(mode):
        return Why.ORDER_FOLDER
    if not stat.S_ISREG(mode):
        return Why.ORDER_NO_FILE
    if name.lower().endswith(_UNFINISHED):
        return Why.ORDER_UNFINISHED
    return Why.ORDER_EMPTY if size == 0 else Why.ORDER_MISNAMED
