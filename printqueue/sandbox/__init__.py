"""Bounded throwaway children that read hostile files, so that the service never does.

`fork_server` is exec'ed once, before ledger and lock are opened, imports the libraries in a single thread, and forks
one child per picture. `client` is the service's side.
"""

from printqueue.sandbox.client import (
    AnswerTooLongError,
    Child,
    ChildDiedError,
    ChildInterruptedError,
    ForkServer,
    ForkServerDiedError,
)
from printqueue.sandbox.limits import ChildLimits
from printqueue.sandbox.walls import Walls

__all__ = [
    "AnswerTooLongError",
    "Child",
    "ChildDiedError",
    "ChildInterruptedError",
    "ChildLimits",
    "ForkServer",
    "ForkServerDiedError",
    "Walls",
]
