"""What is known without pixels."""

from __future__ import annotations

from printqueue.model.picture import PictureFacts
from printqueue.source_profile import SourceProfile
from printqueue.survey.readings import Readings


def header_readings(facts: PictureFacts, profile: SourceProfile, *, transparent: bool) -> Readings:
    """The picture's profile, transparency and size."""
    return Readings(
        {
            "profile.state": profile.state,
            "profile.name": profile.name or None,
            "profile.problem": profile.problem or None,
            "profile.space": profile.space_key,
            "layers.transparent": "yes" if transparent else "no",
            "picture.megapixels": round(facts.megapixels, 2),
        }
    )
