"""What a child can be asked and what it does are the same list."""

from __future__ import annotations

from typing import get_args

from printqueue.sandbox.protocol import TaskName
from printqueue.sandbox.tasks import TASKS


def test_every_task_that_can_be_asked_is_done() -> None:
    """A name without a function would end the child; the type checker holds the other direction."""
    assert set(TASKS) == set(get_args(TaskName))
