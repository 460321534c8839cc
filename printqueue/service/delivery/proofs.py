"""The proof picture beside a print or a turned-back picture, and its thumbnail for the daybook."""

from __future__ import annotations

import hashlib
import logging
import os
from contextlib import ExitStack
from dataclasses import dataclass

from printqueue.core.disk import durable
from printqueue.core.errors import OwnError, PictureError
from printqueue.core.model.publication import Placed
from printqueue.imaging.jobs import ProofWish
from printqueue.reports import delivery as words
from printqueue.reports import proof_words
from printqueue.sandbox import ChildDiedError
from printqueue.sandbox.context import Children, ask
from printqueue.sandbox.protocol import ProofTask, WordsTask
from printqueue.service.context import ServiceContext
from printqueue.service.delivery.asking import expected, held
from printqueue.service.delivery.group import Group
from printqueue.service.delivery.in_hand import PrintInHand
from printqueue.service.intake import claim
from printqueue.studio.folders import FolderGoneError

log = logging.getLogger("printqueue")

THUMBNAILS = "daybook/pictures"
_MAX_BYTES = 1_000_000  # of a thumbnail; most have about ten thousand


@dataclass(frozen=True, slots=True)
class Proof:
    """One drawn proof picture, under its temp name (relative to the studio); without one, `missing` says why.

    `thumbnail`: its name in daybook/pictures/, "" if there is none.
    """

    temp: str = ""
    sha256: str = ""
    thumbnail: str = ""
    missing: str = ""
    words_only: bool = False  # a sheet without the picture

    def placed(self, final: str) -> list[Placed]:
        """The proof on its way to `final`; empty if none was drawn."""
        return [Placed("companion", self.temp, final, self.sha256)] if self.temp else []


def draw(context: ServiceContext, children: Children, one: PrintInHand, folder: str) -> Proof:
    """Draw it into a hidden temp in `folder`.

    A failed proof picture never costs a print: the failure is reported and the job goes on without it. Raises
    `WorldError` if there is no room for it, as for any other output.
    """
    drawing = _Drawing(context, children, one, Group(context, one.attempt).new_temp(folder, f"{one.index}.jpg"))
    try:
        return drawing.proof()
    except (OwnError, ChildDiedError) as error:
        if context.stopping:
            raise
        log.exception("a proof picture could not be drawn")
        durable.remove(context.studio.path(drawing.temp))
        return Proof(missing=words.not_drawn(str(error)))


@dataclass(frozen=True, slots=True)
class _Drawing:
    """One proof picture being drawn into `temp`."""

    context: ServiceContext
    children: Children
    one: PrintInHand
    temp: str

    def proof(self) -> Proof:
        """Draw it with the picture, or in words alone if that cannot be shown."""
        report = self.one.attempt.report
        if report is None:
            return self._words(words.NOT_ORDERED)
        if report.picture is None:
            return self._words(words.UNUSABLE)
        try:
            return self._picture()
        except PictureError as error:
            return self._words(words.cannot_be_shown(error.says))

    def _wish(self) -> ProofWish:
        one = self.one
        request, stock = (one.request, one.stock) if one.has_request else (None, None)
        looked = proof_words.Looked(
            picture=words.titled(one.picture, request.title if request else None),
            paper=one.paper_name,
            size=one.size_name,
            findings=one.judged.findings,
            turn_back_at=one.turn_back_at,
            lift_stops=request.lift_stops if request else 0.0,
            placement=one.judged.placement,
            demonstration=stock.facts.profile_is_demonstration if stock else False,
        )
        return ProofWish(proof_words.words(looked), proof_words.marked(one.judged.findings))

    def _picture(self) -> Proof:
        attempt, temp = self.one.attempt, self.temp
        task = ProofTask(self.one.print_job, self._wish(), self.context.bounds)
        with ExitStack() as stack:
            with durable.world("Writing", temp):
                picture = held(stack, claim.open_regular(attempt.picture))
                out = held(stack, durable.create(self.context.studio.path(temp)))
                thumbnail = held(stack, durable.nameless(attempt.spool))
            copy = () if attempt.copy is None else (attempt.copy,)
            made = expected(ask(self.children, "proof", task, (picture, out, thumbnail, *copy)).proof)
            return Proof(temp, made.sha256, self._kept_thumbnail(thumbnail, made.thumbnail_sha256))

    def _words(self, why: str) -> Proof:
        with ExitStack() as stack:
            with durable.world("Writing", self.temp):
                out = held(stack, durable.create(self.context.studio.path(self.temp)))
            made = expected(ask(self.children, "words", WordsTask(self._wish(), why), (out,)).proof)
        return Proof(self.temp, made.sha256, words_only=True)

    def _kept_thumbnail(self, descriptor: int, sha256: str) -> str:
        """Keep it under its own hash: the same picture made again has the same thumbnail."""
        data = os.pread(descriptor, _MAX_BYTES + 1, 0)
        if len(data) > _MAX_BYTES or hashlib.sha256(data).hexdigest() != sha256:
            return ""
        studio, name = self.context.studio, f"{sha256[:20]}.jpg"
        final = os.path.join(THUMBNAILS, name)
        try:
            temp = Group(self.context, self.one.attempt).new_temp(THUMBNAILS, f"{self.one.index}.jpg")
        except FolderGoneError:  # the daybook says so; no print is sacrificed for a page
            return ""
        with durable.world("Writing", final):
            if durable.sha256(studio.path(final)) == sha256:
                return name
            durable.write_temp(studio.path(temp), data)
            try:
                durable.rename_no_clobber(studio.path(temp), studio.path(final))
            except FileExistsError:  # another thread's, or somebody else's file
                durable.remove(studio.path(temp))
                return name if durable.sha256(studio.path(final)) == sha256 else ""
            durable.sync_folder(studio.path(THUMBNAILS))
        return name
