"""Reports the service's state to a supervisor, as sd_notify(3) datagrams.

Without a supervisor ($NOTIFY_SOCKET) nothing is sent. Nothing here ever raises.
"""

from __future__ import annotations

import os
import socket
from contextlib import suppress

from printqueue.core.text import shown

MAX_STATUS = 300  # characters of the sentence that `systemctl status` shows
_SEND_LIMIT_S = 1.0  # a supervisor that does not read must not hold up the scan


def pace_s() -> float:
    """The longest pause between two pings that safely satisfies a supervisor's watchdog; infinite without one.

    $WATCHDOG_USEC counts only for the process in $WATCHDOG_PID, if that is set (sd_watchdog_enabled(3)).
    """
    usec, pid = os.environ.get("WATCHDOG_USEC", ""), os.environ.get("WATCHDOG_PID", "")
    if pid not in ("", str(os.getpid())):
        return float("inf")
    return int(usec) / 4e6 if usec.isascii() and usec.isdigit() and int(usec) > 0 else float("inf")


def looked(waiting: int, in_hand: int, at: str) -> str:
    """One sentence after a finished look at ready/; `at` is a time of day."""
    return f"{waiting} waiting, {in_hand} in hand, last look {at}"


def ready(status: str = "") -> None:
    """Report that settings and ledger are good: the service runs, even if it must wait for its share."""
    tell("READY=1", *_status(status))


def alive(status: str = "") -> None:
    """Report a finished look at ready/. Never called for anything else: the watchdog watches the scan."""
    tell("WATCHDOG=1", *_status(status))


def stopping(status: str = "") -> None:
    """Report that the service is ending, by request or on its own."""
    tell("STOPPING=1", *_status(status))


def busy(extra_s: float, status: str = "") -> None:
    """Report that starting or stopping may take `extra_s` more seconds from now (EXTEND_TIMEOUT_USEC)."""
    tell(f"EXTEND_TIMEOUT_USEC={int(extra_s * 1e6)}", *_status(status))


def tell(*states: str) -> None:
    """Send lines such as `READY=1` or `WATCHDOG=1`."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return
    target = "\0" + address[1:] if address.startswith("@") else address
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
        sock.settimeout(_SEND_LIMIT_S)
        sock.sendto("\n".join(states).encode(), target)


def _status(sentence: str) -> list[str]:
    return [f"STATUS={shown(sentence, limit=MAX_STATUS)}"] if sentence else []
