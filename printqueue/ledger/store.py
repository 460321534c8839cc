"""The service's ledger: one row per arrival and print, one transaction per transition. See `transactions`."""

from __future__ import annotations

from printqueue.ledger.arrivals import Arrivals
from printqueue.ledger.belonging import Belonging
from printqueue.ledger.prints import Prints
from printqueue.ledger.sightings import Sightings


class Ledger(Arrivals, Prints, Sightings, Belonging):
    """Read and write; held by the one service of a studio.

    Opening it refuses what is damaged, newer or not ours, and leaves it as it is; `open_ledger` rebuilds what is damaged.
    """
