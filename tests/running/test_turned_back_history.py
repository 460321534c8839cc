"""What is turned back before a single pixel is judged stands in the history like everything else."""

from __future__ import annotations

import json
import os
from collections.abc import Callable

import pytest

from printqueue.sandbox import ForkServer
from printqueue.studio.folders import Studio
from tests.running import support

pytestmark = pytest.mark.slow

ORDERS = {
    "no such key": (b"papr: card\n", "order", "there is no such key"),
    "no such paper": (b"paper: crad\n", "order", "There is no paper 'crad'"),
    "no such size": (b"size: A77\n", "order", "A77"),
    "one of two prints without a paper": (
        b"prints:\n  - {size: A5}\n  - {paper: crad}\n",
        "order",
        "There is no paper",
    ),
    "a border wider than the sheet": (b"border: {width: 400 mm}\n", "order", "leaves no picture"),
    "larger than its sheet": (b"picture: 200x150 mm\nsize: 60x50 mm\n", "order", "60"),
}


def _history(studio: Studio, *words: str) -> list[dict[str, object]]:
    found: list[dict[str, object]] = json.loads(support.command(studio, "history", *words, "--json").stdout)
    return found


@pytest.mark.parametrize(("order", "check", "says"), ORDERS.values(), ids=ORDERS)
def test_turned_back_for_its_order(
    studio: Studio, fork_server: ForkServer, order: bytes, check: str, says: str
) -> None:
    """It is turned back in the history, with a verdict and the finding that says why; the table names it too."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, "card/Fog.order.yaml", order)
    assert support.serve_once(studio, fork_server).turned_back == 1
    (one,) = _history(studio, "--turned-back")
    assert [one] == _history(studio)
    assert (one["picture"], one["verdict"], one["made"], one["output"]) == ("card/Fog.tif", "turned-back", None, None)
    findings = one["findings"]
    assert isinstance(findings, list)
    (reason,) = [finding for finding in findings if finding["level"] == "reject"]
    assert reason["check"] == check
    assert says in reason["says"]
    table = support.command(studio, "history", "--turned-back").stdout
    assert f"\t{check}" in table
    assert says[:20] in table
    assert _history(studio, "--made") == []


def test_too_large_for_the_memory_allowed(new_studio: Callable[..., Studio], fork_server: ForkServer) -> None:
    """A picture that needs more memory than studio.yaml lets it have is refused before judging, and is on record."""
    studio = new_studio(support.SETTINGS + "limits: {memory: 200 MB}\n")
    support.drop(studio, "card/Fog.tif", support.picture())
    support.serve_once(studio, fork_server)
    (one,) = _history(studio, "--turned-back")
    assert "memory" in json.dumps(one["findings"])


def test_taken_out_of_review_it_stays_on_record(studio: Studio, fork_server: ForkServer) -> None:
    """The photographer takes picture and order out of review/; the history still tells that it was turned back."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, "card/Fog.order.yaml", b"paper: crad\n")
    support.serve_once(studio, fork_server)
    os.remove(studio.path("review", "card", "Fog.tif"))
    support.serve_once(studio, fork_server)
    (one,) = _history(studio, "--turned-back")
    assert one["verdict"] == "turned-back"
    assert "since taken" in support.command(studio, "history").stdout


def test_put_right_it_is_made(studio: Studio, fork_server: ForkServer) -> None:
    """With its order put right it is made: both stand in the history, each once."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, "card/Fog.order.yaml", b"paper: crad\n")
    support.serve_once(studio, fork_server)
    os.remove(studio.path("review", "card", "Fog.order.yaml"))
    os.rename(studio.path("review", "card", "Fog.tif"), studio.path("ready", "card", "Fog.tif"))
    assert support.serve_once(studio, fork_server).made == 1
    assert [one["verdict"] for one in _history(studio)] == ["accepted", "turned-back"]


def test_the_other_print_of_its_order(studio: Studio, fork_server: ForkServer) -> None:
    """All prints of an order or none: the one that could have been made was turned back with the other, and says why."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, "card/Fog.order.yaml", b"prints:\n  - {size: 60x50 mm}\n  - {size: 600x500 mm}\n")
    assert support.serve_once(studio, fork_server).turned_back == 1
    found = _history(studio, "--turned-back")
    assert found == _history(studio)
    assert [(one["size"], one["verdict"]) for one in found] == [("600x500 mm", "turned-back"), ("60x50 mm", "accepted")]
    row = support.command(studio, "history", "--turned-back").stdout.splitlines()[2].split("\t")
    assert row[2] == "turned back"
    assert "ppi" in row[5]
