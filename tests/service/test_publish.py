"""The steps of making visible, one by one, on a studio without a service."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from printqueue.core.disk.durable import lstamp, sha256
from printqueue.core.errors import OwnError, WorldError
from printqueue.core.model.publication import Moved, Placed, Publication
from printqueue.core.model.seen import Stamp
from printqueue.service.publication import originals, publish
from printqueue.service.publication.publish import LostTempError, NameTakenError
from printqueue.studio.folders import Studio, free_number, make_studio
from printqueue.studio.marker import MARK
from printqueue.studio.settings import Config


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    """A studio with the folder print/card/."""
    made = make_studio(str(tmp_path / "studio"))
    os.mkdir(made.path("print", "card"))
    return Studio(made.root, Config())


def _write(studio: Studio, path: str, text: str) -> str:
    full = studio.path(path)
    os.makedirs(os.path.dirname(full), exist_ok=True)
    Path(full).write_text(text)
    return sha256(full) or ""


def _intent(studio: Studio) -> Publication:
    note = Placed("companion", "print/card/.n", "print/card/Fog.print.txt", _write(studio, "print/card/.n", "note"))
    made = Placed("print", "print/card/.t", "print/card/Fog.tif", _write(studio, "print/card/.t", "pixels"))
    return Publication("print", [note, made])


def _names(studio: Studio) -> list[str]:
    return sorted(os.listdir(studio.path("print", "card")))


NAMES = ["Fog.print.txt", "Fog.tif"]


def test_intent_survives_the_ledger() -> None:
    """What is written into the ledger comes back the same, with names that are no UTF-8."""
    odd = os.fsdecode(b"masters/Fog\xff.tif")
    moved = Moved("ready/a", odd, 1, 2, 3, "spare", "00")
    intent = Publication("review", [Placed("companion", ".t", odd, "00")], [moved], "Too few pixels.")
    text = intent.to_json()
    assert text.isascii()
    assert Publication.from_json(text) == intent


def test_show_is_idempotent(studio: Studio) -> None:
    """Shown once or twice, everything stands under its name, once."""
    intent = _intent(studio)
    for _ in range(2):
        publish.show(studio, intent)
        assert _names(studio) == NAMES


@pytest.mark.parametrize("taken", NAMES)
def test_show_does_not_take_a_name(studio: Studio, taken: str) -> None:
    """A taken name raises; hidden again, nothing of ours is visible and nothing of the photographer's is touched."""
    intent = _intent(studio)
    _write(studio, f"print/card/{taken}", "mine")
    with pytest.raises(NameTakenError):
        publish.show(studio, intent)
    publish.hide(studio, intent)
    assert _names(studio) == sorted([".n", ".t", taken])
    assert Path(studio.path("print", "card", taken)).read_text() == "mine"


def test_lost_temp(studio: Studio) -> None:
    """A temp that is gone or changed raises; taken back, no companion is left without its print."""
    intent = _intent(studio)
    _write(studio, "print/card/.t", "other pixels")
    with pytest.raises(LostTempError):
        publish.show(studio, intent)
    assert not publish.print_is_visible(studio, intent)
    publish.take_back(studio, intent)
    assert _names(studio) == []


def test_take_back_leaves_prints_and_changed_companions(studio: Studio) -> None:
    """A visible print stays, and so does a note that the photographer has written into."""
    intent = _intent(studio)
    publish.show(studio, intent)
    _write(studio, "print/card/Fog.print.txt", "note, and my own words")
    publish.take_back(studio, intent)
    assert _names(studio) == NAMES
    assert publish.print_is_visible(studio, intent)


def test_temps_are_read_back(studio: Studio) -> None:
    """A temp that does not hold what was written is found before anything is visible."""
    intent = _intent(studio)
    publish.verify_temps(studio, intent)
    _write(studio, "print/card/.t", "decayed")
    with pytest.raises(OwnError, match="read back"):
        publish.verify_temps(studio, intent)


def test_nothing_is_shown_without_the_marker(studio: Studio) -> None:
    """On a share that has gone nothing gets a name."""
    intent = _intent(studio)
    os.unlink(studio.private("studio"))
    with pytest.raises(WorldError, match="marker"):
        publish.show(studio, intent)
    assert _names(studio) == [".n", ".t"]


def _original(studio: Studio) -> tuple[Stamp, str]:
    digest = _write(studio, "ready/Fog.tif", "original")
    _write(studio, ".printqueue/spool/1/1/picture", "original")
    stamp = lstamp(studio.path("ready", "Fog.tif"))
    assert stamp is not None
    return stamp, digest


