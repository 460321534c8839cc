"""Keeps track of unresponsive disks by the threads that hang on them."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from contextlib import suppress

from printqueue.core.errors import WorldError
from printqueue.core.text import shown

_PATIENCE_S = 2.0


class HangingDisks:
    """Which disks hang. A hanging system call cannot be cancelled, only left to its own thread."""

    def __init__(self) -> None:
        self._hanging: list[tuple[int, threading.Thread]] = []
        self._lock = threading.Lock()

    def without_waiting(self, path: str, work: Callable[[], object]) -> None:
        """Do `work` on the disk of `path`; if it does not return, leave it behind and remember the disk."""
        thread = threading.Thread(target=work, name="hanging", daemon=True)
        thread.start()
        thread.join(_PATIENCE_S)
        device = _device(path)
        if thread.is_alive() and device is not None:
            with self._lock:
                self._hanging.append((device, thread))

    def require(self, path: str, name: str) -> None:
        """Raise `WorldError` if the disk of `path` hangs; `name` is what people call it."""
        with self._lock:
            self._hanging = [(device, thread) for device, thread in self._hanging if thread.is_alive()]
            hanging = {device for device, _ in self._hanging}
        if hanging and _device(path) in hanging:
            raise WorldError(
                f"The disk that holds {shown(name)} does not answer. Nothing is lost; it is tried again.",
                do="See whether that disk or share is in order.",
            )


def _device(path: str) -> int | None:
    """The device of the nearest existing folder."""
    while path:
        with suppress(OSError):
            return os.stat(path).st_dev
        if path == os.path.dirname(path):
            break
        path = os.path.dirname(path)
    return None
