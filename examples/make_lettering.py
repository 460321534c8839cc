"""Makes what letters on sheets are set with, out of the font beside this script: python examples/make_lettering.py [FOLDER].

A line is set without a layout library: the usual one wants a library of the system, and two machines must set the same
line alike. What it would take from the font's layout tables is therefore laid where it can be had without:

- `EBGaramond08-Lining.otf`: the digits are the lining ones (feature `lnum`), by the character map, so that a `1` in a hash
  is no `I`. What no character leads to, and the layout tables, are left out.
- `kerning.txt`: by first character the space between it and what follows, in thousandths of the em (feature `kern`), as
  lines of first, space and seconds. Pillow applies no `kern` table: it takes 1/64 of what stands there.

Kerning in context is left out: it serves Greek capitals with accents as characters of their own, and lines are composed
(NFC) before they are set. The ligatures of the font are characters (U+FB00 to U+FB04), which `printqueue.imaging.lettering` puts in.
The SIL Open Font License asks that a changed font bear no reserved name: none is reserved, and its name is another one all
the same, so that nobody takes it for the original.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from fontTools.subset import Options, Subsetter
from fontTools.ttLib import TTFont

ORIGINAL = Path(__file__).resolve().parent / "font" / "EBGaramond08-Regular.otf"
OUT = Path(__file__).resolve().parent.parent / "printqueue" / "imaging" / "lettering"
FONT, KERNING = "EBGaramond08-Lining.otf", "kerning.txt"
FAMILY, POSTSCRIPT = "EB Garamond 08 Lining", "EBGaramond08-Lining"
CHANGED = "Changed for printqueue: lining digits, and only what characters lead to. "
# OpenType 1.9.1, "name": 0 copyright, 1 family, 3 unique identifier, 4 full name, 6 PostScript name, 13 licence, 14 its address.
NAMES = {1: FAMILY, 3: f"printqueue : {FAMILY}", 4: FAMILY, 6: POSTSCRIPT}
KEPT_NAMES = [0, 1, 2, 3, 4, 5, 6, 13, 14]
DIGITS = range(0x30, 0x3A)
EM = 1000


def main(arguments: list[str]) -> int:
    """Write both files into the package, or the folder that is given, and say how large they are."""
    folder = Path(arguments[0]) if arguments else OUT
    build(folder)
    for name in (FONT, KERNING):
        print(f"{folder / name}: {(folder / name).stat().st_size} bytes")
    return 0


def build(folder: Path) -> None:
    """The changed font and its kerning, the same bytes each time."""
    font = TTFont(ORIGINAL, recalcTimestamp=False)
    assert font["head"].unitsPerEm == EM
    _line_up(font)
    (folder / KERNING).write_text(_kerning(font), "utf-8")
    _leave_out(font)
    _rename(font)
    font.save(folder / FONT)


def _line_up(font: Any) -> None:
    lining = next(_single(font, "lnum"))
    for glyphs in (table.cmap for table in font["cmap"].tables):  # two of them may share one mapping
        glyphs.update({code: lining.get(glyphs[code], glyphs[code]) for code in DIGITS if code in glyphs})


def _single(font: Any, tag: str) -> Iterator[dict[str, str]]:
    """The mappings glyph → glyph of a feature."""
    return (subtable.mapping for subtable in _subtables(font["GSUB"].table, tag) if hasattr(subtable, "mapping"))


def _subtables(table: Any, tag: str) -> Iterator[Any]:
    """Those of the lookups of one feature, in order, extensions opened."""
    numbers = {
        i for one in table.FeatureList.FeatureRecord if one.FeatureTag == tag for i in one.Feature.LookupListIndex
    }
    for number in sorted(numbers):
        for subtable in table.LookupList.Lookup[number].SubTable:
            yield getattr(subtable, "ExtSubTable", subtable)


def _pairs(font: Any) -> Iterator[tuple[tuple[str, str], int]]:
    """What lies between two glyphs that characters lead to, in units of the em; the first table that knows a pair counts."""
    reached = sorted(set(font.getBestCmap().values()))
    known: set[str] = set()
    for subtable in _subtables(font["GPOS"].table, "kern"):
        if type(subtable).__name__ != "PairPos":
            continue
        assert subtable.Format == 2, "pairs of glyphs, not of classes: not met so far"
        firsts = [glyph for glyph in subtable.Coverage.glyphs if glyph in set(reached) - known]
        known |= set(firsts)
        for first in firsts:
            row = subtable.Class1Record[subtable.ClassDef1.classDefs.get(first, 0)].Class2Record
            for second in reached:
                value = row[subtable.ClassDef2.classDefs.get(second, 0)].Value1
                if value is not None and (advance := getattr(value, "XAdvance", 0)):
                    yield (first, second), advance


def _leave_out(font: Any) -> None:
    options = Options(layout_features=[], name_IDs=KEPT_NAMES, name_languages=[0x409], notdef_outline=True)
    options.drop_tables += ["FFTM", "GDEF", "GPOS", "GSUB"]
    subsetter = Subsetter(options)
    subsetter.populate(unicodes=font.getBestCmap())
    subsetter.subset(font)


def _kerning(font: Any) -> str:
    characters: dict[str, str] = defaultdict(str)
    for code, glyph in sorted(font.getBestCmap().items()):
        characters[glyph] += chr(code)
    lines: dict[tuple[str, int], str] = defaultdict(str)
    for (first, second), space in _pairs(font):
        for character in characters[first]:
            lines[character, space] += characters[second]
    return "".join(
        f"{first}\t{space}\t{''.join(sorted(seconds))}\n" for (first, space), seconds in sorted(lines.items())
    )


def _rename(font: Any) -> None:
    for record in font["name"].names:
        if record.nameID in NAMES:
            record.string = NAMES[record.nameID]
        elif record.nameID == 0:
            record.string = CHANGED + record.toUnicode()
    top = font["CFF "].cff
    top.fontNames[0] = POSTSCRIPT
    top[0].FullName, top[0].FamilyName = FAMILY, FAMILY


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
