"""After any kill every unfinished arrival has one documented next step. Idempotent; run at every start.

| phase      | what is there                             | next step                                            |
|------------|-------------------------------------------|------------------------------------------------------|
| claimed    | nothing visible yet                       | drop temps and spool, back to `waiting`              |
| claimed    | the same, for the fourth time             | `stuck`, with why: it may be causing the kills       |
| publishing | temps or final names with recorded hashes | finish renaming, then as `published`                 |
| publishing | a temp is lost, no print visible          | remove our companions, back to `waiting`             |
| publishing | a temp is lost, a print is visible        | keep the prints, finish: nothing is printed twice    |
| published  | original in ready/ or moved               | move it (or its spool copy) to its place, `done`     |
| any        | disk or share fails meanwhile             | say so, keep temps and spool, `finish` later         |
| no ledger  | prints in print/ with their recipes       | remember them; finish a picture with that recipe     |
"""

from __future__ import annotations

import logging
import os
import shutil
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import suppress

from printqueue.core.disk import durable, folders
from printqueue.core.errors import OwnError, PictureError, WorldError
from printqueue.core.model.job import Arrival, Phase, State
from printqueue.core.model.publication import Publication
from printqueue.core.model.why import told
from printqueue.core.text import shown
from printqueue.sandbox.context import ask
from printqueue.service import delivery, supervisor
from printqueue.service.context import Ending, Outcome, ServiceContext
from printqueue.service.intake.claim import ChangedError, open_regular
from printqueue.service.publication import publish

log = logging.getLogger("printqueue")

_MAX_NAMED = 3
_OURS = ("print", "review", "masters", "daybook")
_MAX_FILE_S = 120.0  # to hash or inspect one file on a slow share
_MAX_KILLS = 4  # a power cut or two is bad luck


def recover(context: ServiceContext) -> None:
    """Finish or undo what a kill left behind, then drop stray temps and spools. Raises `WorldError` to wait."""
    context.studio.require_folders()
    for arrival in context.ledger.arrivals(State.WORKING):
        with suppress(WorldError):  # recorded in the ledger; the service retries
            finish(context, arrival)
    drop_strays(context)


def finish(context: ServiceContext, arrival: Arrival) -> Outcome | None:
    """Resume one unfinished arrival; None if it went back to `waiting`. Raises `WorldError` to be retried later."""
    try:
        outcome = _finished(context, arrival)
    except (WorldError, OSError) as error:
        says = str(error) if isinstance(error, WorldError) else f"The disk or share failed ({error.strerror})."
        context.ledger.say(arrival.id, says)
        raise WorldError(says) from error
    shutil.rmtree(context.studio.private("spool", str(arrival.id)), ignore_errors=True)
    return outcome


def _finished(context: ServiceContext, arrival: Arrival) -> Outcome | None:
    if arrival.phase is Phase.CLAIMED or arrival.intent is None:
        return _interrupted(context, arrival)
    intent = Publication.from_json(arrival.intent)
    if arrival.phase is Phase.PUBLISHING and not _shown(context, arrival, intent):
        return None
    return delivery.complete(context, arrival.id, intent)


def _interrupted(context: ServiceContext, arrival: Arrival) -> Outcome | None:
    """Put it back to `waiting`, or park it if it was in hand at `_MAX_KILLS` kills."""
    often = context.ledger.interrupted(arrival.id, "the service was killed while working on it; it starts again")
    if often < _MAX_KILLS:
        return None
    says = (
        f"The service was killed {often} times while this picture was in hand, so it is parked. It stands untouched in "
        "ready/. Look at the machine's memory and log; move the picture out and in again to retry."
    )
    context.ledger.settle(arrival.id, State.STUCK, says)
    return Outcome(Ending.STUCK, told(says))


def _shown(context: ServiceContext, arrival: Arrival, intent: Publication) -> bool:
    """Finish making the intent visible; False if it had to be taken back."""
    try:
        publish.show(context.studio, intent)
    except (publish.LostTempError, publish.NameTakenError):
        publish.require_places(context.studio, intent)  # what is merely unreachable is not lost
        if publish.print_is_visible(context.studio, intent):
            return True
        publish.take_back(context.studio, intent)
        context.ledger.unpublish(arrival.id)
        context.ledger.settle(arrival.id, State.WAITING, "the service was stopped while publishing it; it starts again")
        return False
    return True


