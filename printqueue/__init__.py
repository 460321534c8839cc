"""printqueue: the colleague between the editor and the printer."""

from printqueue.version import __version__

__all__ = ["__version__"]
