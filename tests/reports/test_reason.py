"""The text beside a picture that was turned back: the verdict first, the worst first, never more than a screen."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from printqueue.core.model.finding import Finding, Level
from printqueue.judging.checks import REGISTRY
from printqueue.reports.layout import WIDTH
from printqueue.reports.reason import SCREEN_LINES, TurnedBack, reason_text

SOFT = Finding(
    "resolution",
    Level.REJECT,
    "92 ppi at 370 × 247 mm (1344 × 896 px): too few pixels for this size.",
    measured=92.0,
    limit=150.0,
    unit="ppi",
    do="Export again at full size.",
    why="A smooth sheet hides nothing.",
    instead="Smaller: at 142 × 94 mm it reaches 240 ppi.",
)
RINGS = replace(SOFT, check="oversharpening", level=Level.WARN, says="Halos of 31 % beside its edges.", unit="%")
FINE = Finding("banding", Level.PASS, "No steps.")
TASTE = Finding("labelling", Level.NOTE, "The file names no title.")
NOTE = TurnedBack(
    picture="Slipway.tif",
    paper="Smooth cotton",
    size="A3",
    findings=[TASTE, FINE, RINGS, SOFT],
    turn_back_at=Level.REJECT,
    ready_folder="ready/smooth-rag/A3",
    job=6,
)

# Sentences as long as the longest in checks/, and longer.
sentences = st.integers(0, 400).map(lambda length: ("The salt marsh at low water. " * 20)[:length].strip() or "Fog.")
findings = st.builds(
    Finding,
    check=st.sampled_from([*REGISTRY, "order"]),
    level=st.sampled_from(list(Level)),
    says=sentences,
    measured=st.none() | st.floats(0, 1e6),
    limit=st.none() | st.floats(0, 1e6),
    unit=st.sampled_from(["", "ppi", "%"]),
    do=sentences,
    why=sentences,
    instead=sentences,
    allowed=st.booleans(),
)


def test_order_of_things() -> None:
    """The verdict in the first line, what counts in full, then what is fine, what was seen, what to do."""
    text = reason_text(NOTE)
    first, blank, *rest = text.split("\n")
    assert first == "Turned back: “Slipway.tif” has too few pixels for A3 on Smooth cotton."
    assert blank == ""
    labels = [line[:10].strip() for line in rest if line[:1].strip()]
    assert labels == ["Measured", "Why here", "Do", "Or", "Fine", "Seen", "Again", "Anyway", "Safe"]
    assert "Halos of 31 % beside its edges. The file names no title." in " ".join(text.split())
    assert text.endswith("\n")


def test_warnings_count_where_the_paper_says_so() -> None:
    """On an exhibition paper both count, the worse one first, and both may be allowed in one line."""
    text = reason_text(replace(NOTE, turn_back_at=Level.WARN))
    assert text.startswith("Turned back: “Slipway.tif” has too few pixels for A3 on Smooth cotton (2 reasons).")
    assert text.index("92 ppi at 370") < text.index("Halos of 31 %")
    assert "allow: [oversharpening, resolution]" in text


def test_before_and_now() -> None:
    """A second attempt shows both numbers."""
    text = reason_text(replace(NOTE, before=[("resolution", "61 ppi, now 92 ppi")]))
    assert "Before    resolution 61 ppi, now 92 ppi." in text


def test_the_order_file_is_named_after_the_picture_as_it_stands() -> None:
    """In review/ it may have a number: moved back by that name, it needs an order of that name."""
    text = reason_text(replace(NOTE, stands_as="Slipway (3).tif"))
    assert "a file Slipway (3).order.yaml beside it" in text
    assert text.startswith("Turned back: “Slipway.tif”")


def test_an_order_that_cannot_be_followed() -> None:
    """Nothing is wrong with the picture: it goes back with its order, no new file is asked for."""
    order = replace(SOFT, check="order", says="The order cannot be followed.")
    assert "Put picture and order back into ready/smooth-rag/A3/." in reason_text(replace(NOTE, findings=[order]))


def test_many_reasons() -> None:
    """Of many reasons the worst are told in full, some in a sentence, all others by name: none is left out."""
    many = [replace(SOFT, check=name, says=f"{name} is not what it should be. " * 4) for name in REGISTRY]
    text = " ".join(reason_text(replace(NOTE, findings=many)).split())
    assert f"({len(many)} reasons)" in text
    assert all(REGISTRY[name].in_words in text or f"{name} is not" in text for name in REGISTRY)
    assert 1 <= text.count("Measured ") <= 3


@given(st.lists(findings, min_size=1, max_size=25), st.sampled_from([Level.REJECT, Level.WARN]), sentences)
def test_never_more_than_a_screen(found: list[Finding], at: Level, look: str) -> None:
    """Whatever was found: a text of plain lines that fit, on one screen."""
    note = replace(NOTE, findings=found, turn_back_at=at, look=look[:150], before=[("resolution", "61 → 92 ppi")] * 3)
    text = reason_text(note)
    lines = text.split("\n")
    assert len(lines) - 1 <= SCREEN_LINES
    assert max(len(line) for line in lines[1:]) <= WIDTH
    assert text.startswith("Turned back: ")
    assert not any(char < " " and char != "\n" for char in text)


@pytest.mark.parametrize("level", [Level.REJECT, Level.NOTE])
@pytest.mark.parametrize("length", [80, 160, 400])
def test_the_longest(length: int, level: Level) -> None:
    """Every check has something to say, and says it at length."""
    said = ("The salt marsh at low water. " * 20)[:length]
    long = Finding("", Level.REJECT, said, measured=1.0, limit=2.0, unit="ppi", do=said, why=said, instead=said)
    found = [
        replace(long, check=name, level=level if number % 2 else Level.REJECT) for number, name in enumerate(REGISTRY)
    ]
    assert reason_text(replace(NOTE, findings=found)).count("\n") <= SCREEN_LINES


@pytest.mark.parametrize("name", ["Fog\x1b[2J.tif", "Fog\n\nSafe      no.tif", "\u202eFog.tif"])
def test_hostile_names(name: str) -> None:
    """A name stays in its line and does nothing to a terminal or to the reading direction."""
    text = reason_text(replace(NOTE, picture=name))
    assert text.count("\n") == reason_text(NOTE).count("\n")
    assert text.replace("\n", "").isprintable()
