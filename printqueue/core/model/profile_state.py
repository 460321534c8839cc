"""What the file says about its colours."""

from __future__ import annotations

from enum import StrEnum


class ProfileState(StrEnum):
    """The picture's colour profile, as far as it decides whether and how the picture can be printed.

    The values are those of `profile.state` in `check --json` and the ledger, so they stay even if a member is renamed.
    """

    FINE = "fine"
    MISSING = "missing"  # and nothing declared
    UNREADABLE = "unreadable"  # damaged, or not for these channels
    PRINTER = "printer"  # of the printer class: colours would be managed twice
    DECLARED = "declared"  # by EXIF or PNG, without a profile
    ASSUMED = "assumed"  # because the order says so
    DISPLAY = "display"  # of one particular display
