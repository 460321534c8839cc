"""A line to one of our processes: messages both ways, patient waiting, and a check for its end that never waits."""

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
from printqueue.sandbox.patience import AnswerLimits, Patience


class Line:
    """A socket and the process at its other end, which nobody may reap before `close`.

    The process is held by a descriptor (pidfd_open(2)), because its number may be reused.
    """

    def __init__(self, sock: socket.socket, pid: int) -> None:
        self.pid, self._sock = pid, sock
        self._process = os.pidfd_open(pid)
        self._guard = threading.Lock()
        self._closed = False
        sock.settimeout(0)

    def receive(self, limits: AnswerLimits) -> bytes:
        """One message. Raises `ClosedError`, `TooLongError`, `SpentError`, `StalledError`, `CrowdedError`."""
        self._begin(limits)
        return self._receive(limits)

    def ask(self, payload: bytes, descriptors: Sequence[int], limits: AnswerLimits) -> bytes:
        """Send one message and receive one. Raises like `receive`."""
        self._begin(limits)
        wire.send(self._sock, payload, descriptors, self._wait)
        return self._receive(limits)

    def _begin(self, limits: AnswerLimits) -> None:
        self._patience, self._looked_s = Patience(self.pid, limits), time.monotonic()

    def _receive(self, limits: AnswerLimits) -> bytes:
        answer, extra = wire.receive(self._sock, max_bytes=limits.max_bytes, wait=self._wait)
        for descriptor in extra:  # an answer never has any
            os.close(descriptor)
        return answer

    def has_ended(self, within_s: float = 0.0) -> bool:
        """Whether the process has ended, or ends within `within_s` seconds."""
        poll = select.poll()
        poll.register(self._process, select.POLLIN)
        return bool(poll.poll(within_s * 1000))

    def kill(self) -> None:
        """End the process at once; from any thread, at any time."""
        with self._guard, suppress(ProcessLookupError):
            if not self._closed:
                signal.pidfd_send_signal(self._process, signal.SIGKILL)

    def close_socket(self) -> None:
        """Close the socket: no more messages."""
        self._sock.close()

    def close(self) -> None:
        """Release the process too."""
        self.close_socket()
        with self._guard:
            if not self._closed:
                self._closed = True
                os.close(self._process)

    def _wait(self, event: int) -> None:
        """Wait until the socket is ready, the process has ended (`ClosedError`), or its time is up."""
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
