"""One full look at ready/, on real folders."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from printqueue.disk import folders
from printqueue.intake.scan import sweep


def _write(root: Path, *names: str) -> None:
    for name in names:
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x")


def test_pictures_of_all_folders_in_order(tmp_path: Path) -> None:
    """Every file at any depth is found once, sorted by its path below ready/."""
    _write(tmp_path, "b.tif", "card/A3/a.tif", "card/A3/Harbour/c.jpg", "card/a.tif")
    assert [seen.path for seen in sweep(str(tmp_path)).pictures] == [
        "b.tif", "card/A3/Harbour/c.jpg", "card/A3/a.tif", "card/a.tif"
    ]  # fmt: skip


def test_strongest_order_wins(tmp_path: Path) -> None:
    """NAME.tif.order.yaml goes before NAME.order.yaml, that before order.yaml of the folder; own ones are told apart."""
    _write(tmp_path, "a.tif", "a.tif.order.yaml", "a.order.yaml", "b.tif", "b.order.yaml", "c.tif", "order.yaml")
    found = {seen.path: (seen.order, seen.order_is_own) for seen in sweep(str(tmp_path)).pictures}
    assert found == {
        "a.tif": ("a.tif.order.yaml", True),
        "b.tif": ("b.order.yaml", True),
        "c.tif": ("order.yaml", False),
    }


def test_order_of_two_pictures_is_nobodys_own(tmp_path: Path) -> None:
    """An order file that two pictures go by moves with neither of them."""
    _write(tmp_path, "a.tif", "a.jpg", "a.order.yaml")
    assert [(seen.order, seen.order_is_own) for seen in sweep(str(tmp_path)).pictures] == [("a.order.yaml", False)] * 2


def test_orders_of_other_folders_do_not_count(tmp_path: Path) -> None:
    """An order serves the pictures of its own folder only; one without a picture is told of."""
    _write(tmp_path, "card/a.order.yaml", "card/A3/a.tif", "order.yaml", "card/order.yaml")
    found = sweep(str(tmp_path))
    assert [seen.order for seen in found.pictures] == [None]
    assert found.lone_orders == ["card/a.order.yaml"]


def test_folders_too_deep_are_said(tmp_path: Path) -> None:
    """Folders beyond the depth that is looked into are passed over with why, not in silence."""
    _write(tmp_path, "/".join(["d"] * 20) + "/a.tif")
    found = sweep(str(tmp_path))
    assert found.pictures == []
    assert [("deep" in why) for _, why in found.passed_over] == [True]


def test_loop_of_links_ends(tmp_path: Path) -> None:
    """A link to a folder is not followed."""
    _write(tmp_path, "card/a.tif")
    os.symlink(tmp_path, tmp_path / "card" / "loop")
    found = sweep(str(tmp_path))
    assert [seen.path for seen in found.pictures] == ["card/a.tif"]
    assert found.passed_over[0][0] == "card/loop"


def test_names_that_are_no_utf8(tmp_path: Path) -> None:
    """Names are bytes: an undecodable one is found, and its path leads back to the file."""
    raw = os.fsencode(tmp_path) + b"/Fog\xff.tif"
    with open(raw, "wb") as stream:
        stream.write(b"x")
    (seen,) = sweep(str(tmp_path)).pictures
    assert os.fsencode(seen.path) == b"Fog\xff.tif"
    assert os.path.exists(os.path.join(tmp_path, seen.path))


def test_folder_that_cannot_be_read_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One folder without rights is passed over with why; the others are looked into."""
    _write(tmp_path, "closed/a.tif", "open/b.tif")
    real = folders.open_folder

    def open_folder(path: str, flags: int = os.O_PATH) -> int:
        if path.endswith("closed"):
            raise PermissionError(13, "Permission denied")
        return real(path, flags)

    monkeypatch.setattr(folders, "open_folder", open_folder)
    found = sweep(str(tmp_path))
    assert [seen.path for seen in found.pictures] == ["open/b.tif"]
    assert found.passed_over == [("closed", "the folder cannot be read: Permission denied")]


def test_ready_that_is_gone_is_no_empty_inbox(tmp_path: Path) -> None:
    """A missing ready/ raises instead of looking like an empty one."""
    with pytest.raises(OSError, match="gone"):
        sweep(str(tmp_path / "gone"))
