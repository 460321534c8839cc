"""Notes in review/ that are no reason for a picture."""

from __future__ import annotations

import pytest

from printqueue.reports.review_notes import folder_not_taken, is_folder_not_taken


@pytest.mark.parametrize("folder", ["koza", "30x40", "Zeile\n\x1b[2J", "\udcff"])
def test_an_answer_to_a_folder_is_known_again(folder: str) -> None:
    """Also without a ledger: nothing but the file tells a later run that it may take it away."""
    text = folder_not_taken(folder, "There is no such paper.", "Use a paper's key.")
    assert text.startswith(b"Not taken: the folder ready/")
    assert is_folder_not_taken(text)
    assert not is_folder_not_taken(b"Turned back: it has no colour profile.")
