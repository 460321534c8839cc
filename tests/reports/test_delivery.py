"""What is said of a picture that was delivered: whole sentences, names escaped."""

from __future__ import annotations

from printqueue.core.model.finding import Finding, Level
from printqueue.core.model.region import Region
from printqueue.reports import delivery

PLACED = Finding("banding", Level.WARN, "Steps in the sky.", where=(Region(0.1, 0.1, 0.2, 0.2),))
PLAIN = Finding("banding", Level.WARN, "Steps in the sky.")


def test_made_and_turned_back() -> None:
    """Status names the file, escaped, and the checks that warn or the reason."""
    assert delivery.made_words("print/Fog.tif", "") == "made: print/Fog.tif"
    assert delivery.made_words("print/\x1b.tif", "banding") == "made: print/\\x1b.tif (warned of: banding)"
    said = delivery.turned_back_words("138 ppi: too few.", "review/Fog.reason.txt")
    assert said == "turned back: 138 ppi: too few. See review/Fog.reason.txt"


def test_the_worst_finding_is_said() -> None:
    """Of several findings status tells the worst, cut where it is long."""
    worse = Finding("resolution", Level.REJECT, "x" * 1000)
    said = delivery.worst_words([PLAIN, worse])
    assert said.startswith("xxx")
    assert len(said) <= 400


def test_what_the_proof_picture_shows() -> None:
    """The note tells a picture with marks from one without, from words alone, and from none at all."""

    def look(file: str, *findings: Finding, words_only: bool = False) -> str:
        return delivery.look_words(file, findings, missing="It could not be drawn.", words_only=words_only)

    assert look("Fog.proof.jpg", PLAIN) == "Fog.proof.jpg shows it as this paper would."
    assert look("Fog.proof.jpg", PLACED) == "Fog.proof.jpg shows it as this paper would and marks the places."
    assert "the picture cannot be shown on it" in look("Fog.proof.jpg", PLAIN, words_only=True)
    assert look("") == "There is no proof picture. It could not be drawn."


def test_a_change_has_its_unit() -> None:
    """What a check measured before and now, or that nothing changed."""
    assert delivery.change_words(62.0, 288.0, "ppi") == "62 ppi, now 288 ppi"
    assert delivery.change_words(62.0, 62.04, "ppi") == "62 ppi, now the same"
    assert delivery.change_words(2.0, None, "") == "2, now 0"
