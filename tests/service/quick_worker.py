"""The product's own tasks, quicker for small pictures.

The colour engine is told not to build a table for every transform (lcms2.h, cmsFLAGS_NOOPTIMIZE),
which takes 40 ms each and pays only for large pictures. Durability is tested here, not colour.
"""

from __future__ import annotations

from typing import Any

from printqueue import worker
from printqueue.colour import manager

_NO_TABLE = 0x0100
_transform: Any = manager._transform


def _without_table(*values: Any) -> Any:
    *most, flags = values
    return _transform(*most, flags | _NO_TABLE)


def _quick(task: Any) -> Any:
    """Only in the child that runs the task: importing this module must change nothing for other tests."""

    def run(*arguments: Any) -> Any:
        setattr(manager, "_transform", _without_table)  # noqa: B010 - mypy refuses the plain assignment
        return task(*arguments)

    return run


manager._lab_profile()
TASKS = {name: _quick(task) for name, task in worker.TASKS.items()}
warm_up = worker.warm_up
