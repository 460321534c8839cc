"""The product's tasks (quick for small pictures), failing in the proof picture as the last bytes of a picture say."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from typing import Any

from printqueue.sandbox.protocol import ANSWER, Answer, Failure
from tests.running import proof_worker

LENGTH = 8
KILLED, NONSENSE, OURS, UNREADABLE = b"#killed_", b"#babble_", b"#ours____"[:8], b"#unread_"
FAULTS = (KILLED, NONSENSE, OURS)


def _faulty(task: Callable[[Any, list[int]], bytes]) -> Callable[[Any, list[int]], bytes]:
    def run(argument: Any, files: list[int]) -> bytes:
        last = os.pread(files[0], LENGTH, max(0, os.fstat(files[0]).st_size - LENGTH))
        os.write(files[1], b"half a picture")
        if last == KILLED:
            os.kill(os.getpid(), signal.SIGKILL)
        elif last == OURS:
            return ANSWER.dump_json(Answer(failure=Failure("own", "The drawing failed.")))
        elif last == UNREADABLE:
            return ANSWER.dump_json(Answer(failure=Failure("picture", "Its rows are damaged.")))
        return b'{"proof": 7}' if last == NONSENSE else task(argument, files)

    return run


TASKS = proof_worker.TASKS | {"proof": _faulty(proof_worker.TASKS["proof"])}
warm_up = proof_worker.warm_up
