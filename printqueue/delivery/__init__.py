"""What follows from the verdict: print files and masters, or the review folder with a reason."""

from printqueue.delivery.accepted import checked_words, conversion_words, finish_lost, publish_prints, render
from printqueue.delivery.completion import complete, to_past
from printqueue.delivery.turned_back import turn_back

__all__ = [
    "checked_words",
    "complete",
    "conversion_words",
    "finish_lost",
    "publish_prints",
    "render",
    "to_past",
    "turn_back",
]
