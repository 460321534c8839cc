"""The proof picture in the service: beside every print and every reason, worth no print, and its thumbnail kept once."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from printqueue.ledger import LedgerReader
from printqueue.sandbox import Child, ForkServer
from printqueue.sandbox.context import ask
from printqueue.sandbox.protocol import Answer, TaskName
from printqueue.service.delivery import proofs
from printqueue.studio.folders import Studio
from tests.running import broken_proofs, support

pytestmark = pytest.mark.slow

A4_PX = (1654, 2339)
GROUP = f"print/card/{support.SIZE}"


@pytest.fixture(scope="module")
def broken() -> Iterator[ForkServer]:
    """A fork server whose children fail in drawing a proof picture, as the last bytes of a picture say."""
    with support.fork_server_of("tests.running.broken_proofs") as running:
        yield running


@pytest.fixture(scope="module")
def pages() -> Iterator[ForkServer]:
    """A fork server whose children draw real pages."""
    with support.fork_server_of("tests.running.proof_worker") as running:
        yield running


def thumbnails(studio: Studio) -> list[str]:
    """What stands in daybook/pictures/."""
    folder = studio.path(proofs.THUMBNAILS)
    return sorted(os.listdir(folder)) if os.path.isdir(folder) else []


def size_of(path: str) -> tuple[int, int]:
    """Width and height of a picture file, px."""
    with Image.open(path) as image:
        return image.size


def test_beside_a_print_and_beside_a_reason(studio: Studio, pages: ForkServer) -> None:
    """Both groups have one, an A4 page; each job knows its thumbnail, which holds its own hash; no temp is left."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, "card/Small.tif", support.small_picture())
    support.serve_once(studio, pages)
    for name in (f"{GROUP}/Fog.proof.jpg", "review/card/Small.proof.jpg"):
        assert size_of(studio.path(name)) == A4_PX
    found = thumbnails(studio)
    assert sorted(LedgerReader(studio.ledger).thumbnails().values()) == found
    assert len(found) == 2
    for name in found:
        data = Path(studio.path(proofs.THUMBNAILS, name)).read_bytes()
        assert name == f"{support.sha256(data)[:20]}.jpg"
        assert max(size_of(studio.path(proofs.THUMBNAILS, name))) <= 360
    assert "Fog.proof.jpg shows it" in Path(studio.path(GROUP, "Fog.print.txt")).read_text()
    assert "Small.proof.jpg shows it" in support.reason(studio, "card/Small.reason.txt")


@pytest.mark.parametrize("fault", broken_proofs.FAULTS)
def test_a_proof_that_cannot_be_drawn_stops_no_print(studio: Studio, broken: ForkServer, fault: bytes) -> None:
    """Whatever goes wrong in drawing it: the print is made, nothing half-drawn is left, and the note says so."""
    support.drop(studio, "card/Fog.tif", support.picture() + fault)
    tally = support.serve_once(studio, broken)
    assert (tally.made, tally.stuck, tally.deferred) == (1, 0, 0)
    assert sorted(support.files(studio, "print")) == [f"{GROUP}/Fog.print.txt", f"{GROUP}/Fog.tif"]
    assert "There is no proof picture. It could not be drawn" in Path(studio.path(GROUP, "Fog.print.txt")).read_text()
    assert thumbnails(studio) == []


def test_a_reason_without_its_proof(studio: Studio, broken: ForkServer) -> None:
    """The same for what is turned back: the reason stands there and says that there is no proof picture."""
    support.drop(studio, "card/Small.tif", support.small_picture() + broken_proofs.FAULTS[0])
    assert support.serve_once(studio, broken).turned_back == 1
    assert sorted(support.files(studio, "review")) == ["review/card/Small.reason.txt", "review/card/Small.tif"]
    assert "There is no proof picture." in support.reason(studio, "card/Small.reason.txt")


def test_a_picture_that_cannot_be_shown_has_a_page_of_words(studio: Studio, broken: ForkServer) -> None:
    """Damage that only shows in drawing: words in its place."""
    support.drop(studio, "card/Small.tif", support.small_picture() + broken_proofs.UNREADABLE)
    support.serve_once(studio, broken)
    assert size_of(studio.path("review/card/Small.proof.jpg")) == A4_PX
    assert thumbnails(studio) == []


def test_the_same_thumbnail_is_kept_once(studio: Studio, fork_server: ForkServer) -> None:
    """A picture made again has the same one; both jobs name it."""
    for _ in range(2):
        support.drop(studio, "card/Fog.tif", support.picture())
        support.serve_once(studio, fork_server)
    assert len(thumbnails(studio)) == 1
    assert len(LedgerReader(studio.ledger).thumbnails()) == 2


def test_somebody_elses_file_under_a_thumbnails_name(studio: Studio, fork_server: ForkServer) -> None:
    """It stays as it is; the job has no thumbnail."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.serve_once(studio, fork_server)
    (name,) = thumbnails(studio)
    mine = Path(studio.path(proofs.THUMBNAILS, name))
    mine.write_bytes(b"mine")
    support.drop(studio, "card/Fog.tif", support.picture())
    support.serve_once(studio, fork_server)
    assert mine.read_bytes() == b"mine"
    assert thumbnails(studio) == [name]
    assert list(LedgerReader(studio.ledger).thumbnails().values()) == [name]


def test_a_stop_while_it_is_drawn(studio: Studio, fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch) -> None:
    """A child killed with the service is no fault of the picture: the attempt starts again, with its proof picture."""
    support.drop(studio, "card/Fog.tif", support.picture())
    with support.service(studio, fork_server) as running:

        def stopped(child: Child, task: TaskName, *rest: Any) -> Answer:
            running.stop()
            running.context.stop()
            return ask(child, task, *rest)

        monkeypatch.setattr("printqueue.service.delivery.proofs.ask", stopped)
        running.run()
    assert support.files(studio, "print") == {}
    monkeypatch.undo()
    assert support.serve_once(studio, fork_server).made == 1
    assert f"{GROUP}/Fog.proof.jpg" in support.files(studio, "print")
