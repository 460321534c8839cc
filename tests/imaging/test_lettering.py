"""Letters on a sheet: their height, that they are not cut, what the font does not have, and that all machines draw the same."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from importlib.resources import files
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from printqueue.imaging import lettering as module
from printqueue.imaging.lettering import MISSING, fitted, lettering, settable, width_px

ROOT = Path(__file__).parents[2]
# SHA-256 of size and coverage, by text and height. Made once, with FreeType 2.14.3 as Pillow 13.0.0 brings it; drawn in whole
# numbers, so equal on all processors. Another version of FreeType may change them: then they are made anew, on purpose.
GOLDEN = {
    ("Reeds, low tide 1847 · 1 of 25", 14): "0c7483b078acaf39e96598167dd470a09de908e1f90d6bb3382f268984c4ad23",
    (
        "AVATAR To Wave, Ty. Fjord office fluff fi",
        28,
    ): "bf9ce5209bc37a1ab23f1b249d1690634b537551732f43a7a309a37540ad3a58",
    (
        "Łódź, Αθήνα, Привет – “½” ± 3 x\u0301 е\u0301",
        57,
    ): "66e7ff261876cfcab8d09c913959e60cfbd0424dcd8992335853a3450f4bdf8a",
    ("recipe 1a2b3c4d", 5.5): "14f32be88bcf1565c64bdaae00eca70ca82c78215f38986997c06d7564888e47",
}
DRAW = """
import hashlib, json, sys
from PIL import features
from printqueue.imaging.lettering import lettering
drawn = {json.dumps(one): lettering(*one).coverage for one in json.load(sys.stdin)}
hashes = {name: hashlib.sha256(repr(c.shape).encode() + c.tobytes()).hexdigest() for name, c in drawn.items()}
print(json.dumps({"complex layout": features.check_feature("raqm"), "hashes": hashes}))
"""


@pytest.mark.parametrize("height", [14, 28, 57])  # 1, 2 and 4 mm at 360 ppi
def test_capitals_have_the_height_that_is_stated(height: int) -> None:
    """From the baseline up, within a pixel, and nothing of an H hangs below."""
    letter = lettering("H", height)
    rows = np.flatnonzero(letter.coverage.max(axis=1) > 127)
    assert abs(rows.size - height) <= 1
    assert abs(rows[-1] + 1 - letter.baseline_px) <= 1


@pytest.mark.parametrize("text", ["Jäger, fjord gypsum", "f", "j", "Ångström…", "W’", "1a2b3c4d", "x\u0301", "\u0301"])
def test_nothing_is_cut_off(text: str) -> None:
    """The same ink as its letters, laid at the same places with room on all sides."""
    roomy = np.zeros((200, 2000), np.uint8)
    for left, top, drawn in module._placed(text, module._size(40)):
        place = roomy[100 + top : 100 + top + drawn.shape[0], 500 + left : 500 + left + drawn.shape[1]]
        np.maximum(place, drawn, out=place)
    assert int(lettering(text, 40).coverage.astype(int).sum()) == int(roomy.astype(int).sum()) > 0


def test_a_one_in_a_recipe_is_no_letter() -> None:
    """Lining figures: a 1 is as high as an H, and not drawn as a small I."""
    heights = [int((lettering(char, 60).coverage.max(axis=1) > 127).sum()) for char in "1H"]
    assert abs(heights[0] - heights[1]) <= 4


def test_what_the_font_does_not_have() -> None:
    """Each such character becomes a visible sign, all others stay."""
    assert settable("Fog, Łódź, Αθήνα, Привет – “½” · ± 3") == "Fog, Łódź, Αθήνα, Привет – “½” · ± 3"
    assert settable("潮 tide\N{WAVING HAND SIGN}") == f"{MISSING} tide{MISSING}"
    assert settable("a\x1b[2J\n\u202eb\x85\udcff") == f"a{MISSING}[2J {MISSING}b {MISSING}"


def test_no_letters_are_no_ink() -> None:
    """Nothing to set, or only spaces: a bare line as high as any."""
    for text in ("", "   "):
        bare = lettering(text, 40).coverage
        assert not bare.any()
        assert bare.shape[0] == lettering("H", 40).coverage.shape[0]


def test_an_accent_belongs_to_its_letter() -> None:
    """However a file name spells it (macOS takes letters and accents apart): one character, as wide and drawn the same."""
    assert settable("Ja\u0308ger, A\u030angstro\u0308m") == "Jäger, Ångström"
    assert width_px("x\u0301x", 40) == width_px("xx", 40)


def test_pairs_are_kerned_and_ligatures_joined() -> None:
    """As the font asks: `AV` closer than its letters, nothing between digits, `fi` one character."""
    assert width_px("AV", 100) < width_px("A", 100) + width_px("V", 100) - 10
    assert width_px("17", 100) == pytest.approx(width_px("1", 100) + width_px("7", 100))
    assert (lettering("office", 40).coverage == lettering("o\ufb03ce", 40).coverage).all()


def _drawn_by_another(hidden: Path | None = None) -> dict[str, object]:
    """The golden lines, drawn by a process of its own, without the system's libfribidi where `hidden` is an empty folder."""
    environment = dict(os.environ)
    if hidden is not None:
        for name in (
            "libfribidi.so",
            "libfribidi.so.0",
        ):  # what Pillow asks the system for: found first, and no library
            (hidden / name).write_bytes(b"")
        environment["LD_LIBRARY_PATH"] = str(hidden)
    command = [sys.executable, "-c", DRAW]
    ran = subprocess.run(
        command, cwd=ROOT, env=environment, input=json.dumps(list(GOLDEN)), capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
    return dict(json.loads(ran.stdout))


def test_lines_are_set_without_any_library_of_the_system(tmp_path: Path) -> None:
    """Where libfribidi cannot be loaded, and Pillow's complex layout so cannot be had: the golden letters all the same."""
    found = _drawn_by_another(tmp_path)
    assert found["complex layout"] is False
    assert found["hashes"] == {json.dumps(list(one)): expected for one, expected in GOLDEN.items()}


def test_lines_are_the_golden_ones_with_it_too() -> None:
    """Whatever is installed here, bit for bit what was drawn where the hashes were made."""
    assert _drawn_by_another()["hashes"] == {json.dumps(list(one)): expected for one, expected in GOLDEN.items()}


def test_font_and_kerning_are_what_the_script_makes(tmp_path: Path) -> None:
    """Out of the unchanged font, byte for byte; neither is edited by hand."""
    spec = spec_from_file_location("make_lettering", ROOT / "examples/make_lettering.py")
    assert spec is not None
    assert spec.loader is not None
    script = module_from_spec(spec)
    spec.loader.exec_module(script)
    build: Callable[[Path], None] = script.build
    build(tmp_path)
    for name in (module.FILE, module.KERNING):
        shipped = files("printqueue.imaging.lettering").joinpath(name).read_bytes()
        assert (tmp_path / name).read_bytes() == shipped, name


@settings(max_examples=60, deadline=None, derandomize=True, database=None)
@given(
    st.text(st.characters(max_codepoint=0xFFFF, exclude_categories=()), min_size=1, max_size=60), st.integers(1, 900)
)
def test_a_line_keeps_to_its_room(text: str, room: int) -> None:
    """Whole where it fits, else its beginning with an ellipsis, or nothing."""
    text = settable(text)
    said = fitted(text, 20, room)
    assert not said or width_px(said, 20) <= room
    assert said == text or said == "" or (said.endswith("…") and text.startswith(said[:-1].rstrip()))
    assert (said == text) == (width_px(text, 20) <= room)
