"""The list of questions, and asking them."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

from printqueue.cli.doctor import commands, disks, folders, machine, record, stocks
from printqueue.cli.doctor.result import Question, Result, Visit, bad
from printqueue.core.errors import PrintqueueError
from printqueue.core.text import shown
from printqueue.sandbox import ForkServer
from printqueue.sandbox.context import Context
from printqueue.studio.folders import Studio
from printqueue.studio.papers.loader import Shelf
from printqueue.studio.settings import Config

WORKER = "printqueue.sandbox.tasks"

CHECKS = (
    Question("python", machine.python, everywhere=True),
    Question("libraries", machine.libraries, everywhere=True),
    Question("optional", machine.optional, everywhere=True),
    Question("reading", machine.reading, everywhere=True),
    Question("confinement", machine.confinement, everywhere=True),
    Question("clock", machine.clock, everywhere=True),
    Question("studio", folders.studio, everywhere=True),
    Question("studio.yaml", folders.settings, everywhere=True),
    Question("user", folders.user),
    Question("folders", folders.rights),
    Question("file-system", disks.file_systems),
    Question("space", disks.space),
    Question("file-events", machine.events),
    Question("rules", stocks.rules),
    Question("profile", stocks.profiles),
    Question("tone", stocks.tones),
    Question("notices", commands.notices),
    Question("service", record.service),
    Question("ledger", record.ledger),
    Question("stuck", record.stuck),
    Question("prints", record.prints),
)


def examine(root: str) -> list[Result]:
    """Ask everything about the studio at `root` and this machine. Writes nothing but short-lived hidden files of its
    own, and none in ready/. Never raises for what it finds.
    """
    visit = Visit(root)
    with _context(visit) as visit.context:
        return [result for question in CHECKS for result in ask(question, visit)]


def ask(question: Question, visit: Visit) -> list[Result]:
    """One question's answers; one that cannot be answered is bad, not silent."""
    if visit.studio is None and not question.everywhere:
        return []  # `studio` and `studio.yaml` say that these were not looked at
    try:
        return list(question.look(visit))
    except PrintqueueError as error:
        return [bad(question.name, error.says, error.do)]
    except OSError as error:
        where = f" ({shown(os.fsdecode(error.filename))})" if isinstance(error.filename, str | bytes) else ""
        return [bad(question.name, f"This cannot be looked at: {error.strerror}{where}.", "Check the folder's rights.")]


@contextmanager
def _context(visit: Visit) -> Iterator[Context | None]:
    """Reading processes as the service has them; None where they do not start."""
    try:
        fork_server = ForkServer(WORKER)
    except (PrintqueueError, OSError):
        yield None
        return
    try:
        place = visit.studio or Studio(os.path.abspath(visit.root), Config())
        yield Context(place, fork_server, Shelf(place.path("rules")))
    finally:
        fork_server.close()
