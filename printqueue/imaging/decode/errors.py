"""Errors raised while reading pictures, and their sentences."""

from __future__ import annotations

from printqueue.core.errors import IncompletePictureError, PictureError

EXPORT = "Export a flattened 16-bit TIFF with its profile."
_AGAIN = "Export it again, or copy it again and wait for the copy to finish."
_ALLOW = "If the picture is right as it is, let it pass with `allow: [whole]` in its order."


class EmptyTailError(IncompletePictureError):
    """Part of the pixel data looks as if it was never written, although it can be read.

    A picture with a truly black foot can look the same: `allow: [whole]` lets it
    pass, because `open_picture` reads it without this test.
    """


def damaged(what: str) -> PictureError:
    """Return the error for a file that is complete but broken inside."""
    return PictureError(f"The file is damaged: {what}.", do=_AGAIN)


def incomplete(what: str) -> IncompletePictureError:
    """Return the error for a file whose end is missing."""
    return IncompletePictureError(f"The file is not complete: {what}.", do=_AGAIN)


def unwritten(says: str, measured: str) -> EmptyTailError:
    """Return the error for a file of which a part looks as if it was never written."""
    return EmptyTailError(says, do=f"{_AGAIN} {_ALLOW}", measured=measured)


def refused(what: str, do: str = EXPORT, *, check: str = "whole", measured: str | None = None) -> PictureError:
    """Return the error for an intact file of a kind that we do not print."""
    return PictureError(what, do=do, check=check, measured=measured)


def separated() -> PictureError:
    """Return the error for a picture in CMYK."""
    return refused(
        "It is CMYK, a separation already made for another machine.",
        "Export RGB in your working space, as a 16-bit TIFF with its profile.",
        check="profile",
        measured="CMYK",
    )
