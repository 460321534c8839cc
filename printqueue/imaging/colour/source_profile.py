"""Chooses the profile to read a picture's numbers through: embedded, declared, or assumed by the order. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.profile_state import ProfileState
from printqueue.core.text import shown
from printqueue.imaging.colour import manager, spaces
from printqueue.imaging.colour.curves import channel_curves
from printqueue.imaging.colour.icc import CLASS_NAMES, Profile, ProfileError, read_profile

_SOURCE_CLASSES = ("scnr", "mntr", "spac")
# Words in the descriptions of working spaces; a display-class profile without any describes one particular display
_WORKING_WORDS = ("rgb", "romm", "prophoto", "p3", "2020", "srgb", "gray", "grey", "gamma", "dot gain", "lstar", "l*")


@dataclass(frozen=True, slots=True)
class SourceProfile:
    """`data` is None if the profile is missing or unreadable."""

    state: ProfileState
    name: str = ""
    data: bytes | None = None
    facts: Profile | None = None
    problem: str = ""

    @property
    def space_key(self) -> str | None:
        """`romm` for very wide spaces, so that 8 bits in them can be warned about."""
        return "romm" if self.name.lower().startswith(("romm", "prophoto")) else None


def choose(picture: PictureFacts, icc: bytes | None, assume: str | None) -> SourceProfile:
    """Choose the profile to use. An order's `assume_profile` applies only if nothing usable is embedded."""
    embedded = _embedded(picture, icc) if icc is not None else SourceProfile(ProfileState.MISSING)
    if embedded.data is not None:
        return embedded
    if assume is not None and picture.colour == "rgb":
        return _standard(ProfileState.ASSUMED, assume)
    if embedded.state is ProfileState.MISSING and picture.declared_space is not None and picture.colour == "rgb":
        return _standard(ProfileState.DECLARED, picture.declared_space)
    return embedded


def _standard(state: ProfileState, key: str) -> SourceProfile:
    data = spaces.profile_bytes(key)
    return SourceProfile(state, spaces.SPACES[key].title, data, read_profile(data))


def _embedded(picture: PictureFacts, icc: bytes) -> SourceProfile:
    try:
        facts = read_profile(icc)
    except ProfileError as error:
        return SourceProfile(ProfileState.UNREADABLE, problem=str(error))
    name = shown(facts.description, limit=80) or "a profile without a name"
    wanted = "GRAY" if picture.colour == "grey" else "RGB"
    if facts.space != wanted:
        return SourceProfile(
            ProfileState.UNREADABLE, name, problem=f"{name} is for {facts.space} pixels, the file has {wanted}"
        )
    if wanted == "RGB" and facts.device_class == "prtr":
        return _tried(name, icc, facts, ProfileState.PRINTER)
    if facts.device_class not in _SOURCE_CLASSES and not (wanted == "GRAY" and facts.device_class == "prtr"):
        problem = f"{name} is a {CLASS_NAMES[facts.device_class]} profile, which cannot describe a picture"
        return SourceProfile(ProfileState.UNREADABLE, name, problem=problem)
    return _tried(name, icc, facts, ProfileState.DISPLAY if _is_a_displays_own(facts) else ProfileState.FINE)


def _tried(name: str, icc: bytes, facts: Profile, state: ProfileState) -> SourceProfile:
    if not facts.usable_as_source:
        return SourceProfile(
            ProfileState.UNREADABLE, name, problem=f"{name} lacks the tables that turn numbers into colours"
        )
    try:  # a broken profile shows here, as the picture's fault, and not while a print is measured or made
        manager.try_out(icc, grey=facts.space == "GRAY")
        channel_curves(icc, facts)
    except ProfileError as error:
        return SourceProfile(ProfileState.UNREADABLE, name, problem=f"{name}: {error}")
    return SourceProfile(state, name, icc, facts)


def _is_a_displays_own(facts: Profile) -> bool:
    if facts.device_class != "mntr" or facts.space != "RGB":
        return False
    return not any(word in facts.description.lower() for word in _WORKING_WORDS)
