"""The proof picture beside a print or beside what was turned back, and its thumbnail for the daybook."""

from __future__ import annotations

import hashlib
import logging
import os
from contextlib import ExitStack
from dataclasses import dataclass

from printqueue.core.disk import durable
from printqueue.core.errors import OwnError, PictureError
from printqueue.core.model.finding import Level
from printqueue.core.model.publication import Placed
from printqueue.imaging.jobs import ProofWish
from printqueue.judging.judged import Judged
from printqueue.reports import proof_words
from printqueue.sandbox import ChildDiedError
from printqueue.sandbox.context import Relay, ask, print_job
from printqueue.sandbox.protocol import Proofed, ProofTask, WordsTask
from printqueue.service.context import Attempt, ServiceContext
from printqueue.service.delivery import group
from printqueue.service.intake import claim
from printqueue.studio.folders import FolderGoneError

log = logging.getLogger("printqueue")

THUMBNAILS = "daybook/pictures"
_MOST_BYTES = 1_000_000  # of a thumbnail; they have some ten thousand
_NOT_ORDERED = "What was asked for cannot be followed, so there is no print of it to be shown."


@dataclass(frozen=True, slots=True)
class Proof:
    """One drawn proof picture, under its temp name (relative to the studio); without one, `missing` says why.

    `thumbnail`: its name in daybook/pictures/, "" where there is none.
    """

    temp: str = ""
    sha256: str = ""
    thumbnail: str = ""
    missing: str = ""
    words_only: bool = False  # a sheet without the picture

    def placed(self, final: str) -> list[Placed]:
        """On its way to `final`; nothing where none was drawn."""
        return [Placed("companion", self.temp, final, self.sha256)] if self.temp else []


def draw(context: ServiceContext, attempt: Attempt, relay: Relay, index: int, judged: Judged, folder: str) -> Proof:
    """Draw it into a hidden temp in `folder`, for the print `index` of the order.

    A proof picture is worth no print: what goes wrong in drawing it is said, and the job goes on without. Raises
    `WorldError` where there is no room for it, as for everything else that is made.
    """
    temp = group.new_temp(context, attempt, folder, f"{index}.jpg")
    try:
        return _drawn(context, attempt, relay, index, judged, temp)
    except (OwnError, ChildDiedError) as error:
        if context.stopping:
            raise
        log.exception("a proof picture could not be drawn")
        durable.remove(context.studio.path(temp))
        return Proof(missing=f"It could not be drawn ({error}).")


def _drawn(context: ServiceContext, attempt: Attempt, relay: Relay, index: int, judged: Judged, temp: str) -> Proof:
    wish = _wish(attempt, index, judged)
    if attempt.report is None:
        return _words(context, relay, wish, _NOT_ORDERED, temp)
    if attempt.report.picture is None:
        return _words(context, relay, wish, "There is no picture to show here: the file cannot be used as it is.", temp)
    try:
        return _picture(context, attempt, relay, index, wish, temp)
    except PictureError as error:
        return _words(context, relay, wish, f"The picture cannot be shown: {error.says}", temp)


def _wish(attempt: Attempt, index: int, judged: Judged) -> ProofWish:
    known = index < len(attempt.requests)
    request, kept = (attempt.requests[index], attempt.stocks[index]) if known else (None, None)
    name = os.path.basename(attempt.seen.path)
    looked = proof_words.Looked(
        picture=f"{request.title} ({name})" if request and request.title else name,
        paper=kept.paper.paper if kept else (attempt.place.paper or "this paper"),
        size=request.size.name if request else (attempt.place.size or "this size"),
        findings=judged.findings,
        turn_back_at=kept.paper.turn_back_at if kept else Level.REJECT,
        lift_stops=request.lift_stops if request else 0.0,
        placement=judged.placement,
        demonstration=kept.facts.profile_is_demonstration if kept else False,
    )
    return ProofWish(proof_words.words(looked), proof_words.marked(judged.findings))


def _picture(context: ServiceContext, attempt: Attempt, relay: Relay, index: int, wish: ProofWish, temp: str) -> Proof:
    order = ProofTask(print_job(attempt.requests[index], attempt.stocks[index]), wish, context.bounds)
    with ExitStack() as held:
        with durable.world("Writing", temp):
            files = [claim.open_regular(attempt.picture), durable.create(context.studio.path(temp))]
            files.append(durable.nameless(attempt.spool))
            for descriptor in files:
                held.callback(os.close, descriptor)
            if attempt.copy is not None:
                files.append(attempt.copy)
        made = _answer(ask(relay, "proof", order, tuple(files)).proof)
        thumbnail = _kept(context, attempt, index, files[2], made.thumbnail_sha256)
    return Proof(temp, made.sha256, thumbnail)


def _words(context: ServiceContext, relay: Relay, wish: ProofWish, why: str, temp: str) -> Proof:
    """A sheet of words, for what has no picture to be shown."""
    with durable.world("Writing", temp):
        descriptor = durable.create(context.studio.path(temp))
    try:
        made = _answer(ask(relay, "words", WordsTask(wish, why), (descriptor,)).proof)
    finally:
        os.close(descriptor)
    return Proof(temp, made.sha256, words_only=True)


def _answer(made: Proofed | None) -> Proofed:
    if made is None:
        raise ChildDiedError("gave an answer that makes no sense")
    return made


def _kept(context: ServiceContext, attempt: Attempt, index: int, descriptor: int, sha256: str) -> str:
    """Keep a thumbnail under its own hash: the same picture made once more has the same one."""
    data = os.pread(descriptor, _MOST_BYTES + 1, 0)
    if len(data) > _MOST_BYTES or hashlib.sha256(data).hexdigest() != sha256:
        return ""
    name = f"{sha256[:20]}.jpg"
    final = os.path.join(THUMBNAILS, name)
    try:
        temp = group.new_temp(context, attempt, THUMBNAILS, f"{index}.jpg")
    except FolderGoneError:  # the daybook names it; a page is worth no print
        return ""
    studio = context.studio
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
