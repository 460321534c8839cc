"""The attacks on a child behind Landlock alone, as on a machine that no filter of system calls is known for."""

from __future__ import annotations

from printqueue.sandbox import walls
from tests.sandbox.attacks import TASKS

setattr(walls, "_filtered", lambda: False)  # noqa: B010 - mypy refuses the plain assignment

__all__ = ["TASKS"]
