"""Files in ready/ that are named like our companions: silent beside their picture, said where they have none."""

from __future__ import annotations

import os
import shutil

import pytest

from printqueue.sandbox import ForkServer
from printqueue.studio.folders import Studio
from tests.running import support

ENDINGS = ("proof.jpg", "print.txt", "reason.txt")


def _passed_over(studio: Studio) -> dict[str, str]:
    return {one["file"]: one["why"] for one in support.status(studio)["passed_over"]}


def test_a_photographers_own_proof_is_said(studio: Studio, fork_server: ForkServer) -> None:
    """`Portrait.proof.jpg` without any Portrait stays untouched and stands in status with what to do; renamed, it is printed."""
    data = support.picture()
    path = support.drop(studio, "card/Portrait.proof.jpg", data)
    support.drop(studio, "card/Portrait.old.tif", support.picture(2))  # another picture
    for _ in range(2):
        support.serve_once(studio, fork_server)
        assert support.files(studio, "ready") == {"ready/card/Portrait.proof.jpg": support.sha256(data)}
        assert "give it another name" in _passed_over(studio)["card/Portrait.proof.jpg"]
    os.rename(path, studio.path("ready", "card", "Portrait proof.jpg"))
    assert support.serve_once(studio, fork_server).made == 1
    assert _passed_over(studio) == {}


def test_a_lone_note_is_said(studio: Studio, fork_server: ForkServer) -> None:
    """A note without its picture, in ready/ itself and below, is said too; a hidden one is not."""
    for name in ("Fog.reason.txt", "card/Kelp.print.txt", "card/.Kelp.print.txt", "card/.proof.jpg"):
        support.drop(studio, name, b"words")
    support.serve_once(studio, fork_server)
    assert {name: "may be deleted" in why for name, why in _passed_over(studio).items()} == {
        "Fog.reason.txt": True,
        "card/Kelp.print.txt": True,
    }


@pytest.mark.parametrize("name", ["Fog.tif", "Fog", f"{'Nebel' * 48}.tif"])
def test_a_group_that_was_dragged_back(studio: Studio, fork_server: ForkServer, name: str) -> None:
    """The whole group out of review/: its picture is taken, the rest is passed over without a word, then and later."""
    support.drop(studio, f"card/{name}", support.small_picture())
    support.serve_once(studio, fork_server)
    for one in os.listdir(studio.path("review", "card")):
        shutil.move(studio.path("review", "card", one), studio.path("ready", "card", one))
    for _ in range(2):
        support.serve_once(studio, fork_server)
        assert _passed_over(studio) == {}
    assert len(support.files(studio, "ready")) == 2
    assert f"review/card/{name}" in support.files(studio, "review")


def test_numbered_companions_of_a_known_picture(studio: Studio, fork_server: ForkServer) -> None:
    """'Fog (2).proof.jpg' belongs to a Fog that was dropped here; with the ledger lost, its master says so."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.serve_once(studio, fork_server)
    for ending in ENDINGS:
        support.drop(studio, f"card/Fog (2).{ending}", b"dragged along")
    support.serve_once(studio, fork_server)
    assert _passed_over(studio) == {}
    for name in os.listdir(studio.state):
        if name.startswith("ledger"):
            os.unlink(studio.private(name))
    support.serve_once(studio, fork_server)
    assert _passed_over(studio) == {}
    assert len(support.prints(studio)) == 1


def test_while_its_picture_waits(studio: Studio, fork_server: ForkServer) -> None:
    """Beside a picture that cannot be taken yet (its folder names no paper), a companion is nobody's."""
    for name in ("kard/Fog.tif", "kard/Fog.proof.jpg", "kard/Net.proof.jpg"):
        support.drop(studio, name, support.picture())
    support.serve_once(studio, fork_server)
    assert _passed_over(studio).keys() == {"kard", "kard/Net.proof.jpg"}
