"""After any kill: every unfinished arrival has one documented next step. Idempotent, run at every start.

| phase      | what stands there                         | next step                                            |
|------------|-------------------------------------------|------------------------------------------------------|
| claimed    | nothing of it is visible                  | drop temps and spool, back to `waiting`              |
| claimed    | the same, for the fourth time             | `stuck`, with why: it may be what brings us down     |
| publishing | temps or final names with recorded hashes | finish renaming, then as `published`                 |
| publishing | a temp is lost, no print visible          | take back our companions, back to `waiting`          |
| publishing | a temp is lost, a print is visible        | keep the prints, finish: nothing is printed twice    |
| published  | original in ready/ or moved               | move it (or its spool copy) to its place, `done`     |
| any        | disk or share fails meanwhile             | say so, keep temps and spool, `finish` again later   |
| no ledger  | prints in print/ with their recipes       | remember them; a picture with that recipe is finished |
"""

from __future__ import annotations

import logging
import os
import shutil
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import suppress

from printqueue import delivery, publish
from printqueue.disk import durable, folders
from printqueue.errors import OwnError, PictureError, WorldError
from printqueue.intake.claim import ChangedError, open_regular
from printqueue.model.job import Arrival, Phase, State
from printqueue.publish import Intent
from printqueue.shop import Ending, Outcome, Shop
from printqueue.telling import supervisor
from printqueue.text import shown
from printqueue.workbench import ask

log = logging.getLogger("printqueue")

_MOST_NAMED = 3
_OURS = ("print", "review", "masters")
_LONGEST_FILE_S = 120.0  # to hash or look through one file on a slow share
_MOST_KILLS = 4  # a power cut or two is bad luck


def recover(shop: Shop) -> None:
    """Finish or undo what a kill left behind, then drop stray temps and spools. Raises `WorldError` to wait."""
    shop.studio.require_folders()
    for arrival in shop.ledger.arrivals(State.WORKING):
        with suppress(WorldError):  # said in the ledger; the service tries again
            finish(shop, arrival)
    drop_strays(shop)


def finish(shop: Shop, arrival: Arrival) -> Outcome | None:
    """Go on with one unfinished arrival; None where it went back to `waiting`. Raises `WorldError` to try later."""
    try:
        outcome = _finished(shop, arrival)
    except (WorldError, OSError) as error:
        says = str(error) if isinstance(error, WorldError) else f"The disk or share failed ({error.strerror})."
        shop.ledger.say(arrival.id, says)
        raise WorldError(says) from error
    shutil.rmtree(shop.studio.private("spool", str(arrival.id)), ignore_errors=True)
    return outcome


def _finished(shop: Shop, arrival: Arrival) -> Outcome | None:
    if arrival.phase is Phase.CLAIMED or arrival.intent is None:
        return _interrupted(shop, arrival)
    intent = Intent.from_json(arrival.intent)
    if arrival.phase is Phase.PUBLISHING and not _shown(shop, arrival, intent):
        return None
    return delivery.complete(shop, arrival.id, intent)


def _interrupted(shop: Shop, arrival: Arrival) -> Outcome | None:
    """A picture that is in hand whenever the whole machine gives way is not offered for ever."""
    often = shop.ledger.interrupted(arrival.id, "the service was killed while working on it; it starts again")
    if often < _MOST_KILLS:
        return None
    says = (
        f"The service was killed {often} times while this picture was in hand, so it is parked. It stands untouched in "
        "ready/. Look at the machine's memory and log; move the picture out and in again to retry."
    )
    shop.ledger.settle(arrival.id, State.STUCK, says)
    return Outcome(Ending.STUCK, says)


def _shown(shop: Shop, arrival: Arrival, intent: Intent) -> bool:
    """Finish making the intent visible; False where it had to be taken back."""
    try:
        publish.show(shop.studio, intent)
    except (publish.LostTempError, publish.NameTakenError):
        publish.require_places(shop.studio, intent)  # what cannot be seen just now is not lost
        if publish.print_is_visible(shop.studio, intent):
            return True
        publish.take_back(shop.studio, intent)
        shop.ledger.unpublish(arrival.id)
        shop.ledger.settle(arrival.id, State.WAITING, "the service was stopped while publishing it; it starts again")
        return False
    return True


