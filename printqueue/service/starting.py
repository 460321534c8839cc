"""Starts a service in the right order (fork server, lock, ledger), and stops it in reverse."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from printqueue.core.model.publication import Publication
from printqueue.ledger import open_ledger
from printqueue.ledger.rescue.salvage import is_inside
from printqueue.sandbox import ForkServer, protocol
from printqueue.service.context import ServiceContext
from printqueue.service.lock import StudioLock, utc_now
from printqueue.service.loop import Service
from printqueue.service.state_folder import require_local_state, require_own_state, require_private_state
from printqueue.studio.folders import Studio
from printqueue.studio.papers.loader import Shelf


def intent_is_whole(text: str) -> bool:
    """Whether an intent from a damaged ledger can be acted on: all fields present, every path inside the studio."""
    try:
        intent = Publication.from_json(text)
        paths = [path for placed in intent.placed for path in (placed.temp, placed.final)]
        paths += [path for moved in intent.moved for path in (moved.source, moved.target)]
        return intent.kind in ("print", "review") and all(is_inside(os.fsencode(path)) for path in paths)
    except (TypeError, ValueError, KeyError, AttributeError, RecursionError):
        return False


@contextmanager
def running_service(studio: Studio, *, once: bool, watch: bool) -> Iterator[Service]:
    """A service that holds its studio's lock. The fork server is exec'ed before lock and ledger are opened, so no child
    can inherit them. Raises `LedgerError` for a ledger it must not touch (newer, not ours).
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
                context = ServiceContext(held, ledger, fork_server, Shelf.load(studio.path("rules")), now=utc_now)
                yield Service(context, time.monotonic, once=once, watch=watch)
            finally:
                ledger.close()
        finally:
            lock.release()
    finally:
        fork_server.close()
