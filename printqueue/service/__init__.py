"""The service: what stands in ready/, whose turn it is, one picture's way, and what follows a kill."""

from printqueue.service.loop import Service, Tally

__all__ = ["Service", "Tally"]
