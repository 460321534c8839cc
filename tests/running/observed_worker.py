"""The product's tasks (quick for small pictures); one that tries to load or open anything fails, and says what it was.

What a child that is shut in may not load, a library would often do without, in silence and in its own way.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

from printqueue.sandbox.protocol import ANSWER, Answer, Failure
from tests.running import proof_worker

_EVENTS = ("open", "import", "ctypes.dlopen", "os.listdir", "os.scandir", "subprocess.Popen", "socket.__new__")
_tried: list[str] | None = None


def _hear(event: str, values: tuple[Any, ...]) -> None:
    if _tried is not None and event in _EVENTS and not (values and isinstance(values[0], int)):  # a descriptor
        _tried.append(f"{event} {values[:1]}")


def _observed(task: Callable[[Any, list[int]], bytes]) -> Callable[[Any, list[int]], bytes]:
    def run(argument: Any, files: list[int]) -> bytes:
        global _tried
        _tried = []
        answer, tried, _tried = task(argument, files), _tried, None
        if tried:
            return ANSWER.dump_json(Answer(failure=Failure("own", f"It tried to load: {'; '.join(tried)}")))
        return answer

    return run


TASKS = {name: _observed(task) for name, task in proof_worker.TASKS.items()}


def warm_up() -> None:
    """As the product; then listen (sys.addaudithook)."""
    proof_worker.warm_up()
    sys.addaudithook(_hear)
