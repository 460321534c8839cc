"""Every check through `judge` with the limits of the shipped papers: below, on and above each limit; what findings say."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from printqueue.core.model.finding import About, Finding, Level, Value, Verdict, unmeasured, verdict
from printqueue.core.model.measures import Key, Measure, Word, YesNo
from printqueue.core.model.paper import PaperFacts
from printqueue.core.model.picture import Metadata, PictureFacts
from printqueue.core.model.profile_state import ProfileState
from printqueue.core.model.request import Placement, Request
from printqueue.core.model.subject import Subject
from printqueue.core.units import Size
from printqueue.imaging.colour.exposure import headroom_stops
from printqueue.imaging.render.plan import DoesNotFitError, place
from printqueue.judging.checks import REGISTRY
from printqueue.judging.judge import judge
from printqueue.studio.papers.loader import Shelf

ROOT = Path(__file__).parents[3]
PAPERS = Shelf.load(ROOT / "printqueue/rules").papers
TABLE = ROOT / "tests/references/ppi_viewing_distance.csv"
PASS, NOTE, WARN, REJECT = Level.PASS, Level.NOTE, Level.WARN, Level.REJECT
A3 = Size("A3", 297, 420)
PICTURE = PictureFacts("TIFF", 6000, 4000, 16, "rgb", metadata=Metadata("Slipway", "the studio", "the studio"))
MEASURED: dict[Key, Value] = {
    Measure.READ_ROWS: 4000,
    Word.PROFILE_STATE: "fine",
    Word.PROFILE_NAME: "Adobe RGB (1998)",
    YesNo.LAYERS_TRANSPARENT: "no",
    Measure.LEVELS_USED: 40_000,
    YesNo.LEVELS_EIGHT_IN_SIXTEEN: "no",
    Measure.LEVELS_COMBED_PERCENT: 0.0,
    Measure.TONE_MEDIAN_L: 50.0,
    Measure.TONE_P99_5_L: 95.0,
    Measure.TONE_SOLID_PERCENT: 0.0,
    Measure.TONE_BARE_LARGEST_PERCENT: 0.0,
    Measure.TONE_BARE_EDGE_PERCENT: 0.0,
    Measure.TONE_SHADOW_LOST_PERCENT: 0.0,
    Measure.HALO_SCORE_PERCENT: 3.0,
    Measure.HALO_SHARE_PERCENT: 0.0,
    Measure.HALO_EDGES: 80,
    Measure.HALO_WIDTH_MM: 0.1,
    Measure.GAMUT_OVER_6_PERCENT: 0.0,
    Measure.VIGNETTE_CENTRE_L: 50.0,
    Measure.VIGNETTE_CORNERS_L: -1.0,
    Measure.VIGNETTE_LIGHTEST_CORNER_L: -0.5,
    Measure.DETAIL_FINE_PERCENT: 10.0,
    Measure.BANDING_AREA_PERCENT: 0.0,
    Measure.BANDING_STEPPED_PERCENT: 0.0,
    Measure.COMPRESSION_SCORE_PERCENT: 0.0,
    Measure.SOFTNESS_DETAIL_PERCENT: 90.0,
    Measure.SOFTNESS_TAIL_DB: -6.0,
    YesNo.SOFTNESS_ENLARGED: "no",
    Measure.REPEAT_EARLIER: 0,
}


OFF = {"baryta": {"fine-detail"}, "smooth-rag": {"fine-detail"}}  # nothing in these surfaces swallows detail


def facts(key: str) -> PaperFacts:
    """A shipped paper as judgement sees it, with a real profile put in."""
    paper = PAPERS[key]
    white, black = paper.tone.white, paper.tone.black
    assert white is not None
    assert black is not None
    sizes = tuple(paper.sizes)
    return PaperFacts(key, paper.paper, paper.surface, white, black, sizes, "mine.icc", profile_is_demonstration=False)


def subject(
    paper: str = "smooth-rag",
    measured: Mapping[Key, Value] | None = None,
    *,
    picture: PictureFacts = PICTURE,
    request: Request | None = None,
    **changes: Any,
) -> Subject:
    """A faultless picture on A3, with some things changed."""
    request = request or Request(paper, A3)
    placement = changes.pop("placement", None) or place(request, picture.width_px, picture.height_px)
    numbers = MEASURED | {Measure.READ_ROWS: picture.height_px} | dict(measured or {})
    return replace(Subject(picture, facts(paper), request, placement, numbers), **changes)


def findings(case: Subject, **limits: Mapping[str, Any]) -> dict[str, Finding]:
    """All findings by name, by the paper's own limits; `limits` replaces fields of one check's."""
    rules = dict(PAPERS[case.paper.key].checks)
    for name, fields in limits.items():
        key = name.replace("_", "-")
        rules[key] = rules[key].model_copy(update=dict(fields))
    return {finding.check: finding for finding in judge(case, rules)}


def level(check: str, case: Subject, **limits: Mapping[str, Any]) -> Level:
    """The level of one check."""
    return findings(case, **limits)[check].level


@pytest.mark.parametrize("paper", PAPERS)
def test_a_faultless_picture_passes_everything(paper: str) -> None:
    """Every check is heard, once, and none has a word to say against a good picture."""
    found = findings(subject(paper))
    assert set(found) == set(REGISTRY) - OFF.get(paper, set())
    assert {name for name, finding in found.items() if finding.level is not PASS} == set()
    assert verdict(found.values()) is Verdict.ACCEPTED


Case = tuple[str, str, dict[Key, Value], Level]
ON_AND_AROUND: list[Case] = [
    ("whole", "smooth-rag", {Measure.READ_ROWS: 4000}, PASS),
    ("whole", "smooth-rag", {Measure.READ_ROWS: 3999}, REJECT),
    ("whole", "smooth-rag", {Measure.READ_ROWS: None}, REJECT),
    ("oversharpening", "smooth-rag", {Measure.HALO_SCORE_PERCENT: 20.0, Measure.HALO_SHARE_PERCENT: 80.0}, PASS),
    ("oversharpening", "smooth-rag", {Measure.HALO_SCORE_PERCENT: 20.1, Measure.HALO_SHARE_PERCENT: 80.0}, WARN),
    ("oversharpening", "smooth-rag", {Measure.HALO_SCORE_PERCENT: 40.0, Measure.HALO_SHARE_PERCENT: 80.0}, WARN),
    ("oversharpening", "smooth-rag", {Measure.HALO_SCORE_PERCENT: 40.1, Measure.HALO_SHARE_PERCENT: 50.0}, REJECT),
    ("oversharpening", "smooth-rag", {Measure.HALO_SCORE_PERCENT: 90.0, Measure.HALO_SHARE_PERCENT: 49.9}, WARN),
    ("oversharpening", "kozo", {Measure.HALO_SCORE_PERCENT: 28.0, Measure.HALO_SHARE_PERCENT: 80.0}, PASS),
    ("oversharpening", "kozo", {Measure.HALO_SCORE_PERCENT: 50.1, Measure.HALO_SHARE_PERCENT: 80.0}, REJECT),
    (
        "oversharpening",
        "baryta",
        {Measure.HALO_SCORE_PERCENT: None, Measure.HALO_SHARE_PERCENT: None, Measure.HALO_EDGES: 3},
        NOTE,
    ),
    ("oversharpening", "baryta", {Measure.HALO_SCORE_PERCENT: -2.0}, PASS),
    ("brightness", "smooth-rag", {Measure.TONE_MEDIAN_L: 29.0, Measure.TONE_P99_5_L: 60.0}, PASS),  # black 17 + 12
    ("brightness", "smooth-rag", {Measure.TONE_MEDIAN_L: 28.9, Measure.TONE_P99_5_L: 60.0}, WARN),
    ("brightness", "smooth-rag", {Measure.TONE_MEDIAN_L: 28.9, Measure.TONE_P99_5_L: 87.3}, WARN),  # 0.5025 stop unused
    ("brightness", "smooth-rag", {Measure.TONE_MEDIAN_L: 28.9, Measure.TONE_P99_5_L: 87.4}, NOTE),  # 0.4985 stop unused
    ("brightness", "smooth-rag", {Measure.TONE_MEDIAN_L: 10.0, Measure.TONE_P99_5_L: 60.0}, WARN),
    ("brightness", "baryta", {Measure.TONE_MEDIAN_L: 17.0, Measure.TONE_P99_5_L: 60.0}, PASS),
    ("brightness", "baryta", {Measure.TONE_MEDIAN_L: 16.9, Measure.TONE_P99_5_L: 60.0}, WARN),
    ("contrast", "smooth-rag", {Measure.TONE_SHADOW_LOST_PERCENT: 15.0}, PASS),
    ("contrast", "smooth-rag", {Measure.TONE_SHADOW_LOST_PERCENT: 15.1}, WARN),
    ("contrast", "kozo", {Measure.TONE_SHADOW_LOST_PERCENT: 10.1}, WARN),
    ("contrast", "baryta", {Measure.TONE_SHADOW_LOST_PERCENT: 15.1}, NOTE),
    ("clipping", "baryta", {Measure.TONE_BARE_LARGEST_PERCENT: 0.5}, PASS),
    ("clipping", "baryta", {Measure.TONE_BARE_LARGEST_PERCENT: 0.51}, WARN),
    ("clipping", "smooth-rag", {Measure.TONE_BARE_LARGEST_PERCENT: 5.0}, PASS),
    ("clipping", "smooth-rag", {Measure.TONE_BARE_LARGEST_PERCENT: 5.1}, NOTE),
    ("clipping", "smooth-rag", {Measure.TONE_BARE_EDGE_PERCENT: 9.9}, PASS),
    ("clipping", "smooth-rag", {Measure.TONE_BARE_EDGE_PERCENT: 10.0}, NOTE),
    ("clipping", "smooth-rag", {Measure.TONE_SOLID_PERCENT: 10.0}, PASS),
    ("clipping", "smooth-rag", {Measure.TONE_SOLID_PERCENT: 10.1}, NOTE),
    ("clipping", "textured-rag", {Measure.TONE_SOLID_PERCENT: 20.0}, PASS),
    ("clipping", "textured-rag", {Measure.TONE_SOLID_PERCENT: 20.1}, WARN),
    ("bit-depth", "smooth-rag", {YesNo.LEVELS_EIGHT_IN_SIXTEEN: "yes"}, NOTE),
    ("bit-depth", "smooth-rag", {Measure.LEVELS_COMBED_PERCENT: 8.0}, PASS),
    ("bit-depth", "smooth-rag", {Measure.LEVELS_COMBED_PERCENT: 8.1}, NOTE),
    ("layers", "smooth-rag", {YesNo.LAYERS_TRANSPARENT: "yes"}, REJECT),
    ("profile", "smooth-rag", {Word.PROFILE_STATE: "missing", Word.PROFILE_NAME: None}, REJECT),
    ("profile", "smooth-rag", {Word.PROFILE_STATE: "unreadable", Word.PROFILE_PROBLEM: "it is cut short"}, REJECT),
    ("profile", "smooth-rag", {Word.PROFILE_STATE: "printer", Word.PROFILE_NAME: "some press"}, REJECT),
    ("profile", "smooth-rag", {Word.PROFILE_STATE: "display", Word.PROFILE_NAME: "my screen"}, WARN),
    ("profile", "smooth-rag", {Word.PROFILE_STATE: "declared", Word.PROFILE_NAME: "sRGB"}, NOTE),
    ("profile", "smooth-rag", {Word.PROFILE_STATE: "assumed", Word.PROFILE_NAME: "sRGB"}, NOTE),
]


@pytest.mark.parametrize(("check", "paper", "numbers", "wanted"), ON_AND_AROUND)
def test_on_and_around_each_limit(check: str, paper: str, numbers: dict[Key, Value], wanted: Level) -> None:
    """The shipped limits mean what they say, the limit itself included, and no other check is disturbed."""
    found = findings(subject(paper, numbers))
    assert found[check].level is wanted
    assert {name for name, finding in found.items() if finding.level is not PASS} <= {check}


PICTURES: list[tuple[str, dict[str, Any], Level]] = [
    ("layers", {"pages": 1}, PASS),
    ("layers", {"pages": 2}, REJECT),
    ("layers", {"layered": True}, NOTE),
    ("layers", {"selection": True}, NOTE),
    ("layers", {"alpha": True}, PASS),  # opaque everywhere
    *[("layers", {"orientation": tag}, PASS) for tag in (1, 3, 6, 8)],
    *[("layers", {"orientation": tag}, WARN) for tag in (2, 4, 5, 7)],
    ("bit-depth", {"bits": 16}, PASS),
    ("bit-depth", {"bits": 8}, NOTE),
]


@pytest.mark.parametrize(("check", "change", "wanted"), PICTURES)
def test_facts_of_the_file(check: str, change: dict[str, Any], wanted: Level) -> None:
    """What the header says is weighed as the shipped rules have it."""
    assert level(check, subject(picture=replace(PICTURE, **change))) is wanted


def test_eight_bits_in_a_very_wide_space() -> None:
    """8 bits in ROMM are a warning, 16 are not, and 8 in another space are a note."""
    eight = replace(PICTURE, bits=8)
    assert level("bit-depth", subject(measured={Word.PROFILE_SPACE: "romm"}, picture=eight)) is WARN
    assert level("bit-depth", subject(measured={Word.PROFILE_SPACE: "romm"})) is PASS
    assert level("bit-depth", subject(picture=eight)) is NOTE


def at_ppi(ppi: float, width_mm: float = 300, height_mm: float = 200) -> Placement:
    """A picture of that size and source resolution, diagonal 360.6 mm unless said otherwise."""
    sheet = Size("custom", width_mm + 100, height_mm + 100)
    placed = place(Request("smooth-rag", sheet, picture=Size("", width_mm, height_mm)), 3000, 2000)
    return replace(placed, source_ppi=ppi)


@pytest.mark.parametrize(
    ("paper", "ppi", "wanted"),
    [
        ("smooth-rag", 240.0, PASS),
        ("smooth-rag", 237.7, PASS),  # 1 % tolerance: 237.6
        ("smooth-rag", 237.5, WARN),
        ("smooth-rag", 150.0, WARN),
        ("smooth-rag", 148.6, WARN),
        ("smooth-rag", 148.4, REJECT),
        ("baryta", 158.3, REJECT),
        ("baryta", 158.5, WARN),
        ("kozo", 178.3, PASS),
        ("kozo", 118.7, REJECT),
    ],
)
def test_resolution_limits(paper: str, ppi: float, wanted: Level) -> None:
    """Pixels per inch of the print against the paper's limits, with 1 % tolerance."""
    assert level("resolution", subject(paper, placement=at_ppi(ppi))) is wanted


