"""The finding about a picture or an order that cannot be used at all."""

from __future__ import annotations

from printqueue.core.errors import PictureError
from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.request import Request
from printqueue.imaging.decode.errors import EmptyTailError
from printqueue.judging.judge import allow

_WHY = {
    "profile": "Its colours were made for other inks; on this paper they would come out wrong.",
    "order": "What was asked for is not clear, and a sheet is too dear to guess.",
}


def refusal(error: PictureError, request: Request | None = None) -> Finding:
    """Return the finding for an unusable picture or order."""
    finding = Finding(
        error.check,
        Level.REJECT,
        error.says,
        measured=error.measured,
        do=error.do,
        why=_WHY.get(error.check, "Nothing can be printed from it as it is."),
        origin="fact",
        allowable=isinstance(error, EmptyTailError),
    )
    return allow(finding, request.allow) if request else finding
