"""Which order file belongs to which picture: the nearer the name, the stronger."""

from __future__ import annotations

FOLDER_ORDERS = ("order.yaml", "order.yml")
SUFFIXES = (".order.yaml", ".order.yml")


def candidates(name: str) -> tuple[tuple[str, ...], ...]:
    """Order file names for the picture `name`, strongest first; all in the picture's own folder.

    'Fog.tif' → ('Fog.tif.order.yaml', …), ('Fog.order.yaml', …), ('order.yaml', …), each with its `.yml`. Those of one
    tuple are equally strong, so only one of them may stand there; of the tuples the first that has one counts.
    """
    stem = name.rpartition(".")[0] or name
    own = tuple(stem + suffix for suffix in SUFFIXES) if stem != name else ()
    return tuple(name + suffix for suffix in SUFFIXES), own, FOLDER_ORDERS


def split(name: str) -> tuple[str, str]:
    """'Fog.order.yml' → ('Fog', '.order.yml'); the suffix is empty where `name` is no picture's own order."""
    for suffix in SUFFIXES:
        if name.endswith(suffix) and name != suffix:
            return name.removesuffix(suffix), suffix
    return name, ""


def is_order(name: str) -> bool:
    """Whether a file of this name is an order, not a picture."""
    return name in FOLDER_ORDERS or split(name)[1] != ""
