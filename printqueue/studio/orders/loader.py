"""Order files: bytes in, an `Order` out, or everything that is wrong with them."""

from __future__ import annotations

from printqueue.core.errors import PictureError
from printqueue.core.yaml.plain_yaml import RulesError, read
from printqueue.studio.orders.schema import Order

_MAX_SAID = 5


def load(data: bytes, file: str) -> Order:
    """Read an order file of the name `file`. Raises `RulesError` with all its problems."""
    return Order.from_tree(read(data, file))


def load_for_picture(data: bytes, file: str) -> Order:
    """The same, but a broken order turns its picture back.

    Raises `PictureError` of the check `order`: one line with the first problems; its cause is the `RulesError`.
    """
    try:
        return load(data, file)
    except RulesError as error:
        said = " ".join(str(problem) for problem in error.problems[:_MAX_SAID])
        more = len(error.problems) - _MAX_SAID
        says = f"The order cannot be followed: {said}{f' And {more} more.' if more > 0 else ''}"
        do = "Correct the order file and put picture and order back."
        raise PictureError(says, do=do, check="order") from error
