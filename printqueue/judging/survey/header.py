"""What is known without pixels."""

from __future__ import annotations

from printqueue.core.model.measures import Word, YesNo, yes_no
from printqueue.imaging.colour.source_profile import SourceProfile
from printqueue.judging.survey.readings import Readings


def header_readings(profile: SourceProfile, *, transparent: bool) -> Readings:
    """The picture's profile and transparency."""
    return Readings(
        {
            Word.PROFILE_STATE: str(profile.state),
            Word.PROFILE_NAME: profile.name or None,
            Word.PROFILE_PROBLEM: profile.problem or None,
            Word.PROFILE_SPACE: profile.space_key,
            YesNo.LAYERS_TRANSPARENT: yes_no(transparent),
        }
    )
