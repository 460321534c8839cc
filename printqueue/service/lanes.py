"""How much may be in progress at once: a limit on the memory of all children together, and one lane kept free of very
large pictures. The scheduler asks before it hands out a picture; nothing here blocks.
"""

from __future__ import annotations

import os
import re
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

from printqueue.core.model.why import Reason, Why
from printqueue.sandbox.needs import Need

SHARE = 0.6  # of free memory; the rest is for the system's file cache and other programs
GIANT_MEGAPIXELS = 250.0  # source and prints together; beyond any single exposure on A2: stitched or huge
_CGROUP = "/sys/fs/cgroup"


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a picture must wait for others."""

    reason: Reason

    @property
    def for_memory(self) -> bool:
        """Whether memory is short, rather than a lane."""
        return self.reason.why is Why.NO_MEMORY


@dataclass(slots=True)
class Lanes:
    """Room for `workers` pictures at once; `free_bytes` returns how much memory is free."""

    workers: int
    free_bytes: Callable[[], int]
    _held: dict[int, Need] = field(default_factory=dict)
    _whole: int = 0  # free memory when nothing was lent; a child may not yet use all it was lent
    _tickets: int = 0
    _lock: threading.RLock = field(default_factory=threading.RLock)

    def take(self, need: Need) -> int | Refusal:
        """A ticket for `need`, or why there is no room now. A picture alone is refused only if memory is short."""
        with self._lock:
            if (refusal := self.refusal(need)) is not None:
                return refusal
            self._tickets += 1
            self._held[self._tickets] = need
            return self._tickets

    def give_back(self, ticket: int) -> None:
        """Release the ticket of a picture that has ended."""
        with self._lock:
            self._held.pop(ticket, None)

    @property
    def is_idle(self) -> bool:
        """Whether nothing is in hand."""
        return not self._held

    def refusal(self, need: Need) -> Refusal | None:
        """Why `need` would be refused now."""
        with self._lock:
            return self._too_large_now(need) or self._short_of_memory(need)

    def _too_large_now(self, need: Need) -> Refusal | None:
        giants = sum(is_giant(held) for held in self._held.values())
        if is_giant(need) and giants >= max(1, self.workers - 1):
            return Refusal(Reason(Why.LARGE_ONE))
        return None

    def _short_of_memory(self, need: Need) -> Refusal | None:
        lent = sum(held.memory for held in self._held.values())
        free = self.free_bytes()
        self._whole = min(self._whole, free + lent) if self._held else free
        allowed = SHARE * self._whole
        if lent + need.memory > allowed:
            left = max(0.0, allowed - lent)
            return Refusal(Reason(Why.NO_MEMORY, (round(need.memory / 1e6), round(left / 1e6))))
        return None


def is_giant(need: Need) -> bool:
    """Whether it would hold up smaller pictures for long."""
    return need.megapixels > GIANT_MEGAPIXELS


def free_bytes() -> int:
    """Memory free for new work: the kernel's estimate, or less if a control group allows less."""
    return min(_available(), *_left_in_groups())


def _available() -> int:
    """MemAvailable from proc_meminfo(5); all memory if that cannot be read."""
    with suppress(OSError, ValueError), open("/proc/meminfo", encoding="ascii") as stream:
        found = re.search(r"^MemAvailable:\s+(\d+) kB", stream.read(), re.MULTILINE)
        if found:
            return int(found[1]) * 1024
    return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")


def _left_in_groups() -> list[int]:
    """What memory.high and memory.max of our control group (version 2) leave; a huge number if there are no limits."""
    left = [1 << 62]
    with suppress(OSError, ValueError, StopIteration):
        folder = _group()
        used = int(_text(folder, "memory.current")) - _file_cache(folder)
        for name in ("memory.high", "memory.max"):
            limit = _text(folder, name)
            if limit != "max":
                left.append(max(0, int(limit) - used))
    return left


def _group() -> str:
    """The folder of our control group."""
    with open("/proc/self/cgroup", encoding="utf-8", errors="surrogateescape") as stream:
        return _CGROUP + next(line[3:].strip() for line in stream if line.startswith("0::"))


def _file_cache(folder: str) -> int:
    """Bytes of inactive file cache, which the kernel reclaims before it refuses memory."""
    found = re.search(r"^inactive_file (\d+)", _text(folder, "memory.stat"), re.MULTILINE)
    return int(found[1]) if found else 0


def _text(folder: str, name: str) -> str:
    with open(os.path.join(folder, name), encoding="ascii") as stream:
        return stream.read().strip()