@pytest.mark.parametrize(
    ("diagonal_mm", "reject_below", "warn_below"),
    [(360.56, 150, 240), (500, 150, 240), (600, 125, 200), (750, 100, 160), (1000, 100, 150), (3000, 100, 150)],
)
def test_resolution_of_large_prints(diagonal_mm: float, reject_below: float, warn_below: float) -> None:
    """Above 500 mm the limits shrink by 500 mm / diagonal, never under 100 and 150 ppi."""
    width, height = diagonal_mm * 0.83205, diagonal_mm * 0.5547  # 3:2
    for limit, below, above in ((reject_below, REJECT, WARN), (warn_below, WARN, PASS)):
        found = findings(subject(placement=at_ppi(limit * 0.985, width, height)))["resolution"]
        assert found.level is below
        assert found.limit == pytest.approx(limit, rel=2e-3)
        assert level("resolution", subject(placement=at_ppi(limit * 0.995, width, height))) is above
    passed = findings(subject(placement=at_ppi(400, width, height)))["resolution"]
    assert passed.limit == pytest.approx(warn_below, rel=2e-3), "a pass names the limit that was really nearest"


@pytest.mark.parametrize(("distance_mm", "factor"), [(500, 1), (250, 2), (625, 0.8), (60, 5), (5000, None)])
def test_resolution_for_a_distance(distance_mm: float, factor: float | None) -> None:
    """A viewing distance in the order replaces the diagonal: limits × 500 mm / distance, floors as before."""
    request = Request("smooth-rag", A3, distance_mm=distance_mm)
    limit = 100 if factor is None else 150 * factor
    near, enough = at_ppi(limit * 0.98), at_ppi(limit * 1.0)
    assert level("resolution", subject(request=request, placement=near)) is REJECT
    assert level("resolution", subject(request=request, placement=enough)) is not REJECT