def drop_strays(shop: Shop) -> None:
    """Temps and spools of attempts that no longer run; those of unfinished arrivals, or in hand, are still needed."""
    unfinished = {arrival.id for arrival in shop.ledger.arrivals(State.WORKING)}
    kept = tuple(f"{durable.TEMP_PREFIX}{number}-" for number in unfinished)
    for path in _walk(
        shop, lambda name: name.startswith(durable.TEMP_PREFIX) and not name.startswith(kept), (*_OURS, "daybook")
    ):
        with durable.world("Removing", path):
            durable.remove(path)
    left = _clear_spool(shop, unfinished)
    if left:
        named = ", ".join(shown(name, limit=60) for name in left[:_MOST_NAMED])
        log.warning(
            "the private folder's spool/ holds %d entries that the ledger knows nothing of; they are left as they are: %s",
            len(left),
            named,
        )


def _clear_spool(shop: Shop, unfinished: Collection[int]) -> list[str]:
    """Remove what attempts left that are over; what is left because it cannot be proved to be ours, sorted."""
    newest = shop.ledger.newest()
    with suppress(FileNotFoundError), folders.opened(shop.studio.private("spool")) as spool:
        over = [name for name in sorted(os.listdir(spool)) if _number(name) not in unfinished]
        return [name for name in over if not (0 < _number(name) <= newest and _removed(spool, name))]
    return []


def _removed(spool: int, name: str) -> bool:
    """Remove the attempts of one arrival; False where anything else is there as well."""
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
    """The number of an arrival or attempt as we write it; 0 for any other name."""
    return int(name) if name.isascii() and name.isdigit() and name == str(int(name)) and len(name) < 19 else 0


def _visible(name: str) -> bool:
    return not name.startswith(".")


def _walk(shop: Shop, wanted: Callable[[str], bool], tops: Sequence[str] = _OURS) -> Iterator[str]:
    for top in tops:
        for folder, _, names in os.walk(shop.studio.path(top)):
            yield from (os.path.join(folder, name) for name in sorted(names) if wanted(name))


def remember_prints(shop: Shop, stopping: Callable[[], bool] = lambda: False) -> int:
    """With a new ledger over a studio that has prints: learn from their recipes what was made.

    A print whose master is not yet in masters/ belongs to a picture that still stands in
    ready/: it will be finished, not printed again. Returns how many prints were found.
    """
    if not shop.ledger.is_new:
        return 0
    prints = list(_walk(shop, lambda name: _visible(name) and name.endswith(".tif"), ("print",)))
    if not prints:
        return 0
    masters = {durable.sha256(path) for path in _unless(stopping, _walk(shop, _visible, ("masters",)))}
    found: dict[str, str] = {}
    settled: dict[str, str] = {}
    for path in _unless(stopping, prints):
        made = _inspected(shop, path)
        if made is not None:
            (settled if made[1] in masters else found)[made[0]] = os.path.relpath(path, shop.studio.root)
    if stopping():  # half a memory would be worse than none: the next start begins anew
        return 0
    shop.ledger.remember(found, settled)
    return len(prints)


def _unless(stopping: Callable[[], bool], paths: Iterable[str]) -> Iterator[str]:
    """`paths` until a stop is asked for; telling the supervisor that work goes on."""
    for path in paths:
        if stopping():
            return
        supervisor.busy(_LONGEST_FILE_S, "learning from print/ and masters/ what was made")
        yield path


def _inspected(shop: Shop, path: str) -> tuple[str, str] | None:
    try:
        descriptor = open_regular(path)
    except ChangedError:
        return None
    try:
        with shop.child() as child:
            made = ask(child, "inspect", None, (descriptor,)).made
    except (PictureError, OwnError, WorldError):
        return None
    finally:
        os.close(descriptor)
    return None if made is None else (made.recipe, made.master_sha256)
