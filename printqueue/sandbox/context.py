"""What judging and rendering need, with or without a service: studio, papers, and children that read hostile files."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import date

from printqueue.core.errors import IncompletePictureError, OwnError, PictureError, WorldError
from printqueue.core.model.request import Request
from printqueue.core.model.setting import Setting, ViewingLight
from printqueue.imaging.decode.reader import Bounds
from printqueue.imaging.jobs import PrintJob
from printqueue.sandbox import (
    Child,
    ChildDiedError,
    ChildInterruptedError,
    ChildLimits,
    ForkServer,
    ForkServerDiedError,
)
from printqueue.sandbox.needs import SLACK_BYTES, Need
from printqueue.sandbox.protocol import ANSWER, Answer, TaskName, max_answer_bytes
from printqueue.studio.folders import Studio
from printqueue.studio.papers.loader import Shelf
from printqueue.studio.papers.schema import Paper
from printqueue.studio.stock import Stock, WhiteAndBlack, take


class Context:
    """Studio, papers and the fork server."""

    def __init__(self, studio: Studio, fork_server: ForkServer, shelf: Shelf) -> None:
        self.studio, self.fork_server, self.shelf = studio, fork_server, shelf
        self._tones: dict[bytes, WhiteAndBlack] = {}  # by a profile's bytes, because asking a child takes a while
        self._children: set[Child] = set()
        self._stopping = threading.Event()

    @property
    def stopping(self) -> bool:
        """Whether the service is stopping: jobs can be restarted, so nothing is waited for."""
        return self._stopping.is_set()

    def stop(self) -> None:
        """Kill the children at work; their attempts go back to waiting without a strike."""
        self._stopping.set()
        for child in list(self._children):
            child.kill()

    @contextmanager
    def child(self) -> Iterator[Child]:
        """One bounded child, known to `stop`."""
        with self.fork(self.limits) as child:
            try:
                yield child
            finally:
                self.forget(child)

    @contextmanager
    def children(self) -> Iterator[Children]:
        """Children for one picture."""
        children = Children(self)
        try:
            yield children
        finally:
            with suppress(ForkServerDiedError, ChildDiedError):  # the service will notice, or it ends later
                children.end()

    def fork(self, limits: ChildLimits) -> Child:
        """A new child, known to `stop` until it is forgotten."""
        if self.stopping:
            raise ChildDiedError("was stopped with the service")
        child = self.fork_server.child(limits)
        self._children.add(child)
        if self.stopping:
            child.kill()
        return child

    def forget(self, child: Child) -> None:
        """Drop a child that is ending; `stop` need not kill it."""
        self._children.discard(child)

    @property
    def limits(self) -> ChildLimits:
        """The limits of one child, from studio.yaml."""
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
        """The date and the light in which pictures are judged."""
        light = self.studio.config.light
        return Setting(date.today(), ViewingLight(print_lux=light.print, screen_cd_m2=light.screen))  # the local day

    def stock(self, paper: Paper) -> Stock:
        """The paper with its profile, reread for every job."""
        return take(self.studio.path("profiles"), paper, self._tones_of)

    def _tones_of(self, profile: bytes) -> WhiteAndBlack:
        if profile not in self._tones:
            try:
                with self.child() as child:
                    answer = ask(child, "tones", profile)
            except ChildDiedError as error:
                if isinstance(error, ChildInterruptedError):
                    raise WorldError(f"{error} Nothing is lost; it is tried again.") from error
                if self.stopping:  # which says nothing about the profile
                    raise WorldError("The service was stopped. Nothing is lost; it starts again.") from None
                raise
            assert answer.tones is not None
            self._tones[profile] = WhiteAndBlack(answer.tones.white, answer.tones.black)
        return self._tones[profile]


class Children:
    """The children of one picture, one at a time: the one that wrote a print ends before the next looks at it."""

    def __init__(self, context: Context) -> None:
        self._context, self._limits = context, context.limits
        self._child: Child | None = None

    def ask(self, task: str, argument: object, descriptors: tuple[int, ...] = (), *, max_bytes: int) -> bytes:
        """Ask the current child, or a new one if there is none. Raises like `Child.ask`."""
        try:
            self._child = self._child or self._context.fork(self._limits)
            return self._child.ask(task, argument, descriptors, max_bytes=max_bytes)
        except ChildDiedError:
            self.end()
            raise

    def tighten(self, need: Need) -> None:
        """Limit the current child and all that follow to what the picture needs."""
        self._limits = need.tightened(self._limits)
        if self._child is not None:
            self._child.tighten(self._limits)

    def end(self) -> None:
        """End the current child; it writes nothing more. Raises `ChildInterruptedError` if the kernel cannot end it."""
        child, self._child = self._child, None
        if child is not None:
            self._context.forget(child)
            if child.end() is None:
                raise ChildInterruptedError("does not end: its disk does not answer")


def ask(child: Child | Children, task: TaskName, argument: object, descriptors: tuple[int, ...] = ()) -> Answer:
    """Ask a child; a task that failed raises the error of its family."""
    try:
        answer = ANSWER.validate_json(child.ask(task, argument, descriptors, max_bytes=max_answer_bytes(argument)))
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
    """What the child is told about one print."""
    return PrintJob(request, kept.facts, kept.paper.checks, kept.profile)
