"""What the daybook's pages show. Plain values; names and sentences are escaped when put into a page."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Happened(StrEnum):
    """What became of a picture, in the page's words."""

    MADE = "made"
    TURNED_BACK = "turned back"
    TAKEN = "turned back, since taken"
    SUPERSEDED = "superseded"


@dataclass(frozen=True, slots=True)
class Picture:
    """A thumbnail (name in daybook/pictures/) and the proof picture it links to (path in the studio); "" for none."""

    thumbnail: str = ""
    proof: str = ""


@dataclass(frozen=True, slots=True)
class Print:
    """A print that was made, or a picture that was turned back.

    `job`: 0 if none was planned. `how`: lift, copies, edition, in words. `note`: the file with the details, relative to
    the studio; "" if it is gone.
    """

    job: int
    name: str
    folder: str
    paper: str
    size: str
    happened: Happened
    when: datetime
    how: tuple[str, ...] = ()
    says: str = ""
    picture: Picture = Picture()
    note: str = ""


@dataclass(frozen=True, slots=True)
class Open:
    """A picture that is waiting, in progress or stuck, and why."""

    name: str
    for_: str
    since: datetime
    says: str


@dataclass(frozen=True, slots=True)
class PaperLine:
    """One paper in force."""

    key: str
    name: str
    surface: str
    sizes: str
    profile: str


@dataclass(frozen=True, slots=True)
class Month:
    """One page of past work; `key` is like "2026-11"."""

    key: str
    made: int
    turned_back: int

    @property
    def title(self) -> str:
        """'November 2026'."""
        return f"{datetime.strptime(self.key, '%Y-%m'):%B %Y}"

    @property
    def file(self) -> str:
        """Its page's file name, beside the first page."""
        return f"{self.key}.html"


@dataclass(frozen=True, slots=True)
class Today:
    """Everything on the first page. `newest`: the latest prints; `attention`: what needs a human."""

    studio: str
    maker: str
    written: datetime
    running: bool
    watch: str
    attention: tuple[str, ...]
    working: tuple[Open, ...]
    waiting: tuple[Open, ...]
    stuck: tuple[Open, ...]
    turned_back: tuple[Print, ...]
    newest: tuple[Print, ...]
    months: tuple[Month, ...]
    papers: tuple[PaperLine, ...]
    passed_over: tuple[tuple[str, str], ...]
