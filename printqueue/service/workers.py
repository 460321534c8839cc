"""The pictures in hand, each in its own thread, so that scans and supervisor pings continue."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass

from printqueue.core.errors import PrintqueueError
from printqueue.core.model.seen import Seen
from printqueue.core.model.why import Reason, Why, told
from printqueue.ledger import LedgerError, LedgerWaitsError
from printqueue.sandbox import ForkServerDiedError
from printqueue.service.context import Ending, Outcome

LONG_S = 60.0  # in hand; even on a slow machine no printable picture takes longer


@dataclass(slots=True)
class _Hand:
    """`seen` is None while a half-made publication is being finished. `since_s`: monotonic seconds."""

    seen: Seen | None
    future: Future[Outcome]
    since_s: float


class Workers:
    """`many` threads; `ended` is called, from any thread, when one has finished.

    If there are two or more and all have been busy for `LONG_S`, one more may start, so that pictures crafted to take
    long, or a hanging disk, hold up nobody else. The time is measured, not guessed from a file's size.
    """

    def __init__(self, many: int, ended: Callable[[], None], clock: Callable[[], float] = time.monotonic) -> None:
        self._many, self._ended, self._clock = many, ended, clock
        self._spare = many > 1
        self._pool = ThreadPoolExecutor(many + self._spare, thread_name_prefix="picture")
        self._held: dict[str, _Hand] = {}

    @property
    def paths(self) -> set[str]:
        """What is in hand, relative to ready/."""
        return set(self._held)

    @property
    def free(self) -> int:
        """How many more may be taken."""
        now = self._clock()
        long = sum(now - hand.since_s > LONG_S for hand in self._held.values())
        spare = self._spare and long >= self._many
        return max(0, self._many + spare - len(self._held))

    def take(self, path: str, seen: Seen | None, work: Callable[[], Outcome]) -> None:
        """Start `work`."""
        future = self._pool.submit(work)
        self._held[path] = _Hand(seen, future, self._clock())
        future.add_done_callback(lambda _: self._ended())

    def collect(self) -> Iterator[tuple[str, Seen | None, Outcome]]:
        """What has finished. Raises `LedgerError` and `ForkServerDiedError`, which must end the service."""
        for path, hand in list(self._held.items()):
            if hand.future.done():
                del self._held[path]
                if not hand.future.cancelled():
                    yield path, hand.seen, _outcome(hand.future)

    def let_go(self, within_s: float) -> int:
        """Start nothing more; return how many have not finished after `within_s` seconds."""
        self._pool.shutdown(wait=False, cancel_futures=True)
        begun = [hand.future for hand in self._held.values() if not hand.future.cancelled()]
        return len(wait(begun, within_s).not_done)


def _outcome(future: Future[Outcome]) -> Outcome:
    try:
        return future.result()
    except LedgerWaitsError as error:
        return Outcome(Ending.DEFERRED, told(str(error)))
    except (LedgerError, ForkServerDiedError):
        raise
    except (PrintqueueError, OSError) as error:
        # Nothing was claimed yet, so the next scan takes it up again.
        if isinstance(error, OSError):
            return Outcome(Ending.DEFERRED, Reason(Why.UNREADABLE_PICTURE, said=str(error.strerror)))
        return Outcome(Ending.DEFERRED, told(str(error)))
