"""Paper files: what they may say, and how they answer what they may not."""

from __future__ import annotations

import pickle
from typing import Annotated, Any

import pytest
import yaml
from jsonschema import Draft202012Validator
from pydantic import BaseModel, Field

from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.paper import Intent, Margins, Surface
from printqueue.core.model.request import Border
from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.plain_yaml import RulesError, read
from printqueue.core.yaml.quantity import Percent
from printqueue.core.yaml.yaml_model import YamlModel
from printqueue.judging.checks import REGISTRY
from printqueue.judging.contract import Check, Explanation
from printqueue.studio.papers.checks import LimitsByCheck
from printqueue.studio.papers.schema import Paper

LEAST = "paper: Plain\nsurface: baryta\nprofile: plain.icc\nsizes: [A4, A3]\n"
FULL = """
paper: Smooth cotton
surface: smooth-matte
grammage: 300 gsm
thickness: 0.45 mm
edge: deckled
tone: {white: [96.5, 0.4, -1.8], black: [17, 0, 0]}
profile: smooth-rag.icc
printer: {name: "", media: matte, quality: fine, black_ink: matte, feed: roll, margins: 5 mm}
print: {ppi: 300, intent: perceptual, black_point_compensation: false, lift: 1/3 stop, sharpen: none}
sizes: [A4, A3, 300x400 mm]
default_size: A3
border: {style: weighted, width: 25 mm}
fit: crop
turn_back_at: warn
handling: [Brush the lint off.]
checks:
  resolution: {reject_below: 150 ppi, warn_below: 240 ppi}
  oversharpening: {reject_above: 40 %, warn_above: 20 %, unmeasurable: note}
  clipping: off
"""


def paper(text: str) -> Paper:
    """The paper of one file."""
    return Paper.from_tree(read(text.encode(), "test.yaml"), {"key": "test"})


def refused(text: str) -> str:
    """Everything that is said about a file that is no paper."""
    with pytest.raises(RulesError) as caught:
        paper(text)
    return str(caught.value)


def test_every_key() -> None:
    """Each key of a full file arrives typed, in base units."""
    full = paper(FULL)
    assert (full.key, full.paper, full.surface) == ("test", "Smooth cotton", Surface.SMOOTH_MATTE)
    assert (full.grammage, full.thickness, full.edge, full.profile) == (300, 0.45, "deckled", "smooth-rag.icc")
    assert (full.tone.white, full.tone.black) == ((96.5, 0.4, -1.8), (17, 0, 0))
    assert (full.printer.media, full.printer.feed, full.printer.margins) == ("matte", "roll", Margins(5, 5))
    assert (full.print.ppi, full.print.intent) == (300, Intent.PERCEPTUAL)
    assert (full.print.black_point_compensation, full.print.lift) == (False, 1 / 3)
    assert [size.name for size in full.sizes] == ["A4", "A3", "300x400 mm"]
    assert (full.usual_size.name, full.border.border()) == ("A3", Border("weighted", 25))
    assert isinstance(full.turn_back_at, Level)
    assert (full.fit, full.turn_back_at, full.handling) == ("crop", Level.WARN, ["Brush the lint off."])


def test_defaults() -> None:
    """A file of four lines is a paper: first size, 8 % border, nothing checked, nothing cropped or sharpened."""
    least = paper(LEAST)
    assert least.usual_size.name == "A4"
    assert least.border.border() == Border("even", None)
    assert (least.print.ppi, least.print.intent, least.print.lift, least.print.sharpen) == (
        360,
        Intent.RELATIVE,
        0,
        None,
    )
    assert (least.fit, least.turn_back_at, least.checks, least.edge) == ("whole", Level.REJECT, {}, "cut")


def test_checks_in_force() -> None:
    """Limits arrive as each check's own type; `off` and a check that is not named are absent."""
    checks = paper(FULL).checks
    assert sorted(checks) == ["oversharpening", "resolution"]
    for name, limits in checks.items():
        assert type(limits) is REGISTRY[name].limits
    assert checks["resolution"].model_dump()["reject_below"] == 150


