"""Subjects for the checks of tone and colour: one good picture on a paper that is written out here."""

from __future__ import annotations

from collections.abc import Mapping

from printqueue.core.model.finding import Value
from printqueue.core.model.measures import Key
from printqueue.core.model.paper import PaperFacts, Surface
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Request
from printqueue.core.model.setting import Setting, ViewingLight
from printqueue.core.model.subject import Regions, Subject
from printqueue.core.units import Size

A3 = Size("A3", 297, 420)


def subject(
    numbers: Mapping[Key, Value],
    *,
    surface: Surface = Surface.SMOOTH_MATTE,
    black: float = 17.0,
    white: float = 96.5,
    lift: float = 0.0,
    lux: float = 200.0,
    screen: float = 100.0,
    where: Regions | None = None,
) -> Subject:
    """These numbers, on a paper of that surface, seen in that light."""
    paper = PaperFacts(
        "p", "Paper", surface, (white, 0, 0), (black, 0, 0), (A3,), "mine.icc", profile_is_demonstration=False
    )
    request = Request("p", A3, lift_stops=lift)
    picture = PictureFacts("TIFF", 6000, 4000, 16, "rgb")
    return Subject(picture, paper, request, None, numbers, where or {}, Setting(light=ViewingLight(lux, screen)))
