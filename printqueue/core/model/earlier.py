"""A print made earlier, with what judging a repeat needs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class EarlierPrint:
    """One print of the same bytes that was made, or is being made right now from another drop.

    `made` is RFC 3339 UTC, "" if the time is not on record, None while in progress. `settings` is the resolved request
    as recorded, {} if there is none. Prints taken or deleted since still count.
    """

    job: int
    paper: str
    size: str
    copies: int
    made: str | None
    profile_sha256: str | None  # None while in progress
    settings: Mapping[str, Any]
    gave_way_to: frozenset[int] = frozenset()  # jobs in progress when this one was judged and named in its findings
