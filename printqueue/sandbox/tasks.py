"""What a bounded child does when asked (`protocol`): probe, judge, render, verify, strip, proof, words, inspect, tones.

It gets descriptors, never paths. Only the fork server loads this module, with the libraries that read pictures.
"""

from __future__ import annotations

import codecs
import hashlib
import io
import os
import struct
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from importlib import import_module
from math import prod
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from printqueue.core.errors import IncompletePictureError, PictureError, WorldError
from printqueue.core.model.measures import Word
from printqueue.core.model.paper import Intent
from printqueue.core.model.request import Placement
from printqueue.core.model.setting import Setting
from printqueue.core.model.subject import Subject
from printqueue.imaging import lettering
from printqueue.imaging.colour import manager, spaces
from printqueue.imaging.colour.icc import ProfileError
from printqueue.imaging.colour.source_profile import choose
from printqueue.imaging.decode.cost import decoding_bytes
from printqueue.imaging.decode.errors import EmptyTailError
from printqueue.imaging.decode.opening import open_picture
from printqueue.imaging.decode.reader import Bounds
from printqueue.imaging.decode.whole import probe
from printqueue.imaging.jobs import PrintJob
from printqueue.imaging.outputs import print_tiff
from printqueue.imaging.prints import drawn, make_print, verify_print
from printqueue.imaging.proof_pictures import make_proof, make_words_only
from printqueue.imaging.render.plan import DoesNotFitError, place
from printqueue.imaging.source import Source
from printqueue.imaging.strips import make_strip
from printqueue.judging.judge import judge
from printqueue.judging.judged import Judged, Report
from printqueue.judging.refusal import refusal
from printqueue.judging.survey.first import first_pass
from printqueue.judging.survey.header import header_readings
from printqueue.judging.survey.native import native_readings
from printqueue.judging.survey.printed import printed_readings
from printqueue.judging.survey.readings import Readings
from printqueue.judging.survey.tones import tone_readings
from printqueue.sandbox.needs import Header
from printqueue.sandbox.protocol import (
    ANSWER,
    Answer,
    Failure,
    Inspected,
    JudgeTask,
    PaperTones,
    PrintTask,
    ProbeTask,
    Proofed,
    ProofTask,
    Rendered,
    StripTask,
    TaskName,
    WordsTask,
)

_SHAPE = struct.Struct("<3I")  # of the working copy: rows, columns, channels


def _probe(task: ProbeTask, files: list[int]) -> Answer:
    stream = _stream(files[0])
    try:
        probe(stream, task.bounds)
    except IncompletePictureError:
        if not task.patient:
            raise
    source = open_picture(stream, task.bounds)
    facts = source.facts
    channels = 3 if facts.colour == "rgb" else 1
    return Answer(header=Header(facts.width_px, facts.height_px, channels, decoding_bytes(source)))


def _judge(task: JudgeTask, files: list[int]) -> Answer:
    stream = _stream(files[0])
    try:
        _refuse_unfinished(stream, task)
        source = open_picture(stream, task.bounds)
        first = first_pass(source)
        if len(files) > 1:
            _keep(files[1], first.copy)
        transparent = source.transparent()
    except PictureError as error:
        return Answer(report=Report(None, tuple(Judged((refusal(error, job.request),), None) for job in task.jobs)))
    with ThreadPoolExecutor(1) as pool:  # the pixel grid keeps one processor busy, the tones the other
        native = pool.submit(native_readings, first, source.facts)
        once = _Once(source, first.copy, native.result, transparent, task.setting)
        prints = tuple(_judge_print(once, job) for job in task.jobs)
    return Answer(report=Report(source.facts, prints))


def _refuse_unfinished(stream: BinaryIO, task: JudgeTask) -> None:
    """Refuse a picture with parts that were never written, unless its order allows it: they look black or grey, and
    only the artist knows whether a black foot is meant.
    """
    try:
        probe(stream, task.bounds)
    except EmptyTailError:
        if not all("whole" in job.request.allow for job in task.jobs):
            raise


@dataclass(frozen=True, slots=True)
class _Once:
    """What is read once for all prints of the picture."""

    source: Source
    copy: NDArray[np.uint16]
    native: Callable[[], Readings]
    transparent: bool
    setting: Setting


def _judge_print(once: _Once, job: PrintJob) -> Judged:
    facts = once.source.facts
    profile = choose(facts, once.source.icc, job.request.assume_profile)
    read = header_readings(profile, transparent=once.transparent)
    placement: Placement | None = None
    try:
        placement = place(job.request, facts.width_px, facts.height_px)
    except DoesNotFitError as error:
        read |= Readings({Word.SIZE_PROBLEM: error.says, Word.SIZE_DO: error.do})
    if profile.facts is not None:
        read |= tone_readings(once.copy, profile, job.paper_profile, job.request)
    read |= once.native()
    if profile.facts is not None and placement is not None:
        read |= printed_readings(drawn(once.source, profile, job, placement), profile.facts)
    subject = Subject(facts, job.paper, job.request, placement, read.numbers, read.where, once.setting)
    return Judged(tuple(judge(subject, job.limits)), placement, dict(read.numbers))


