"""Before a picture is claimed: has it arrived whole, what is ordered, and what will it need? Writes nothing.

A failure here means "not yet" or "the world's fault"; judging decides, on the private copy, whether the picture is at
fault.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

from printqueue.core.disk import room
from printqueue.core.errors import IncompletePictureError, OwnError, PictureError, WorldError
from printqueue.core.model.finding import Finding
from printqueue.core.model.request import Placement, Request
from printqueue.core.model.seen import Seen
from printqueue.core.text import shown
from printqueue.imaging.render.plan import DoesNotFitError
from printqueue.imaging.render.plan import place as place_print
from printqueue.judging.refusal import refusal
from printqueue.sandbox import ChildDiedError
from printqueue.sandbox.context import Children, ask
from printqueue.sandbox.needs import NOTHING, Header, Need, need_of
from printqueue.sandbox.protocol import ProbeTask
from printqueue.service.context import ServiceContext
from printqueue.service.intake import claim
from printqueue.studio.orders import resolve, schema
from printqueue.studio.orders.drop_folder import DropFolder, drop_folder
from printqueue.studio.stock import Stock


@dataclass(frozen=True, slots=True)
class Prepared:
    """A settled picture, ready to be claimed. `refused`: it needs too much, or its order cannot be followed (then there
    are no requests).
    """

    drop_folder: DropFolder
    order_bytes: bytes | None
    requests: tuple[Request, ...]
    stocks: tuple[Stock, ...]
    refused: Finding | None
    need: Need


def prepare(context: ServiceContext, seen: Seen, children: Children, *, patient: bool) -> Prepared:
    """Examine `seen` in ready/.

    Raises `IncompletePictureError` unless `patient`, `ChangedError`, `WorldError` and `ChildDiedError`.
    """
    context.studio.require_marker()
    where = drop_folder(seen.parts, context.shelf.papers)
    header = _header(context, seen, children, patient=patient)
    order_bytes = None
    if seen.order is not None and seen.order_stamp is not None:
        order_bytes = claim.read_order(context.studio.path("ready", seen.order), seen.order_stamp)
    try:
        requests = _requests(context, seen, where, order_bytes)
    except PictureError as error:
        return Prepared(where, order_bytes, (), (), refusal(error), NOTHING)
    stocks = tuple(context.stock(context.shelf.papers[request.paper]) for request in requests)
    need = NOTHING if header is None else need_of(header, _placements(header, requests))
    if (too_much := _too_much(context, need)) is not None:
        return Prepared(where, order_bytes, requests, stocks, refusal(too_much), NOTHING)
    room.require({context.studio.state: seen.stamp.size + need.scratch, context.studio.path("print"): need.output})
    return Prepared(where, order_bytes, requests, stocks, None, need)


def _too_much(context: ServiceContext, need: Need) -> PictureError | None:
    """The error if it needs more memory than `limits: memory` allows one picture."""
    allowed = context.studio.config.limits.memory
    if need.memory <= allowed:
        return None
    return PictureError(
        f"Working on it would need {need.memory / 1e9:.1f} GB of memory, and studio.yaml allows {allowed / 1e9:.1f} GB "
        "for one picture.",
        do=f"Raise `limits: {{memory: {need.memory / 1e9 + 0.1:.1f} GB}}` in studio.yaml if the machine has it, or save the "
        "picture as a TIFF in strips.",
    )


def _header(context: ServiceContext, seen: Seen, children: Children, *, patient: bool) -> Header | None:
    """Its header; None if it cannot be read, which judging will report."""
    descriptor = claim.open_regular(context.studio.path("ready", seen.path))
    try:
        return ask(children, "probe", ProbeTask(context.bounds, patient), (descriptor,)).header
    except IncompletePictureError:
        if not patient:
            raise
    except ChildDiedError:
        raise
    except (PictureError, OwnError, WorldError):
        pass
    finally:
        os.close(descriptor)
    return None


def _requests(context: ServiceContext, seen: Seen, where: DropFolder, order_bytes: bytes | None) -> tuple[Request, ...]:
    """Combine folders, order and papers into requests. Raises `PictureError` if they do not fit together."""
    order = None
    if order_bytes is not None:
        order = schema.load_for_picture(order_bytes, shown(os.path.basename(seen.order or "order.yaml")))
    return resolve.resolve(
        context.shelf.papers,
        folder_paper=where.paper or where.unknown,
        folder_size=where.size,
        order=order,
        default_paper=context.studio.config.default_paper,
        maker=context.studio.config.maker,
    )


def _placements(header: Header, requests: Sequence[Request]) -> list[Placement]:
    """Where each print goes, for those that can be placed; the check `size` reports the others."""
    found = []
    for request in requests:
        with suppress(DoesNotFitError):
            found.append(place_print(request, header.width_px, header.height_px))
    return found