def test_four_sides() -> None:
    """A border of four values keeps each side: top, right, bottom, left."""
    border = paper(LEAST + "border: {top: 20 mm, right: 30 mm, bottom: 4 cm, left: 35 mm}\n").border.border()
    assert border == Border("given", None, (20, 30, 40, 35))


def test_facts() -> None:
    """The file's own tone goes before the profile's; what the file leaves out comes from the profile."""
    known = {
        "profile_name": "x",
        "profile_white": (90.0, 0.0, 0.0),
        "profile_black": (9.0, 0.0, 0.0),
        "is_demonstration": True,
    }
    facts = paper(LEAST + "tone: {white: [97, 0.2, -1]}\nprinter: {margins: 4 mm}\n").facts(**known)  # type: ignore[arg-type]
    assert (facts.white, facts.black) == ((97, 0.2, -1), (9, 0, 0))
    assert (facts.key, facts.name, facts.margins) == ("test", "Plain", Margins(4, 4))
    assert facts.profile_is_demonstration


ANSWERS = [
    ("grammage: 300", 5, "grammage: '300' has no unit; write '300 gsm'."),
    ("grammage: 3 gsm", 5, "out of range; 20 to 2000 gsm"),
    ("thickness: 0.45", 5, "write '0.45 mm'"),
    ("edge: torn", 5, "'torn' is not possible here. Write 'cut' or 'deckled'."),
    ("tone: {white: [96, 0]}", 5, "tone.white: write three numbers"),
    ("tone: {white: [960, 0, 0]}", 5, "L* is 0 to 100"),
    ("tone: {white: [1, 0, 0], black: [90, 0, 0]}", 5, "white must be lighter than black"),
    ("tone: [1, 2]", 5, "keys are expected here, a list found. Possible keys: white, black."),
    ("print: {sharpen: unsharp}", 5, "write none, or {radius: 0.2 mm, amount: 50 %}"),
    ("print: {sharpen: {radius: 0.2, amount: 50 %}}", 5, "has no unit"),
    ("print: {sharpen: {radius: 2 mm, amount: 50 %}}", 5, "0.05 to 0.6 mm"),
    ("print: {sharpen: {radius: 0.2 mm, amount: 50 %, threshold: 3}}", 5, "write none, or"),
    ("printer: {margins: {ends: 25 mm}}", 5, "{ends: 25 mm, sides: 3 mm}"),
    ("printer: {margins: 25}", 5, "has no unit"),
    ("foot_line: yes", 5, "write off, or"),
    ("foot_line: 9 mm", 5, "1 to 4 mm"),
    ("drying: 24", 5, "has no unit"),
    ("print: {ppi: 36}", 5, "100 to 1440"),
    ("print: {ppi: 300.5}", 5, "whole number"),
    ("print: {intent: relativ}", 5, "Write 'perceptual', 'relative', 'saturation' or 'absolute'."),
    ("print: {black_point_compensation: yes}", 5, "write true or false"),
    ("print: {lift: 3 stops}", 5, "3 stops is out of range; -2 to 2 stops"),
    ("print:\n  lift: 0.3", 6, "write '0.3 stop'"),
    ("default_size: A2", 5, "A2 is not among sizes (A4, A3)"),
    ("border: {width: 25}", 5, "border.width: '25' has no unit"),
    ("border: {width: -5 mm}", 5, "out of range; 0 to 500 mm"),
    ("border: {top: 2 cm, left: 2 cm}", 5, "needs bottom, right too"),
    ("border: {style: even, top: 2 cm, right: 2 cm, bottom: 2 cm, left: 2 cm}", 5, "not both"),
    ("border: {style: wide}", 5, "Write 'even' or 'weighted'."),
    ("fit: fill", 5, "Write 'whole' or 'crop'."),
    ("turn_back_at: note", 5, "Write 'reject' or 'warn'."),
    ("handling: brush", 5, "a list is expected here, the text 'brush' found."),
    ("handling: [{a: b}]", 5, "handling[0]: write one text"),
    ("printer: {black_ink: mate}", 5, "Write 'matte', 'photo' or 'either'."),
    ("checks:\n  resolutoin: {reject_below: 1 ppi}", 6, "there is no such key. Did you mean 'resolution'?"),
    ("checks:\n  resolution:\n    reject_bellow: 150 ppi", 7, "Did you mean 'reject_below'?"),
    (
        "checks:\n  resolution:\n    reject_below: 150",
        7,
        "checks.resolution.reject_below: '150' has no unit; write '150 ppi'.",
    ),
    ("checks: {resolution: none}", 5, "write 'off', or limits"),
    ("checks: {profile: {missing: refuse}}", 5, "Write 'reject', 'warn', 'note' or 'pass'."),
    ("checks: off", 5, "keys are expected here, the text 'off' found."),
    ("ppi: 300", 5, "It belongs in 'print.ppi'."),
    ("print: {profile: x.icc}", 5, "It belongs at the top of the file"),
    ("thicknes: 1 mm", 5, "Did you mean 'thickness'?"),
    ("edge:", 5, "there is no value."),
    ("extends: ../_base", 5, "is no rule name"),
]


