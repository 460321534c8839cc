"""What judging and rendering need, with or without a service: studio, papers, and children to read hostile files."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date

from printqueue.decode import Bounds
from printqueue.errors import IncompletePictureError, OwnError, PictureError, WorldError
from printqueue.making import PrintJob
from printqueue.model.request import Request
from printqueue.model.setting import Setting, ViewingLight
from printqueue.needs import SLACK_BYTES
from printqueue.papers.loader import Shelf
from printqueue.papers.schema import Paper
from printqueue.sandbox import Child, ChildDiedError, ChildLimits, Template
from printqueue.stock import Stock, Tones, take
from printqueue.studio import Studio
from printqueue.worker import ANSWER, Answer


class Workbench:
    """Studio, papers and the template of children."""

    def __init__(self, studio: Studio, template: Template, shelf: Shelf) -> None:
        self.studio, self.template, self.shelf = studio, template, shelf
        self._tones: dict[bytes, Tones] = {}
        self._children: set[Child] = set()
        self._stopping = threading.Event()

    @property
    def stopping(self) -> bool:
        """Whether the service is being stopped: jobs are restartable, so nothing is waited for."""
        return self._stopping.is_set()

    def stop(self) -> None:
        """Kill the children in hand; their attempts go back to waiting without a strike."""
        self._stopping.set()
        for child in list(self._children):
            child.kill()

    @contextmanager
    def child(self) -> Iterator[Child]:
        """One bounded child, known to `stop`."""
        with self.template.child(self.limits) as child:
            self._children.add(child)
            try:
                if self.stopping:
                    raise ChildDiedError("was stopped with the service")
                yield child
            finally:
                self._children.discard(child)

    @property
    def limits(self) -> ChildLimits:
        """Bounds of one child, from studio.yaml."""
        ceilings = self.studio.config.limits
        return ChildLimits(
            memory=int(ceilings.memory) + SLACK_BYTES, wall_s=ceilings.time, cpu_s=int(2 * ceilings.time)
        )

    @property
    def bounds(self) -> Bounds:
        """Bounds of one picture, from studio.yaml."""
        pixels = int(self.studio.config.limits.pixels * 1e6)
        return Bounds(pixels=pixels, samples_bytes=8 * pixels)

    @property
    def setting(self) -> Setting:
        """The day and the light that pictures are judged in."""
        light = self.studio.config.light
        return Setting(date.today(), ViewingLight(print_lux=light.print, screen_cd_m2=light.screen))  # the local day

    def stock(self, paper: Paper) -> Stock:
        """The paper with its profile, read anew for every job."""
        return take(self.studio.path("profiles"), paper, self._tones_of)

    def _tones_of(self, profile: bytes) -> Tones:
        if profile not in self._tones:
            try:
                with self.child() as child:
                    answer = ask(child, "tones", profile)
            except ChildDiedError:
                if self.stopping:  # then it says nothing about the profile
                    raise WorldError("The service was stopped. Nothing is lost; it starts again.") from None
                raise
            assert answer.tones is not None
            self._tones[profile] = Tones(answer.tones.white, answer.tones.black)
        return self._tones[profile]


def ask(child: Child, task: str, argument: object, descriptors: tuple[int, ...] = ()) -> Answer:
    """Ask a child; what it could not do comes back as the error of the right family."""
    try:
        answer = ANSWER.validate_json(child.ask(task, argument, descriptors))
    except ValueError as error:
        raise ChildDiedError("gave an answer that makes no sense") from error
    failure = answer.failure
    if failure is None:
        return answer
    if failure.family == "incomplete":
        raise IncompletePictureError(failure.says, do=failure.do, check=failure.check)
    if failure.family == "picture":
        raise PictureError(failure.says, do=failure.do, check=failure.check)
    if failure.family == "world":
        raise WorldError(failure.says, do=failure.do)
    raise OwnError(failure.says)


def print_job(request: Request, kept: Stock) -> PrintJob:
    """What the child gets to know about one print."""
    return PrintJob(request, kept.facts, kept.paper.checks, kept.profile)
