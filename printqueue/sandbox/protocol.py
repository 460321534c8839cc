"""What a bounded child can be asked, and how it answers. Plain values, light to import: the service asks, `tasks` does.

A question is pickled, an answer is JSON: the child trusts the service, the service does not trust a process that reads
hostile files.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from pydantic import TypeAdapter

from printqueue.core.model.paper import Lab
from printqueue.core.model.setting import Setting
from printqueue.imaging.decode.reader import Bounds
from printqueue.imaging.jobs import PrintJob, ProofWish, Provenance, StripMade, StripWish, Verified
from printqueue.judging.judged import Report
from printqueue.sandbox.needs import Header

WORKER = "printqueue.sandbox.tasks"  # the module that does it, loaded by the fork server alone


@dataclass(frozen=True, slots=True)
class ProbeTask:
    """A look at the header. `patient`: what looks unfinished is no obstacle, judging will speak of it."""

    bounds: Bounds
    patient: bool = False


@dataclass(frozen=True, slots=True)
class JudgeTask:
    """All prints of one picture. A descriptor that comes second is for the working copy, which a proof picture needs."""

    jobs: tuple[PrintJob, ...]
    bounds: Bounds
    setting: Setting = field(default_factory=Setting)


@dataclass(frozen=True, slots=True)
class RenderTask:
    """One print to write into the descriptor that comes second."""

    job: PrintJob
    provenance: Provenance
    bounds: Bounds


@dataclass(frozen=True, slots=True)
class VerifyTask:
    """The print of a `RenderTask` to compare with its plan; it comes second, for reading only."""

    job: PrintJob
    provenance: Provenance
    bounds: Bounds


@dataclass(frozen=True, slots=True)
class StripTask:
    """One test strip to write into the descriptor that comes second."""

    job: PrintJob
    wish: StripWish
    provenance: Provenance
    bounds: Bounds


@dataclass(frozen=True, slots=True)
class ProofTask:
    """One proof picture to write into the descriptor that comes second, and a thumbnail into the third. What judging has
    kept comes fourth; without it the picture is read once more.
    """

    job: PrintJob
    wish: ProofWish
    bounds: Bounds


@dataclass(frozen=True, slots=True)
class WordsTask:
    """The proof picture of what cannot be read or has no print to be shown: words alone, into the first descriptor."""

    wish: ProofWish
    why: str


@dataclass(frozen=True, slots=True)
class Rendered:
    """Answer to `render`: what was written."""

    sha256: str
    foot_line: str = ""  # its words as they were set; "" where there are none
    pixels_sha256: str = ""

    def __post_init__(self) -> None:
        """A hash goes into notes, ledger and answers as it is, so it must be one."""
        if not all(_HASH.fullmatch(one) for one in (self.sha256, self.pixels_sha256) if one):
            raise ValueError("no SHA-256")


@dataclass(frozen=True, slots=True)
class Stripped:
    """Answer to `strip`."""

    sha256: str
    size: int
    made: StripMade


@dataclass(frozen=True, slots=True)
class Proofed:
    """Answer to `proof`: what was written; `thumbnail_sha256` is "" where there is none."""

    sha256: str
    thumbnail_sha256: str = ""


@dataclass(frozen=True, slots=True)
class Failure:
    """A task that could not be done, and whose fault it is: picture, incomplete or own."""

    family: str
    says: str
    do: str = ""
    check: str = "whole"


@dataclass(frozen=True, slots=True)
class Made:
    """Answer to `inspect`: what a print file says of its own making."""

    recipe: str
    master_sha256: str


@dataclass(frozen=True, slots=True)
class PaperTones:
    """Answer to `tones`: absolute L*a*b* (D50) of bare paper and full ink."""

    white: Lab
    black: Lab


@dataclass(frozen=True, slots=True)
class Answer:
    """Exactly one of the fields is set."""

    header: Header | None = None
    report: Report | None = None
    rendered: Rendered | None = None
    verified: Verified | None = None  # to `verify`: how the print compares with what was computed again
    strip: Stripped | None = None
    proof: Proofed | None = None
    made: Made | None = None
    tones: PaperTones | None = None
    failure: Failure | None = None


ANSWER: TypeAdapter[Answer] = TypeAdapter(Answer)
_HASH = re.compile(r"[0-9a-f]{64}")

# Bytes of an answer (measured: 6 kB for a print that is judged, 300 bytes for all else, texts of the picture apart).
_MOST_ANSWER, _MOST_FOR_A_PRINT = 100_000, 50_000


def answer_bytes(argument: object) -> int:
    """The most that the answer to this question may have."""
    return _MOST_ANSWER + (_MOST_FOR_A_PRINT * len(argument.jobs) if isinstance(argument, JudgeTask) else 0)
