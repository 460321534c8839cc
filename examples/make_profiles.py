"""Makes the four demonstration printer profiles: python examples/make_profiles.py [OUTDIR].

They let the program run from end to end where no paper has been profiled. No sheet and no printer stands
behind them; each says so in its description. Version 2.4 of ICC.1, because programs old
and new read it (common practice, no source), and because version 4 would tie the perceptual tables to its
reference medium.

Tables (all media-relative; see `paper_model` for the print that they describe):

A2B0 A2B1 A2B2  one table for all: what is on the sheet does not depend on the intent that put it there
B2A1            the printable colour nearest in dE76
B2A0 B2A2       lightness compressed as black point compensation does, strong chroma eased, then the nearest
gamt            0 where a colour can be printed, by the distance found for B2A1
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import icc_write
import numpy as np
import paper_model
from paper_model import Array, PrintModel, grid

OUTDIR = Path(__file__).resolve().parent.parent / "printqueue" / "rules" / "profiles"
COPYRIGHT = "Synthesised by printqueue for demonstration, MIT licence. It describes no real printer, ink or paper."
A2B_NODES = 21
# 31 nodes, neutral on node 14: 14/30 of FFFFh is a whole code, so that grey and bare paper fall exactly on
# a node. (The middle of 33 nodes is half a code off, which costs paper white two codes of ink.)
B2A_NODES, NEUTRAL_NODE = 31, 14
FAR_CELLS = 2  # cells at either end of a* and b* for colours that only screens have
BELOW_BLACK_CELLS = 2  # cells of L* that the paper cannot print
LAB_CURVE = 258  # entries: 257 steps of 255 codes, so that L* = 100 (FF00h) falls on entry 256
GAMUT_STEP = 2  # the gamut table takes every second node of B2A1
GAMUT_FULL_SCALE = 64.0  # dE76 that the gamut table's highest code stands for
GAMUT_LIMIT = 2.0  # dE76 below which a colour counts as printable


def main(arguments: list[str]) -> int:
    """Write each profile into the folder given, or the package's own, and say how large it is."""
    parser = argparse.ArgumentParser(description="Make the demonstration printer profiles.")
    parser.add_argument("outdir", nargs="?", type=Path, default=OUTDIR, help="default: %(default)s")
    outdir: Path = parser.parse_args(arguments).outdir
    outdir.mkdir(parents=True, exist_ok=True)
    for name in paper_model.PAPERS:
        data = build(name)
        _write_whole(outdir / f"{name}.icc", data)
        print(f"{outdir / name}.icc: {len(data)} bytes")
    return 0


def _write_whole(path: Path, data: bytes) -> None:
    """Under the final name there is the old file or the new one, never a part."""
    part = path.with_name(f".{path.name}.part")
    part.write_bytes(data)
    part.replace(path)


def build(name: str) -> bytes:
    """The bytes of one demonstration profile; KeyError unless `name` is one of paper_model.PAPERS."""
    model = paper_model.model(name)
    a2b = _device_to_lab(model)
    colorimetric, gamut = _nearest_tables(model)
    perceptual = _perceptual_table(model)
    white = paper_model.lab_to_xyz(np.array(model.paper.white))
    tags = [
        ("desc", icc_write.description_type(f"DEMONSTRATION {model.paper.title} (not for a real sheet)")),
        ("cprt", icc_write.text_type(COPYRIGHT)),
        ("wtpt", icc_write.xyz_type([float(v) for v in white])),
        ("A2B0", a2b),
        ("A2B1", a2b),
        ("A2B2", a2b),
        ("B2A0", perceptual),
        ("B2A1", colorimetric),
        ("B2A2", perceptual),
        ("gamt", gamut),
    ]
    return icc_write.printer_profile(tags, matte=model.paper.matte)


def forward_lab(name: str, rgb: Array, *, absolute: bool = False) -> Array:
    """What the model prints: (n, 3) device RGB 0...1 to (n, 3) L*a*b* D50, media-relative or absolute."""
    model = paper_model.model(name)
    lab = model.forward(rgb)
    return paper_model.to_absolute(lab, model.paper.white) if absolute else lab


def _device_to_lab(model: PrintModel) -> bytes:
    lab = model.forward(grid(A2B_NODES) / (A2B_NODES - 1))
    straight = icc_write.straight(3)
    return icc_write.lut16_type(straight, icc_write.encode_lab(lab), straight)


def _nearest_tables(model: PrintModel) -> tuple[bytes, bytes]:
    """B2A1, and the gamut table that follows from how far each node had to move."""
    axes = lab_axes(model)
    rgb, distance = model.invert(lab_nodes(axes))
    cube = distance.reshape(B2A_NODES, B2A_NODES, B2A_NODES)[::GAMUT_STEP, ::GAMUT_STEP, ::GAMUT_STEP]
    return _lab_to_device(axes, rgb), _gamut_table(axes, cube.reshape(-1, 1))


