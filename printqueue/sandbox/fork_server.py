"""The process that children are forked from: `python -m printqueue.sandbox.fork_server FD MODULE`.

It holds only its control socket and imported libraries, and runs one thread, so forking is cheap (a few milliseconds)
and safe.
"""

from __future__ import annotations

import gc
import json
import os
import pickle
import signal
import socket
import sys
from collections.abc import Callable, Mapping
from dataclasses import asdict
from importlib import import_module
from typing import Any

from printqueue.sandbox import limits as bounds
from printqueue.sandbox import walls, wire

Task = Callable[[Any, list[int]], bytes]


def main() -> None:
    """Serve the control socket until the service closes it."""
    control = socket.socket(fileno=int(sys.argv[1]))
    bounds.die_with(int(sys.argv[3]))
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C in a terminal is for the service
    worker = import_module(sys.argv[2])
    tasks: Mapping[str, Task] = worker.TASKS
    getattr(worker, "warm_up", int)()  # what every child would otherwise load again
    gc.freeze()  # or a collection in a child would touch, and so copy, every page of the libraries
    wire.send(control, b"ready")
    while True:
        try:
            request, descriptors = wire.receive(control)
        except wire.ClosedError:
            return
        wire.send(control, json.dumps(_answer(control, tasks, request, descriptors)).encode())


def _answer(control: socket.socket, tasks: Mapping[str, Task], request: bytes, descriptors: list[int]) -> int:
    """Fork (→ the child's pid) or reap (→ its wait status, -1 if it has not ended: nothing here blocks)."""
    order = json.loads(request)
    if "reap" in order:
        ended, status = os.waitpid(order["reap"], os.WNOHANG)
        return status if ended else -1
    fork_server = os.getpid()
    pid = os.fork()
    if pid == 0:
        control.close()
        _child(fork_server, tasks, bounds.ChildLimits(**order["limits"]), socket.socket(fileno=descriptors[0]))
    os.close(descriptors[0])
    return pid


def _child(fork_server: int, tasks: Mapping[str, Task], limits: bounds.ChildLimits, sock: socket.socket) -> None:
    """Answer requests until the socket closes; never returns."""
    status = 70
    try:
        bounds.die_with(fork_server)
        bounds.apply(limits)
        _silence()
        walls.die_first()
        around = json.dumps(asdict(walls.shut_in())).encode()
        while True:
            payload, descriptors = wire.receive(sock)
            name, argument = pickle.loads(payload)  # noqa: S301 - from the service, over a private socket
            wire.send(sock, around if name == walls.WALLS else tasks[name](argument, descriptors))
            for descriptor in descriptors:
                os.close(descriptor)
    except wire.ClosedError:
        status = 0
    except MemoryError:
        status = 71
    finally:
        os._exit(status)


def _silence() -> None:
    """Keep libraries that warn about a hostile file out of the service's log and terminal."""
    nowhere = os.open(os.devnull, os.O_RDWR | os.O_CLOEXEC)
    for stream in (1, 2):
        os.dup2(nowhere, stream)
    os.close(nowhere)


if __name__ == "__main__":
    main()
