"""File events, used for one thing only: to wake the scan earlier than its clock would."""

from __future__ import annotations

import threading

from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver


class Waker:
    """Sets `wake` when something happens below `folder`; polling alone must do where it cannot."""

    def __init__(self, folder: str, wake: threading.Event) -> None:
        self.problem: str | None = None
        self._observer: BaseObserver | None = None
        observer = Observer()
        try:
            observer.schedule(_Nudge(wake), folder, recursive=True)
            observer.start()
        except OSError as error:
            self.problem = (
                f"file events are not to be had ({error.strerror}); ready/ is looked through on the clock alone"
            )
        else:
            self._observer = observer

    @property
    def mode(self) -> str:
        """`events` while they can be had, else `poll`."""
        return "events" if self._observer is not None and self._observer.is_alive() else "poll"

    def close(self) -> None:
        """Stop listening."""
        if self._observer is not None:
            self._observer.stop()
            self._observer.join(5)
            self._observer = None


class _Nudge(FileSystemEventHandler):
    def __init__(self, wake: threading.Event) -> None:
        self._wake = wake

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Any event only means: look soon. Opening and reading is our own doing and means nothing."""
        if event.event_type not in ("opened", "closed_no_write"):
            self._wake.set()
