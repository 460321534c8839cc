"""A line to another process of ours: messages out and in, waited for with patience, and its end seen without waiting."""

from __future__ import annotations

import os
import select
import signal
import socket
import threading
import time
from collections.abc import Sequence
from contextlib import suppress

from printqueue.sandbox import wire
from printqueue.sandbox.patience import Patience


class Line:
    """A socket and the process at its other end, which nobody may reap before `close`.

    The process is held by a descriptor of its own (pidfd_open(2)): a number may have been given to somebody else.
    """

    def __init__(self, sock: socket.socket, pid: int) -> None:
        self.pid, self._sock = pid, sock
        self._process = os.pidfd_open(pid)
        self._guard = threading.Lock()
        self._closed = False
        sock.settimeout(0)
        self._patience, self._looked_s = Patience(pid, 0.0, 0.0), 0.0

    def hear(self, *, most: int, most_s: float, stalled_s: float) -> bytes:
        """One message. Raises `ClosedError`, `TooLongError`, `SpentError`, `StalledError`, `CrowdedError`."""
        self._begin(most_s, stalled_s)
        return self._receive(most)

    def ask(
        self, payload: bytes, descriptors: Sequence[int] = (), *, most: int, most_s: float, stalled_s: float
    ) -> bytes:
        """One message there, one back. Raises as `hear`."""
        self._begin(most_s, stalled_s)
        wire.send(self._sock, payload, descriptors, self._wait)
        return self._receive(most)

    def _receive(self, most: int) -> bytes:
        answer, extra = wire.receive(self._sock, most=most, wait=self._wait)
        for descriptor in extra:  # nobody there has anything to hand over
            os.close(descriptor)
        return answer

    def has_ended(self, within_s: float = 0.0) -> bool:
        """Whether the process has ended, waiting for that at most so long."""
        poll = select.poll()
        poll.register(self._process, select.POLLIN)
        return bool(poll.poll(within_s * 1000))

    def kill(self) -> None:
        """End the process at once; from any thread, at any time."""
        with self._guard, suppress(ProcessLookupError):
            if not self._closed:
                signal.pidfd_send_signal(self._process, signal.SIGKILL)

    def hang_up(self) -> None:
        """No more messages."""
        self._sock.close()

    def close(self) -> None:
        """Let go of the process too."""
        self.hang_up()
        with self._guard:
            if not self._closed:
                self._closed = True
                os.close(self._process)

    def _begin(self, most_s: float, stalled_s: float) -> None:
        self._patience, self._looked_s = Patience(self.pid, most_s, stalled_s), time.monotonic()

    def _wait(self, event: int) -> None:
        """Until the socket is ready, the process has ended (then it is closed), or its time is up."""
        poll = select.poll()
        poll.register(self._sock, event)
        poll.register(self._process, select.POLLIN)
        step_s = self._patience.step_s
        ready = {descriptor for descriptor, _ in poll.poll(step_s * 1000)}
        waited_s = time.monotonic() - self._looked_s
        if waited_s >= step_s:  # bytes that trickle in do not stop the clock
            self._patience.look(waited_s)
            self._looked_s += waited_s
        if ready == {self._process}:
            raise wire.ClosedError
