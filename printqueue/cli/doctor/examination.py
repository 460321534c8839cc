"""The questions, and how they are asked."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from printqueue.cli.doctor import configuration, disks, folders, machine, record
from printqueue.cli.doctor.result import Question, Result, Visit, bad
from printqueue.core.errors import PrintqueueError
from printqueue.core.text import shown
from printqueue.sandbox import ForkServer, protocol
from printqueue.sandbox.context import Context
from printqueue.studio.folders import Studio
from printqueue.studio.papers.loader import Shelf
from printqueue.studio.settings import Config

CHECKS = (
    Question("python", lambda _: [machine.python_result(sys.version_info[:3])], everywhere=True),
    Question("libraries", machine.libraries, everywhere=True),
    Question("optional", machine.optional, everywhere=True),
    Question("reading", machine.reading, everywhere=True),
    Question("confinement", machine.confinement, everywhere=True),
    Question("clock", lambda visit: [machine.clock_result(visit.now)], everywhere=True),
    Question("studio", folders.marker, everywhere=True),
    Question("studio.yaml", configuration.settings, everywhere=True),
    Question("user", folders.user),
    Question("folders", folders.rights),
    Question("file-system", disks.file_systems),
    Question("space", disks.space),
    Question("file-events", machine.events),
    Question("rules", configuration.rules),
    Question("profile", configuration.profiles),
    Question("tone", configuration.tones),
    Question("notices", configuration.notices),
    Question("service", record.service),
    Question("ledger", record.ledger),
    Question("stuck", record.stuck),
    Question("prints", record.prints),
)


def examine(root: str) -> list[Result]:
    """Ask everything about the studio at `root` and this machine. Writes only its own short-lived hidden files, none of
    them in ready/. Never raises for what it finds.
    """
    visit = Visit(root)
    with _context(visit) as visit.context:
        return [result for question in CHECKS for result in ask(question, visit)]


def ask(question: Question, visit: Visit) -> list[Result]:
    """The answers to one question; if it cannot be answered, that is reported as bad."""
    if visit.studio is None and not question.everywhere:
        return []  # `studio` and `studio.yaml` report it
    try:
        found = list(question.look(visit))
    except PrintqueueError as error:
        found = [bad(error.says, error.do)]
    except OSError as error:
        where = f" ({shown(os.fsdecode(error.filename))})" if isinstance(error.filename, str | bytes) else ""
        found = [bad(f"This cannot be looked at: {error.strerror}{where}.", "Check the folder's rights.")]
    return [result if result.name else replace(result, name=question.name) for result in found]


@contextmanager
def _context(visit: Visit) -> Iterator[Context | None]:
    """Reading processes like the service's; None if they cannot be started."""
    try:
        fork_server = ForkServer(protocol.WORKER)
    except (PrintqueueError, OSError):
        yield None
        return
    try:
        studio = visit.studio or Studio(os.path.abspath(visit.root), Config())
        yield Context(studio, fork_server, Shelf(studio.path("rules")))
    finally:
        fork_server.close()