DISTANCES = list(csv.DictReader(line for line in TABLE.read_text("utf-8").splitlines() if not line.startswith("#")))


def test_the_distance_rule_is_explained_rightly() -> None:
    """The ppi that the explanation names for a distance are the reference table's, one pixel per arcminute."""
    table = {round(float(row["distance_mm"])): float(row["ppi_exact_1arcmin_per_pixel"]) for row in DISTANCES}
    said = re.findall(r"([0-9]+) ppi at ([0-9]+) mm", REGISTRY["resolution"].explanation.source)
    assert [(int(ppi), int(mm)) for ppi, mm in said] == [(round(table[mm]), mm) for mm in (254, 508)]


@settings(max_examples=120, deadline=None, derandomize=True, database=None)
@given(
    st.sampled_from(sorted(PAPERS)),
    st.integers(400, 9000),
    st.integers(400, 9000),
    st.floats(200, 2500),
    st.sampled_from([None, 300.0, 500.0, 1500.0]),
)
def test_the_smaller_size_that_is_offered_is_enough(
    paper: str, width: int, height: int, sheet_mm: float, distance_mm: float | None
) -> None:
    """Whoever takes the smaller size that the finding offers is not turned back, or warned, for the same again."""
    picture = replace(PICTURE, width_px=width, height_px=height)
    sheet = Size("custom", sheet_mm, sheet_mm)
    request = Request(paper, sheet, distance_mm=distance_mm)
    try:
        before = findings(subject(paper, picture=picture, request=request))["resolution"]
    except DoesNotFitError:  # a strip so narrow that it cannot be placed at all
        return
    offered = re.search(r"picture: ([0-9]+)x([0-9]+) mm", before.instead)
    if before.level is PASS or offered is None or min(map(int, offered.groups())) < 10:
        return
    smaller = replace(request, picture=Size("", float(offered[1]), float(offered[2])))
    after = findings(subject(paper, picture=picture, request=smaller))["resolution"]
    assert after.level.weight < before.level.weight


