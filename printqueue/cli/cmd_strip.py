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
    from printqueue.cli.single import FileJudge
    from printqueue.core.model.paper import Intent
    from printqueue.imaging.jobs import StripMade, StripWish

_Part = tuple[tuple[float, float, float, float], bool]  # (left, top, width, height), and whether they are percentages
LIFTS = "-1/3,0,1/3,2/3"
_MAX_LIFTS = 12
_NUMBERS = re.compile(r"\d{1,6}(?:\.\d{1,3})?(?:,\d{1,6}(?:\.\d{1,3})?){3}")


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the arguments: the picture, its paper and size, which part of it, which lifts and intents."""
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
    part = _part(options.crop)
    with single.context(studio_of(options)) as context:
        strip = _Strip(single.FileJudge(context, options.paper, options.size), options.file)
        wish = strip.wish(lifts, intents, part)
        output, made = strip.make(wish)
    if options.json:
        print_json(_object(options, wish, made, output))
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
    if len(found) > _MAX_LIFTS:
        raise UsageError(f"--lifts: {len(found)} lifts are too many for one strip; {_MAX_LIFTS} at most.")
    return found


def _intents(text: str | None) -> list[Intent]:
    from printqueue.core.model.paper import Intent

    try:
        return list(dict.fromkeys(Intent(name.strip()) for name in text.split(","))) if text else []
    except ValueError as error:
        raise UsageError(f"--intents: write some of {', '.join(Intent)}, with commas between them.") from error


def _part(text: str | None) -> _Part | None:
    """What `--crop` asks for; None means the part is chosen by its tones."""
    if text is None:
        return None
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


class _Strip:
    """A test strip of one picture."""

    def __init__(self, judge: FileJudge, path: str) -> None:
        self._judge, self._path, self._request = judge, path, judge.request(path)
        self._name = os.path.basename(path)

    def wish(self, lifts: list[float], intents: list[Intent], part: _Part | None) -> StripWish:
        """What the strip shows: a row for each intent (the request's own if none is given), a column for each lift."""
        from printqueue.imaging.jobs import Piece, StripWish
        from printqueue.reports.strip_note import foot_words, head_words, labels

        request = self._request
        pieces = tuple(Piece(lift, intent) for intent in intents or [request.intent] for lift in lifts)
        crop, in_percent = part or (None, False)
        stock = self._judge.stock
        return StripWish(
            pieces=pieces,
            columns=len(lifts),
            head=head_words(request.title or self._name, stock.paper, stock.facts, request.size.name),
            labels=labels(pieces, request.intent),
            foot=foot_words(),
            stocked=stock.facts.stocked,
            crop=crop,
            in_percent=in_percent,
        )

    def make(self, wish: StripWish) -> tuple[str, StripMade]:
        """Write note, then strip, under a free name in strips/PAPER/. Returns the strip's path and what was made."""
        from printqueue.cli.fresh import fresh_file
        from printqueue.cli.single import opened
        from printqueue.core import naming
        from printqueue.sandbox.context import ask, print_job
        from printqueue.sandbox.protocol import StripTask

        judge = self._judge
        base = self._free_name()
        provenance = judge.provenance(self._path, self._request, also=_wish_words(wish))
        with fresh_file(base + naming.PRINT) as file, fresh_file(base + naming.STRIP_NOTE) as note:
            with opened(self._path) as reading, judge.context.child() as child:
                task = StripTask(print_job(self._request, judge.stock), wish, provenance, judge.context.bounds)
                answer = ask(child, "strip", task, (reading, file.descriptor))
            if answer.strip is None:
                raise OwnError("The rendering process gave an answer that makes no sense. No strip was made.")
            note.keep_text(self._note(wish, answer.strip).encode())
            file.keep(answer.strip.sha256)
        return base + naming.PRINT, answer.strip

    def _free_name(self) -> str:
        from printqueue.core import naming
        from printqueue.core.disk import durable
        from printqueue.studio.folders import free_number

        studio = self._judge.context.studio
        folder = os.path.join("strips", self._judge.paper.key)
        with durable.world("Making", folder):
            studio.make_folder(studio.path(folder))
        stem = naming.companion_stem(naming.split(self._name)[0])
        endings = (naming.PRINT, naming.STRIP_NOTE)
        number = free_number(studio, {folder: lambda n: [naming.numbered(stem, n) + end for end in endings]})
        return studio.path(folder, naming.numbered(stem, number))

    def _note(self, wish: StripWish, made: StripMade) -> str:
        from printqueue.core import naming
        from printqueue.reports.strip_note import StripShown, strip_text

        stock, request = self._judge.stock, self._request
        order_name = naming.split(self._name)[0] + ".order.yaml"
        picture, size = request.title or self._name, request.size.name
        return strip_text(StripShown(picture, stock.paper, stock.facts, size, wish, made, order_name))


def _wish_words(wish: StripWish) -> str:
    """What sets this sheet apart from the print and from other strips, for its provenance."""
    from printqueue.core.units import number_text

    pieces = ", ".join(f"{number_text(piece.lift_stops, 4)} stop {piece.intent}" for piece in wish.pieces)
    unit = "%" if wish.in_percent else "px"
    part = " ".join(number_text(value, 3) for value in wish.crop) + f" {unit}" if wish.crop else "chosen by its tones"
    return f"; a test strip, its pieces: {pieces}; its part: {part}"


def _object(options: argparse.Namespace, wish: StripWish, made: StripMade, output: str) -> dict[str, object]:
    return {
        "file": shown(options.file),
        "paper": options.paper,
        "output": shown(output, limit=1000),
        "sheet": made.sheet,
        "part": {
            "px": [round(value, 2) for value in made.part_px],
            "width_mm": round(made.part_mm[0], 2),
            "height_mm": round(made.part_mm[1], 2),
        },
        "pieces": [{"lift_stops": round(p.lift_stops, 4), "intent": str(p.intent)} for p in wish.pieces],
    }
