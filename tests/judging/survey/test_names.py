"""Every measurement has a name; a survey stage writes it, a check reads it or it is evidence, and a typo is refused."""

from __future__ import annotations

import ast
import inspect
import re
import subprocess
import sys
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules
from types import ModuleType

import numpy as np
import pytest
from pydantic import TypeAdapter, ValidationError

import printqueue
from printqueue import reports
from printqueue.cli import single
from printqueue.core.model import measures
from printqueue.core.model.measures import GAMUT_OVER, LIFT_COST, Key, Measure, Where, Word, YesNo
from printqueue.core.model.picture import PictureFacts
from printqueue.core.model.request import Request, Sharpening
from printqueue.core.units import Size
from printqueue.imaging.colour import spaces
from printqueue.imaging.colour.source_profile import choose
from printqueue.imaging.render.engine import renderer
from printqueue.imaging.render.plan import place
from printqueue.judging import checks, judge, repeat, survey
from printqueue.judging.judged import Judged
from printqueue.judging.survey.first import first_pass
from printqueue.judging.survey.header import header_readings
from printqueue.judging.survey.native import native_readings
from printqueue.judging.survey.printed import printed_readings
from printqueue.judging.survey.readings import Readings
from printqueue.judging.survey.tones import tone_readings
from printqueue.ledger import earlier
from printqueue.sandbox import tasks as worker

KEYS: tuple[Key, ...] = (*Measure, *Word, *YesNo)
NAMES: dict[str, type[Measure | Word | YesNo | Where]] = {one.__name__: one for one in (Measure, Word, YesNo, Where)}
LADDERS = {"LIFT_COST": LIFT_COST, "GAMUT_OVER": GAMUT_OVER}
SRGB = spaces.profile_bytes("srgb")

# No check reads these; each backs up a number that one does read, for whoever doubts a finding.
FOR_THE_RECORD = {
    Measure.BANDING_STEPPED_PERCENT: "clean 8-bit stairs, which the area leaves out",
    Measure.COMPRESSION_STEP_COUNTS: "the step that the score is a percentage of",
    Measure.SOFTNESS_PEAK: "one trace of enlarging; `enlarged` is made of this",
    Measure.SOFTNESS_PAIRED: "the other trace",
    Measure.SOFTNESS_NOISE_PERCENT: "the grain that was taken off before detail was looked for",
    Measure.TONE_PRINT_BLACK_L: "the black that solid ink was compared with",
    Measure.TONE_SHADOW_DETAIL_PERCENT: "all shadow detail, of which the lost part is a part",
    Measure.HALO_LEVEL: "the scale that gave the score",
    Measure.HALO_EDGE_WIDTH_MM: "how sharp the edges were that the halo was looked for at",
    Measure.HALO_DELTA_L: "the height of the rims in L*, which the score gives in % of the step",
}


def modules(package: ModuleType) -> list[ModuleType]:
    """The modules of a package."""
    return [import_module(f"{package.__name__}.{info.name}") for info in iter_modules(package.__path__)]


WRITERS = [*modules(survey), worker, repeat, single]
READERS = [*modules(checks), judge, *modules(reports), earlier]


def named(module: ModuleType) -> Iterator[Key | Where]:
    """The names that stand in a module's code."""
    for node in ast.walk(ast.parse(inspect.getsource(module))):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in NAMES:
            yield NAMES[node.value.id][node.attr]
        if isinstance(node, ast.Name) and node.id in LADDERS:
            yield from LADDERS[node.id].values()


def test_a_member_is_called_what_its_key_says() -> None:
    """Whoever knows one knows the other: `tone.p99_5_L` is TONE_P99_5_L. No two names share a key."""
    assert [key.name for key in KEYS] == [key.value.replace(".", "_").upper() for key in KEYS]
    assert len({key.value for key in KEYS}) == len(KEYS)


def test_every_name_is_written_and_read() -> None:
    """Written by the survey (or by what asks the ledger), and read by a check, a note or the ledger, or else evidence."""
    everything = {*KEYS, *Where}
    assert everything - {name for module in WRITERS for name in named(module)} == set(), "a line in survey/ is missing"
    assert everything - {name for module in READERS for name in named(module)} == set(FOR_THE_RECORD)


