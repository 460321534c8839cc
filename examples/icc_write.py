"""Writes ICC version 2.4 profiles (ICC.1:2001-04): header, tag table, the few tag types a printer needs."""

from __future__ import annotations

import struct
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.uint16]
Lab = NDArray[np.float64]

_CREATED = (2026, 1, 1, 0, 0, 0)  # fixed, so that the same profile always has the same bytes
_VERSION_2_4 = 0x02400000
_MATTE = 2  # device attributes, bit 1: 0 glossy, 1 matte
_RELATIVE = 1
_IDENTITY = (1, 0, 0, 0, 1, 0, 0, 0, 1)


def fixed(values: Sequence[float]) -> bytes:
    """Numbers as s15Fixed16."""
    return struct.pack(f">{len(values)}i", *(round(v * 65536) for v in values))


def encode_lab(lab: Lab) -> Codes:
    """L*a*b* in version 2's 16-bit encoding: L* = 100 is FF00h, a* = b* = 0 is 8000h; clipped to FFFFh."""
    codes = np.stack([lab[..., 0] * 652.8, (lab[..., 1] + 128) * 256, (lab[..., 2] + 128) * 256], -1)
    return np.clip(np.rint(codes), 0, 65535).astype(np.uint16)


def encode_device(rgb: Lab) -> Codes:
    """Device values 0...1 as 0...FFFFh."""
    return np.rint(np.clip(rgb, 0, 1) * 65535).astype(np.uint16)


def xyz_type(xyz: Sequence[float]) -> bytes:
    """An XYZ value."""
    return b"XYZ \0\0\0\0" + fixed(xyz)


def text_type(text: str) -> bytes:
    """Plain ASCII text."""
    return b"text\0\0\0\0" + text.encode("ascii") + b"\0"


def description_type(text: str) -> bytes:
    """A version 2 description: ASCII only, the Unicode and script parts empty."""
    ascii_text = text.encode("ascii") + b"\0"
    empty_unicode, empty_script = bytes(8), bytes(3 + 67)
    return b"desc\0\0\0\0" + struct.pack(">I", len(ascii_text)) + ascii_text + empty_unicode + empty_script


def straight(channels: int) -> Codes:
    """Curves that change nothing, for either end of a table."""
    return np.tile(np.array([0, 65535], np.uint16), (channels, 1))


def lut16_type(inputs: Codes, clut: Codes, outputs: Codes) -> bytes:
    """A 16-bit table (lut16Type).

    (i, n) input curves, (nodes ** i, o) colours with the first channel slowest, (o, m) output curves;
    ValueError if the colours fill no cube.
    """
    channels_in, channels_out = len(inputs), len(outputs)
    nodes = round(len(clut) ** (1 / channels_in))
    if clut.shape != (nodes**channels_in, channels_out):
        raise ValueError(f"a colour table of shape {clut.shape} does not fit the curves")
    head = b"mft2\0\0\0\0" + bytes([channels_in, channels_out, nodes, 0]) + fixed(_IDENTITY)
    lengths = struct.pack(">2H", inputs.shape[1], outputs.shape[1])
    return head + lengths + b"".join(part.astype(">u2").tobytes() for part in (inputs, clut, outputs))


def printer_profile(tags: Sequence[tuple[str, bytes]], *, matte: bool) -> bytes:
    """A whole RGB to Lab printer profile; tags with equal data share one copy of it."""
    blocks: dict[bytes, int] = {}
    entries = b""
    end = 128 + 4 + 12 * len(tags)
    for signature, data in tags:
        if data not in blocks:
            blocks[data] = end
            end += len(data) + -len(data) % 4
        entries += signature.encode("ascii") + struct.pack(">2I", blocks[data], len(data))
    body = b"".join(data + bytes(-len(data) % 4) for data in blocks)
    return _header(end, matte) + struct.pack(">I", len(tags)) + entries + body


def _header(size: int, matte: bool) -> bytes:
    """128 bytes; colour manager, platform, flags, maker, model, creator and profile ID stay zero."""
    front = struct.pack(">2I", size, 0) + struct.pack(">I", _VERSION_2_4) + b"prtrRGB Lab "
    front += struct.pack(">6H", *_CREATED) + b"acsp" + bytes(16)
    front += struct.pack(">QI", _MATTE if matte else 0, _RELATIVE) + fixed((0.9642, 1.0, 0.8249))
    return front + bytes(128 - len(front))
