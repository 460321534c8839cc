"""The cache of decoded parts, and its book-keeping."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from printqueue.imaging.decode.tiff_pixels import PartCache


def part(size: int) -> NDArray[np.uint8]:
    """A decoded part of `size` bytes."""
    return np.zeros(size, np.uint8)


def test_a_part_that_is_pushed_out_while_it_is_decoded_takes_no_room() -> None:
    """However often large parts push out one that is still being decoded, small parts are kept as before."""
    cache = PartCache(kept_bytes=100)

    def decode_slowly() -> NDArray[np.uint8]:
        cache.get("large", lambda: part(90))
        cache.get("larger", lambda: part(95))
        return part(30)

    for _ in range(5):
        cache.get("slow", decode_slowly)
    decoded = []
    for key in "abcabc":
        cache.get(key, lambda key=key: decoded.append(key) or part(30))  # type: ignore[misc, func-returns-value]
    assert decoded == ["a", "b", "c"]