def _move(studio: Studio, stamp: Stamp, digest: str) -> tuple[Publication, list[str]]:
    spare = "spool/1/1/picture"
    moved = publish.moved_from("ready/Fog.tif", "masters/Fog.tif", stamp, spare=spare, sha256=digest)
    return originals.move_originals(studio, originals.with_free_targets(studio, Publication("print", [], [moved])))


def test_original_is_moved_not_copied(studio: Studio) -> None:
    """The very file, with its inode and times, comes to masters/; a second time changes nothing."""
    stamp, digest = _original(studio)
    for _ in range(2):
        _, unusual = _move(studio, stamp, digest)
        assert unusual == []
        now = lstamp(studio.path("masters", "Fog.tif"))
        assert now is not None
        assert now.same_file(stamp)
    assert os.listdir(studio.path("ready")) == [MARK]


def test_replaced_original_stays_where_it_is(studio: Studio) -> None:
    """A new file under the name stays in ready/; the bytes that were printed are kept from the spare copy."""
    stamp, digest = _original(studio)
    os.unlink(studio.path("ready", "Fog.tif"))
    _write(studio, "ready/other", "another picture")
    os.rename(studio.path("ready", "other"), studio.path("ready", "Fog.tif"))
    _, unusual = _move(studio, stamp, digest)
    assert len(unusual) == 1
    assert Path(studio.path("ready", "Fog.tif")).read_text() == "another picture"
    assert sha256(studio.path("masters", "Fog.tif")) == digest


def test_original_and_spare_lost_is_said(studio: Studio) -> None:
    """With original and copy gone, that is said; nothing is made up."""
    stamp, digest = _original(studio)
    os.unlink(studio.path("ready", "Fog.tif"))
    os.unlink(studio.private("spool", "1", "1", "picture"))
    _, unusual = _move(studio, stamp, digest)
    assert "no whole copy" in unusual[0]
    assert os.listdir(studio.path("masters")) == [MARK]


def test_swapped_in_the_last_instant(studio: Studio, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that comes under the name between the look and the rename goes back into ready/, not into masters/."""
    stamp, digest = _original(studio)
    real = originals._rename_free

    def swap(source: str, target: str) -> bool:
        os.unlink(source)
        _write(studio, "ready/new", "another picture")
        os.rename(studio.path("ready", "new"), source)
        return real(source, target)

    monkeypatch.setattr(originals, "_rename_free", swap)
    _, unusual = _move(studio, stamp, digest)
    assert len(unusual) == 1
    assert Path(studio.path("ready", "Fog.tif")).read_text() == "another picture"
    assert sha256(studio.path("masters", "Fog.tif")) == digest


def test_rename_that_changes_the_inode(studio: Studio, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file system that numbers a renamed file anew: the same bytes have arrived, and are not given back for ever."""
    stamp, digest = _original(studio)

    def renumber(source: str, target: str) -> bool:
        Path(target).write_bytes(Path(source).read_bytes())
        os.unlink(source)
        return True

    monkeypatch.setattr(originals, "_rename_free", renumber)
    _, unusual = _move(studio, stamp, digest)
    assert unusual == []
    assert os.listdir(studio.path("ready")) == [MARK]
    assert sha256(studio.path("masters", "Fog.tif")) == digest


def test_taken_master_name_gets_a_number(studio: Studio) -> None:
    """A name taken in masters/ since the intent was written: the next number, and the intent says so."""
    stamp, digest = _original(studio)
    _write(studio, "masters/Fog.tif", "mine")
    intent, unusual = _move(studio, stamp, digest)
    assert unusual == []
    assert intent.moved[0].target == "masters/Fog (2).tif"
    assert Path(studio.path("masters", "Fog.tif")).read_text() == "mine"
    assert sha256(studio.path("masters", "Fog (2).tif")) == digest


def test_free_number_sees_twins_in_every_folder(studio: Studio) -> None:
    """One number for the whole group, free in all its folders, upper case and hidden names included."""
    _write(studio, "print/card/FOG.TIF", "x")
    _write(studio, "masters/Fog (2).tif", "x")
    groups: dict[str, Callable[[int], Iterable[str]]] = {
        folder: lambda n: ("Fog.tif" if n == 1 else f"Fog ({n}).tif",)
        for folder in ("print/card", "masters", "print/none")
    }
    assert free_number(studio, groups) == 3