def test_size() -> None:
    """Not stocked is a note, inside the printer's margin a warning, on the margin itself fine."""
    assert level("size", subject(request=Request("smooth-rag", Size("A5", 148, 210), size_listed=False))) is NOTE
    for border, wanted in ((3.0, PASS), (2.9, WARN), (0.0, WARN)):
        given_sides = replace(place(Request("smooth-rag", A3), 6000, 4000), borders_mm=(border, 40.0, 50.0, 40.0))
        assert level("size", subject(placement=given_sides)) is wanted


def unplaced(measured: Mapping[Key, Value] | None = None, allow: Mapping[str, str] | None = None) -> Subject:
    """A picture that cannot be placed on its sheet."""
    problem = {Word.SIZE_PROBLEM: "The border is as wide as the sheet A3.", Word.SIZE_DO: "Ask for a narrower border."}
    case = subject(measured=problem | dict(measured or {}), request=Request("smooth-rag", A3, allow=allow or {}))
    return replace(case, placement=None)


def test_what_cannot_be_placed() -> None:
    """It is turned back by size, in the planner's own words; resolution says that it could not measure."""
    found = findings(unplaced())
    assert found["size"].level is REJECT
    assert (found["size"].says, found["size"].do) == (
        "The border is as wide as the sheet A3.",
        "Ask for a narrower border.",
    )
    assert (found["resolution"].level, found["resolution"].measured) == (NOTE, None)


