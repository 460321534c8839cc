"""What is passed over in ready/, and why. Pure: names and stat modes only."""

from __future__ import annotations

import re
import stat

from printqueue.core.naming import COMPANIONS

_UNFINISHED = ("~", ".tmp", ".part", ".partial", ".crdownload", ".filepart", ".swp", ".lock")
_SYSTEM = {"thumbs.db", "desktop.ini"}
# How sync programs name the other version of a file that was changed in two places (common practice, no source).
_SECOND_VERSION = re.compile(
    r"\([^()]*\bconflicted copy\b[^()]*\)|[._](?:sync-)?conflict-\d{8}-\d{6}(?![0-9])", re.IGNORECASE
)


def hidden(name: str) -> bool:
    """Names that are nobody's picture: hidden ones and companions dragged along. Not worth a word in status."""
    return name.startswith(".") or name.lower() in _SYSTEM or name.endswith(COMPANIONS)


def companion_of(name: str) -> str | None:
    """The stem that a companion's name speaks of ('Fog (2).proof.jpg' → 'Fog (2)'), None for any other name."""
    ending = next((one for one in COMPANIONS if name.endswith(one)), None)
    return None if ending is None or name.startswith(".") or name == ending else name.removesuffix(ending)


def folder_reason(name: str) -> str | None:
    """Why a folder is passed over, None when it is looked into."""
    if name.startswith(("@", "#")):
        return "folders that begin with @ or # belong to the file server"
    return None


def file_reason(name: str, mode: int, size: int) -> str | None:
    """Why a file is passed over, None for a candidate."""
    if stat.S_ISLNK(mode):
        return "it is a symbolic link, and links are not followed; drop the picture itself"
    if not stat.S_ISREG(mode):
        return "it is a pipe, socket or device, no file"
    if name.startswith("~$") or name.lower().endswith(_UNFINISHED):
        return "its name says that a program is still at work on it"
    if _SECOND_VERSION.search(name):
        return (
            "two versions of it exist, says the sync program that named it; look at both, then delete this one or give it "
            "a name of its own to print it"
        )
    if size == 0:
        return "it is empty; a picture may still follow"
    return None


def order_reason(name: str, mode: int, size: int) -> str:
    """Why a file that was meant as an order cannot be one, as in '“Fog.order.yaml” is empty'; "" for its name alone."""
    if stat.S_ISLNK(mode):
        return "is a symbolic link, and links are not followed"
    if stat.S_ISDIR(mode):
        return "is a folder"
    if not stat.S_ISREG(mode):
        return "is a pipe, socket or device"
    if name.lower().endswith(_UNFINISHED):
        return "is still being written, says its name"
    return "is empty" if size == 0 else ""