class Held:
    """A picture in memory: fog over a dark shore, with edges enough."""

    icc: bytes | None = SRGB

    def __init__(self) -> None:
        y, x = np.mgrid[:600, :800]
        bars = np.where((x + y // 5) % 80 < 40, 0.25, 0.55) + 0.1 * (y / 600)
        self.pixels = (np.repeat(bars[..., None], 3, axis=2) * 65535).astype(np.uint16)
        self.facts = PictureFacts("TIFF", 800, 600, 16, "rgb")

    def rows(self, start: int, stop: int) -> np.ndarray[tuple[int, ...], np.dtype[np.uint16]]:
        """Its rows."""
        return self.pixels[start:stop]

    def transparent(self) -> bool:
        """It is opaque."""
        return False


def surveyed() -> Readings:
    """All stages of the survey over one picture for a print that is sharpened."""
    source, request = Held(), Request("p", Size("A6", 105, 148), sharpen=Sharpening(0.2, 50))
    profile = choose(source.facts, source.icc, None)
    assert profile.facts is not None
    placement = place(request, 800, 600)
    first = first_pass(source)
    read = header_readings(profile, transparent=False) | native_readings(first, source.facts)
    read |= tone_readings(first.copy, profile, SRGB, request)
    return read | printed_readings(
        renderer(source, SRGB, profile.facts, paper_profile=SRGB, request=request, placement=placement), profile.facts
    )


def test_the_survey_writes_what_it_names() -> None:
    """What stands in its code comes out, all of it, every number a number, every text a text, every answer yes or no."""
    read = surveyed()
    assert set(read.numbers) | set(read.where) == {name for module in modules(survey) for name in named(module)}
    for name, value in read.numbers.items():
        if isinstance(name, Measure):
            assert value is None or type(value) in (int, float), name
        elif isinstance(name, YesNo):
            assert value in (measures.YES, measures.NO), name
        else:
            assert value is None or isinstance(value, str), name


SNIPPET = """
from printqueue.core.model.measures import Measure, Where, Word, YesNo
from printqueue.core.model.subject import Subject
from printqueue.judging.survey.readings import Readings

def check(subject: Subject) -> None:
    subject.number(Measure.HALO_EDGES)
    subject.number(Measure.HALO_EGDES)  # attr-defined
    subject.number("halo.edges")  # arg-type
    subject.number(Word.PROFILE_NAME)  # arg-type
    subject.text(Measure.HALO_EDGES)  # arg-type
    subject.text("profile.name")  # arg-type
    subject.says_yes(Word.PROFILE_NAME)  # arg-type
    subject.tried("halo.edges")  # arg-type
    subject.regions("halo")  # arg-type
    subject.regions(Where.HALOS)  # attr-defined
    subject.measured.get("halo.edges")  # call-overload
    Readings({Measure.HALO_EDGES: 1, Word.PROFILE_NAME: None}, {Where.HALO: ()})
    Readings({"halo.edges": 1})  # dict-item
    Readings({}, {"halo": ()})  # dict-item
    Readings({YesNo.SOFTNESS_ENLARGD: "no"})  # attr-defined
"""


@pytest.mark.slow
def test_mypy_refuses_a_typo(tmp_path: Path) -> None:
    """An unknown name, a bare string and a name of another kind are errors at each way in, and nothing else is."""
    path = tmp_path / "snippet.py"
    path.write_text(SNIPPET)
    command = [sys.executable, "-m", "mypy", "--strict", "--config-file=", f"--cache-dir={tmp_path}", str(path)]
    root = Path(printqueue.__file__).parents[1]
    said = subprocess.run(command, cwd=root, capture_output=True, text=True, check=False).stdout
    found = dict(re.findall(r"snippet\.py:([0-9]+): error:.*\[([a-z-]+)\]", said))
    lines = enumerate(SNIPPET.splitlines(), 1)
    assert found == {str(at): line.split("# ")[1] for at, line in lines if "# " in line}, said


def test_no_key_is_spelled_out() -> None:
    """Outside the list of names no code writes a key as text, where mypy could not see a typo in it."""
    groups = "|".join(sorted({key.value.split(".")[0] for key in KEYS}))
    spelled = re.compile(rf"""["']({groups})\.\w+["']""")
    files = [path for path in Path(printqueue.__file__).parent.rglob("*.py") if path != Path(measures.__file__)]
    assert [f"{path}: {found[0]}" for path in files for found in spelled.finditer(path.read_text())] == []


def test_the_answer_of_a_child_has_known_names_only() -> None:
    """What a child that has read a hostile file says of other things is refused, not recorded."""
    answer = TypeAdapter(Judged)
    known = answer.validate_json('{"findings": [], "placement": null, "measurements": {"halo.edges": 3}}')
    assert known.measurements == {Measure.HALO_EDGES: 3}
    with pytest.raises(ValidationError):
        answer.validate_json('{"findings": [], "placement": null, "measurements": {"halo.egdes": 3}}')
