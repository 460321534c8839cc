"""printqueue: the colleague between the editor and the printer."""

from printqueue.core.version import __version__

__all__ = ["__version__"]
