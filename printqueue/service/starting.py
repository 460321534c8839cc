"""Starting a service in the right order: fork server first, then lock, then ledger; and stopping in reverse."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace

from printqueue.core.disk import filesystems, folders
from printqueue.core.errors import StudioError, UsageError
from printqueue.core.model.publication import Publication
from printqueue.core.text import shown
from printqueue.ledger import open_ledger
from printqueue.sandbox import ForkServer, protocol
from printqueue.service.context import ServiceContext
from printqueue.service.lock import StudioLock, require_own_state, utc_now
from printqueue.service.loop import Service
from printqueue.studio.folders import PUBLIC_FOLDERS, Studio
from printqueue.studio.papers.loader import Shelf


def require_local_state(studio: Studio) -> None:
    """Refuse a ledger on a share: SQLite's WAL needs shared memory and true locks (sqlite.org/wal.html)."""
    system = filesystems.of(folders.standing(studio.state))
    if system.is_network:
        raise StudioError(
            f"The folder {shown(studio.state)} lies on a share ({shown(system.kind)}), where the ledger can be damaged. "
            "Nothing was taken, pictures and prints are untouched.",
            do="Set a folder on a local disk in studio.yaml, for example `state: /var/lib/printqueue/studio`. "
            "To keep what is recorded, move what the old folder holds there (but not the file `studio`, the marker).",
        )


def require_private_state(studio: Studio) -> None:
    """Refuse a private folder inside one of the photographer's folders, also by way of a bind mount."""
    public = {(seen.st_dev, seen.st_ino): name for name, seen in _public_folders(studio)}
    folder = studio.state
    while folder != os.path.dirname(folder):
        try:
            seen = os.stat(folder)
        except OSError:  # still to be made
            folder = os.path.dirname(folder)
            continue
        if (name := public.get((seen.st_dev, seen.st_ino))) is not None:
            raise UsageError(
                f"`state:` in studio.yaml names {shown(studio.state)}, which lies in {name}/. Nothing was made there.",
                do="Name another folder, outside the folders of pictures, or leave the line out.",
            )
        folder = os.path.dirname(folder)


def _public_folders(studio: Studio) -> Iterator[tuple[str, os.stat_result]]:
    for name in PUBLIC_FOLDERS:
        with suppress(OSError):
            yield name, os.stat(studio.path(name))


def intent_is_whole(text: str) -> bool:
    """Whether an intent read out of a damaged ledger can be acted on: every field there, every path in the studio."""
    try:
        intent = Publication.from_json(text)
        paths = [path for placed in intent.placed for path in (placed.temp, placed.final)]
        paths += [path for moved in intent.moved for path in (moved.source, moved.target)]
        return intent.kind in ("print", "review") and all(_is_inside(path) for path in paths)
    except (TypeError, ValueError, KeyError, AttributeError, json.JSONDecodeError, RecursionError):
        return False


def _is_inside(path: str) -> bool:
    return (
        "\0" not in path
        and path == os.path.normpath(path)
        and not os.path.isabs(path)
        and path.split("/", maxsplit=1)[0] not in ("", ".", "..")
    )


@contextmanager
def running_service(studio: Studio, *, once: bool, watch: bool) -> Iterator[Service]:
    """A service that holds its studio's lock. The fork server is exec'ed before lock and ledger are open,
    so that no child can ever inherit them. Raises `LedgerError` for a ledger that it may not touch (newer, not ours).
    """
    require_private_state(studio)
    require_own_state(studio)
    require_local_state(studio)
    fork_server = ForkServer(protocol.WORKER)
    try:
        lock = StudioLock(studio, utc_now)
        try:
            ledger = open_ledger(studio.ledger, utc_now, intent_is_whole)
            try:
                ledger.belong_to(lock.identity)
                lock.watch(studio.ledger)
                held = replace(studio, held=lock)
                context = ServiceContext(held, ledger, fork_server, Shelf.load(studio.path("rules")), utc_now)
                yield Service(context, time.monotonic, once=once, watch=watch)
            finally:
                ledger.close()
        finally:
            lock.release()
    finally:
        fork_server.close()
