"""Combines folders, order file and the paper's defaults into one `Request` per print. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from printqueue.core import sizes
from printqueue.core.errors import PictureError
from printqueue.core.model import borders
from printqueue.core.model.request import Border, BorderStyle, Request
from printqueue.core.units import Size, number_text
from printqueue.studio.orders.drop_folder import unknown_paper
from printqueue.studio.orders.schema import Order, PrintOrder
from printqueue.studio.papers.schema import Paper

MIN_PICTURE_MM = 10.0


def resolve(
    papers: Mapping[str, Paper],
    *,
    folder_paper: str | None = None,
    folder_size: str | None = None,
    order: Order | None = None,
    default_paper: str | None = None,
    maker: str = "",
) -> tuple[Request, ...]:
    """What to print, one `Request` per print. The order overrides the folder, and the folder the paper's defaults.

    `folder_size` is the folder's name as written, `maker` the name for foot lines. Raises `PictureError` of the check `order`,
    with a remedy, for unknown papers and sizes and for contradictions.
    """
    prints = order.each() if order else [PrintOrder()]
    requests = [
        _request(_paper(papers, one.paper or folder_paper or default_paper), one, folder_size, maker) for one in prints
    ]
    for index, request in enumerate(requests):
        if request in requests[:index]:
            raise _refused(
                f"The order asks for the same print twice ({request.paper}, {request.size.name}).", "Use copies: 2."
            )
    return tuple(requests)


def _paper(papers: Mapping[str, Paper], key: str | None) -> Paper:
    if key is None:
        do = "Put it into a paper's folder in ready/, or set default_paper in studio.yaml."
        raise _refused("No paper is named for this picture.", do)
    if key not in papers:
        raise unknown_paper(key, papers.keys())
    return papers[key]


def _request(paper: Paper, one: PrintOrder, folder_size: str | None, maker: str) -> Request:
    size = one.size or _folder_size(folder_size) or paper.usual_size
    rules = paper.print
    foot_line = paper.foot_line if one.foot_line is None else one.foot_line
    _possible(one, size)
    if foot_line and paper.edge == "deckled":
        raise _refused(f"{paper.paper} has deckled edges and takes no foot line.", "Leave foot_line out of the order.")
    return Request(
        paper=paper.key,
        size=size,
        picture=one.picture,
        copies=one.copies or 1,
        border=_border(paper, one, size),
        fit=one.fit or paper.fit,
        ppi=rules.ppi,
        intent=one.intent or rules.intent,
        black_point_compensation=rules.black_point_compensation,
        lift_stops=rules.lift if one.lift is None else one.lift,
        title=one.title,
        distance_mm=one.distance,
        edition_of=one.edition.of if one.edition else None,
        assume_profile=one.assume_profile,
        allow=dict(sorted((one.allow or {}).items())),
        note=one.note,
        size_listed=sizes.listed(size, paper.sizes),
        sheet=one.sheet or paper.sheet,
        hairline_mm=paper.hairline if one.hairline is None else one.hairline,
        feed=paper.printer.feed,
        turn_to_feed=paper.printer.turn == "to-feed",
        roll_mm=paper.printer.roll or 0.0,
        sharpen=rules.sharpen,
        foot_line_mm=foot_line,
        maker=maker if foot_line else "",
    )


def _folder_size(name: str | None) -> Size | None:
    if name is None:
        return None
    try:
        return sizes.parse(name)
    except sizes.SizeError as error:
        raise _refused(
            f"The folder's size cannot be read: {str(error).rstrip('.')}{'' if str(error).endswith('?') else '.'}",
            "Rename the folder, or give size: in the order.",
        ) from error


def _possible(one: PrintOrder, size: Size) -> None:
    picture = one.picture
    if picture and (picture.short_mm > size.short_mm or picture.long_mm > size.long_mm):
        says = f"A picture of {_sides(picture)} does not fit on {_named(size)}."
        raise _refused(says, "Ask for a smaller picture or a larger sheet.")
    if one.edition and (one.copies or 1) > one.edition.of:
        says = f"{one.copies} copies are more than the edition of {one.edition.of}."
        raise _refused(says, "Ask for fewer copies or a larger edition.")


def _border(paper: Paper, one: PrintOrder, size: Size) -> Border:
    border = one.border.border() if one.border else paper.border.border()
    if one.picture:
        return _round_exact(one.border.border() if one.border else None, border.style, one.picture, size)
    _leaves_room(border, size)
    return border


def _round_exact(asked: Border | None, style: BorderStyle, picture: Size, size: Size) -> Border:
    """The border around a picture of exact size: derived from its style, or given by the order if it adds up."""
    follows = Border("weighted" if style == "weighted" else "even")
    if asked is None or (asked.sides_mm is None and asked.width_mm is None):
        return follows
    width = asked.width_mm or 0.0
    foot = width + borders.foot_extra(width) if asked.style == "weighted" else width
    sides = asked.sides_mm or (width, width, foot, width)
    said = borders.sums if asked.sides_mm else borders.sums_of_least
    landscape = picture.width_mm >= picture.height_mm
    ways = [_lying(size, picture, landscape=across) for across in (landscape, not landscape)]  # first as written
    if not all(said(*way, sides) for way in ways):
        return asked if asked.sides_mm else follows
    nearest = min(ways, key=lambda way: borders.misfit_mm(way[0], way[1], sides))
    raise _refused(
        f"Picture and borders do not make up {_named(size)}: {said(*nearest, sides)}.",
        "Change one of them, or leave out one of them: the border then follows from the picture, or the picture from the border.",
    )


def _lying(size: Size, picture: Size, *, landscape: bool) -> tuple[Size, Size]:
    """Sheet and picture turned for a picture of that orientation; a square sheet leaves both as they are."""
    if size.width_mm == size.height_mm:
        return size, picture
    return size.turned(landscape=landscape), picture.turned(landscape=landscape)


def _leaves_room(border: Border, size: Size) -> None:
    """Before any pixel is read, refuse a border that leaves no room whichever way the sheet is turned."""
    width = border.width_mm or 0.0
    top, right, bottom, left = border.sides_mm or (width, width, width, width)
    fits = [
        across - left - right >= MIN_PICTURE_MM and up - top - bottom >= MIN_PICTURE_MM
        for across, up in ((size.width_mm, size.height_mm), (size.height_mm, size.width_mm))
    ]
    if not any(fits):
        raise _refused(
            f"The border leaves no picture on {_named(size)}.", "Ask for a narrower border or a larger sheet."
        )


def _sides(size: Size) -> str:
    return f"{number_text(size.width_mm)} × {number_text(size.height_mm)} mm"


def _named(size: Size) -> str:
    return f"{size.name} ({_sides(size)})"


def _refused(says: str, do: str) -> PictureError:
    return PictureError(says, do=do, check="order")
