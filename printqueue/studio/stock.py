"""A paper ready for use: its rules, its profile's bytes (read once) and the tones it can show."""

from __future__ import annotations

import hashlib
import json
import os
import stat
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from importlib.metadata import version as installed

from printqueue.core.errors import OwnError, WorldError
from printqueue.core.model.finding import Finding, Verdict, verdict
from printqueue.core.model.paper import Lab, PaperFacts
from printqueue.core.model.request import Request
from printqueue.core.version import __version__
from printqueue.imaging.colour import icc
from printqueue.studio.papers.schema import Paper

_ENGINES = ("imagecodecs", "numpy", "pillow", "tifffile")


@dataclass(frozen=True, slots=True)
class WhiteAndBlack:
    """Absolute L*a*b* (D50) of bare paper and full ink, according to a profile."""

    white: Lab
    black: Lab


@dataclass(frozen=True, slots=True)
class Stock:
    """One paper as a job uses it. The profile bytes we hash are the bytes we embed."""

    paper: Paper
    facts: PaperFacts
    profile: bytes
    profile_sha256: str

    @property
    def rules_sha256(self) -> str:
        """Hash of the merged rules' text."""
        return hashlib.sha256(self.paper.rules_text.encode()).hexdigest()

    def verdict(self, findings: Sequence[Finding]) -> Verdict:
        """The verdict according to the paper's rules."""
        return verdict(findings, self.paper.turn_back_at)

    def recipe(self, master_sha256: str, request: Request) -> str:
        """SHA-256 of everything that determines the print's bytes; no clock, no job number."""
        parts = {
            "master": master_sha256,
            "order": asdict(request),
            "rules": self.rules_sha256,
            "profile": self.profile_sha256,
            "versions": versions(),
        }
        return hashlib.sha256(json.dumps(parts, sort_keys=True, default=str).encode()).hexdigest()


@cache
def versions() -> str:
    """Versions of this program and of the libraries that compute its pixels."""
    return ", ".join([f"printqueue {__version__}", *(f"{name} {installed(name)}" for name in _ENGINES)])


def take(profiles_dir: str, paper: Paper, tones_of: Callable[[bytes], WhiteAndBlack]) -> Stock:
    """Read the profile once and get the paper ready for use.

    `tones_of` asks a bounded child, since a profile may be hostile. Raises `WorldError` if the profile is missing or
    unusable, which is no picture's fault.
    """
    data, facts = _profile(profiles_dir, paper)
    try:
        tones = tones_of(data)
    except OwnError as error:
        raise _unfit(paper, "the colour engine cannot convert with it") from error
    return Stock(
        paper,
        paper.facts(
            profile_name=facts.description or paper.profile,
            profile_white=tones.white,
            profile_black=tones.black,
            is_demonstration=facts.is_demonstration,
        ),
        data,
        hashlib.sha256(data).hexdigest(),
    )


def profile_facts(profiles_dir: str, paper: Paper) -> icc.Profile:
    """Header facts of the paper's profile. Raises `WorldError` if it is missing or unusable."""
    return _profile(profiles_dir, paper)[1]


def profile_state(profiles_dir: str, paper: Paper) -> str:
    """Whether a paper's profile can be used, in words. Reads only its header and converts nothing."""
    try:
        facts = profile_facts(profiles_dir, paper)
    except WorldError as error:
        return error.says
    return "DEMONSTRATION profile: not for a real sheet" if facts.is_demonstration else f"fine: {facts.description}"


def _profile(profiles_dir: str, paper: Paper) -> tuple[bytes, icc.Profile]:
    data = _read(os.path.join(profiles_dir, paper.profile), paper)
    return data, _printer_profile(data, paper)


def _read(path: str, paper: Paper) -> bytes:
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(descriptor, "rb") as stream:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                raise FileNotFoundError
            return stream.read(icc.MAX_BYTES + 1)
    except OSError as error:
        raise _unfit(paper, "it is not there or cannot be read") from error


def _printer_profile(data: bytes, paper: Paper) -> icc.Profile:
    try:
        facts = icc.read_profile(data)
    except icc.ProfileError as error:
        raise _unfit(paper, str(error)) from error
    if facts.device_class != "prtr" or facts.space != "RGB":
        kind = icc.CLASS_NAMES[facts.device_class]
        raise _unfit(paper, f"it is a {kind} profile for {facts.space}, not an RGB printer profile")
    needed = {"A2B0", "B2A0"}
    if not needed <= facts.tags:
        raise _unfit(paper, "it lacks the tables that ICC.1 requires of a printer profile")
    return facts


def _unfit(paper: Paper, why: str) -> WorldError:
    return WorldError(
        f"The profile {paper.profile} of {paper.paper} cannot be used: {why}. The picture waits, untouched.",
        do=f"Put the profile of this paper into profiles/, or name another one in rules/{paper.key}.yaml.",
    )
