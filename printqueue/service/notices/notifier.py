"""Runs the command that `notify:` names for each event, one at a time, without ever disturbing the service."""

from __future__ import annotations

import logging
import os
import threading
from collections import Counter, deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from printqueue.core.errors import UsageError
from printqueue.core.text import shown
from printqueue.service.journal import about
from printqueue.service.notices import outside
from printqueue.service.notices.commands import Command, CommandBook, home_folder
from printqueue.studio.settings import Notify

log = logging.getLogger("printqueue")

Event: TypeAlias = Literal["review", "stuck", "share-gone"]

LIMIT_S = 30.0
MAX_WAITING = 100  # per event
_MAX_TOLD = 1000
_CLOSE_S = 0.8  # so that closing takes less than 1 s
_MAX_SAYS, _MAX_SAID, _MAX_PATH = 600, 800, 4096
_MORE: Mapping[Event, str] = {  # the most urgent first
    "share-gone": "And {} more times the share was gone.",
    "stuck": "And {} more need a human; see `printqueue status`.",
    "review": "And {} more were turned back; see review/ and `printqueue status`.",
}


@dataclass(frozen=True, slots=True)
class Notice:
    """One thing to tell. `reason_file` is a full path or relative to the studio; `more` counts untold notices."""

    event: Event
    picture: str = ""
    paper: str = ""
    size: str = ""
    job: int | None = None
    says: str = ""
    reason_file: str = ""
    more: int = 0


def facts(notice: Notice, studio_root: str) -> dict[str, str]:
    """What a command finds in its environment. Texts are escaped (`text.shown`), empty if unknown; a reason's path that
    would need escaping is left out.
    """
    reason = os.path.join(studio_root, notice.reason_file) if notice.reason_file else ""
    return {
        "PRINTQUEUE_EVENT": notice.event,
        "PRINTQUEUE_STUDIO": shown(studio_root, limit=_MAX_PATH),
        "PRINTQUEUE_PICTURE": shown(notice.picture),
        "PRINTQUEUE_PAPER": shown(notice.paper),
        "PRINTQUEUE_SIZE": shown(notice.size),
        "PRINTQUEUE_JOB": "" if notice.job is None else str(notice.job),
        "PRINTQUEUE_SAYS": shown(notice.says, limit=_MAX_SAYS),
        "PRINTQUEUE_REASON_FILE": reason if reason == shown(reason, limit=_MAX_PATH) else "",
        "PRINTQUEUE_MORE": str(notice.more) if notice.more else "",
    }


def surroundings(book: CommandBook, environ: Mapping[str, str] = os.environ) -> dict[str, str]:
    """The rest of a command's environment. A home inside the studio is withheld: programs trust what it holds."""
    home = home_folder(environ)
    return {
        "PATH": "/usr/local/bin:/usr/bin:/bin",
        "LANG": environ.get("LANG", "") or "C.UTF-8",
        "HOME": home if home and not book.holds(home) else "/",
    }


