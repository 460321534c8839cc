"""Subjects for the checks of tone and colour: one good picture on a paper that is written out here."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from printqueue.model.finding import Value
from printqueue.model.paper import PaperFacts, Surface
from printqueue.model.picture import PictureFacts
from printqueue.model.request import Request
from printqueue.model.setting import Setting, ViewingLight
from printqueue.model.subject import Subject
from printqueue.units import Size

A3 = Size("A3", 297, 420)
LADDER = (1, 2, 3, 4, 6, 8, 10, 12, 15)


def subject(
    numbers: Mapping[str, Value],
    *,
    surface: Surface = Surface.SMOOTH_MATTE,
    black: float = 17.0,
    white: float = 96.5,
    lift: float = 0.0,
    lux: float = 200.0,
    screen: float = 100.0,
    where: Mapping[str, Any] | None = None,
) -> Subject:
    """These numbers, on a paper of that surface, seen in that light."""
    paper = PaperFacts(
        "p", "Paper", surface, (white, 0, 0), (black, 0, 0), (A3,), "mine.icc", profile_is_demonstration=False
    )
    request = Request("p", A3, lift_stops=lift)
    picture = PictureFacts("TIFF", 6000, 4000, 16, "rgb")
    return Subject(picture, paper, request, None, numbers, where or {}, Setting(light=ViewingLight(lux, screen)))
