"""`printqueue strip`."""

from __future__ import annotations

import argparse
import os
import re
from typing import TYPE_CHECKING

from printqueue.cli.completing import add_paper_and_size
from printqueue.cli.console import add_json, print_json, say, studio_of
from printqueue.core.errors import Exit, OwnError, UsageError
from printqueue.core.text import shown

if TYPE_CHECKING:
    from printqueue.cli.single import Single
    from printqueue.core.model.paper import Intent
    from printqueue.core.model.request import Request
    from printqueue.imaging.jobs import StripMade, StripWish

LIFTS = "-1/3,0,1/3,2/3"
_MOST_LIFTS = 12
_NUMBERS = re.compile(r"\d{1,6}(?:\.\d{1,3})?(?:,\d{1,6}(?:\.\d{1,3})?){3}")


def arguments(command: argparse.ArgumentParser) -> None:
    """Which picture, for which paper, which part of it and which lifts."""
    command.add_argument("file", metavar="FILE")
    add_paper_and_size(command, of="the print that the strip is for: ")
    command.add_argument(
        "--crop",
        metavar="X,Y,W,H",
        help="left, top, width, height of the part, in pixels of the picture, or in percent: 10%%,20%%,30%%,30%% "
        "(default: the part with the widest range of tones)",
    )
    command.add_argument("--lifts", default=LIFTS, help=f"exposures in stops (default: --lifts={LIFTS})")
    command.add_argument("--intents", help="rendering intents to compare, for example relative,perceptual")
    add_json(command)


def run(options: argparse.Namespace) -> int:
    """Write strips/PAPER/NAME.tif and its note."""
    from printqueue.cli import single

    lifts = _lifts(options.lifts)
    intents = _intents(options.intents)
    crop, in_percent = _crop(options.crop)
    with single.context(studio_of(options)) as context:
        judge = single.Single(context, options.paper, options.size)
        request = judge.request(options.file)
        wish = _wish(judge, options.file, request, lifts, intents or [request.intent], crop, in_percent=in_percent)
        output, made = _make(judge, options.file, request, wish)
    if options.json:
        print_json(_object(options.file, judge, wish, made, output))
    else:
        across, up = made.part_mm
        say(f"Strip: {output} ({len(wish.pieces)} pieces of {across:.0f} × {up:.0f} mm on {made.sheet}).")
        say("Print it at 100 % as its .strip.txt says, and judge it dry, in the light the picture will hang in.")
    return Exit.DONE


def _lifts(text: str) -> list[float]:
    from printqueue.core.yaml.quantity import EXPOSURE, UnitError

    found: list[float] = []
    for part in text.split(","):
        try:
            value = EXPOSURE.read(part if part.rstrip().endswith(("stop", "stops")) else f"{part} stop")
        except UnitError as error:
            raise UsageError(f"--lifts: {error}.", do=f"Write for example --lifts={LIFTS}.") from error
        if not -2 <= value <= 2:
            raise UsageError(f"--lifts: {shown(part)} is out of range; -2 to +2 stops.")
        if value not in found:
            found.append(value)
    if len(found) > _MOST_LIFTS:
        raise UsageError(f"--lifts: {len(found)} lifts are too many for one strip; {_MOST_LIFTS} at most.")
    return found


def _intents(text: str | None) -> list[Intent]:
    from printqueue.core.model.paper import Intent

    try:
        return list(dict.fromkeys(Intent(name.strip()) for name in text.split(","))) if text else []
    except ValueError as error:
        raise UsageError(f"--intents: write some of {', '.join(Intent)}, with commas between them.") from error


def _crop(text: str | None) -> tuple[tuple[float, float, float, float] | None, bool]:
    """The four numbers, and whether they are percent."""
    if text is None:
        return None, False
    plain = text.replace(" ", "").replace("px", "")
    in_percent = plain.count("%") == 4
    bare = plain.replace("%", "")
    if not _NUMBERS.fullmatch(bare) or ("%" in plain and not in_percent):
        raise UsageError(
            f"--crop: '{shown(text, limit=40)}' is no part of a picture.",
            do="Write LEFT,TOP,WIDTH,HEIGHT in pixels (--crop=400,300,800,600) or in percent (--crop=10%,20%,30%,30%).",
        )
    left, top, width, height = (float(number) for number in bare.split(","))
    return (left, top, width, height), in_percent


