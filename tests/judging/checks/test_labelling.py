"""Title, maker, rights: which is missing, whose level, and what the order may say instead."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.paper import PaperFacts, Surface
from printqueue.core.model.picture import Metadata, PictureFacts
from printqueue.core.model.request import Request
from printqueue.core.model.subject import Subject
from printqueue.core.units import Size
from printqueue.judging.checks.labelling import LabellingLimits, judge

PAPER = PaperFacts(
    "rag", "Rag", Surface.SMOOTH_MATTE, (96, 0, 0), (17, 0, 0), (), "p.icc", profile_is_demonstration=False
)
PICTURE = PictureFacts("TIFF", 6000, 4000, 16, "rgb")
FULL = Metadata(title="Tidal mill", creator="A. Miller", rights="© A. Miller")


def found(metadata: Metadata, limits: LabellingLimits | None = None, title: str | None = None) -> Finding:
    """The finding for what the file says, and a title in the order."""
    request = Request("rag", Size("A3", 297, 420), title=title)
    return judge(Subject(replace(PICTURE, metadata=metadata), PAPER, request, None, {}), limits or LabellingLimits())


@pytest.mark.parametrize(("title", "creator", "rights"), list(product((None, "x"), repeat=3)))
def test_all_that_is_missing_is_named(title: str | None, creator: str | None, rights: str | None) -> None:
    """Each of the eight cases: a note that names just what is missing, or a pass."""
    finding = found(Metadata(title=title, creator=creator, rights=rights))
    parts = {"title": title, "maker": creator, "rights": rights}
    assert finding.level is (Level.PASS if all(parts.values()) else Level.NOTE)
    if finding.level is Level.NOTE:
        assert [part for part in parts if f"no {part}" in finding.says] == [p for p, text in parts.items() if not text]
        assert finding.do
        assert "print file" in finding.why


def test_words() -> None:
    """Sentences as one would say them."""
    assert found(FULL).says == "Title, maker and rights are there."
    assert found(Metadata()).says == "The file names no title, no maker and no rights."
    assert found(replace(FULL, title=None)).says == "The file names no title."
    assert found(replace(FULL, title=None, rights=None)).says == "The file names no title and no rights."


def test_the_orders_title_counts() -> None:
    """A title in the order is a title; it is no maker."""
    assert found(replace(FULL, title=None), title="Tidal mill").level is Level.PASS
    assert found(Metadata(), title="Tidal mill").says == "The file names no maker and no rights."


def test_blank_is_missing() -> None:
    """White space names nothing."""
    assert found(replace(FULL, creator="  ")).says == "The file names no maker."


def test_each_part_has_its_level() -> None:
    """`pass` takes a part out; the heaviest of what is missing decides."""
    only_rights = LabellingLimits(title=Level.PASS, maker=Level.PASS, rights=Level.WARN)
    assert found(Metadata(rights="©"), only_rights).level is Level.PASS
    assert found(Metadata(), only_rights).level is Level.WARN
    assert found(Metadata(), only_rights).limit == "rights"
    none = LabellingLimits(title=Level.PASS, maker=Level.PASS, rights=Level.PASS)
    assert (found(Metadata(), none).level, found(Metadata(), none).says) == (Level.PASS, "No label is asked for.")
