"""Messages on a local stream socket: a length, a count of descriptors, the bytes.

Requests to a child are pickled (the service trusts itself); answers are JSON, because
a child that reads hostile files is not trusted by the service.
"""

from __future__ import annotations

import os
import socket
import struct
from collections.abc import Sequence

_HEADER = struct.Struct("!QB")
MOST_BYTES = 64_000_000
MOST_DESCRIPTORS = 16


class ClosedError(ConnectionError):
    """The other side has gone."""


def send(sock: socket.socket, payload: bytes, descriptors: Sequence[int] = ()) -> None:
    """Send one message with copies of `descriptors`."""
    header = _HEADER.pack(len(payload), len(descriptors))
    try:
        socket.send_fds(sock, [header], list(descriptors))
        sock.sendall(payload)
    except (BrokenPipeError, ConnectionResetError) as error:
        raise ClosedError from error


def receive(sock: socket.socket) -> tuple[bytes, list[int]]:
    """One message and its descriptors (close-on-exec). Raises `ClosedError`, or `TimeoutError`."""
    header, descriptors = _receive_header(sock)
    length, count = _HEADER.unpack(header)
    if length > MOST_BYTES or count != len(descriptors):
        for descriptor in descriptors:
            os.close(descriptor)
        raise ClosedError("a message that is too long, or lost its descriptors")
    return _receive_exactly(sock, length), descriptors


def _receive_header(sock: socket.socket) -> tuple[bytes, list[int]]:
    try:
        header, descriptors, _, _ = socket.recv_fds(sock, _HEADER.size, MOST_DESCRIPTORS)
        if header and len(header) < _HEADER.size:
            header += _receive_exactly(sock, _HEADER.size - len(header))
    except ConnectionResetError as error:
        raise ClosedError from error
    if not header:
        raise ClosedError
    return header, list(descriptors)


def _receive_exactly(sock: socket.socket, length: int) -> bytes:
    parts = bytearray()
    while len(parts) < length:
        try:
            part = sock.recv(min(1 << 20, length - len(parts)))
        except ConnectionResetError as error:
            raise ClosedError from error
        if not part:
            raise ClosedError
        parts += part
    return bytes(parts)
