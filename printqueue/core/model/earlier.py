"""A print made before, as far as judging a repeat needs it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class EarlierPrint:
    """One print of the same bytes that was made, or is being made now by another drop.

    `made` is RFC 3339 UTC, "" if the time is not on record, None while it is in work. `settings` is the resolved request
    as recorded, {} if it says nothing. Prints that have been taken or deleted since still count.
    """

    job: int
    paper: str
    size: str
    copies: int
    made: str | None
    profile_sha256: str | None  # None while it is in work
    settings: Mapping[str, Any]
    gave_way_to: frozenset[int] = frozenset()  # jobs in work when this one was judged, and named in its findings
