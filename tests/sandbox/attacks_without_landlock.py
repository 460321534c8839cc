"""The attacks on a child behind the filter alone, as on a kernel without Landlock."""

from __future__ import annotations

from printqueue.sandbox import walls
from tests.sandbox.attacks import TASKS

setattr(walls, "_landlocked", lambda: 0)  # noqa: B010 - mypy refuses the plain assignment

__all__ = ["TASKS"]
