"""The pictures in hand: each in a thread of its own, so that scanning and pinging go on beside them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass

from printqueue.errors import PrintqueueError
from printqueue.intake.scan import Seen
from printqueue.ledger import LedgerError, LedgerFullError
from printqueue.sandbox import TemplateDiedError
from printqueue.shop import Ending, Outcome


@dataclass(slots=True)
class _Hand:
    """`seen` is None where a half-made publication is being finished."""

    seen: Seen | None
    future: Future[Outcome]


class Hands:
    """`many` threads; `ended` is called, in any thread, when one of them has come back."""

    def __init__(self, many: int, ended: Callable[[], None]) -> None:
        self._many, self._ended = many, ended
        self._pool = ThreadPoolExecutor(many, thread_name_prefix="picture")
        self._held: dict[str, _Hand] = {}

    @property
    def paths(self) -> set[str]:
        """What is in hand, relative to ready/."""
        return set(self._held)

    @property
    def free(self) -> int:
        """How many more may be taken."""
        return max(0, self._many - len(self._held))

    def take(self, path: str, seen: Seen | None, work: Callable[[], Outcome]) -> None:
        """Begin with `work`."""
        future = self._pool.submit(work)
        self._held[path] = _Hand(seen, future)
        future.add_done_callback(lambda _: self._ended())

    def collect(self) -> Iterator[tuple[str, Seen | None, Outcome]]:
        """What has come back. Raises `LedgerError`, `TemplateDiedError`: without them the service must end."""
        for path, hand in list(self._held.items()):
            if hand.future.done():
                del self._held[path]
                if not hand.future.cancelled():
                    yield path, hand.seen, _outcome(hand.future)

    def let_go(self, within_s: float) -> int:
        """Begin with nothing more; how many have not come back after `within_s` seconds."""
        self._pool.shutdown(wait=False, cancel_futures=True)
        begun = [hand.future for hand in self._held.values() if not hand.future.cancelled()]
        return len(wait(begun, within_s).not_done)


def _outcome(future: Future[Outcome]) -> Outcome:
    try:
        return future.result()
    except LedgerFullError as error:
        return Outcome(Ending.DEFERRED, str(error))
    except (LedgerError, TemplateDiedError):
        raise
    except (PrintqueueError, OSError) as error:
        # Nothing was claimed yet, so the next scan takes it up again.
        says = f"it cannot be read: {error.strerror}" if isinstance(error, OSError) else str(error)
        return Outcome(Ending.DEFERRED, says)
