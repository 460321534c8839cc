"""What a bounded child can be asked: probe, judge, render, verify, strip, proof, inspect, tones. It gets descriptors, never
paths.

Each task takes a pickled argument from the service and answers JSON: the service
does not trust a process that reads hostile files.
"""

from __future__ import annotations

import codecs
import hashlib
import io
import os
import re
import struct
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from importlib import import_module
from math import prod
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from pydantic import TypeAdapter

from printqueue import lettering
from printqueue.colour import manager, spaces
from printqueue.colour.icc import ProfileError
from printqueue.decode import Bounds, EmptyTailError, decoding_bytes, open_picture, probe
from printqueue.errors import IncompletePictureError, PictureError, WorldError
from printqueue.judge import allow, judge
from printqueue.making import PrintJob, StripMade, StripWish, drawn, make_print, make_strip, verify_print
from printqueue.model.finding import Finding, Level, Value
from printqueue.model.paper import Intent, Lab
from printqueue.model.picture import PictureFacts, Source
from printqueue.model.request import Placement, Request
from printqueue.model.setting import Setting
from printqueue.model.subject import Subject
from printqueue.needs import Header
from printqueue.outputs import print_tiff
from printqueue.outputs.print_tiff import Provenance
from printqueue.proofing import ProofWish, make_proof, make_words_only
from printqueue.render.plan import DoesNotFitError, place
from printqueue.render.verify import Verified
from printqueue.source_profile import choose
from printqueue.survey.first import first_pass
from printqueue.survey.header import header_readings
from printqueue.survey.native import native_readings
from printqueue.survey.printed import printed_readings
from printqueue.survey.readings import Readings
from printqueue.survey.tones import tone_readings


@dataclass(frozen=True, slots=True)
class ProbeOrder:
    """A look at the header. `patient`: what looks unfinished is no obstacle, judging will speak of it."""

    bounds: Bounds
    patient: bool = False


@dataclass(frozen=True, slots=True)
class JudgeOrder:
    """All prints of one picture. A descriptor that comes second is for the working copy, which a proof picture needs."""

    jobs: tuple[PrintJob, ...]
    bounds: Bounds
    setting: Setting = field(default_factory=Setting)


@dataclass(frozen=True, slots=True)
class RenderOrder:
    """One print to write into the descriptor that comes second."""

    job: PrintJob
    provenance: Provenance
    bounds: Bounds


@dataclass(frozen=True, slots=True)
class VerifyOrder:
    """The print of a `RenderOrder` to compare with its plan; it comes second, for reading only."""

    job: PrintJob
    provenance: Provenance
    bounds: Bounds


@dataclass(frozen=True, slots=True)
class StripOrder:
    """One test strip to write into the descriptor that comes second."""

    job: PrintJob
    wish: StripWish
    provenance: Provenance
    bounds: Bounds


@dataclass(frozen=True, slots=True)
class ProofOrder:
    """One proof picture to write into the descriptor that comes second, and a thumbnail into the third. What judging has
    kept comes fourth; without it the picture is read once more.
    """

    job: PrintJob
    wish: ProofWish
    bounds: Bounds


@dataclass(frozen=True, slots=True)
class WordsOrder:
    """The proof picture of what cannot be read or has no print to be shown: words alone, into the first descriptor."""

    wish: ProofWish
    why: str


@dataclass(frozen=True, slots=True)
class Judged:
    """Findings of one print and the numbers behind them."""

    findings: tuple[Finding, ...]
    placement: Placement | None
    measurements: dict[str, Value] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Report:
    """Answer to `judge`: one `Judged` per print. `picture` None where even the header was unreadable."""

    picture: PictureFacts | None
    prints: tuple[Judged, ...]


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


_WHY = {
    "profile": "Its colours were made for other inks; on this paper they would come out wrong.",
    "order": "What was asked for is not clear, and a sheet is too dear to guess.",
}
ANSWER: TypeAdapter[Answer] = TypeAdapter(Answer)
_HASH = re.compile(r"[0-9a-f]{64}")
_SHAPE = struct.Struct("<3I")  # of the working copy: rows, columns, channels
# Bytes of an answer (measured: 6 kB for a print that is judged, 300 bytes for all else, texts of the picture apart).
_MOST_ANSWER, _MOST_FOR_A_PRINT = 100_000, 50_000


def answer_bytes(argument: object) -> int:
    """The most that the answer to this question may have."""
    return _MOST_ANSWER + (_MOST_FOR_A_PRINT * len(argument.jobs) if isinstance(argument, JudgeOrder) else 0)


def _probe(order: ProbeOrder, files: list[int]) -> Answer:
    stream = _stream(files[0])
    try:
        probe(stream, order.bounds)
    except IncompletePictureError:
        if not order.patient:
            raise
    source = open_picture(stream, order.bounds)
    facts = source.facts
    channels = 3 if facts.colour == "rgb" else 1
    return Answer(header=Header(facts.width_px, facts.height_px, channels, decoding_bytes(source)))


