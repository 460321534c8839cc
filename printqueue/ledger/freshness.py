"""How old the service's last look at ready/ is. Only a finished scan, not a running process, proves that it works."""

from __future__ import annotations

from datetime import datetime

_MIN_PATIENCE_S = 5.0  # times in the ledger are whole seconds


def age_s(last_scan: str, now: datetime) -> float:
    """Seconds since `last_scan` (RFC 3339 UTC); negative if the clock has been set back since."""
    return (now - datetime.fromisoformat(last_scan)).total_seconds()


def patience_s(scan_s: float) -> float:
    """How old the last look may be: twice the time between scans, and at least 5 s."""
    return max(2 * scan_s, _MIN_PATIENCE_S)


def is_in_future(age: float) -> bool:
    """Whether the clock was set back; rounding to whole seconds and small corrections do not count."""
    return age < -_MIN_PATIENCE_S
