"""The product's tasks (quick for small pictures), with a gate before the first task of a child.

`hold` is put here by the process that this one is forked from; without that nothing waits.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.service import quick_worker


def hold() -> None:
    """Wait at the gate, where there is one."""


def _held(task: Callable[..., Any]) -> Callable[..., Any]:
    def run(*arguments: Any) -> Any:
        hold()
        return task(*arguments)

    return run


TASKS = {name: _held(task) for name, task in quick_worker.TASKS.items()}
