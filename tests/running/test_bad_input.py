"""Pictures, orders and rules that are wrong: each gets one clear reason, keeps its bytes, and stops nobody else.

All cases go through the real service with real reading processes. Beside every bad
picture lies a good one, which must be made.
"""

from __future__ import annotations

import io
import os
import socket
import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from printqueue.core.text import shown
from printqueue.imaging.colour import spaces
from printqueue.ledger import LedgerReader
from printqueue.sandbox import ForkServer
from printqueue.studio.folders import Studio
from tests.running import support

pytestmark = pytest.mark.slow

GOOD = "card/Good.tif"


def _jpeg() -> bytes:
    out = io.BytesIO()
    codes = (support.pixels(3) >> 8).astype(np.uint8)
    Image.fromarray(codes).save(out, "JPEG", quality=92, icc_profile=spaces.profile_bytes("srgb"))
    return out.getvalue()


def _zero_tail() -> bytes:
    """An uncompressed TIFF whose second half was reserved but never written: zeros from a 4 KiB offset on."""
    whole = support.tiff(support.pixels(2, 300, 200), compression=None, predictor=None)
    half = len(whole) // 2 // 4096 * 4096
    return whole[:half] + bytes(len(whole) - half)


def _pixels_last() -> bytes:
    """As `_zero_tail`, but certain that header and tags stand before the pixels."""
    data = _zero_tail()
    (first_ifd,) = struct.unpack("<I", data[4:8])
    assert first_ifd < len(data) // 2
    return data


def _bomb() -> bytes:
    """A small TIFF whose header asks for 200 000 × 200 000 pixels (TIFF 6.0: tags 256 and 257)."""
    data = bytearray(support.picture())
    (at,) = struct.unpack("<I", data[4:8])
    (count,) = struct.unpack("<H", data[at : at + 2])
    for entry in range(at + 2, at + 2 + 12 * count, 12):
        (tag,) = struct.unpack("<H", data[entry : entry + 2])
        if tag in (256, 257):
            data[entry + 2 : entry + 12] = struct.pack("<HII", 4, 1, 200_000)
    return bytes(data)


@dataclass(frozen=True)
class Bad:
    """A file dropped under `name`, and words that its reason must hold (any case)."""

    name: str | bytes
    data: Callable[[], bytes]
    words: tuple[str, ...]
    order: bytes | None = None
    extra: dict[str, Any] = field(default_factory=dict)


def _text() -> bytes:
    return b"No picture at all, only the tide table.\n" * 50


def _profile_cut() -> bytes:
    return support.tiff(support.pixels(4), icc=spaces.profile_bytes("srgb")[:200])


def _profile_noise() -> bytes:
    return support.tiff(support.pixels(4), icc=np.random.default_rng(5).bytes(600))


_LONG = "Nebel" * 50 + "x.tif"  # 255 bytes
CASES = {
    "text called tif": Bad("card/Notes.tif", _text, ("text file", "tiff")),
    "no extension at all": Bad("card/Notes", _text, ("text file",)),
    "TIFF cut short": Bad("card/Cut.tif", lambda: support.picture(5)[:-9000], ("not complete",)),
    "JPEG cut short": Bad("card/Cut.jpg", lambda: _jpeg()[:-900], ("not complete",)),
    "zero-filled tail": Bad("card/Tail.tif", _pixels_last, ("empty", "allow: [whole]")),
    "header of a bomb": Bad("card/Huge.tif", _bomb, ("200000 × 200000", "1000 MP")),
    "profile cut short": Bad("card/Icc.tif", _profile_cut, ("profile", "cannot be used", "cut short")),
    "profile is noise": Bad("card/Icc.tif", _profile_noise, ("profile", "cannot be used", "acsp")),
    "no profile": Bad("card/Bare.tif", lambda: support.picture(6, profile=None), ("profile", "assume_profile")),
    "control characters in the name": Bad("card/a\x1b[31m\nb\u202e.tif", _text, ("text file", "\\x1b[31m\\x0ab\\u202e")),
    "markup in the name": Bad("card/[red]a[link=x]<b>.tif", _text, ("text file", "[red]a[link=x]<b>.tif")),
    "name that is no UTF-8": Bad(b"card/Fog\xff\xfe.tif", _text, ("text file", "fog\\xff\\xfe")),
    "name of 255 bytes": Bad(f"card/{_LONG}", _text, ("text file",)),
    "name of 255 bytes that is no UTF-8": Bad(b"card/" + b"\xff" * 251 + b".tif", _text, ("text file",)),
    "broken order": Bad("card/Fog.tif", support.picture, ("order", "copis"), order=b"copis: 2\n"),
    "order that is no YAML": Bad("card/Fog.tif", support.picture, ("order",), order=b"copies: [1\n\x00"),
    "order that asks for an unknown paper": Bad("card/Fog.tif", support.picture, ("no paper", "cart", "card"), order=b"paper: cart\n"),
    "order that asks for too large a picture": Bad("card/Fog.tif", support.picture, ("does not fit",), order=b"picture: 300x200 mm\n"),
    "folder whose size has no unit": Bad("card/30x40/Fog.tif", support.picture, ("no unit", "30x40 mm")),
    "too few pixels": Bad("card/Small.tif", support.small_picture, ("ppi", "limit 50")),
}  # fmt: skip