def _wish(
    judge: Single,
    path: str,
    request: Request,
    lifts: list[float],
    intents: list[Intent],
    crop: tuple[float, float, float, float] | None,
    *,
    in_percent: bool,
) -> StripWish:
    from printqueue.imaging.jobs import Piece, StripWish
    from printqueue.reports.strip_note import foot_words, head_words, labels

    pieces = [(lift, intent) for intent in intents for lift in lifts]
    facts, name = judge.stock.facts, os.path.basename(path)
    return StripWish(
        pieces=tuple(Piece(lift, intent) for lift, intent in pieces),
        columns=len(lifts),
        head=head_words(
            request.title or name,
            judge.paper,
            facts.profile_name,
            request.size.name,
            demonstration=facts.profile_is_demonstration,
        ),
        labels=labels(pieces, request.intent),
        foot=foot_words(),
        stocked=facts.stocked,
        crop=crop,
        in_percent=in_percent,
    )


def _make(judge: Single, path: str, request: Request, wish: StripWish) -> tuple[str, StripMade]:
    """The strip and its note under a free name of strips/PAPER/; the note first."""
    from printqueue.cli.fresh import fresh_file
    from printqueue.cli.single import opened
    from printqueue.core import naming
    from printqueue.core.disk import durable
    from printqueue.sandbox.context import ask, print_job
    from printqueue.sandbox.protocol import StripTask
    from printqueue.studio.folders import free_number

    studio = judge.context.studio
    folder = os.path.join("strips", judge.paper.key)
    with durable.world("Making", folder):
        studio.make_folder(studio.path(folder))
    stem = naming.companion_stem(naming.split(os.path.basename(path))[0])
    names = {folder: lambda number: [naming.numbered(stem, number) + end for end in (naming.PRINT, naming.STRIP_NOTE)]}
    base = studio.path(folder, naming.numbered(stem, free_number(studio, names)))
    provenance = judge.provenance(path, request, also=_wish_words(wish))
    with fresh_file(base + naming.PRINT) as file, fresh_file(base + naming.STRIP_NOTE) as note:
        with opened(path) as reading, judge.context.child() as child:
            order = StripTask(print_job(request, judge.stock), wish, provenance, judge.context.bounds)
            answer = ask(child, "strip", order, (reading, file.descriptor))
        if answer.strip is None:
            raise OwnError("The rendering process gave an answer that makes no sense. No strip was made.")
        note.keep_text(_note(judge, path, request, wish, answer.strip).encode())
        file.keep(answer.strip.sha256)
    return base + naming.PRINT, answer.strip


def _wish_words(wish: StripWish) -> str:
    """What tells this sheet from the print and from other strips, for its provenance."""
    from printqueue.core.units import number_text

    pieces = ", ".join(f"{number_text(piece.lift_stops, 4)} stop {piece.intent}" for piece in wish.pieces)
    unit = "%" if wish.in_percent else "px"
    part = " ".join(number_text(value, 3) for value in wish.crop) + f" {unit}" if wish.crop else "chosen by its tones"
    return f"; a test strip, its pieces: {pieces}; its part: {part}"


def _note(judge: Single, path: str, request: Request, wish: StripWish, made: StripMade) -> str:
    from printqueue.core import naming
    from printqueue.reports.making import checked_words
    from printqueue.reports.strip_note import StripShown, strip_text

    name = os.path.basename(path)
    return strip_text(
        StripShown(
            picture=request.title or name,
            paper=judge.paper,
            profile_name=judge.stock.facts.profile_name,
            demonstration=judge.stock.facts.profile_is_demonstration,
            size=request.size.name,
            picture_mm=made.picture_mm,
            sheet=made.sheet,
            sheet_mm=made.sheet_mm,
            part_px=made.part_px,
            part_mm=made.part_mm,
            chosen=wish.crop is None,
            labels=wish.labels,
            order_name=naming.split(name)[0] + ".order.yaml",
            checked=checked_words(made.verified),
        )
    )


def _object(path: str, judge: Single, wish: StripWish, made: StripMade, output: str) -> dict[str, object]:
    return {
        "file": shown(path),
        "paper": judge.paper.key,
        "output": shown(output, limit=1000),
        "sheet": made.sheet,
        "part": {
            "px": [round(value, 2) for value in made.part_px],
            "width_mm": round(made.part_mm[0], 2),
            "height_mm": round(made.part_mm[1], 2),
        },
        "pieces": [{"lift_stops": round(p.lift_stops, 4), "intent": str(p.intent)} for p in wish.pieces],
    }
