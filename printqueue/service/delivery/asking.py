"""Asking a child about a print: files held open for the question, and an answer that must be there."""

from __future__ import annotations

import os
from contextlib import ExitStack
from typing import TypeVar

from printqueue.sandbox import ChildDiedError

_Expected = TypeVar("_Expected")


def held(stack: ExitStack, descriptor: int) -> int:
    """The descriptor, closed together with `stack`."""
    stack.callback(os.close, descriptor)
    return descriptor


def expected(answer: _Expected | None) -> _Expected:
    """The expected answer. Raises `ChildDiedError` if the child gave another."""
    if answer is None:
        raise ChildDiedError("gave an answer that makes no sense")
    return answer
