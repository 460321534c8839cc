"""The product's own tasks, quicker for small pictures.

The colour engine is told not to build a table for every transform (lcms2.h, cmsFLAGS_NOOPTIMIZE),
which takes 40 ms each and pays only for large pictures; and the page of a proof picture is a small grey one, which
saves 0.3 s for each. Durability is tested here, not colour; where the page counts, `proof_worker` has the real one.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from printqueue.imaging import proof_pictures as proofing
from printqueue.imaging.colour import manager
from printqueue.sandbox import tasks as worker

_NO_TABLE = 0x0100
_transform: Any = manager._transform
real_pages = False  # set by a module of tasks before any task runs


def _small_page(*_: Any) -> Any:
    return np.full((16, 16, 3), 128, np.uint8)


def _without_table(*values: Any, flags: int, **others: Any) -> Any:
    return _transform(*values, flags=flags | _NO_TABLE, **others)


def _quick(task: Any) -> Any:
    """Only in the child that runs the task: importing this module must change nothing for other tests."""

    def run(*arguments: Any) -> Any:
        setattr(manager, "_transform", _without_table)  # noqa: B010 - mypy refuses the plain assignment
        if not real_pages:
            setattr(proofing, "compose", _small_page)  # noqa: B010 - as above
        return task(*arguments)

    return run


manager._lab_profile()
TASKS = {name: _quick(task) for name, task in worker.TASKS.items()}
warm_up = worker.warm_up