def drop_strays(context: ServiceContext) -> None:
    """Drop temps and spools of attempts that have ended; arrivals in hand or unfinished still need theirs."""
    unfinished = {arrival.id for arrival in context.ledger.arrivals(State.WORKING)}
    kept = tuple(f"{durable.TEMP_PREFIX}{number}-" for number in unfinished)
    for path in _files(context, *_OURS):
        name = os.path.basename(path)
        if name.startswith(durable.TEMP_PREFIX) and not name.startswith(kept):
            with durable.world("Removing", path):
                durable.remove(path)
    if left := _clear_spool(context, unfinished):
        named = ", ".join(shown(name, limit=60) for name in left[:_MAX_NAMED])
        log.warning(
            "the private folder's spool/ holds %d entries that the ledger knows nothing of; they are left as they are: %s",
            len(left),
            named,
        )


def _clear_spool(context: ServiceContext, unfinished: Collection[int]) -> list[str]:
    """Remove what ended attempts left; return the sorted names that stay because they cannot be proved to be ours."""
    newest = context.ledger.last_number()
    with suppress(FileNotFoundError), folders.opened(context.studio.private("spool")) as spool:
        over = [name for name in sorted(os.listdir(spool)) if _number(name) not in unfinished]
        return [name for name in over if not (0 < _number(name) <= newest and _removed(spool, name))]
    return []


def _removed(spool: int, name: str) -> bool:
    """Remove the attempts of one arrival; False if anything else is there."""
    try:
        arrival = os.open(name, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=spool)
    except OSError:
        return False
    try:
        for attempt in os.listdir(arrival):
            if _number(attempt) > 0:
                shutil.rmtree(attempt, ignore_errors=True, dir_fd=arrival)
    finally:
        os.close(arrival)
    return durable.drop_empty(name, spool)


def _number(name: str) -> int:
    """The number of an arrival or attempt if written our way, else 0."""
    return int(name) if name.isascii() and name.isdigit() and name == str(int(name)) and len(name) < 19 else 0


def _files(context: ServiceContext, *tops: str) -> Iterator[str]:
    for top in tops:
        for folder, _, names in os.walk(context.studio.path(top)):
            yield from (os.path.join(folder, name) for name in sorted(names))


def _visible_files(context: ServiceContext, top: str) -> Iterator[str]:
    return (path for path in _files(context, top) if not os.path.basename(path).startswith("."))


def remember_prints(context: ServiceContext, stopping: Callable[[], bool]) -> int:
    """If the ledger is new but the studio has prints, learn from their recipes what was made.

    A print whose master is not yet in masters/ belongs to a picture that is still in ready/, which will be finished,
    not printed again. Returns how many prints were found.
    """
    if not context.ledger.is_new:
        return 0
    prints = [path for path in _visible_files(context, "print") if path.endswith(".tif")]
    if not prints:
        return 0
    masters = {durable.sha256(path) for path in _unless(stopping, _visible_files(context, "masters"))}
    found, settled = dict[str, str](), dict[str, str]()
    for path in _unless(stopping, prints):
        if (made := _inspected(context, path)) is not None:
            (settled if made[1] in masters else found)[made[0]] = os.path.relpath(path, context.studio.root)
    if stopping():  # half of it would be worse than nothing: the next start begins again
        return 0
    context.ledger.remember(found, settled)
    return len(prints)


def _unless(stopping: Callable[[], bool], paths: Iterable[str]) -> Iterator[str]:
    """`paths` until a stop is requested, telling the supervisor that work goes on."""
    for path in paths:
        if stopping():
            return
        supervisor.busy(_MAX_FILE_S, "learning from print/ and masters/ what was made")
        yield path


def _inspected(context: ServiceContext, path: str) -> tuple[str, str] | None:
    try:
        descriptor = open_regular(path)
    except ChangedError:
        return None
    try:
        with context.child() as child:
            found = ask(child, "inspect", None, (descriptor,)).inspected
    except (PictureError, OwnError, WorldError):
        return None
    finally:
        os.close(descriptor)
    return None if found is None else (found.recipe, found.master_sha256)
