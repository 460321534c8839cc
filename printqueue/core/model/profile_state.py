"""What the file says of its colours."""

from __future__ import annotations

from enum import StrEnum


class ProfileState(StrEnum):
    """The picture's colour profile, as far as it decides whether and how the picture can be printed.

    The values are those of `profile.state` in `check --json` and in the ledger: they stay, whatever a member is called.
    """

    FINE = "fine"
    MISSING = "missing"  # and nothing declared
    UNREADABLE = "unreadable"  # damaged, or not for these channels
    PRINTER = "printer"  # of printer class: colours would be managed twice
    DECLARED = "declared"  # by EXIF or PNG, without a profile
    ASSUMED = "assumed"  # the order says so
    DISPLAY = "display"  # a single display's own
