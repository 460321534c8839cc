"""Which order file belongs to which picture: the nearer the name, the stronger."""

from __future__ import annotations

FOLDER_ORDER = "order.yaml"
SUFFIX = ".order.yaml"


def candidates(name: str) -> tuple[str, ...]:
    """Order file names for the picture `name`, strongest first; all in the picture's own folder.

    'Fog.tif' → 'Fog.tif.order.yaml', 'Fog.order.yaml', 'order.yaml'. Only the first that exists counts.
    """
    stem = name.rpartition(".")[0] or name
    return tuple(dict.fromkeys((name + SUFFIX, stem + SUFFIX, FOLDER_ORDER)))


def is_order(name: str) -> bool:
    """Whether a file of this name is an order, not a picture."""
    return name == FOLDER_ORDER or (name.endswith(SUFFIX) and name != SUFFIX)
