"""Starting a service in the right order: template first, then lock, then ledger; and stopping in reverse."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

from printqueue.ledger import Ledger
from printqueue.papers.loader import Shelf
from printqueue.sandbox import Template
from printqueue.service import Service
from printqueue.shop import Shop
from printqueue.studio import Studio, StudioLock, prepare_state

WORKER = "printqueue.worker"


def utc_now() -> str:
    """The time for people: RFC 3339, UTC, whole seconds."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


@contextmanager
def running_service(studio: Studio, *, once: bool, watch: bool) -> Iterator[Service]:
    """A service that holds its studio's lock. The template is exec'ed before lock and ledger are open,
    so that no child can ever inherit them.
    """
    prepare_state(studio)
    template = Template(WORKER)
    try:
        lock = StudioLock(studio)
        try:
            ledger = Ledger(studio.ledger, utc_now)
            try:
                shop = Shop(studio, ledger, template, Shelf.load(studio.path("rules")), utc_now)
                yield Service(shop, time.monotonic, once=once, watch=watch)
            finally:
                ledger.close()
        finally:
            lock.release()
    finally:
        template.close()