class Notifier:
    """Sends the notices that `settings` ask for; without settings, none. Every method returns at once and never raises.

    `where`: the folders of commands.yaml (default: the user's and the system's); `limit_s`: the time limit for one
    command.
    """

    def __init__(
        self,
        settings: Notify | None,
        studio_root: str,
        *,
        where: Sequence[str] | None = None,
        limit_s: float = LIMIT_S,
    ) -> None:
        self._name, self._on = (settings.command, settings.on) if settings is not None else ("", [])
        self._root, self._limit_s = studio_root, limit_s
        self._change = threading.Condition()
        self._waiting: dict[Event, deque[Notice]] = {event: deque() for event in _MORE}
        self._more: Counter[Event] = Counter()
        self._told: dict[tuple[Event, str, int | None, str], None] = {}
        self._closing, self._stop = False, threading.Event()
        self._thread: threading.Thread | None = None
        self._problem, self._untold, self._unfound = "", 0, False
        self._book = CommandBook(studio_root, where)
        self._surroundings = surroundings(self._book)
        if settings is not None:
            self._command()  # so that a missing one is known before it is needed

    def tell(self, notice: Notice) -> None:
        """Queue a notice, unless the same event, picture, job and reason has been told since the last `over`."""
        thing = (notice.event, notice.picture, notice.job, notice.reason_file)
        with self._change:
            if notice.event not in self._on or thing in self._told or self._closing:
                return
            self._told[thing] = None
            if len(self._told) > _MAX_TOLD:
                del self._told[next(iter(self._told))]
            if len(self._waiting[notice.event]) < MAX_WAITING:
                self._waiting[notice.event].append(notice)
            else:
                self._more[notice.event] += 1
            if self._thread is None:
                self._start()
            self._change.notify_all()

    def over(self, event: Event, picture: str | None = None) -> None:
        """Note that it is over (the share is back, the picture no longer stuck); if it recurs, it is told again."""
        with self._change:
            for thing in [one for one in self._told if one[0] == event and picture in (None, one[1])]:
                del self._told[thing]

    def problems(self) -> list[str]:
        """What keeps notices from being told, in sentences for status and doctor; empty if all is well."""
        if self._unfound:
            self._command()  # it may have been fixed
        with self._change:
            untold = f" {self._untold} notices were not told." if self._untold > 1 else ""
            return [f"{self._problem}{untold}"] if self._problem else []

    def close(self, wait_s: float = 0.0) -> None:
        """Send what is waiting, for at most `wait_s` seconds, then end within 1 s; the log counts what was not sent."""
        with self._change:
            self._closing = True
            self._change.notify_all()
        self._join(wait_s)
        with self._change:
            left = sum(map(len, self._waiting.values())) + self._more.total()
            self._stop.set()
        if left:
            log.warning("the service ends before everything was told: %d notices were not", left)
        self._join(_CLOSE_S)

    def _join(self, wait_s: float) -> None:
        if self._thread is not None:
            self._thread.join(wait_s)

    def _start(self) -> None:
        thread = threading.Thread(target=self._work, name="notices", daemon=True)
        try:
            thread.start()
        except RuntimeError as error:  # no more threads for this service
            self._failed(f"Notices cannot be told ({error}).", untold=False)
        else:
            self._thread = thread

    def _work(self) -> None:
        while (notice := self._next()) is not None:
            try:
                self._run(notice)
            except Exception as error:
                log.exception("an unexpected error while telling")
                self._failed(f"Something went wrong in printqueue itself while telling ({shown(repr(error))}).")

    def _next(self) -> Notice | None:
        """The most urgent notice, as soon as there is one; None when it is time to end."""
        with self._change:
            while (notice := self._taken()) is None and not self._closing:
                self._change.wait()
            return None if self._stop.is_set() else notice

    def _taken(self) -> Notice | None:
        for event, says in _MORE.items():
            if self._waiting[event]:
                return self._waiting[event].popleft()
            if more := self._more.pop(event, 0):
                return Notice(event, says=says.format(more), more=more)
        return None

    def _run(self, notice: Notice) -> None:
        command = self._command(untold=True)
        if command is None:
            return
        environment = self._surroundings | facts(notice, self._root)
        ended = outside.run(command.program, command.arguments, environment, limit_s=self._limit_s, stop=self._stop)
        what = about(picture=notice.picture, job=notice.job, event=notice.event)
        says = f"The command '{self._name}' of `notify` {ended.how or 'was run'}"
        says += f"; it said: {ended.said}" if ended.said else "."
        if ended.how and not self._stop.is_set():
            self._failed(says, what=what)
            return
        log.info("%s", says, extra=what)
        self._went_well()

    def _command(self, *, untold: bool = False) -> Command | None:
        """The current command. A missing or unsafe one stays a problem until it is fixed."""
        try:
            found = self._book.find(self._name)
        except (UsageError, OSError) as error:
            self._failed(f"`notify` cannot tell anything: {error}", untold=untold, unfound=True)
            return None
        if self._unfound:
            self._went_well()
        return found

    def _went_well(self) -> None:
        with self._change:
            self._problem, self._untold, self._unfound = "", 0, False

    def _failed(
        self, says: str, *, what: Mapping[str, str] | None = None, untold: bool = True, unfound: bool = False
    ) -> None:
        """Remember it for status. The log gets a warning only when it is new, or three hundred notices would fill it."""
        says = shown(says, limit=_MAX_SAID)
        with self._change:
            new, self._problem, self._unfound = says != self._problem, says, unfound
            self._untold += untold
        log.log(logging.WARNING if new else logging.DEBUG, "%s The service goes on.", says, extra=what)