def _order_name(name: str | bytes) -> bytes:
    return os.fsencode(name).rpartition(b".")[0] + b".order.yaml"


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_bad_picture_gets_one_reason(studio: Studio, fork_server: ForkServer, case: Bad) -> None:
    """A bad picture stands untouched in review/ with one reason that says why; the good one beside it is made."""
    dropped = support.drop(studio, case.name, case.data())
    if case.order is not None:
        support.drop(studio, _order_name(case.name), case.order)
    mtime = os.stat(dropped).st_mtime_ns
    support.drop(studio, GOOD, support.picture(9))

    tally = support.serve_once(studio, fork_server)

    assert (tally.made, tally.turned_back, tally.stuck, tally.deferred) == (1, 1, 0, 0)
    assert support.prints(studio) == [f"card/{support.SIZE}/Good.tif"]
    found = support.files(studio, "review")
    here = os.path.join("review", os.fsdecode(case.name))
    assert found[here] == support.sha256(case.data())
    assert os.stat(studio.path(here)).st_mtime_ns == mtime
    reasons = [name for name in found if name.endswith(".reason.txt")]
    assert len(reasons) == 1
    text = support.reason(studio, reasons[0].removeprefix("review/"))
    for word in case.words:
        assert word.lower() in text.lower(), text
    assert len(found) == (4 if case.order is not None else 3)
    assert support.files(studio, "ready") == {}
    _status_says_why(studio, case)


def _status_says_why(studio: Studio, case: Bad) -> None:
    (job,) = support.status(studio)["jobs"]
    assert job["state"] == "review"
    assert job["picture"] == shown(os.fsdecode(case.name))
    assert case.words[0].lower() in job["says"].lower(), job["says"]
    assert "See review/" in job["says"]
    assert job["says"].isprintable()


def test_zero_ppi_tag_is_no_fault(studio: Studio, fork_server: ForkServer) -> None:
    """The resolution tag of a picture says nothing about its pixels: 0 ppi is accepted."""
    support.drop(studio, "card/Fog.tif", support.tiff(support.pixels(4), resolution=(0, 0), resolutionunit="inch"))
    assert support.serve_once(studio, fork_server).made == 1


def test_good_picture_with_the_longest_name(studio: Studio, fork_server: ForkServer) -> None:
    """A 255-byte name is printed, twice, with its folder's order kept beside the master both times."""
    for _ in range(2):
        support.drop(studio, f"card/{_LONG}", support.picture())
        support.drop(studio, "card/order.yaml", b"copies: 2\n")
        assert support.serve_once(studio, fork_server).made == 1
    found = support.files(studio, "masters", "print")
    assert found[f"masters/card/{_LONG}"] == support.sha256(support.picture())
    assert len([name for name in found if name.startswith("masters/") and name.endswith(".tif")]) == 2
    assert len([name for name in found if name.startswith("masters/") and name.endswith(".order.yaml")]) == 2
    assert len([name for name in found if name.startswith("print/") and name.endswith(".print.txt")]) == 2
    assert len(support.prints(studio)) == 2
    assert support.spool(studio) == []


def test_what_is_no_picture_stays_where_it_is(studio: Studio, fork_server: ForkServer) -> None:
    """Empty files, pipes, links, sockets and unfinished names stay in ready/ and stand in status with why."""
    ready = studio.path("ready", "card")
    os.makedirs(ready)
    whys = _odd_things(ready)
    for name in (".hidden.tif", "Fog.proof.jpg", "Fog.reason.txt", "Fog.print.txt", "Thumbs.db"):
        support.drop(studio, f"card/{name}", support.picture())
    support.drop(studio, "card/#3 Slipway.tif", support.picture(9))
    os.makedirs(os.path.join(ready, "@eaDir"))
    support.drop(studio, "card/@eaDir/Fog.tif", support.picture())

    before = sorted(os.listdir(ready))
    tally = support.serve_once(studio, fork_server)

    assert (tally.made, tally.turned_back, tally.stuck, tally.deferred) == (1, 0, 0, 0)
    assert sorted(os.listdir(ready)) == [name for name in before if name != "#3 Slipway.tif"]
    passed = {entry["file"].removeprefix("card/"): entry["why"] for entry in support.status(studio)["passed_over"]}
    assert passed.keys() == whys.keys() | {"@eaDir", "Fog.proof.jpg", "Fog.reason.txt", "Fog.print.txt"}
    for name, why in whys.items():
        assert why in passed[name]
    assert support.files(studio, "review") == {}


