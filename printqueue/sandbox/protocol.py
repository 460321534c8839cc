"""What a bounded child can be asked, and how it answers. Plain values, cheap to import: the service asks, `tasks` acts.

Questions are pickled, answers are JSON (`wire`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Literal

from pydantic import TypeAdapter

from printqueue.core.model.paper import Lab
from printqueue.core.model.setting import Setting
from printqueue.imaging.decode.reader import Bounds
from printqueue.imaging.jobs import PrintJob, ProofWish, Provenance, StripMade, StripWish, Verified
from printqueue.judging.judged import Report
from printqueue.sandbox.needs import Header

TaskName = Literal["probe", "judge", "render", "verify", "strip", "proof", "words", "inspect", "tones"]
WORKER = "printqueue.sandbox.tasks"  # the module that does the work, loaded only by the fork server


@dataclass(frozen=True, slots=True)
class ProbeTask:
    """Read the header. `patient`: even if the file looks unfinished, which judging will report."""

    bounds: Bounds
    patient: bool = False


@dataclass(frozen=True, slots=True)
class JudgeTask:
    """Judge all prints of one picture. A second descriptor receives the working copy, which a proof picture needs."""

    jobs: tuple[PrintJob, ...]
    bounds: Bounds
    setting: Setting = field(default_factory=Setting)


@dataclass(frozen=True, slots=True)
class PrintTask:
    """One print: `render` writes it to the second descriptor, `verify` compares what it reads there with the plan."""

    job: PrintJob
    provenance: Provenance
    bounds: Bounds


@dataclass(frozen=True, slots=True)
class StripTask:
    """Write one test strip into the second descriptor."""

    job: PrintJob
    wish: StripWish
    provenance: Provenance
    bounds: Bounds


@dataclass(frozen=True, slots=True)
class ProofTask:
    """Write one proof picture into the second descriptor, and a thumbnail into the third. The working copy that judging
    kept comes fourth; without it the picture is read again.
    """

    job: PrintJob
    wish: ProofWish
    bounds: Bounds


@dataclass(frozen=True, slots=True)
class WordsTask:
    """Write a words-only proof picture into the first descriptor: nothing can be read, or there is no print to show."""

    wish: ProofWish
    why: str


@dataclass(frozen=True, slots=True)
class Rendered:
    """Answer to `render`: what was written."""

    sha256: str
    foot_line: str = ""  # its words as typeset; "" for none
    pixels_sha256: str = ""

    def __post_init__(self) -> None:
        """Refuse anything but a hash: it is copied unchanged into notes, ledger and answers."""
        if not all(_HASH.fullmatch(one) for one in (self.sha256, self.pixels_sha256) if one):
            raise ValueError("no SHA-256")


@dataclass(frozen=True, slots=True)
class Proofed:
    """Answer to `proof` and `words`: what was written; `thumbnail_sha256` is "" if there is none."""

    sha256: str
    thumbnail_sha256: str = ""


@dataclass(frozen=True, slots=True)
class Failure:
    """A task that failed, and whose fault it was."""

    family: str  # incomplete | picture | world | own
    says: str
    do: str = ""
    check: str = "whole"


@dataclass(frozen=True, slots=True)
class Inspected:
    """Answer to `inspect`: what a print file says about how it was made."""

    recipe: str
    master_sha256: str


@dataclass(frozen=True, slots=True)
class PaperTones:
    """Answer to `tones`: absolute L*a*b* (D50) of bare paper and of full ink."""

    white: Lab
    black: Lab


@dataclass(frozen=True, slots=True)
class Answer:
    """Exactly one of the fields is set."""

    header: Header | None = None
    report: Report | None = None
    rendered: Rendered | None = None
    verified: Verified | None = None
    strip: StripMade | None = None
    proof: Proofed | None = None
    inspected: Inspected | None = None
    tones: PaperTones | None = None
    failure: Failure | None = None


ANSWER: TypeAdapter[Answer] = TypeAdapter(Answer)
_HASH = re.compile(r"[0-9a-f]{64}")

# Measured: 6 kB for a judged print, 300 bytes for anything else, not counting texts of the picture.
_MAX_BYTES, _MAX_BYTES_PER_PRINT = 100_000, 50_000


def max_answer_bytes(argument: object) -> int:
    """How many bytes the answer to this question may have."""
    return _MAX_BYTES + (_MAX_BYTES_PER_PRINT * len(argument.jobs) if isinstance(argument, JudgeTask) else 0)