def _judge(order: JudgeOrder, files: list[int]) -> Answer:
    stream = _stream(files[0])
    try:
        _refuse_unfinished(stream, order)
        source = open_picture(stream, order.bounds)
        first = first_pass(source)
        if len(files) > 1:
            _keep(files[1], first.copy)
        transparent = source.transparent()
    except PictureError as error:
        return Answer(report=Report(None, tuple(Judged((refusal(error, job.request),), None) for job in order.jobs)))
    with ThreadPoolExecutor(1) as pool:  # the pixel grid keeps one processor busy, the tones the other
        native = pool.submit(native_readings, first, source.facts)
        once = _Once(source, first.copy, native.result, transparent, order.setting)
        prints = tuple(_judge_print(once, job) for job in order.jobs)
    return Answer(report=Report(source.facts, prints))


def _refuse_unfinished(stream: BinaryIO, order: JudgeOrder) -> None:
    """Parts that were never written read as black or grey; only the artist knows a true black foot."""
    try:
        probe(stream, order.bounds)
    except EmptyTailError:
        if not all("whole" in job.request.allow for job in order.jobs):
            raise


def refusal(error: PictureError, request: Request | None = None) -> Finding:
    """The finding that an unusable picture or order makes."""
    finding = Finding(
        error.check,
        Level.REJECT,
        error.says,
        measured=error.measured,
        do=error.do,
        why=_WHY.get(error.check, "Nothing can be printed from it as it is."),
        origin="fact",
        allowable=isinstance(error, EmptyTailError),
    )
    return allow(finding, request.allow) if request else finding


@dataclass(frozen=True, slots=True)
class _Once:
    """What is read once and serves all prints of the picture."""

    source: Source
    copy: NDArray[np.uint16]
    native: Callable[[], Readings]
    transparent: bool
    setting: Setting


def _judge_print(once: _Once, job: PrintJob) -> Judged:
    facts = once.source.facts
    profile = choose(facts, once.source.icc, job.request.assume_profile)
    read = header_readings(facts, profile, transparent=once.transparent)
    placement: Placement | None = None
    try:
        placement = place(job.request, facts.width_px, facts.height_px)
    except DoesNotFitError as error:
        read |= Readings({"size.problem": error.says, "size.do": error.do})
    if profile.facts is not None:
        read |= tone_readings(once.copy, profile, job.paper_profile, job.request)
    read |= once.native()
    if profile.facts is not None and placement is not None:
        read |= printed_readings(drawn(once.source, profile, job, placement), profile.facts)
    subject = Subject(facts, job.paper, job.request, placement, read.numbers, read.where, once.setting)
    return Judged(tuple(judge(subject, job.limits)), placement, dict(read.numbers))


def _render(order: RenderOrder, files: list[int]) -> Answer:
    source = open_picture(_stream(files[0]), order.bounds)
    scratch = io.BufferedRandom(_raw(files[2], "r+b")) if len(files) > 2 else None
    with io.BufferedRandom(_raw(files[1], "r+b")) as out:
        printed = make_print(source, order.job, order.provenance, out, scratch)
    return Answer(rendered=Rendered(printed.sha256, printed.foot_line, printed.pixels_sha256))


def _verify(order: VerifyOrder, files: list[int]) -> Answer:
    source = _opened(files[0], order.bounds)
    return Answer(verified=verify_print(source, order.job, order.provenance, _stream(files[1])))


def _strip(order: StripOrder, files: list[int]) -> Answer:
    source = open_picture(_stream(files[0]), order.bounds)
    with io.BufferedRandom(_raw(files[1], "r+b")) as out:
        made = make_strip(source, order.job, order.wish, order.provenance, out)
        return Answer(strip=Stripped(made.sha256, os.fstat(out.fileno()).st_size, made))


def _proof(order: ProofOrder, files: list[int]) -> Answer:
    source = _opened(files[0], order.bounds)
    copy = _kept(files[3]) if len(files) > 3 else first_pass(source).copy
    with io.BufferedRandom(_raw(files[1], "r+b")) as out, io.BufferedRandom(_raw(files[2], "r+b")) as small:
        make_proof(source, copy, order.job, order.wish, out, small)
        return Answer(proof=Proofed(_hashed(out), _hashed(small)))


def _words(order: WordsOrder, files: list[int]) -> Answer:
    with io.BufferedRandom(_raw(files[0], "r+b")) as out:
        make_words_only(order.wish, order.why, out)
        return Answer(proof=Proofed(_hashed(out)))


# A child serves one picture: what it has decoded to verify a print serves the proof picture too.
_SOURCES: dict[tuple[int, ...], Source] = {}


