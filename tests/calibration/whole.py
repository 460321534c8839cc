"""The whole colleague: what all checks together say of photographs that need no remark, through the real judgement.

Every piece is written as a file and judged as a dropped picture is, on every shipped paper, printed at its own pixels
(360 per inch), so that resolution is no question. Two sets: the pieces, many of them soft to the pixel, and whole
photographs reduced until they are sharp (`pictures.crisp_photographs`), where halos and texture show most.

Not counted: `resolution` and `size` (asked here for a print that the file has the pixels for), `profile` (its warning of a
demonstration profile is about the paper), `labelling` and `rest` (about metadata that these files lack), and
`bit-depth`: all of these files hold 8 bits, those of 16 as 8 bits × 257, and the note that says so is right.
"""

from __future__ import annotations

import io
import os
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import tifffile

from printqueue.core.model.finding import Level, Verdict, verdict
from printqueue.core.model.request import Request
from printqueue.core.units import MM_PER_INCH, Size
from printqueue.imaging.colour import spaces
from printqueue.imaging.decode.reader import Bounds
from printqueue.imaging.jobs import PrintJob
from printqueue.sandbox.protocol import ANSWER, JudgeTask
from printqueue.sandbox.tasks import TASKS
from printqueue.studio.papers.loader import Shelf
from printqueue.studio.stock import WhiteAndBlack, take
from tests.calibration.oversharpening import RULES
from tests.calibration.pictures import Photograph, crisp_photographs
from tests.calibration.statistics import wilson
from tests.calibration.treatments import Codes, Treat, noisy, untouched

PPI = 360
NOT_COUNTED = {"resolution", "size", "profile", "labelling", "rest", "bit-depth"}
PAPERS = Shelf.load(RULES).papers
_LEVELS = (Level.REJECT, Level.WARN, Level.NOTE)


@dataclass(frozen=True, slots=True)
class Case:
    """How a photograph reaches the folder."""

    name: str
    treat: Treat
    bits: int = 8


CASES = (
    Case("untreated, 8 bit", untouched),
    Case("untreated, 16 bit", untouched, 16),
    Case("noise 2, 8 bit", partial(noisy, sigma=2)),
    Case("noise 4, 8 bit", partial(noisy, sigma=4)),
)
QUIET = {"untreated, 8 bit", "untreated, 16 bit", "noise 2, 8 bit", "noise 4, 8 bit"}


@dataclass(frozen=True, slots=True)
class Judgement:
    """One picture on one paper. `remarks`: level by check, passes left out."""

    picture: str
    held_out: bool
    case: str
    paper: str
    turned_back: bool
    remarks: dict[str, Level]

    def worst(self) -> Level:
        """The heaviest remark that is counted."""
        return max(self.remarks.values(), key=lambda level: level.weight, default=Level.PASS)


def report(pieces: Sequence[Photograph]) -> str:
    """Shares of pictures turned back, warned about and noted, tuned and held-out parts apart."""
    quick = all(piece.name.endswith(".0") for piece in pieces)
    sets = [("pieces", pieces)] if quick else [("pieces", pieces), ("whole, sharp to the pixel", crisp_photographs())]
    tables = [
        _table(title, [one for piece in some for case in CASES for one in judged(piece, case)]) for title, some in sets
    ]
    return "\n\n".join(tables)


def judged(piece: Photograph, case: Case) -> list[Judgement]:
    """What is said of the piece on each shipped paper."""
    content = tiff(case.treat(piece.codes, piece.name), case.bits)
    height, width = piece.codes.shape[:2]
    size = Size("", width / PPI * MM_PER_INCH, height / PPI * MM_PER_INCH)
    jobs = tuple(job(key, size) for key in PAPERS)
    with tempfile.TemporaryFile() as file:
        file.write(content)
        file.flush()
        os.lseek(file.fileno(), 0, os.SEEK_SET)
        order = JudgeTask(jobs, Bounds(pixels=10**8, samples_bytes=10**9))
        answer = ANSWER.validate_json(TASKS["judge"](order, [file.fileno()]))
    assert answer.report is not None, answer.failure
    found = []
    for key, one in zip(PAPERS, answer.report.prints, strict=True):
        counted = [f for f in one.findings if f.check not in NOT_COUNTED]
        remarks: dict[str, Level] = {f.check: f.level for f in counted if f.level is not Level.PASS}
        back = verdict(counted) is Verdict.TURNED_BACK
        found.append(Judgement(piece.picture, piece.held_out, case.name, key, back, remarks))
    return found


def tiff(codes: Codes, bits: int) -> bytes:
    """A TIFF in sRGB of whole codes 0..255."""
    stream = io.BytesIO()
    whole = codes.astype(np.uint8) if bits == 8 else codes.astype(np.uint16) * np.uint16(257)
    tifffile.imwrite(stream, whole, photometric="rgb", iccprofile=spaces.profile_bytes("srgb"))
    return stream.getvalue()


def job(key: str, size: Size) -> PrintJob:
    """One print of exactly that picture size on a shipped paper."""
    paper = PAPERS[key]
    kept = take(str(RULES / "profiles"), paper, lambda _: WhiteAndBlack((96, 0, 0), (10, 0, 0)))
    facts = replace(kept.facts, profile_is_demonstration=False)
    sheet = Size("", size.width_mm + 60, size.height_mm + 60)
    return PrintJob(Request(key, sheet, picture=size, ppi=PPI), facts, paper.checks, kept.profile)


def _table(title: str, rows: Sequence[Judgement]) -> str:
    lines = [f"{title}:"]
    for part, held_out in (("tuned", False), ("held-out", True)):
        some = [row for row in rows if row.held_out is held_out]
        if not some:
            continue
        names = {row.picture for row in some}
        each = len(some) // (len(PAPERS) * len(CASES))
        lines.append(
            f" {part}: {each} pictures cut from {len(names)} photographs; the interval is that of the share of photographs"
        )
        for key in PAPERS:
            here = [row for row in some if row.paper == key]
            lines += [_row(key, case.name, [row for row in here if row.case == case.name]) for case in CASES]
            lines.append(_row(key, "untreated and noisy", [row for row in here if row.case in QUIET]))
            lines.append(f"    {'':12} by check: {_by_check([row for row in here if row.case in QUIET])}")
    return "\n".join(lines)


def _row(key: str, case: str, rows: Sequence[Judgement]) -> str:
    back = sum(row.turned_back for row in rows)
    names = {row.picture for row in rows}
    low, high = wilson(len({row.picture for row in rows if row.turned_back}), len(names))
    worst = Counter(row.worst() for row in rows)
    shares = {level: 100 * worst[level] / len(rows) for level in Level}
    return (
        f"    {key:12} {case:20} turned back {back} of {len(rows)} (photographs: {100 * low:.0f} to {100 * high:.0f} %), "
        f"warned at worst {shares[Level.WARN]:4.1f} %, noted at worst {shares[Level.NOTE]:4.1f} %, no remark {shares[Level.PASS]:4.1f} %"
    )


def _by_check(rows: Sequence[Judgement]) -> str:
    count = Counter((check, level) for row in rows for check, level in row.remarks.items())
    words = []
    for check in sorted({check for check, _ in count}):
        levels = [f"{level} {100 * count[check, level] / len(rows):.1f} %" for level in _LEVELS if count[check, level]]
        words.append(f"{check} {', '.join(levels)}")
    return "; ".join(words) or "nothing"