@pytest.mark.parametrize(
    ("L", "stops"), [(100, 0), (76.069, 1), (57.076, 2), (8, 6.8191), (87.34, 0.5), (91.36, 1 / 3)]
)
def test_headroom(L: float, stops: float) -> None:
    """Headroom is −log2 of luminance by CIE 15: half the light is one stop, L* 91.4 a third of one."""
    assert headroom_stops(L) == pytest.approx(stops, abs=2e-3)


def test_headroom_of_black_is_finite() -> None:
    """A black picture has much headroom, not infinite one."""
    assert 15 < headroom_stops(0.0) < 25


def test_a_demonstration_profile_is_always_said() -> None:
    """On a paper whose profile belongs to no real sheet every print is warned, but a worse fault goes first."""
    demo = replace(facts("smooth-rag"), profile_is_demonstration=True)
    found = findings(replace(subject(), paper=demo))["profile"]
    assert found.level is WARN
    assert "demonstration" in found.says
    missing = replace(subject(measured={Word.PROFILE_STATE: "missing"}), paper=demo)
    assert findings(missing)["profile"].level is REJECT
    assert (found.about, findings(missing)["profile"].about) == (About.DEMONSTRATION, About.PICTURE)


@pytest.mark.parametrize("state", ProfileState)
def test_every_state_of_a_profile_is_judged(state: ProfileState) -> None:
    """The record's words for the states are those that it always had, and each has its finding."""
    assert state in ("fine", "missing", "unreadable", "printer", "declared", "assumed", "display")
    found = findings(subject(measured={Word.PROFILE_STATE: str(state), Word.PROFILE_NAME: "Tide"}))["profile"]
    assert (found.level is Level.PASS) is (state is ProfileState.FINE)