def _opened(descriptor: int, bounds: Bounds) -> Source:
    """The picture, as it was opened before where it is the same."""
    identity = _identity(descriptor)
    if identity not in _SOURCES:
        _SOURCES.clear()
        _SOURCES[identity] = open_picture(_stream(descriptor), bounds)
    return _SOURCES[identity]


def _keep(descriptor: int, copy: NDArray[np.uint16]) -> None:
    """Write the working copy down for another child: its shape, then its codes."""
    with io.BufferedWriter(_raw(descriptor, "r+b")) as stream:
        stream.write(_SHAPE.pack(*copy.shape))
        stream.write(np.ascontiguousarray(copy, "<u2").data)


def _kept(descriptor: int) -> NDArray[np.uint16]:
    stream = _stream(descriptor)
    shape = _SHAPE.unpack(stream.read(_SHAPE.size))
    return np.frombuffer(stream.read(2 * prod(shape)), "<u2").reshape(shape)


def _identity(descriptor: int) -> tuple[int, ...]:
    seen = os.fstat(descriptor)
    return seen.st_dev, seen.st_ino, seen.st_size, seen.st_mtime_ns, seen.st_ctime_ns


def _hashed(stream: BinaryIO) -> str:
    """SHA-256 of what was written."""
    stream.seek(0)
    return hashlib.sha256(stream.read()).hexdigest()


def _inspect(_: None, files: list[int]) -> Answer:
    made = print_tiff.read_provenance(_stream(files[0]))
    return Answer(made=None if made is None else Made(*made))


def _tones(profile: bytes, _: list[int]) -> Answer:
    """Look through a paper's profile both ways: what it shows for no ink and for full ink, and that it converts."""
    ends = np.array([[[65535] * 3, [0] * 3]], np.uint16)
    lab = manager.to_lab(ends, profile, intent=Intent.ABSOLUTE)[0]
    srgb = spaces.profile_bytes("srgb")
    manager.to_paper(ends, srgb, profile, intent=Intent.RELATIVE, black_point_compensation=True)
    white, black = ((float(L), float(a), float(b)) for L, a, b in lab.round(2))
    return Answer(tones=PaperTones(white, black))


def _stream(descriptor: int) -> BinaryIO:
    """A stream of its own over a descriptor that stays open; reads start at 0."""
    return io.BufferedReader(_raw(descriptor, "rb"), 1 << 16)


def _raw(descriptor: int, mode: str) -> io.FileIO:
    raw = io.FileIO(os.dup(descriptor), mode)
    raw.name = "picture"  # some readers want a name that is text; a child knows no other
    raw.seek(0)
    return raw


def _answered(task: Callable[[Any, list[int]], Answer]) -> Callable[[Any, list[int]], bytes]:
    """Errors become answers; running out of memory ends the child, which says so by its exit code."""

    def run(argument: Any, files: list[int]) -> bytes:
        try:
            answer = task(argument, files)
        except IncompletePictureError as error:
            answer = Answer(failure=Failure("incomplete", error.says, error.do, error.check))
        except PictureError as error:
            answer = Answer(failure=Failure("picture", error.says, error.do, error.check))
        except MemoryError:
            raise
        except WorldError as error:
            answer = Answer(failure=Failure("world", error.says, error.do))
        except OSError as error:
            says = f"A file could not be read or written ({os.strerror(error.errno or 0)}). Nothing is lost; it is tried again."
            answer = Answer(failure=Failure("world", says))
        except ProfileError as error:
            answer = Answer(failure=Failure("own", f"A profile could not be used: {error}."))
        except Exception as error:
            answer = Answer(failure=Failure("own", f"{type(error).__name__}: {error}"[:500]))
        return ANSWER.dump_json(answer)

    return run


TASKS = {
    "probe": _answered(_probe),
    "judge": _answered(_judge),
    "render": _answered(_render),
    "verify": _answered(_verify),
    "strip": _answered(_strip),
    "proof": _answered(_proof),
    "words": _answered(_words),
    "inspect": _answered(_inspect),
    "tones": _answered(_tones),
}

_CODECS = ("bitorder", "deflate", "delta", "jpeg8", "lzw", "packbits", "png", "zstd")
_MODULES = ("cv2", "imagecodecs._cms", "numpy.fft", "numpy.ma", "PIL.ImageCms", "PIL.ImageFile")
_TEXTS = ("ascii", "latin-1", "utf-8", "utf-16", "utf-16-be", "utf-16-le", "utf-32", "cp1252")


def warm_up() -> None:
    """For the template, once: load what libraries would load only when it is first used. A child that is shut in can
    load nothing any more.
    """
    for module in _MODULES:
        import_module(module)
    for codec in _CODECS:
        getattr(import_module("imagecodecs"), f"{codec}_decode")
    for name in _TEXTS:
        codecs.lookup(name)
    Image.preinit()  # the kinds of files that Pillow knows at once
    lettering.load()
    manager.load()
    import_module("cv2").setNumThreads(0)  # measuring must not start threads of its own in a forked child
