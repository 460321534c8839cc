"""What a screen can show of a print, in two ways, and how light a meter would read it.

Uses the print's own conversion (`manager.to_paper`, with the renderer's request), then goes through the paper's profile
back to what the eye sees. Several parts share one call to the engine, because preparing a call takes 35 ms.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from printqueue.core.model.paper import Intent
from printqueue.core.model.request import Request
from printqueue.imaging.colour import manager
from printqueue.imaging.proof_page.page import Colour
from printqueue.imaging.render.bands import THREADS
from printqueue.imaging.render.sheet import NO_INK

Codes = NDArray[np.uint16]
Pixels = NDArray[np.uint8]
Plane = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class View:
    """One part of the print, (h, w) each.

    `tones`: sRGB, paper white as the screen's white, black as light as the paper's black looks beside it;
    `paper`: sRGB, bare paper in its own lightness and tint; `lightness`: L* 0..100 as a meter would read it.
    """

    tones: Pixels
    paper: Pixels
    lightness: Plane


def views(parts: Sequence[Codes], source: bytes, paper: bytes, request: Request) -> tuple[list[View], Colour]:
    """Views of delivered codes in the source's space, each (h, w, 3), or (h, w) if the source is grey; and bare paper
    in sRGB.
    """
    shapes = [part.shape[:2] for part in parts]
    flat = np.concatenate([part.reshape(-1, *part.shape[2:]) for part in parts])[None]
    black = request.black_point_compensation
    device = manager.to_paper(flat, source, paper, intent=request.intent, black_point_compensation=black)
    device = np.concatenate([device, np.full((1, 1, 3), NO_INK, np.uint16)], axis=1)
    with ThreadPoolExecutor(THREADS) as pool:
        relative = pool.submit(manager.to_screen, device, paper)
        absolute = pool.submit(manager.to_screen, device, paper, seen=Intent.ABSOLUTE)
        measured = pool.submit(manager.to_lab, device, paper, intent=Intent.ABSOLUTE)
        flat_views = (relative.result()[0], absolute.result()[0], measured.result()[0, :, 0])
    ends = np.cumsum([height * width for height, width in shapes])
    cut = (np.split(one, ends)[:-1] for one in flat_views)
    found = [
        View(tones.reshape(*shape, 3), seen.reshape(*shape, 3), lightness.reshape(shape))
        for shape, tones, seen, lightness in zip(shapes, *cut, strict=True)
    ]
    red, green, blue = flat_views[1][-1].tolist()
    return found, (red, green, blue)