def test_a_finding_without_numbers_is_about_them() -> None:
    """What another finding left unmeasured is known by what it is about, and by nothing else that is judged."""
    left = unmeasured("softness", Level.NOTE, "%")
    assert (left.about, left.says) == (About.NUMBERS, "Not measured: see the other findings.")
    assert {found.about for found in findings(subject()).values()} == {About.PICTURE}


UNPRINTABLE = [
    ("profile", subject(measured={Word.PROFILE_STATE: "missing"})),
    ("profile", subject(measured={Word.PROFILE_STATE: "unreadable", Word.PROFILE_PROBLEM: "it is cut short"})),
    ("size", unplaced()),
    ("whole", subject(measured={Measure.READ_ROWS: 10})),
    ("layers", subject(measured={YesNo.LAYERS_TRANSPARENT: "yes"})),
    ("layers", subject(picture=replace(PICTURE, pages=2))),
]


@pytest.mark.parametrize(("check", "case"), UNPRINTABLE)
def test_what_cannot_be_rendered_cannot_be_allowed(check: str, case: Subject) -> None:
    """No allowance makes a print out of what has no colours, no place, no end, or no one page."""
    allowed = replace(case, request=replace(case.request, allow={check: "I know what I do"}))
    finding = findings(allowed)[check]
    assert (finding.level, finding.allowed) == (REJECT, False)
    assert verdict(findings(allowed).values()) is Verdict.TURNED_BACK


