"""Calls the colour engine, lcms2, through its C interface, so that all threads share a transform prepared once.

imagecodecs, which ships the engine, prepares a transform on every call, and preparing takes longer than converting a
band (40 ms for a table of 49 nodes). This module loads the same engine from the same file and keeps its transforms
(lcms2 API reference, "Transforms"; sharing one needs cmsFLAGS_NOCACHE). If a build of imagecodecs hides the engine,
`prepare` returns a conversion that calls imagecodecs each time: same codes, slower.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, lru_cache, partial
from threading import Lock
from typing import Any, Literal
from weakref import finalize

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from printqueue.imaging.colour.icc import ProfileError

Codes = NDArray[np.uint16]
Convert = Callable[[Codes], NDArray[Any]]
Target = Literal["rgb-16", "rgb-8", "lab-16", "lab-double"]

_NO_CACHE = 0x0040  # lcms2.h: cmsFLAGS_NOCACHE
_KEPT = 12  # transforms: the most that one picture on one paper needs
_MAX_AT_ONCE = 1 << 24  # pixels per call, far below the engine's 32-bit count


@dataclass(frozen=True, slots=True)
class _Format:
    """How samples lie in memory: lcms2.h's `number` for the layout, and imagecodecs' names for it."""

    number: int
    space: str
    dtype: str
    channels: int


def _number(space: int, channels: int, size: int, *, is_float: bool = False) -> int:
    """lcms2.h: FLOAT_SH | COLORSPACE_SH | CHANNELS_SH | BYTES_SH (a double has size 0)."""
    return is_float << 22 | space << 16 | channels << 3 | size


# lcms2.h: PT_GRAY 3, PT_RGB 4, PT_Lab 10. Lab of 16 bits is encoded as in ICC.1:2022 6.3.4.2.
_GREY, _RGB = _Format(_number(3, 1, 2), "gray", "u2", 1), _Format(_number(4, 3, 2), "rgb", "u2", 3)
_TARGETS: dict[Target, _Format] = {
    "rgb-16": _RGB,
    "rgb-8": _Format(_number(4, 3, 1), "rgb", "u1", 3),
    "lab-16": _Format(_number(10, 3, 2), "lab", "u2", 3),
    "lab-double": _Format(_number(10, 3, 0, is_float=True), "lab", "f8", 3),
}
_PREPARING = Lock()


@dataclass(frozen=True, slots=True)
class _Conversion:
    """From one profile to another; `intent` is an ICC.1 number, `flags` are cmsFLAGS of lcms2.h."""

    source: bytes
    target: bytes
    given: _Format
    wanted: _Format
    intent: int
    flags: int


def prepare(source: bytes, target: bytes, to: Target, *, grey: bool, intent: int, flags: int) -> Convert:
    """Return a conversion of (H, W, 3) RGB or (H, W) grey uint16 codes to (H, W, 3) that all threads may share.

    `intent`: ICC.1 number; `flags`: cmsFLAGS of lcms2.h. Cached, so asking again costs nothing.
    Raises `ProfileError` if the engine refuses one of the profiles.
    """
    with _PREPARING:  # if two threads ask for the same transform, one prepares it and the other waits
        return _prepared(_Conversion(source, target, _GREY if grey else _RGB, _TARGETS[to], intent, flags))


@lru_cache(maxsize=_KEPT)
def _prepared(asked: _Conversion) -> Convert:
    engine = _engine()
    return partial(_each_time, asked) if engine is None else _Transform(engine, asked)


def is_direct() -> bool:
    """Whether the engine is called through its C interface; looks up its symbols now to spare the first transform."""
    return _engine() is not None


class _Transform:
    """An engine transform; frees its memory when garbage-collected."""

    def __init__(self, engine: ctypes.CDLL, asked: _Conversion) -> None:
        self._do, self._asked = engine.cmsDoTransform, asked
        first, last = (engine.cmsOpenProfileFromMem(data, len(data)) for data in (asked.source, asked.target))
        formats = asked.given.number, asked.wanted.number
        try:
            self._handle = (
                engine.cmsCreateTransform(first, formats[0], last, formats[1], asked.intent, asked.flags | _NO_CACHE)
                if first and last
                else None
            )
        finally:
            for profile in filter(None, (first, last)):
                engine.cmsCloseProfile(profile)
        if not self._handle:
            raise _refused()
        finalize(self, engine.cmsDeleteTransform, self._handle)

    def __call__(self, codes: Codes) -> NDArray[Any]:
        shape = codes.shape if self._asked.given is _RGB else (*codes.shape, 1)
        if codes.dtype != np.uint16 or len(shape) != 3 or shape[2] != self._asked.given.channels:
            raise _refused()
        codes = np.ascontiguousarray(codes)
        found = np.empty((*shape[:2], self._asked.wanted.channels), self._asked.wanted.dtype)
        rows = max(1, _MAX_AT_ONCE // max(1, shape[1]))
        for top in range(0, shape[0], rows):
            part, out = codes[top : top + rows], found[top : top + rows]
            self._do(self._handle, part.ctypes.data, out.ctypes.data, part.shape[0] * shape[1])
        return found


def _each_time(asked: _Conversion, codes: Codes) -> NDArray[Any]:
    """Convert through imagecodecs, which prepares the transform on every call."""
    try:
        found = imagecodecs.cms_transform(
            np.ascontiguousarray(codes),
            asked.source,
            asked.target,
            colorspace=asked.given.space,
            outcolorspace=asked.wanted.space,
            outdtype=asked.wanted.dtype,
            intent=asked.intent,
            flags=asked.flags,
        )
    except (imagecodecs.CmsError, ValueError, TypeError) as error:
        # The engine raises one of these three for a profile that it cannot use.
        raise _refused() from error
    return np.asarray(found)


def _refused() -> ProfileError:
    return ProfileError("the colour engine cannot use it for these pixels")


@cache
def _engine() -> ctypes.CDLL | None:
    """Return the engine that imagecodecs has loaded, by its C symbols; None if they are hidden."""
    try:
        from imagecodecs import _cms

        engine = ctypes.CDLL(_cms.__file__)  # its own symbols and those of the libraries it links to (dlsym(3))
        pointer, number = ctypes.c_void_p, ctypes.c_uint32
        for name, result, arguments in (
            ("cmsOpenProfileFromMem", pointer, (ctypes.c_char_p, number)),
            ("cmsCloseProfile", ctypes.c_int, (pointer,)),
            ("cmsCreateTransform", pointer, (pointer, number, pointer, number, number, number)),
            ("cmsDoTransform", None, (pointer, pointer, pointer, number)),
            ("cmsDeleteTransform", None, (pointer,)),
        ):
            function = getattr(engine, name)
            function.restype, function.argtypes = result, arguments
    except (ImportError, OSError, AttributeError):
        return None
    return engine