def _odd_things(ready: str) -> dict[str, str]:
    Path(ready, "Empty.tif").touch()
    os.mkfifo(os.path.join(ready, "Pipe.tif"))
    os.symlink("/etc/hostname", os.path.join(ready, "Link.tif"))
    os.symlink(ready, os.path.join(ready, "Loop"))
    with socket.socket(socket.AF_UNIX) as server:
        here = os.open(ready, os.O_PATH)
        server.bind(f"/proc/self/fd/{here}/Socket.tif")  # a short path: sun_path holds 107 bytes
        os.close(here)
    for name in ("~$Fog.tif", "Fog.tif.part", "Fog.TMP", "Fog.tif~"):
        Path(ready, name).write_bytes(support.picture())
    work = "a program is still at work"
    return {
        "Empty.tif": "empty", "Pipe.tif": "pipe", "Link.tif": "symbolic link", "Loop": "symbolic link",
        "Socket.tif": "socket", "~$Fog.tif": work, "Fog.tif.part": work, "Fog.TMP": work, "Fog.tif~": work,
    }  # fmt: skip


def test_unknown_folder_is_answered_once(studio: Studio, fork_server: ForkServer) -> None:
    """A folder that names no paper gets one answer, however many pictures lie in it, and the answer goes with it."""
    for number in range(3):
        support.drop(studio, f"cart/Fog {number}.tif", support.picture(number))
    support.drop(studio, GOOD, support.picture(9))
    for _ in range(2):
        support.serve_once(studio, fork_server)
    assert sorted(support.files(studio, "review")) == ["review/cart.reason.txt"]
    text = support.reason(studio, "cart.reason.txt")
    assert "no paper 'cart'" in text
    assert "card" in text
    (entry,) = support.status(studio)["passed_over"]
    assert entry["file"] == "cart"
    assert "no paper 'cart'" in entry["why"]
    assert len(support.files(studio, "ready")) == 3
    assert len(support.prints(studio)) == 1

    os.rename(studio.path("ready", "cart"), studio.path("ready", "card"))
    assert support.serve_once(studio, fork_server).made == 3
    assert support.files(studio, "review") == {}
    assert support.status(studio)["passed_over"] == []


def test_answer_to_an_unknown_folder_spares_a_file_of_the_photographer(studio: Studio, fork_server: ForkServer) -> None:
    """A file that already has the answer's name is neither overwritten nor tidied away later."""
    mine = Path(studio.path("review", "cart.reason.txt"))
    mine.write_text("my own words")
    support.drop(studio, "cart/Fog.tif", support.picture())
    support.serve_once(studio, fork_server)
    os.rename(studio.path("ready", "cart"), studio.path("ready", "card"))
    support.serve_once(studio, fork_server)
    assert mine.read_text() == "my own words"


def test_paper_with_broken_rules_at_start_is_said(new_studio: Callable[..., Studio], fork_server: ForkServer) -> None:
    """A paper whose rule file is broken at the start is missing: its pictures wait, and the answer names file and line."""
    studio = new_studio(broken=support.CARD.replace("print: {ppi: 100}", "print: {pppi: 100}"))
    support.drop(studio, "broken/Fog.tif", support.picture())
    support.drop(studio, GOOD, support.picture(9))
    assert support.serve_once(studio, fork_server).made == 1
    (entry,) = support.status(studio)["passed_over"]
    text = support.reason(studio, "broken.reason.txt")
    for said in (entry["why"], text):
        assert "broken.yaml" in said
        assert "pppi" in said
        assert "no paper" not in said.lower()
    assert support.files(studio, "ready").keys() == {"ready/broken/Fog.tif"}


def test_rules_broken_while_running_leave_the_last_good_ones(studio: Studio, fork_server: ForkServer) -> None:
    """A rule file that breaks while the service runs leaves the last good rules in force, and says so."""
    with support.serving(studio, fork_server):
        Path(studio.path("rules", "card.yaml")).write_text("paper: [broken\n")
        support.until(lambda: support.problems(studio), "the problem is said")
        support.drop(studio, GOOD, support.picture(9))
        support.until(lambda: support.prints(studio), "the picture is made")
    assert "card.yaml" in support.problems(studio)[0]


def test_unknown_folder_keeps_the_time_since_when_it_is_known(studio: Studio, fork_server: ForkServer) -> None:
    """Looked at again, a folder that names no paper is no news: its row stays as it was."""
    times = iter(f"2026-11-25T06:{minute:02}:00Z" for minute in range(60))
    support.drop(studio, "kozo/Fog.tif", support.picture())
    with support.service(studio, fork_server, now=lambda: next(times)) as running:
        since = set()
        for _ in range(3):
            running._turn()
            since |= {one.since for one in LedgerReader(studio.ledger).sightings()}
    assert len(since) == 1