@pytest.mark.parametrize("off", [True, False])
@pytest.mark.parametrize(("check", "case"), UNPRINTABLE[:3])
def test_no_rule_lets_through_what_cannot_be_rendered(check: str, case: Subject, off: bool) -> None:
    """A paper that turns the check off, or makes it a note, still turns back what has no colours or no place."""
    rules = dict(PAPERS["smooth-rag"].checks)
    softened = {field: NOTE for field, value in rules[check] if isinstance(value, Level)}
    limits = rules.pop(check) if off else rules[check].model_copy(update=softened)
    found = judge(case, rules if off else rules | {check: limits})
    assert verdict(found) is Verdict.TURNED_BACK
    assert [finding.level for finding in found if finding.check == check] == [REJECT]


def test_an_allowance_is_for_one_check() -> None:
    """An allowed reject keeps its level, does not count, and helps no other check."""
    halo: dict[Key, Value] = {Measure.HALO_SCORE_PERCENT: 70.0, Measure.HALO_SHARE_PERCENT: 90.0}
    request = Request("smooth-rag", A3, allow={"oversharpening": "frost"})
    found = findings(subject(measured=halo, request=request))
    assert (found["oversharpening"].level, found["oversharpening"].allowed) == (REJECT, True)
    assert verdict(found.values()) is Verdict.ACCEPTED
    both = findings(subject(measured=halo | {Word.PROFILE_STATE: "missing"}, request=request))
    assert verdict(both.values()) is Verdict.TURNED_BACK
    assert not [name for name, finding in both.items() if finding.allowed and name != "oversharpening"]


def test_a_printers_profile_may_be_allowed() -> None:
    """Colours that are converted already can be rendered through their profile: the artist may insist on it."""
    printer: dict[Key, Value] = {Word.PROFILE_STATE: "printer", Word.PROFILE_NAME: "some press"}
    assert verdict(findings(subject(measured=printer)).values()) is Verdict.TURNED_BACK
    allowed = findings(subject(measured=printer, request=Request("smooth-rag", A3, allow={"profile": "a test"})))
    assert (allowed["profile"].level, allowed["profile"].allowed) == (REJECT, True)
    assert verdict(allowed.values()) is Verdict.ACCEPTED


def test_an_allowance_covers_a_warning_but_not_a_note() -> None:
    """For an exhibition paper that turns back at warnings an allowance counts too; a note needs none."""
    request = Request("smooth-rag", A3, allow={"contrast": "", "bit-depth": ""})
    found = findings(
        subject(measured={Measure.TONE_SHADOW_LOST_PERCENT: 40.0}, picture=replace(PICTURE, bits=8), request=request)
    )
    assert found["contrast"].allowed
    assert not found["bit-depth"].allowed
    assert verdict(found.values(), turn_back_at=WARN) is Verdict.ACCEPTED


def every_kind_of_finding() -> list[tuple[Subject, Finding]]:
    """Findings of all cases above on all papers, of an empty measurement, and with every limit taken away."""
    cases = [subject(paper, numbers) for _, paper, numbers, _ in ON_AND_AROUND]
    cases += [subject(picture=replace(PICTURE, **change)) for _, change, _ in PICTURES]
    cases += [subject(placement=at_ppi(ppi)) for ppi in (60.0, 200.0, 400.0)]
    cases += [case for _, case in UNPRINTABLE]
    cases += [replace(unplaced(), measured={}), replace(subject(), measured={})]
    cases += [subject(request=Request("smooth-rag", Size("A5", 148, 210), size_listed=False))]
    cases += [replace(subject(), paper=replace(facts("kozo"), profile_is_demonstration=True, key="kozo"))]
    pairs = []
    for case in cases:
        for paper in PAPERS:
            moved = replace(
                case, paper=replace(facts(paper), profile_is_demonstration=case.paper.profile_is_demonstration)
            )
            rules = dict(PAPERS[paper].checks)
            harsh = {name: limits.model_copy(update={"unmeasurable": REJECT}) for name, limits in rules.items()}
            bare = {name: REGISTRY[name].limits() for name in rules}
            pairs += [(moved, finding) for some in (rules, harsh, bare) for finding in judge(moved, some)]
    return pairs


