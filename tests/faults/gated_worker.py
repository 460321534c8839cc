"""The product's tasks (quick for small pictures), with a gate before the first task of a child.

`hold` is put here by the process that this one is forked from; without that nothing waits.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from imagecodecs import _cms  # otherwise imported late, by every child anew

from tests.running import quick_worker


def hold(task: str) -> None:
    """Wait at the gate, where there is one for this task."""


def _held(name: str, task: Callable[..., Any]) -> Callable[..., Any]:
    def run(*arguments: Any) -> Any:
        hold(name)
        return task(*arguments)

    return run


TASKS = {name: _held(name, task) for name, task in quick_worker.TASKS.items()}

warm_up = quick_worker.warm_up

__all__ = ["TASKS", "_cms", "warm_up"]
