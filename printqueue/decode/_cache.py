"""A small cache of decoded parts, so that neighbouring bands do not decode the same part twice."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable

import numpy as np
from numpy.typing import NDArray

KEPT_BYTES = 16 * 1024 * 1024  # bands come in order: only the parts that two neighbours share are asked for twice


class _Slot:
    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.value: NDArray[np.generic] | None = None


class PartCache:
    """Least recently used parts, `kept_bytes` in all and always at least the last two (one for each thread)."""

    def __init__(self, kept_bytes: int = KEPT_BYTES) -> None:
        self._kept_bytes = kept_bytes
        self._total = 0
        self._lock = threading.Lock()
        self._slots: OrderedDict[Hashable, _Slot] = OrderedDict()

    def get(self, key: Hashable, decode: Callable[[], NDArray[np.generic]]) -> NDArray[np.generic]:
        """Return the part of `key`, from `decode()` if it is not kept; two threads decode a part once.

        An error of `decode` passes through and is not kept.
        """
        with self._lock:
            slot = self._slots.setdefault(key, _Slot())
            self._slots.move_to_end(key)
        with slot.lock:
            if slot.value is None:
                slot.value = decode()
                self._keep(key, slot, slot.value.nbytes)
            return slot.value

    def _keep(self, key: Hashable, slot: _Slot, added: int) -> None:
        with self._lock:
            if self._slots.get(key) is not slot:  # pushed out while it was decoded: it goes when its reader is done
                return
            self._total += added
            while self._total > self._kept_bytes and len(self._slots) > 2:
                _, old = self._slots.popitem(last=False)
                self._total -= old.value.nbytes if old.value is not None else 0
