"""One print of the picture in hand: what was asked for, on which paper, and how it was judged."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass

from printqueue.core.model.finding import Level
from printqueue.core.model.request import Request
from printqueue.imaging.jobs import PrintJob
from printqueue.judging.judged import Judged
from printqueue.sandbox.context import print_job
from printqueue.service.context import Attempt
from printqueue.studio.stock import Stock


@dataclass(frozen=True, slots=True)
class PrintInHand:
    """The print `index` of an attempt. An order that cannot be followed has one print, without request and stock."""

    attempt: Attempt
    index: int
    judged: Judged

    @property
    def job(self) -> int:
        """Its row in the ledger."""
        return self.attempt.jobs[self.index]

    @property
    def picture(self) -> str:
        """The picture's file name, as dropped."""
        return os.path.basename(self.attempt.seen.path)

    @property
    def has_request(self) -> bool:
        """Whether the order could be followed, so that there is a request and a stock."""
        return self.index < len(self.attempt.requests)

    @property
    def request(self) -> Request:
        """What to make."""
        return self.attempt.requests[self.index]

    @property
    def stock(self) -> Stock:
        """The paper it goes on."""
        return self.attempt.stocks[self.index]

    @property
    def recipe(self) -> str:
        """SHA-256 over everything that decides the print's bytes."""
        return self.stock.recipe(self.attempt.sha256, self.request)

    @property
    def print_job(self) -> PrintJob:
        """What a child is told about it."""
        return print_job(self.request, self.stock)

    @property
    def folder(self) -> str:
        """Where it goes in print/, relative to the studio."""
        return os.path.join("print", self.request.paper, self.request.size.name, *self.attempt.drop_folder.group)

    @property
    def paper_name(self) -> str:
        """The paper's name for people."""
        return self.stock.paper.paper if self.has_request else (self.attempt.drop_folder.paper or "this paper")

    @property
    def size_name(self) -> str:
        """The sheet's name for people."""
        return self.request.size.name if self.has_request else (self.attempt.drop_folder.size or "this size")

    @property
    def turn_back_at(self) -> Level:
        """The level from which a finding turns it back."""
        return self.stock.paper.turn_back_at if self.has_request else Level.REJECT

    @property
    def fails(self) -> bool:
        """Whether it is turned back."""
        return any(f.counts and f.level.weight >= self.turn_back_at.weight for f in self.judged.findings)


def prints_of(attempt: Attempt, judged: Iterable[Judged]) -> list[PrintInHand]:
    """The prints of an attempt, in the order they were asked for."""
    return [PrintInHand(attempt, index, one) for index, one in enumerate(judged)]
