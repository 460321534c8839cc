"""Telling a supervisor how the service is: the documented datagram of sd_notify(3), nothing more."""

from __future__ import annotations

import os
import socket
from contextlib import suppress


def pace_s() -> float:
    """The longest pause between two pings that a supervisor's watchdog allows with room to spare; infinite without one."""
    usec = os.environ.get("WATCHDOG_USEC", "")
    return int(usec) / 4e6 if usec.isascii() and usec.isdigit() and int(usec) > 0 else float("inf")


def tell(*states: str) -> None:
    """Send lines such as `READY=1` or `WATCHDOG=1`; without a supervisor, do nothing."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return
    target = "\0" + address[1:] if address.startswith("@") else address
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
        sock.sendto("\n".join(states).encode(), target)