def test_every_finding_is_complete() -> None:
    """Level, numbers with unit, one sentence, and for whatever may stop a print a remedy: nothing half said."""
    heard = set()
    for _, finding in every_kind_of_finding():
        heard.add((finding.check, finding.level))
        complete(finding)
    assert {name for name, _ in heard} == set(REGISTRY)
    assert len(heard) >= 27, "the cases reach the checks' levels"


def complete(finding: Finding) -> None:
    """Fail where a finding lacks something."""
    texts = (finding.says, finding.do, finding.why, finding.instead)
    for text in texts:
        assert not re.search(r"\b(nan|None|inf)\b", text), text
        assert "  " not in text
        assert not text or text.endswith((".", "!", ")")), text
    assert finding.says[0].isupper() or finding.says[0].isdigit()
    assert isinstance(finding.unit, str)
    if finding.level.weight >= WARN.weight:
        assert finding.do, finding
    if finding.level is PASS:
        assert not finding.do
    numbers = [value for value in (finding.measured, finding.limit) if isinstance(value, float)]
    assert all(abs(number) < 1e9 for number in numbers)
    if numbers:
        assert finding.unit, finding


def test_findings_by_the_shipped_limits_have_measured_and_limit() -> None:
    """By the shipped rules every answer that was measured says its value and the limit that was crossed or nearest."""
    for case, finding in every_kind_of_finding():
        limited = PAPERS[case.paper.key].checks
        if finding in judge(case, limited) and "easur" not in finding.says and finding.measured is not None:
            assert finding.limit is not None, finding


def test_a_pass_never_measures_beyond_its_limit() -> None:
    """A finding's level agrees with its own two numbers, whichever way the check looks."""
    falling = {"resolution", "brightness", "bit-depth"}  # small is bad
    for case, finding in every_kind_of_finding():
        numeric = isinstance(finding.measured, float | int) and isinstance(finding.limit, float | int)
        if (
            not numeric
            or finding.check in ("layers", "whole", "size")
            or finding not in judge(case, PAPERS[case.paper.key].checks)
        ):
            continue
        assert isinstance(finding.measured, float | int)
        assert isinstance(finding.limit, float | int)
        over = finding.measured - finding.limit
        bad = -over if finding.check == "softness" or (finding.check in falling and finding.unit != "%") else over
        slack = 0.02 * abs(finding.limit) + 0.05
        assert bad <= slack if finding.level is PASS else bad >= -slack, finding


@pytest.mark.parametrize("name", REGISTRY)
def test_every_check_explains_itself(name: str) -> None:
    """Question, measure, reason, source and typical values: none empty, each a sentence that ends."""
    explanation = REGISTRY[name].explanation
    assert explanation.question.endswith("?")
    assert "\n" not in explanation.question
    for text in (explanation.measures, explanation.matters, explanation.source, explanation.typical):
        assert len(text) > 10
        assert text.endswith(".")
        assert text[0].isupper() or text[0].isdigit()
        assert "  " not in text
    assert REGISTRY[name].name == name


def test_the_registry_is_complete() -> None:
    """A file in checks/ is a check of that name: none is left out, none is doubled."""
    files = {path.stem.replace("_", "-") for path in (ROOT / "printqueue/judging/checks").glob("[!_]*.py")}
    assert set(REGISTRY) == files
