"""Has a file stopped changing? Pure: stamps and readings of our monotonic clock in, an answer out.

A file's own times come from other machines, so they are never compared with a clock.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from printqueue.core.model.seen import Seen, Stamp

_PATIENCE = 3.0  # × the longest pause seen between two changes
_MAX_PAUSE_S = 60.0  # a longer one is not a pause in writing, but the age of a file that was replaced
_MAX_CHURN = 3.0  # × the quiet time: attribute changes alone delay no longer than this


@dataclass(slots=True)
class _Watch:
    stamps: tuple[Stamp, Stamp | None]
    changed_s: float
    content_changed_s: float
    max_pause_s: float = 0.0
    first_s: float = 0.0


@dataclass(slots=True)
class Settler:
    """Remembers candidates between scans; each must be quiet for at least `quiet_s`."""

    quiet_s: float
    _watched: dict[str, _Watch] = field(default_factory=dict)

    def look(self, seen: Seen, now_s: float) -> float:
        """Seconds for which `seen` must still be quiet; 0 when it has settled."""
        stamps = (seen.stamp, seen.order_stamp)
        watch = self._watched.get(seen.path)
        if watch is None or watch.stamps[0].inode != seen.stamp.inode:  # another inode is another file
            watch = self._watched[seen.path] = _Watch(stamps, now_s, now_s, first_s=now_s)
        elif watch.stamps != stamps:
            self._changed(watch, stamps, now_s)
        quiet_s = max(self.quiet_s, _PATIENCE * watch.max_pause_s)
        return max(0.0, min(watch.changed_s + quiet_s, watch.content_changed_s + _MAX_CHURN * quiet_s) - now_s)

    def first_seen(self, path: str) -> float | None:
        """When `path` was first seen, on the monotonic clock."""
        watch = self._watched.get(path)
        return None if watch is None else watch.first_s

    def restart(self, path: str) -> None:
        """Restart the quiet time: the file changed while it was in hand."""
        self._watched.pop(path, None)

    def forget_all_but(self, paths: set[str]) -> None:
        """Drop what is no longer there."""
        for path in self._watched.keys() - paths:
            del self._watched[path]

    @staticmethod
    def _changed(watch: _Watch, stamps: tuple[Stamp, Stamp | None], now_s: float) -> None:
        watch.max_pause_s = max(watch.max_pause_s, min(now_s - watch.changed_s, _MAX_PAUSE_S))
        if _content(watch.stamps) != _content(stamps):
            watch.content_changed_s = now_s
        watch.stamps, watch.changed_s = stamps, now_s


def _content(stamps: tuple[Stamp, Stamp | None]) -> tuple[tuple[int, int, int] | None, ...]:
    return tuple(None if s is None else (s.inode, s.size, s.mtime_ns) for s in stamps)
