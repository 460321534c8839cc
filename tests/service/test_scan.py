"""One full look at ready/, on real folders."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from printqueue.core.disk import folders
from printqueue.core.text import shown
from printqueue.reports.why_words import words
from printqueue.service.intake.scan import Sweeper, sweep
from printqueue.studio.orders.pairing import order_now


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
    assert [("deep" in words(why)) for _, why in found.passed_over] == [True]


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
    assert [(path, words(why)) for path, why in found.passed_over] == [
        ("closed", "the folder cannot be read: Permission denied")
    ]


def test_ready_that_is_gone_is_no_empty_inbox(tmp_path: Path) -> None:
    """A missing ready/ raises instead of looking like an empty one."""
    with pytest.raises(OSError, match="gone"):
        sweep(str(tmp_path / "gone"))


def _orders(root: Path) -> dict[str, str | None]:
    """Path → its order, or "held" where it is kept back for one."""
    return {seen.path: "held" if seen.held else seen.order for seen in sweep(str(root)).pictures}


@pytest.mark.parametrize("order", ["Fog.order.yml", "Fog.tif.order.yml", "order.yml"])
def test_yml_is_an_order_too(tmp_path: Path, order: str) -> None:
    """`.yml` is read wherever `.yaml` is, and is no picture."""
    _write(tmp_path, "Fog.tif", order)
    assert _orders(tmp_path) == {"Fog.tif": order}
    assert sweep(str(tmp_path)).passed_over == []


@pytest.mark.parametrize(
    ("names", "order"),
    [
        (["Fog.tif.order.yml", "Fog.order.yaml", "order.yaml"], "Fog.tif.order.yml"),
        (["Fog.order.yml", "order.yaml"], "Fog.order.yml"),
        (["Fog.order.yaml", "Fog.order.yml"], "held"),
        (["Fog.tif.order.yaml", "Fog.tif.order.yml"], "held"),
        (["Fog.tif.order.yaml", "Fog.order.yaml", "Fog.order.yml"], "Fog.tif.order.yaml"),
        (["order.yaml", "order.yml"], "held"),
        (["Fog.order.yml", "order.yaml", "order.yml"], "Fog.order.yml"),
        (["Fog.order.yaml", "Fog.order (2).yaml"], "held"),
        (["Fog.order.yaml", "Fog.order.txt"], "held"),
        (["Fog.tif.order.yaml", "Fog.order.txt"], "Fog.tif.order.yaml"),
        (["Fog.order.yaml", "order.txt"], "Fog.order.yaml"),
        (["Fog.order.yaml", "Fog.order.yaml.bak"], "Fog.order.yaml"),
        (["Fog.order.yaml", "Fog.order.yaml~"], "Fog.order.yaml"),
        (["Fog.order.yaml", "Copy of Fog.order.yaml"], "Fog.order.yaml"),
    ],
)
def test_which_of_several_orders_wins(tmp_path: Path, names: list[str], order: str) -> None:
    """The nearer name goes before the other; of two equally near ones none is chosen, and the picture is held."""
    _write(tmp_path, "Fog.tif", *names)
    assert _orders(tmp_path) == {"Fog.tif": order}


LIKE_ORDERS = [
    "Fog.order.txt", "Fog.order", "Fog.order.yaml.txt", "Fog.Order.YAML", "fog.order.yaml", "FOG.TIF.ORDER.YAML",
    "Fog.order (2).yaml", "Fog.order(1).yaml", "Fog.order copy.yaml", "Fog.order - Copy.yaml", "Fog.order (Copy).yml",
    "Fog.order 2.yaml", "Fog (2).order.yaml", "Fog copy.order.yaml", "Fog - Copy.order.yml", "Copy of Fog.order.yaml",
    "Fog.orders.yaml", "Fog.yaml", "Fog.yml", "Fog.tif.yaml", "Fog order.yaml", "Fog_order.txt", "Fog-order.yml",
    "Fog.order.yaml.bak", "Fog.order.yaml.part", "Fog.order.yaml.lnk", "Fog.order.json", "Fog.order.rtf", "Fog.order.docx",
    "Fog.order.yaml ", "Fog.order.yaml.", "Fog .order.yaml", "Fog.order .yaml", "Fog.order.y\u00adaml", "Fog.order.ｙａｍｌ",
    "Fog.jpg.order.yaml", "Fog.order (conflicted copy 2024-05-01).yaml", "Fog.order.sync-conflict-20240501-101112-ABC.yaml",
    "Order.yaml", "order.txt", "order", "order (2).yaml", "orders.yml", "order.yaml.txt", "ORDER.YML", "order - Copy.yaml",
]  # fmt: skip


@pytest.mark.parametrize("order", LIKE_ORDERS)
def test_what_looks_like_an_order_holds_its_picture(tmp_path: Path, order: str) -> None:
    """A file that was meant as an order and is not called as one is no picture, and its picture is not made without it."""
    _write(tmp_path, "Fog.tif", order)
    (seen,) = sweep(str(tmp_path)).pictures
    assert seen.path == "Fog.tif"
    assert seen.held is not None
    assert shown(order) in words(seen.held)
    assert seen.order is None


def test_held_is_only_the_picture_that_was_meant(tmp_path: Path) -> None:
    """Other pictures of the folder, and those with an order of their own, go on."""
    _write(tmp_path, "Fog.tif", "Fog 2.tif", "Foghorn.tif", "Mole.tif", "Fog.order.txt", "Pier.order.txt", "Mole.yaml~")
    assert _orders(tmp_path) == {"Fog.tif": "held", "Fog 2.tif": None, "Foghorn.tif": None, "Mole.tif": None}
    passed = {path: words(why) for path, why in sweep(str(tmp_path)).passed_over}
    assert "NAME.order.yaml" in passed["Fog.order.txt"]
    assert "NAME.order.yaml" in passed["Pier.order.txt"]


def test_an_exact_order_is_nobody_elses(tmp_path: Path) -> None:
    """An order that goes by one picture to the letter does not hold another that differs in case, number or extension."""
    _write(tmp_path, "Fog.tif", "fog.tif", "Fog.jpg", "Fog (2).tif", "fog.order.yaml", "Fog (2).order.yaml")
    found = {"Fog.tif": None, "fog.tif": "fog.order.yaml", "Fog.jpg": None, "Fog (2).tif": "Fog (2).order.yaml"}
    assert _orders(tmp_path) == found


def test_accents_put_together_otherwise(tmp_path: Path) -> None:
    """A name that another system composed otherwise (NFD for NFC) looks the same, so the picture is held."""
    _write(tmp_path, "Mo\u0308we.order.yaml", "M\u00f6we.tif")
    assert _orders(tmp_path) == {"M\u00f6we.tif": "held"}


@pytest.mark.parametrize("kind", ["empty", "link", "folder", "pipe"])
@pytest.mark.parametrize("order", ["Fog.order.yaml", "order.yml"])
def test_an_order_that_is_no_file_with_words_in_it(tmp_path: Path, order: str, kind: str) -> None:
    """An order that is empty, a link, a folder or a pipe says nothing: its picture is held with why."""
    _write(tmp_path, "Fog.tif")
    path = tmp_path / order
    if kind == "empty":
        path.touch()
    elif kind == "link":
        path.symlink_to("x")
    elif kind == "folder":
        path.mkdir()
    else:
        os.mkfifo(path)
    (seen,) = sweep(str(tmp_path)).pictures
    assert seen.held is not None
    assert order in words(seen.held)
    assert kind in words(seen.held)


@pytest.mark.parametrize(
    "name", ["Fog.order.tif", "My order.JPG", "order.png", "Tidal order.tif", "Reorder", "Border.tif"]
)
def test_a_picture_may_be_called_order(tmp_path: Path, name: str) -> None:
    """A name that ends as a picture's is a picture, whatever else is in it."""
    _write(tmp_path, "Fog.tif", name)
    assert _orders(tmp_path) == dict.fromkeys(sorted(["Fog.tif", name]))


def test_a_held_picture_goes_on(tmp_path: Path) -> None:
    """As soon as the order is called right, the picture has it; the same sweeper sees it."""
    sweeper = Sweeper(str(tmp_path))
    _write(tmp_path, "Fog.tif", "Fog.order.txt")
    held = sweeper.sweep().pictures
    assert sweeper.sweep().pictures is held
    (tmp_path / "Fog.order.txt").rename(tmp_path / "Fog.order.yml")
    assert [(seen.order, seen.held) for seen in sweeper.sweep().pictures] == [("Fog.order.yml", None)]


def test_the_last_look_says_the_same(tmp_path: Path) -> None:
    """What is asked of one picture just before it is published is answered as the full look answers it."""
    orders = [*LIKE_ORDERS, "Fog.order.yaml", "order.yml", "none"]
    for number, order in enumerate(orders):
        _write(tmp_path, f"{number}/Fog.tif", *[f"{number}/{order}"] * (order != "none"))
    looks = {seen.path: (seen.order, seen.order_stamp, seen.held) for seen in sweep(str(tmp_path)).pictures}
    assert len(looks) == len(orders)
    assert {path: order_now(str(tmp_path), path) for path in looks} == looks
