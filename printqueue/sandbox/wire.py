"""Messages on a local stream socket: a length, a count of descriptors, the bytes.

Requests to a child are pickled (a child trusts the service); answers are JSON (the service does not trust a child that
reads hostile files).
"""

from __future__ import annotations

import os
import select
import socket
import struct
from collections.abc import Callable, Sequence
from functools import partial
from typing import TypeVar

_HEADER, _INT = struct.Struct("!QB"), struct.Struct("i")
MAX_BYTES = 64_000_000
MAX_DESCRIPTORS = 16

T = TypeVar("T")
Wait = Callable[[int], None]  # waits until a non-blocking socket is ready for POLLIN or POLLOUT


class ClosedError(ConnectionError):
    """The other side has gone."""


class TooLongError(ClosedError):
    """The other side announces more bytes than it may send; none of them was read."""


def send(sock: socket.socket, payload: bytes, descriptors: Sequence[int] = (), wait: Wait | None = None) -> None:
    """Send one message with copies of `descriptors`. A non-blocking socket needs `wait`."""
    header = _HEADER.pack(len(payload), len(descriptors))
    try:
        sent = _when_ready(select.POLLOUT, wait, lambda: socket.send_fds(sock, [header], list(descriptors)))
        rest = memoryview(header[sent:] + payload)
        while rest:
            rest = rest[_when_ready(select.POLLOUT, wait, partial(sock.send, rest)) :]
    except (BrokenPipeError, ConnectionResetError) as error:
        raise ClosedError from error


def receive(sock: socket.socket, *, max_bytes: int = MAX_BYTES, wait: Wait | None = None) -> tuple[bytes, list[int]]:
    """One message of at most `max_bytes`, and its descriptors (close-on-exec). Raises `ClosedError`, `TooLongError`."""
    start, descriptors = _receive_start(sock, wait)
    try:
        header = start + _receive_exactly(sock, _HEADER.size - len(start), wait)
        length, count = _HEADER.unpack(header)
        if length > max_bytes:
            raise TooLongError(f"{length} bytes")
        if count != len(descriptors):
            raise ClosedError("a message that lost its descriptors")
        return _receive_exactly(sock, length, wait), descriptors
    except BaseException:
        for descriptor in descriptors:
            os.close(descriptor)
        raise


def _receive_start(sock: socket.socket, wait: Wait | None) -> tuple[bytes, list[int]]:
    """As much of the header as has come, and all descriptors of the message."""

    def read() -> tuple[bytes, list[int]]:
        # socket.recv_fds of Python 3.11 ignores its flags
        room = socket.CMSG_SPACE(MAX_DESCRIPTORS * _INT.size)
        part, extra, _, _ = sock.recvmsg(_HEADER.size, room, socket.MSG_CMSG_CLOEXEC)
        whole = (data[: len(data) // _INT.size * _INT.size] for _, _, data in extra)
        return part, [found for data in whole for (found,) in _INT.iter_unpack(data)]

    try:
        start, descriptors = _when_ready(select.POLLIN, wait, read)
    except ConnectionResetError as error:
        raise ClosedError from error
    if not start:
        raise ClosedError
    return start, descriptors


def _receive_exactly(sock: socket.socket, length: int, wait: Wait | None) -> bytes:
    parts = bytearray()
    while len(parts) < length:
        try:
            part = _when_ready(select.POLLIN, wait, partial(sock.recv, min(1 << 20, length - len(parts))))
        except ConnectionResetError as error:
            raise ClosedError from error
        if not part:
            raise ClosedError
        parts += part
    return bytes(parts)


def _when_ready(event: int, wait: Wait | None, do: Callable[[], T]) -> T:
    while True:
        try:
            return do()
        except BlockingIOError:
            if wait is None:
                raise
            wait(event)
