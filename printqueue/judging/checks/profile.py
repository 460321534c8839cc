"""Does the picture say what colours its numbers mean, and is it still unconverted?"""

from __future__ import annotations

from typing import assert_never

from pydantic import Field

from printqueue.core.model.finding import About, Finding, Level
from printqueue.core.model.measures import Word
from printqueue.core.model.profile_state import ProfileState
from printqueue.core.model.subject import Subject
from printqueue.core.yaml.limits import Limits
from printqueue.judging.contract import Check, Explanation

_ASSUME = "State it once in the order: assume_profile: srgb (or adobe-rgb, display-p3, romm)."


class ProfileLimits(Limits):
    """A level for each state of the picture's colour profile, and for a demonstration paper profile."""

    missing: Level = Field(Level.REJECT, description="no profile and no declaration")
    unreadable: Level = Field(Level.REJECT, description="a profile is there but damaged, or not for these channels")
    printer_class: Level = Field(Level.REJECT, description="an RGB printer's profile: would be managed twice")
    declared_only: Level = Field(Level.NOTE, description="EXIF or PNG declares the space, no profile embedded")
    display: Level = Field(Level.WARN, description="a single display's own profile")
    demonstration: Level = Field(Level.WARN, description="the paper's own profile is the demonstration one")


def judge(subject: Subject, limits: ProfileLimits) -> Finding:
    """Return the worse of: the picture's profile state, the paper's profile being a demonstration."""
    finding = _of_picture(subject, limits)
    demonstration = _of_paper(subject, limits)
    return max(finding, demonstration, key=lambda f: f.level.weight) if demonstration else finding


def _of_paper(subject: Subject, limits: ProfileLimits) -> Finding | None:
    if not subject.paper.profile_is_demonstration:
        return None
    return Finding(
        "profile",
        limits.demonstration,
        f"{subject.paper.name} still uses its demonstration profile; its colours are a model's, not your printer's.",
        measured="demonstration paper profile",
        about=About.DEMONSTRATION,
        limit="your paper's own profile",
        why="A print made with it is for trying out, not for a real sheet.",
        do=f"Put the profile of your printer and paper into profiles/ and name it in rules/{subject.paper.key}.yaml (profile:).",
        origin="fact",
    )


def _of_picture(subject: Subject, limits: ProfileLimits) -> Finding:
    name = subject.text(Word.PROFILE_NAME) or ""
    state = ProfileState(subject.text(Word.PROFILE_STATE) or ProfileState.MISSING)
    match state:
        case ProfileState.FINE:
            return _fine(name)
        case ProfileState.MISSING:
            return _missing(limits)
        case ProfileState.UNREADABLE:
            return _unreadable(limits, subject.text(Word.PROFILE_PROBLEM) or "it is damaged")
        case ProfileState.PRINTER:
            return _printer(limits, name)
        case ProfileState.DECLARED:
            return _declared(limits, name)
        case ProfileState.ASSUMED:
            return _assumed(name)
        case ProfileState.DISPLAY:
            return _display(limits, name)
        case _:
            assert_never(state)


def _fine(name: str) -> Finding:
    return Finding("profile", Level.PASS, f"Profile embedded: {name}.", measured=name, limit="an embedded profile")


def _missing(limits: ProfileLimits) -> Finding:
    return Finding(
        "profile",
        limits.missing,
        "No colour profile is embedded: the numbers in the file could mean any colours.",
        measured="none",
        limit="an embedded profile",
        why="Guessed wrong, reds and skies shift visibly; no proof would show it.",
        do="Export again with the profile embedded (a tick box in most export windows).",
        instead=_ASSUME,
        origin="fact",
        headline="has no colour profile",
        allowable=False,
    )


def _unreadable(limits: ProfileLimits, problem: str) -> Finding:
    return Finding(
        "profile",
        limits.unreadable,
        f"The embedded colour profile cannot be used: {problem}.",
        measured="unreadable",
        limit="a readable profile",
        why="Without it the colours of the file are a guess.",
        do="Convert the picture to its working space again and export it with the profile embedded.",
        instead=_ASSUME,
        origin="ICC.1",
        headline="has a colour profile that cannot be used",
        allowable=False,
    )


def _printer(limits: ProfileLimits, name: str) -> Finding:
    return Finding(
        "profile",
        limits.printer_class,
        f"The picture is already converted for a printer ({name}): it would be colour managed twice.",
        measured="printer class",
        limit="a working space",
        why="The second conversion turns the picture flat and gives it a cast.",
        do="Export again in your working space (for example Adobe RGB or ROMM RGB); the conversion for the paper happens here.",
        origin="ICC.1 device class",
        headline="is already converted for a printer",
    )


def _declared(limits: ProfileLimits, name: str) -> Finding:
    return Finding(
        "profile",
        limits.declared_only,
        f"No profile embedded, but the file declares {name}; that was taken at its word.",
        measured=f"declared: {name}",
        limit="an embedded profile",
        why="A declaration is lost easily; an embedded profile travels with the picture.",
        do="Embed the profile at the next export.",
        origin="EXIF, PNG",
    )


def _assumed(name: str) -> Finding:
    return Finding(
        "profile",
        Level.NOTE,
        f"No usable profile; {name} was assumed because the order says so.",
        measured=f"assumed: {name}",
        limit="an embedded profile",
        do="Embed the profile at the next export.",
        origin="your order",
    )


def _display(limits: ProfileLimits, name: str) -> Finding:
    return Finding(
        "profile",
        limits.display,
        f"The embedded profile describes one display ({name}), not a working space.",
        measured="a display's own profile",
        limit="a working space",
        why="It is usually there by mistake; the colours are right only if the picture was edited in that display's numbers.",
        do="Convert the picture to a working space and export it again.",
        origin="common practice, no source",
    )


CHECK = Check(
    "profile",
    ProfileLimits,
    judge,
    Explanation(
        question="Does the file say what its colours mean, and is it still unconverted?",
        measures="The embedded ICC profile: present, complete, of a class and channel count that fit; RGB of printer class, "
        "CMYK and a single display's profile are told apart. Grey with a curve is fine whatever its class. "
        "Also whether the paper's own profile is the demonstration one.",
        matters="Colours are converted once, from the picture's space into the paper's. Without the first the second is a guess.",
        source="ICC.1:2022 clauses 7.2 (header, class) and 8 (required tags); EXIF 2.32 ColorSpace; PNG sRGB chunk.",
        typical="Adobe RGB (1998) or ROMM RGB embedded.",
    ),
    headline="has no usable colour profile for {paper}",
)
