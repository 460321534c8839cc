"""How old the service's last look at ready/ is. The process alone proves nothing: a finished scan does."""

from __future__ import annotations

from datetime import datetime

_SHORTEST_PATIENCE_S = 5.0  # times in the ledger are whole seconds


def age_s(last_scan: str, now: datetime) -> float:
    """Seconds since `last_scan` (RFC 3339 UTC); below zero where the clock was set back since."""
    return (now - datetime.fromisoformat(last_scan)).total_seconds()


def patience_s(scan_s: float) -> float:
    """A last look older than this is too old: twice the time between scans, and 5 s at least."""
    return max(2 * scan_s, _SHORTEST_PATIENCE_S)


def is_in_future(age: float) -> bool:
    """The clock was set back; whole seconds and small corrections do not count."""
    return age < -_SHORTEST_PATIENCE_S