def _render(task: PrintTask, files: list[int]) -> Answer:
    source = open_picture(_stream(files[0]), task.bounds)
    scratch = io.BufferedRandom(_raw(files[2], "r+b")) if len(files) > 2 else None
    with io.BufferedRandom(_raw(files[1], "r+b")) as out:
        printed = make_print(source, task.job, task.provenance, out=out, scratch=scratch)
    return Answer(rendered=Rendered(printed.sha256, printed.foot_line, printed.pixels_sha256))


def _verify(task: PrintTask, files: list[int]) -> Answer:
    source = _opened(files[0], task.bounds)
    return Answer(verified=verify_print(source, task.job, task.provenance, _stream(files[1])))


def _strip(task: StripTask, files: list[int]) -> Answer:
    source = open_picture(_stream(files[0]), task.bounds)
    with io.BufferedRandom(_raw(files[1], "r+b")) as out:
        return Answer(strip=make_strip(source, task.job, task.wish, task.provenance, out=out))


def _proof(task: ProofTask, files: list[int]) -> Answer:
    source = _opened(files[0], task.bounds)
    copy = _kept(files[3]) if len(files) > 3 else first_pass(source).copy
    with io.BufferedRandom(_raw(files[1], "r+b")) as out, io.BufferedRandom(_raw(files[2], "r+b")) as small:
        make_proof(source, copy, task.job, task.wish, out=out, small=small)
        return Answer(proof=Proofed(_hashed(out), _hashed(small)))


def _words(task: WordsTask, files: list[int]) -> Answer:
    with io.BufferedRandom(_raw(files[0], "r+b")) as out:
        make_words_only(task.wish, task.why, out)
        return Answer(proof=Proofed(_hashed(out)))


# A child serves one picture: what it decoded to verify a print serves the proof picture too.
_SOURCES: dict[tuple[int, ...], Source] = {}


def _opened(descriptor: int, bounds: Bounds) -> Source:
    """The picture, opened only once while it stays the same."""
    identity = _identity(descriptor)
    if identity not in _SOURCES:
        _SOURCES.clear()
        _SOURCES[identity] = open_picture(_stream(descriptor), bounds)
    return _SOURCES[identity]


def _keep(descriptor: int, copy: NDArray[np.uint16]) -> None:
    """Keep the working copy for another child: its shape, then its codes."""
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
    found = print_tiff.read_provenance(_stream(files[0]))
    return Answer(inspected=None if found is None else Inspected(*found))


def _tones(profile: bytes, _: list[int]) -> Answer:
    """Use a paper's profile both ways: read its colour for no ink and for full ink, and check that it converts."""
    ends = np.array([[[65535] * 3, [0] * 3]], np.uint16)
    lab = manager.to_lab(ends, profile, intent=Intent.ABSOLUTE)[0]
    srgb = spaces.profile_bytes("srgb")
    manager.to_paper(ends, srgb, profile, intent=Intent.RELATIVE, black_point_compensation=True)
    white, black = ((float(L), float(a), float(b)) for L, a, b in lab.round(2))
    return Answer(tones=PaperTones(white, black))


def _stream(descriptor: int) -> BinaryIO:
    """A separate stream over a descriptor that stays open; it starts at 0."""
    return io.BufferedReader(_raw(descriptor, "rb"), 1 << 16)


def _raw(descriptor: int, mode: str) -> io.FileIO:
    raw = io.FileIO(os.dup(descriptor), mode)
    raw.name = "picture"  # some readers need a string as name, and a child knows none
    raw.seek(0)
    return raw


def _answered(task: Callable[[Any, list[int]], Answer]) -> Callable[[Any, list[int]], bytes]:
    """Turn errors into answers; running out of memory ends the child, and its exit code says so."""

    def run(argument: Any, files: list[int]) -> bytes:
        try:
            answer = task(argument, files)
        except MemoryError:
            raise
        except Exception as error:
            answer = Answer(failure=_failure(error))
        return ANSWER.dump_json(answer)

    return run


def _failure(error: Exception) -> Failure:
    match error:
        case PictureError():
            family = "incomplete" if isinstance(error, IncompletePictureError) else "picture"
            return Failure(family, error.says, error.do, error.check)
        case WorldError():
            return Failure("world", error.says, error.do)
        case OSError():
            reason = os.strerror(error.errno or 0)
            return Failure(
                "world", f"A file could not be read or written ({reason}). Nothing is lost; it is tried again."
            )
        case ProfileError():
            return Failure("own", f"A profile could not be used: {error}.")
        case _:
            return Failure("own", f"{type(error).__name__}: {error}"[:500])


TASKS: dict[TaskName, Callable[[Any, list[int]], bytes]] = {
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
    """Load once, in the fork server, what libraries load on first use: a walled-in child can load nothing more."""
    for module in _MODULES:
        import_module(module)
    for codec in _CODECS:
        getattr(import_module("imagecodecs"), f"{codec}_decode")
    for name in _TEXTS:
        codecs.lookup(name)
    Image.preinit()  # Pillow's usual file formats
    lettering.load()
    manager.load()
    import_module("cv2").setNumThreads(0)  # measuring must not start threads in a forked child
