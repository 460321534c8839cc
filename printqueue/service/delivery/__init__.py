"""What follows from the verdict: print files and masters, or the review folder with a reason."""

from printqueue.service.delivery.accepted import finish_lost, publish_prints, render
from printqueue.service.delivery.completion import complete, to_past
from printqueue.service.delivery.turned_back import turn_back

__all__ = [
    "complete",
    "finish_lost",
    "publish_prints",
    "render",
    "to_past",
    "turn_back",
]
