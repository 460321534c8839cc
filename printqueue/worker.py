"""What a bounded child can be asked: probe, judge, render, inspect. It gets descriptors, never paths.

Each task takes a pickled argument from the service and answers JSON: the service
does not trust a process that reads hostile files.
"""

from __future__ import annotations

import hashlib
import io
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from importlib import import_module
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray
from pydantic import TypeAdapter

from printqueue.colour import manager, spaces
from printqueue.colour.icc import ProfileError
from printqueue.decode import Bounds, EmptyTailError, decoding_bytes, open_picture, probe
from printqueue.errors import IncompletePictureError, PictureError, WorldError
from printqueue.fields import Limits
from printqueue.judge import allow, judge
from printqueue.model.finding import Finding, Level, Value
from printqueue.model.paper import Intent, Lab, PaperFacts
from printqueue.model.picture import Metadata, PictureFacts, Source
from printqueue.model.request import Placement, Request
from printqueue.model.setting import Setting
from printqueue.model.subject import Subject
from printqueue.needs import Header
from printqueue.outputs import print_tiff
from printqueue.outputs.print_tiff import Provenance
from printqueue.render.engine import Renderer, renderer
from printqueue.render.marks import hairline
from printqueue.render.plan import DoesNotFitError, place
from printqueue.render.verify import Verified, verify
from printqueue.source_profile import SourceProfile, choose
from printqueue.survey.first import first_pass
from printqueue.survey.header import header_readings
from printqueue.survey.native import native_readings
from printqueue.survey.printed import printed_readings
from printqueue.survey.readings import Readings
from printqueue.survey.tones import tone_readings


@dataclass(frozen=True, slots=True)
class PrintJob:
    """One print to judge or render, with the rules and profile bytes as read when it was claimed."""

    request: Request
    paper: PaperFacts
    limits: Mapping[str, Limits]
    paper_profile: bytes


@dataclass(frozen=True, slots=True)
class ProbeOrder:
    """A look at the header. `patient`: what looks unfinished is no obstacle, judging will speak of it."""

    bounds: Bounds
    patient: bool = False


@dataclass(frozen=True, slots=True)
class JudgeOrder:
    """All prints of one picture."""

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
    """Answer to `render`: what was written, and how it compares with what was computed again."""

    sha256: str
    size: int
    verified: Verified


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
    made: Made | None = None
    tones: PaperTones | None = None
    failure: Failure | None = None


_WHY = {
    "profile": "Its colours were made for other inks; on this paper they would come out wrong.",
    "order": "What was asked for is not clear, and a sheet is too dear to guess.",
}
ANSWER: TypeAdapter[Answer] = TypeAdapter(Answer)


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
        transparent = source.transparent()
    except PictureError as error:
        return Answer(report=Report(None, tuple(Judged((refusal(error, job.request),), None) for job in order.jobs)))
    once = _Once(source, first.copy, native_readings(first, source.facts), transparent, order.setting)
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
    native: Readings
    transparent: bool
    setting: Setting


def _judge_print(once: _Once, job: PrintJob) -> Judged:
    facts = once.source.facts
    profile = choose(facts, once.source.icc, job.request.assume_profile)
    read = once.native | header_readings(facts, profile, transparent=once.transparent)
    placement: Placement | None = None
    try:
        placement = place(job.request, facts.width_px, facts.height_px)
    except DoesNotFitError as error:
        read |= Readings({"size.problem": error.says, "size.do": error.do})
    if profile.facts is not None:
        read |= tone_readings(once.copy, profile, job.paper_profile, job.request)
        if placement is not None:
            read |= printed_readings(_renderer(once.source, profile, job, placement), profile.facts)
    subject = Subject(facts, job.paper, job.request, placement, read.numbers, read.where, once.setting)
    return Judged(tuple(judge(subject, job.limits)), placement, dict(read.numbers))


def _renderer(source: Source, profile: SourceProfile, job: PrintJob, placement: Placement) -> Renderer:
    assert profile.data is not None
    assert profile.facts is not None
    return renderer(source, profile.data, profile.facts, job.paper_profile, job.request, placement)


def _line_ink(job: PrintJob) -> tuple[int, int, int]:
    """Device RGB of a line in the border: the grey of sRGB code 96, converted as a picture would be."""
    grey = np.full((1, 1, 3), 96 * 257, np.uint16)
    srgb = spaces.profile_bytes("srgb")
    red, green, blue = manager.to_paper_exact(
        grey, srgb, job.paper_profile, intent=Intent.RELATIVE, black_point_compensation=True
    )[0, 0].tolist()
    return red, green, blue


def _render(order: RenderOrder, files: list[int]) -> Answer:
    source = open_picture(_stream(files[0]), order.bounds)
    job = order.job
    profile = choose(source.facts, source.icc, job.request.assume_profile)
    if profile.data is None:
        raise PictureError(
            "The picture has no usable colour profile, and none was assumed.",
            do="Export it again with its profile, or state it in the order (assume_profile: srgb).",
            check="profile",
        )
    placement = place(job.request, source.facts.width_px, source.facts.height_px)
    drawn = _renderer(source, profile, job, placement)
    if placement.hairline_px:
        drawn = replace(drawn, marks=hairline(placement, _line_ink(job)))
    scratch = io.BufferedRandom(_raw(files[2], "r+b")) if placement.turned else None
    with io.BufferedRandom(_raw(files[1], "r+b")) as out:
        print_tiff.write(
            out,
            drawn.file_bands(print_tiff.encode_band, scratch),
            size_px=placement.file_px,
            ppi=placement.ppi,
            profile=job.paper_profile,
            provenance=order.provenance,
            metadata=_named(source.facts.metadata, job.request),
        )
        out.flush()
        return Answer(rendered=_hashed(out, verify(out, drawn)))


def _named(metadata: Metadata, request: Request) -> Metadata:
    """The master's texts; an order's title goes before the file's own."""
    return replace(metadata, title=request.title) if request.title else metadata


def _hashed(stream: BinaryIO, verified: Verified) -> Rendered:
    stream.seek(0)
    digest, size = hashlib.sha256(), 0
    while chunk := stream.read(1 << 20):
        digest.update(chunk)
        size += len(chunk)
    return Rendered(digest.hexdigest(), size, verified)


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
    "inspect": _answered(_inspect),
    "tones": _answered(_tones),
}

_CODECS = ("bitorder", "deflate", "delta", "jpeg8", "lzw", "packbits", "png", "zstd")
_MODULES = ("cv2", "imagecodecs._cms", "numpy.ma", "PIL.ImageCms", "PIL.ImageFile")


def warm_up() -> None:
    """For the template, once: load what libraries would load only when it is first used, in every child anew
    (20 ms each time), and from a disk that may fail just then.
    """
    for module in _MODULES:
        import_module(module)
    for codec in _CODECS:
        getattr(import_module("imagecodecs"), f"{codec}_decode")
    import_module("cv2").setNumThreads(0)  # measuring must not start threads of its own in a forked child
