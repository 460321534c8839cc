"""Signs that a part of a file was never written."""

from __future__ import annotations

import numpy as np

from printqueue.decode._reader import CHUNK_BYTES, PAGE_BYTES, Reader
from printqueue.decode.errors import AGAIN, EmptyTailError

ALLOW = "If the picture is right as it is, let it pass with `allow: [whole]` in its order."


def no_hole(reader: Reader, start: int, stop: int) -> None:
    """Raise `EmptyTailError` if the file system says that part of [start, stop) was never written.

    Sparse files are legal, so the artist may allow it.
    """
    found = reader.hole(start, stop)
    if found is not None:
        raise EmptyTailError(
            f"The file does not look complete: from byte {found} on a part of it was never written.",
            do=f"{AGAIN} {ALLOW}",
            measured=f"hole at byte {found}",
        )


def no_empty_pages(reader: Reader, start: int, stop: int) -> None:
    """Raise `EmptyTailError` if compressed data hold zeros from one 4 KiB offset of the file exactly to another.

    That is how a block that never arrived looks inside a copy; compressed data
    know nothing of offsets in the file. (Page size of file systems: common
    practice, no source.)
    """
    place = -(-start // PAGE_BYTES) * PAGE_BYTES
    while stop - place >= PAGE_BYTES:
        data = reader.some(place, min(CHUNK_BYTES, (stop - place) // PAGE_BYTES * PAGE_BYTES))
        pages = np.frombuffer(data, np.uint8, len(data) // PAGE_BYTES * PAGE_BYTES).reshape(-1, PAGE_BYTES)
        for number in np.flatnonzero(~pages.any(axis=1)):
            _refuse_run(reader, place + int(number) * PAGE_BYTES, stop)
        if not pages.size:
            break
        place += pages.size


def _refuse_run(reader: Reader, page: int, stop: int) -> None:
    """Raise if the zeros begin exactly at `page` and end exactly at a later 4 KiB offset."""
    if reader.some(page - 1, 1) == b"\0":
        return
    end = page + PAGE_BYTES
    while end + PAGE_BYTES <= stop and not any(reader.some(end, PAGE_BYTES)):
        end += PAGE_BYTES
    if reader.some(end, 1) != b"\0":
        raise EmptyTailError(
            f"The file does not look complete: bytes {page} to {end} are empty, as a copy leaves a part that is missing.",
            do=f"{AGAIN} {ALLOW}",
            measured=f"{end - page} bytes empty",
        )


def empty(share: float) -> EmptyTailError:
    """Return the error for pixel data that end in a run of zeros as an unfinished copy leaves it."""
    return EmptyTailError(
        f"The last {share:.0%} of the pixel data are empty, as a copy leaves them that has not come to its end; "
        "a wholly black foot of a picture can look the same.",
        do=f"{AGAIN} {ALLOW}",
        measured=f"{share:.1%} empty",
    )