@pytest.mark.parametrize(("text", "line", "words"), ANSWERS, ids=[text for text, _, _ in ANSWERS])
def test_answers(text: str, line: int, words: str) -> None:
    """Each mistake is answered once, with file, line, key and what to write."""
    said = refused(LEAST + text + "\n")
    assert said.startswith(f"test.yaml, line {line}, ")
    assert words in said
    assert said.count("\n") == 0


@pytest.mark.parametrize(
    "name",
    [
        "../x.icc",
        "/etc/x.icc",
        "a/b.icc",
        "a\\b.icc",
        ".hidden.icc",
        "x.tif",
        "x",
        "..",
        '""',
        "x.icc/",
        "é" * 150 + ".icc",
    ],
)
def test_profiles_are_bare_names(name: str) -> None:
    """A profile is the bare name of a file in profiles/: no path leaves that folder."""
    said = refused(LEAST.replace("plain.icc", name))
    assert "profile: " in said
    assert "bare file name" in said


@pytest.mark.parametrize(
    ("sizes", "words"),
    [
        ("[]", "must not be empty"),
        ("A4", "a list is expected here"),
        ("[A4, A4]", "A4 stands in the list twice"),
        ("[A4, 297x210 mm]", "twice"),
        ("[A4, 30x40]", "sizes[1]: '30x40' has no unit"),
        ("[A4, [A3]]", "sizes[1]: write one size"),
    ],
)
def test_sizes(sizes: str, words: str) -> None:
    """The stock is a list of different sheets, each with its unit."""
    assert words in refused(LEAST.replace("[A4, A3]", sizes))


def test_all_errors_at_once() -> None:
    """Eleven mistakes of text and meaning come as eleven lines, in the order of the file."""
    said = refused(
        "papr: Hello\nsurface: mate\nprofile: a/b.icc\ngrammage: 300\nedge:\nprint: {lift: 3 stop, intent: relativ}\n"
        "sizes: [A4, 30x40]\nborder: {top: 1 mm}\nchecks: {resolutoin: {}}\nedge: cut\n"
    ).split("\n")
    assert [line.split(",")[1].split(":")[0].strip() for line in said] == [
        f"line {number}" for number in (1, 1, 2, 3, 4, 5, 6, 6, 7, 8, 9, 10)
    ]
    assert "paper: this key is missing. It says: the paper's name" in said[0] + said[1]


def test_a_missing_key_says_what_it_is_for() -> None:
    """A paper without profile is refused with the key's own description."""
    said = refused("paper: P\nsurface: baryta\nsizes: [A4]\n")
    assert "profile: this key is missing. It says: the ICC profile of this paper" in said


