"""The product's tasks, with faults on demand: the last bytes of a picture say what happens to the child that judges it."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from typing import Any

from tests.running import quick_worker

LENGTH = 8
KILLED, ASLEEP, HUNGRY, BABBLING, ENDED = b"#killed_", b"#asleep_", b"#hungry_", b"#babble_", b"#ended__"


def _fault(descriptor: int) -> bytes | None:
    last = os.pread(descriptor, LENGTH, max(0, os.fstat(descriptor).st_size - LENGTH))
    if last == KILLED:
        os.kill(os.getpid(), signal.SIGSEGV)
    elif last == ASLEEP:
        time.sleep(3600)
    elif last == HUNGRY:
        bytearray(1 << 40)
    elif last == ENDED:
        os._exit(7)
    return b'{"report": {"prints": "many"}}' if last == BABBLING else None


def _faulty(task: Callable[[Any, list[int]], bytes]) -> Callable[[Any, list[int]], bytes]:
    return lambda argument, files: _fault(files[0]) or task(argument, files)


TASKS = quick_worker.TASKS | {"judge": _faulty(quick_worker.TASKS["judge"])}
warm_up = quick_worker.warm_up