def _gamut_table(axes: list[Array], distance: Array) -> bytes:
    """A table whose interpolated distance passes a threshold: 0 printable, above 0 not."""
    clut = icc_write.encode_device(distance / GAMUT_FULL_SCALE)
    step = np.arange(257) * (GAMUT_FULL_SCALE / 256)
    above = icc_write.encode_device(np.where(step > GAMUT_LIMIT, step / GAMUT_FULL_SCALE, 0))
    return icc_write.lut16_type(lab_curves(axes), clut, above[None, :])


def _perceptual_table(model: PrintModel) -> bytes:
    axes = lab_axes(model)
    return _lab_to_device(axes, model.invert(compressed(model, lab_nodes(axes)))[0])


def _lab_to_device(axes: list[Array], rgb: Array) -> bytes:
    return icc_write.lut16_type(lab_curves(axes), icc_write.encode_device(rgb), icc_write.straight(3))


def compressed(model: PrintModel, lab: Array) -> Array:
    """The perceptual rendering: lightness into black ... 100, chroma above the knee eased.

    Lightness by the black point compensation formula in XYZ (ISO 18619), from black at L* = 0 to the
    paper's own; chroma C becomes C / sqrt(1 + (C / knee)^2), so pale colours hardly move.
    """
    d50 = np.array(paper_model.D50)
    black = paper_model.lab_to_xyz(model.black)
    print_lab = paper_model.xyz_to_lab(black + paper_model.lab_to_xyz(lab) * (1 - black / d50))
    a, b = print_lab[:, 1] / model.paper.chroma_knee, print_lab[:, 2] / model.paper.chroma_knee
    print_lab[:, 1:] /= np.sqrt(1 + a * a + b * b)[:, None]
    return print_lab


def lab_axes(model: PrintModel) -> list[Array]:
    """L*, a* and b* of the nodes of the tables to the device, close where the paper has its colours."""
    printed = model.forward(grid(17) / 16)
    low, high = printed.min(axis=0) - 1, printed.max(axis=0) + 1
    return [_lightness_axis(model.black[0])] + [_chroma_axis(low[i], high[i]) for i in (1, 2)]


def _lightness_axis(black: float) -> Array:
    """Even from the paper's black to 100; the turn is on an entry of the input curve, just above black."""
    turn = np.ceil(black * 2.56) / 2.56
    below = np.linspace(0, turn, BELOW_BLACK_CELLS + 1)[:-1]
    return np.concatenate([below, np.linspace(turn, 100, B2A_NODES - BELOW_BLACK_CELLS)])


def _chroma_axis(low: float, high: float) -> Array:
    """Even from the lowest printed value to 0 and from 0 to the highest; wide cells out to +-128."""
    far_low = np.linspace(-128, low, FAR_CELLS + 1)[:-1]
    near_low = np.linspace(low, 0, NEUTRAL_NODE - FAR_CELLS + 1)
    near_high = np.linspace(0, high, B2A_NODES - NEUTRAL_NODE - FAR_CELLS)[1:]
    return np.concatenate([far_low, near_low, near_high, np.linspace(high, 128, FAR_CELLS + 1)[1:]])


def lab_nodes(axes: list[Array]) -> Array:
    """(B2A_NODES ** 3, 3) L*a*b* at the nodes, L* slowest."""
    index = grid(B2A_NODES).astype(np.intp)
    return np.stack([axis[index[:, i]] for i, axis in enumerate(axes)], axis=-1)


def lab_curves(axes: list[Array]) -> icc_write.Codes:
    """(3, LAB_CURVE) input curves from version 2's L*a*b* codes to the nodes."""
    entry = np.arange(LAB_CURVE, dtype=np.float64)
    lightness = _node_position(axes[0], np.minimum(entry / 2.56, 100))
    chroma = [_chroma_curve(axis, entry * (255 / 256) - 128) for axis in axes[1:]]
    return np.stack([icc_write.encode_device(lightness), *chroma])


def _chroma_curve(axis: Array, value: Array) -> icc_write.Codes:
    """The curve of a* or b*; a* = 0 lies between two entries, which are set so that it hits its node."""
    curve = icc_write.encode_device(_node_position(axis, value))
    middle = LAB_CURVE // 2
    neutral = 65535 * NEUTRAL_NODE // (B2A_NODES - 1)
    rise = int(curve[middle] - curve[middle - 1]) // 2 * 2
    curve[middle - 1] = neutral - round(rise * 128 / 255)  # code 8000h is 128/255 of the way
    curve[middle] = curve[middle - 1] + rise
    return curve


def _node_position(axis: Array, value: Array) -> Array:
    """Where values fall on an axis of nodes, 0...1."""
    cell = np.clip(np.searchsorted(axis, value, side="right") - 1, 0, len(axis) - 2)
    return (cell + (value - axis[cell]) / (axis[cell + 1] - axis[cell])) / (len(axis) - 1)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
