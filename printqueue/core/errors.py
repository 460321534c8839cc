"""Error families: whose fault it is decides what happens next.

`PictureError`   the picture or its order is at fault: the picture goes to review with a reason.
`WorldError`     the machine or a share is at fault: wait and try again; no picture is blamed.
`OwnError`       a bug of ours, or a child that died twice: the job is parked as `stuck`.
`UsageError`     the command line or a rule file is wrong: say how to put it right.
`StudioError`    the studio or the machine is not set up right.
"""

from __future__ import annotations

from enum import IntEnum


class Exit(IntEnum):
    """Exit codes of every command."""

    DONE = 0
    TURNED_BACK = 1
    USAGE = 2
    STUDIO = 3
    CONFIG = 78  # only `serve`: sysexits.h EX_CONFIG, so that a supervisor does not restart it


class PrintqueueError(Exception):
    """Base of all expected errors. The text says what happened, what is safe and what to do."""

    exit_code: Exit = Exit.STUDIO

    def __init__(self, says: str, *, do: str = "") -> None:
        super().__init__(says)
        self.says = says
        self.do = do

    def __str__(self) -> str:
        return f"{self.says} {self.do}".strip()


class PictureError(PrintqueueError):
    """The picture cannot be used as it is; `check` names the check that refuses it."""

    exit_code = Exit.TURNED_BACK

    def __init__(self, says: str, *, do: str = "", check: str = "whole", measured: str | None = None) -> None:
        super().__init__(says, do=do)
        self.check = check
        self.measured = measured


class IncompletePictureError(PictureError):
    """The file looks incomplete, as if still arriving; worth a second look before judging."""


class WorldError(PrintqueueError):
    """Disk full, share gone, permission missing: nothing is blamed, and the work is deferred."""


class OwnError(PrintqueueError):
    """Something of ours went wrong; the picture is safe and a human is needed."""


class UsageError(PrintqueueError):
    """The command, a setting or a rule file cannot be understood."""

    exit_code = Exit.USAGE


class StudioError(PrintqueueError):
    """The studio folder or its lock is not as it should be."""