def test_what_outsiders_write_is_escaped() -> None:
    """Keys and values appear in messages without anything a terminal could act on."""
    said = refused(LEAST + '"\u200bkey": 1\nedge: "\u00adx"\n')
    assert "\\u200bkey" in said
    assert all(char.isprintable() or char == "\n" for char in said)


def test_papers_are_values() -> None:
    """A paper cannot be changed, and survives the way to a child process with key and checks."""
    full = paper(FULL)
    with pytest.raises(ValueError, match="frozen"):
        full.fit = "whole"  # type: ignore[misc]
    copy = pickle.loads(pickle.dumps(full))
    assert (copy, copy.key, copy.checks) == (full, "test", full.checks)


class FogLimits(Limits):
    """Limits of a check that only this test knows."""

    thicker_than: Percent = 50.0


FOG: Check[Any] = Check(
    "sea-fog",
    FogLimits,
    lambda subject, limits: Finding("sea-fog", Level.PASS, "Clear."),
    Explanation("Fog?", "", "", "", ""),
)


class FogPaper(YamlModel):
    """A paper with a registry of its own."""

    checks: Annotated[dict[str, Limits], LimitsByCheck({"sea-fog": FOG})] = Field(default_factory=dict)


def test_a_new_check_needs_no_change_here() -> None:
    """The keys under `checks` are those of the registry, whatever it holds."""
    fog = FogPaper.from_tree(read(b"checks: {sea-fog: {thicker_than: 20 %}}\n", "t.yaml"))
    assert fog.checks == {"sea-fog": FogLimits(thicker_than="20 %")}
    assert FogPaper.from_tree(read(b"checks: {sea-fog: off}\n", "t.yaml")).checks == {}
    with pytest.raises(RulesError, match="Did you mean 'sea-fog'"):
        FogPaper.from_tree(read(b"checks: {sea-fogg: off}\n", "t.yaml"))


def test_the_schema_fits_files_as_editors_see_them() -> None:
    """A full file, read by an ordinary YAML reader with its booleans and numbers, satisfies the JSON Schema."""
    schema = Draft202012Validator(Paper.editor_schema())
    value = yaml.safe_load(FULL)
    assert schema.is_valid(value)
    wrongs: tuple[dict[str, Any], ...] = (
        {"papr": "x"},
        {"edge": "torn"},
        {"grammage": 300},
        {"checks": {"resolutoin": {}}},
        {"sizes": []},
    )
    for wrong in wrongs:
        assert not schema.is_valid({**value, **wrong}), wrong


def described(node: Any, where: str = "") -> list[str]:
    """Places in a schema where a property has no description and refers to nothing that has one."""
    if isinstance(node, list):
        return [found for one in node for found in described(one, where)]
    if not isinstance(node, dict):
        return []
    bare = [
        f"{where}.{name}"
        for name, one in node.get("properties", {}).items()
        if isinstance(one, dict) and not one.keys() & {"description", "$ref", "anyOf"}
    ]
    return bare + [found for key, one in node.items() for found in described(one, f"{where}.{key}")]


def test_the_schema_explains_every_key_of_a_paper() -> None:
    """Every key of a paper says what it is, and defaults are written with their unit."""
    schema = Paper.editor_schema()
    own = [place for place in described(schema) if "Limits" not in place]  # levels explain themselves by their values
    assert own == []
    assert schema["$defs"]["Printer"]["properties"]["margins"]["default"] == "3 mm"
    assert schema["$defs"]["Printing"]["properties"]["lift"]["default"] == "0 stop"
    assert "null" not in str(schema)


def test_models_refuse_what_they_do_not_know() -> None:
    """Every model behind a paper is closed: no key passes unread."""
    schema = Paper.editor_schema()
    closed = {
        name: node.get("additionalProperties") for name, node in schema["$defs"].items() if node.get("type") == "object"
    }
    assert closed
    assert set(closed.values()) == {False}
    assert schema["additionalProperties"] is False
    assert issubclass(Paper, BaseModel)
