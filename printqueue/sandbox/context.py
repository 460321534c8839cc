"""What judging and rendering need, with or without a service: studio, papers, and children to read hostile files."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import date
from typing import Protocol

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
    tightened,
)
from printqueue.sandbox.needs import SLACK_BYTES
from printqueue.sandbox.protocol import ANSWER, Answer, answer_bytes
from printqueue.studio.folders import Studio
from printqueue.studio.papers.loader import Shelf
from printqueue.studio.papers.schema import Paper
from printqueue.studio.stock import Stock, Tones, take


class Reader(Protocol):
    """Who can be asked to read: a child, or the children of one picture."""

    def ask(self, task: str, argument: object, descriptors: tuple[int, ...] = (), *, most: int) -> bytes:
        """The answer, of `most` bytes at most."""


class Context:
    """Studio, papers and the fork server of children."""

    def __init__(self, studio: Studio, fork_server: ForkServer, shelf: Shelf) -> None:
        self.studio, self.fork_server, self.shelf = studio, fork_server, shelf
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
        with self.fork_server.child(self.limits) as child:
            self.known(child)
            try:
                if self.stopping:
                    raise ChildDiedError("was stopped with the service")
                yield child
            finally:
                self.unknown(child)

    @contextmanager
    def relay(self) -> Iterator[Relay]:
        """Children for one picture."""
        relay = Relay(self)
        try:
            yield relay
        finally:
            with suppress(ForkServerDiedError, ChildDiedError):  # the service will find out, or it ends later
                relay.end()

    def known(self, child: Child) -> None:
        """A child in hand, for `stop`."""
        self._children.add(child)
        if self.stopping:
            child.kill()

    def unknown(self, child: Child) -> None:
        """It has ended."""
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
            except ChildDiedError as error:
                if isinstance(error, ChildInterruptedError):
                    raise WorldError(f"{error} Nothing is lost; it is tried again.") from error
                if self.stopping:  # then it says nothing about the profile
                    raise WorldError("The service was stopped. Nothing is lost; it starts again.") from None
                raise
            assert answer.tones is not None
            self._tones[profile] = Tones(answer.tones.white, answer.tones.black)
        return self._tones[profile]


class Relay:
    """The children of one picture, one after the other: who has written a print has ended before the next looks at it."""

    def __init__(self, context: Context) -> None:
        self._context, self._limits = context, context.limits
        self._child: Child | None = None

    def ask(self, task: str, argument: object, descriptors: tuple[int, ...] = (), *, most: int) -> bytes:
        """Ask the child in hand, or a new one where there is none. Raises as `Child.ask`."""
        try:
            return self._in_hand().ask(task, argument, descriptors, most=most)
        except ChildDiedError:
            self.end()
            raise

    def tighten(self, *, memory: int, wall_s: float, file_size: int) -> None:
        """Lower the limits for the child in hand and all that follow."""
        if self._child is not None:
            self._child.tighten(memory=memory, wall_s=wall_s, file_size=file_size)
        self._limits = tightened(self._limits, memory=memory, wall_s=wall_s, file_size=file_size)

    def end(self) -> None:
        """Whatever the child in hand could write to, it does no more. Raises `ChildInterruptedError` where the kernel cannot
        end it.
        """
        child, self._child = self._child, None
        if child is not None:
            self._context.unknown(child)
            if child.end() is None:
                raise ChildInterruptedError("does not end: its disk does not answer")

    def _in_hand(self) -> Child:
        if self._context.stopping:
            raise ChildDiedError("was stopped with the service")
        if self._child is None:
            self._child = self._context.fork_server.child(self._limits)
            self._context.known(self._child)
        return self._child


def ask(child: Reader, task: str, argument: object, descriptors: tuple[int, ...] = ()) -> Answer:
    """Ask a child; what it could not do comes back as the error of the right family."""
    try:
        answer = ANSWER.validate_json(child.ask(task, argument, descriptors, most=answer_bytes(argument)))
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
