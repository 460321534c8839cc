"""The names of all measurements; mypy refuses any other.

There is one enumeration per kind, so that a number is not read as text either. The values are the keys of
`measurements` in `check --json` and in the ledger, so they stay the same even if a member is renamed.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum, StrEnum, auto

from printqueue.core.model.finding import Value


class Measure(StrEnum):
    """Numbers; None if the picture does not allow the measurement."""

    READ_ROWS = "read.rows"
    LEVELS_USED = "levels.used"
    LEVELS_COMBED_PERCENT = "levels.combed_percent"
    BANDING_AREA_PERCENT = "banding.area_percent"
    BANDING_STEP_COUNTS = "banding.step_counts"
    BANDING_STEPPED_PERCENT = "banding.stepped_percent"
    COMPRESSION_SCORE_PERCENT = "compression.score_percent"
    COMPRESSION_STEP_COUNTS = "compression.step_counts"
    COMPRESSION_QUALITY = "compression.quality"
    SOFTNESS_DETAIL_PERCENT = "softness.detail_percent"
    SOFTNESS_TAIL_DB = "softness.tail_db"
    SOFTNESS_PEAK = "softness.peak"
    SOFTNESS_PAIRED = "softness.paired"
    SOFTNESS_NOISE_PERCENT = "softness.noise_percent"
    TONE_PRINT_BLACK_L = "tone.print_black_L"
    TONE_MEDIAN_L = "tone.median_L"
    TONE_P99_5_L = "tone.p99_5_L"
    TONE_LIFT_COST_1_PERCENT = "tone.lift_cost_1_percent"
    TONE_LIFT_COST_2_PERCENT = "tone.lift_cost_2_percent"
    TONE_LIFT_COST_3_PERCENT = "tone.lift_cost_3_percent"
    TONE_LIFT_COST_4_PERCENT = "tone.lift_cost_4_percent"
    TONE_LIFT_COST_5_PERCENT = "tone.lift_cost_5_percent"
    TONE_LIFT_COST_6_PERCENT = "tone.lift_cost_6_percent"
    TONE_BARE_LARGEST_PERCENT = "tone.bare_largest_percent"
    TONE_BARE_EDGE_PERCENT = "tone.bare_edge_percent"
    TONE_SOLID_PERCENT = "tone.solid_percent"
    TONE_SHADOW_DETAIL_PERCENT = "tone.shadow_detail_percent"
    TONE_SHADOW_LOST_PERCENT = "tone.shadow_lost_percent"
    TONE_SHADOW_KEPT_PERCENT = "tone.shadow_kept_percent"
    TONE_SHADOW_WORST_PERCENT = "tone.shadow_worst_percent"
    VIGNETTE_CENTRE_L = "vignette.centre_L"
    VIGNETTE_CORNERS_L = "vignette.corners_L"
    VIGNETTE_LIGHTEST_CORNER_L = "vignette.lightest_corner_L"
    GAMUT_OVER_1_PERCENT = "gamut.over_1_percent"
    GAMUT_OVER_2_PERCENT = "gamut.over_2_percent"
    GAMUT_OVER_3_PERCENT = "gamut.over_3_percent"
    GAMUT_OVER_4_PERCENT = "gamut.over_4_percent"
    GAMUT_OVER_6_PERCENT = "gamut.over_6_percent"
    GAMUT_OVER_8_PERCENT = "gamut.over_8_percent"
    GAMUT_OVER_10_PERCENT = "gamut.over_10_percent"
    GAMUT_OVER_12_PERCENT = "gamut.over_12_percent"
    GAMUT_OVER_15_PERCENT = "gamut.over_15_percent"
    GAMUT_CHROMA_BEFORE = "gamut.chroma_before"
    GAMUT_CHROMA_AFTER = "gamut.chroma_after"
    HALO_SCORE_PERCENT = "halo.score_percent"
    HALO_SHARE_PERCENT = "halo.share_percent"
    HALO_EDGES = "halo.edges"
    HALO_LEVEL = "halo.level"
    HALO_EDGE_WIDTH_MM = "halo.edge_width_mm"
    HALO_WIDTH_MM = "halo.width_mm"
    HALO_DELTA_L = "halo.delta_L"
    HALO_UNSHARPENED_PERCENT = "halo.unsharpened_percent"
    DETAIL_FINE_PERCENT = "detail.fine_percent"
    REPEAT_EARLIER = "repeat.earlier"
    REPEAT_EARLIER_JOB = "repeat.earlier_job"
    REPEAT_SAME_JOB = "repeat.same_job"
    REPEAT_SAME_HOURS = "repeat.same_hours"
    REPEAT_EDITION_MADE = "repeat.edition_made"


class Word(StrEnum):
    """Texts; None if there is nothing to say."""

    PROFILE_STATE = "profile.state"
    PROFILE_NAME = "profile.name"
    PROFILE_PROBLEM = "profile.problem"
    PROFILE_SPACE = "profile.space"
    SIZE_PROBLEM = "size.problem"
    SIZE_DO = "size.do"
    TONE_BARE_SIDES = "tone.bare_sides"
    GAMUT_HUES = "gamut.hues"
    REPEAT_PROBLEM = "repeat.problem"
    REPEAT_EARLIER_MADE = "repeat.earlier_made"
    REPEAT_SAME_MADE = "repeat.same_made"
    REPEAT_BESIDE = "repeat.beside"


class YesNo(StrEnum):
    """Yes-or-no questions; the record answers "yes" or "no"."""

    LAYERS_TRANSPARENT = "layers.transparent"
    LEVELS_EIGHT_IN_SIXTEEN = "levels.eight_in_sixteen"
    SOFTNESS_ENLARGED = "softness.enlarged"


class Where(Enum):
    """What may have places in the picture. Not used as a key in any record: findings carry their places."""

    BANDING = auto()
    COMPRESSION = auto()
    SOFTNESS = auto()
    BARE = auto()
    SOLID = auto()
    SHADOWS = auto()
    GAMUT = auto()
    HALO = auto()
    DETAIL = auto()


Key = Measure | Word | YesNo
Measurements = Mapping[Key, Value]

# The steps at which a share of the area is measured, and their names.
LIFT_COST = {thirds: Measure(f"tone.lift_cost_{thirds}_percent") for thirds in (1, 2, 3, 4, 5, 6)}  # of a stop
GAMUT_OVER = {step: Measure(f"gamut.over_{step}_percent") for step in (1, 2, 3, 4, 6, 8, 10, 12, 15)}  # ΔE00


YES, NO = "yes", "no"  # the recorded answers to a `YesNo`


def yes_no(so: bool) -> str:
    """The answer for the record."""
    return YES if so else NO
