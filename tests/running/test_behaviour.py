"""What the photographer sees: names, replaced and removed pictures, late orders, pictures put back."""

from __future__ import annotations

import hashlib
import os
import sqlite3
import unicodedata
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
import tifffile

from printqueue.imaging.outputs.print_tiff import read_provenance
from printqueue.ledger import LedgerReader
from printqueue.sandbox import ForkServer
from printqueue.service import steps
from printqueue.service.late_orders import LateOrders
from printqueue.studio.folders import Studio
from tests.running import support

pytestmark = pytest.mark.slow

Patch = pytest.MonkeyPatch
SMALL, LARGE = "60x50 mm", "80x60 mm"


def _at(patch: Patch, step: str, act: Callable[[], object]) -> None:
    """Do `act` once, at the first passing of `step`."""
    left = [act]

    def reached(name: str) -> None:
        if name == step and left:
            left.pop()()

    patch.setattr(steps, "reached", reached)


def _masters(studio: Studio) -> dict[str, str]:
    found = support.files(studio, "masters")
    return {name.removeprefix("masters/"): digest for name, digest in found.items()}


def _master_of(studio: Studio, name: str) -> str:
    """SHA-256 of the master that a print file (relative to print/) says it was made from."""
    with open(studio.path("print", name), "rb") as stream:
        made = read_provenance(stream)
    assert made is not None
    return made[1]


# -- names ----------------------------------------------------------------------


def test_same_name_again_and_again(studio: Studio, fork_server: ForkServer) -> None:
    """Same names never meet: each group of print, note and master has one number, and they belong together."""
    for seed, folder in enumerate((f"card/{SMALL}", f"card/{LARGE}", "card")):
        support.drop(studio, f"{folder}/Fog.tif", support.picture(seed))
    assert support.serve_once(studio, fork_server).made == 3
    support.drop(studio, f"card/{SMALL}/Fog.tif", support.picture(3))
    assert support.serve_once(studio, fork_server).made == 1

    masters = _masters(studio)
    assert len(masters) == 4
    for name in support.prints(studio):
        number = name.rpartition("/")[2]
        assert os.path.isfile(studio.path("print", name.removesuffix(".tif") + ".print.txt"))
        digest = _master_of(studio, name)
        assert [m.rpartition("/")[2] for m, sha in masters.items() if sha == digest] == [number]
    assert support.prints(studio) == [
        f"card/{SMALL}/Fog (2).tif",
        f"card/{SMALL}/Fog (3).tif",
        f"card/{SMALL}/Fog.tif",
        f"card/{LARGE}/Fog.tif",
    ]


def test_names_that_differ_in_extension_only(new_studio: Callable[..., Studio], fork_server: ForkServer) -> None:
    """Fog.tif and Fog.TIFF, worked on at the same time, become two groups."""
    studio = new_studio(support.SETTINGS.replace("workers: 1", "workers: 2"))
    support.drop(studio, "card/Fog.tif", support.picture(1))
    support.drop(studio, "card/Fog.TIFF", support.picture(2))
    assert support.serve_once(studio, fork_server).made == 2
    assert support.prints(studio) == [f"card/{SMALL}/Fog (2).tif", f"card/{SMALL}/Fog.tif"]
    assert set(_masters(studio).values()) == {support.sha256(support.picture(n)) for n in (1, 2)}
    assert {_master_of(studio, name) for name in support.prints(studio)} == set(_masters(studio).values())
    assert len([name for name in support.files(studio, "print") if name.endswith(".print.txt")]) == 2


@pytest.mark.parametrize(
    "names",
    [("fog.tif", "FOG.tif"), tuple(unicodedata.normalize(form, "Übung.tif") for form in ("NFC", "NFD"))],
    ids=["case", "composed and decomposed"],
)
def test_twins_of_one_name(studio: Studio, fork_server: ForkServer, names: tuple[str, str]) -> None:
    """Names that some file system takes for one get two numbers, in print/ and in masters/."""
    for seed, name in enumerate(names):
        support.drop(studio, f"card/{name}", support.picture(seed))
    assert support.serve_once(studio, fork_server).made == 2
    for found in (support.prints(studio), list(_masters(studio))):
        assert len({unicodedata.normalize("NFC", name).casefold() for name in found}) == 2
    assert set(_masters(studio).values()) == {support.sha256(support.picture(n)) for n in (0, 1)}


@pytest.mark.parametrize(
    "taken",
    [
        f"print/card/{SMALL}/Fog.tif",
        f"print/card/{SMALL}/Fog.print.txt",
        f"print/card/{SMALL}/Fog.proof.jpg",
        f"print/card/{SMALL}/FOG.TIF",
        "masters/card/Fog.tif",
        "masters/card/Fog.order.yaml",
        "review/card/Fog.reason.txt",
        "review/card/Fog.proof.jpg",
        "review/card/Fog.tif",
        "review/card/Fog.order.yaml",
    ],
)
def test_nothing_is_overwritten(studio: Studio, fork_server: ForkServer, taken: str) -> None:
    """A file that the photographer keeps under a name that is wanted stays as it is; the group gets the next number."""
    mine = Path(studio.path(taken))
    mine.parent.mkdir(parents=True)
    mine.write_text("mine")
    good = not taken.startswith("review/")
    support.drop(studio, "card/Fog.tif", support.picture() if good else support.small_picture())
    support.drop(studio, "card/Fog.order.yaml", b"copies: 2\n")
    support.serve_once(studio, fork_server)
    assert mine.read_text() == "mine"
    new = [name for name in support.files(studio) if name != taken]
    assert len(new) == (5 if good else 4)
    assert all("Fog (2)." in name for name in new)


def test_name_taken_while_publishing(studio: Studio, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """A name taken between looking and renaming: the group starts over with the next number and leaves nothing behind."""
    taken = Path(studio.path("print", "card", SMALL, "Fog.tif"))
    _at(monkeypatch, "companion-published", lambda: taken.write_text("mine"))
    support.drop(studio, "card/Fog.tif", support.picture())
    assert support.serve_once(studio, fork_server).made == 1
    assert taken.read_text() == "mine"
    assert sorted(support.files(studio)) == [
        "masters/card/Fog (2).tif",
        f"print/card/{SMALL}/Fog (2).print.txt",
        f"print/card/{SMALL}/Fog (2).proof.jpg",
        f"print/card/{SMALL}/Fog (2).tif",
        f"print/card/{SMALL}/Fog.tif",
    ]


# -- changes while it is worked on -------------------------------------------------


@pytest.mark.parametrize("step", ["spooled", "judged", "proofed", "companions-written"])
def test_replaced_while_working(studio: Studio, fork_server: ForkServer, monkeypatch: Patch, step: str) -> None:
    """A picture saved anew before publication: only the new version is made."""
    support.drop(studio, "card/Fog.tif", support.picture(1))
    _at(monkeypatch, step, lambda: support.drop(studio, "card/Fog.tif", support.picture(2), mtime_ns=5))
    assert support.serve_once(studio, fork_server).made == 1
    (name,) = support.prints(studio)
    assert _master_of(studio, name) == support.sha256(support.picture(2))
    assert _masters(studio) == {"card/Fog.tif": support.sha256(support.picture(2))}
    assert len(support.files(studio, "print")) == 3
    assert support.spool(studio) == []


@pytest.mark.parametrize("good", [True, False], ids=["accepted", "turned back"])
def test_removed_before_publication(studio: Studio, fork_server: ForkServer, monkeypatch: Patch, good: bool) -> None:
    """A picture taken away before publication is withdrawn: nothing is made, nothing is left."""
    path = support.drop(studio, "card/Fog.tif", support.picture() if good else support.small_picture())
    _at(monkeypatch, "companions-written", lambda: os.unlink(path))
    tally = support.serve_once(studio, fork_server)
    assert (tally.made, tally.turned_back, tally.stuck, tally.deferred) == (0, 0, 0, 0)
    assert support.files(studio) == {}
    assert support.spool(studio) == []
    assert support.status(studio)["counts"]["withdrawn"] == 1


@pytest.mark.parametrize("step", ["intent-written", "published-written"])
@pytest.mark.parametrize("replaced", [True, False], ids=["replaced", "removed"])
def test_changed_after_the_intent(
    studio: Studio, fork_server: ForkServer, monkeypatch: Patch, step: str, replaced: bool
) -> None:
    """Replaced or taken away when it is too late: the very bytes that were printed are in masters/."""
    path = support.drop(studio, "card/Fog.tif", support.picture(1))

    def change() -> None:
        if replaced:
            support.drop(studio, "card/Fog.tif", support.picture(2), mtime_ns=5)
        else:
            os.unlink(path)

    _at(monkeypatch, step, change)
    assert support.serve_once(studio, fork_server).made == (2 if replaced else 1)
    one, two = (support.sha256(support.picture(n)) for n in (1, 2))
    expected = {"card/Fog.tif": one, "card/Fog (2).tif": two} if replaced else {"card/Fog.tif": one}
    assert _masters(studio) == expected
    assert _master_of(studio, f"card/{SMALL}/Fog.tif") == one
    assert support.files(studio, "ready") == {}
    assert support.spool(studio) == []


def test_replaced_while_turned_back(studio: Studio, fork_server: ForkServer, monkeypatch: Patch) -> None:
    """A better version that comes while the old one is turned back is made, with its order; the old reason is put away."""
    support.drop(studio, "card/Fog.tif", support.small_picture())
    support.drop(studio, "card/Fog.order.yaml", b"copies: 2\n")
    _at(monkeypatch, "intent-written", lambda: support.drop(studio, "card/Fog.tif", support.picture(2)))
    assert support.serve_once(studio, fork_server).made == 1
    assert support.files(studio, "ready", "review") == {}
    assert sorted(_masters(studio)) == ["card/Fog.order.yaml", "card/Fog.tif"]
    assert [p.copies for p in LedgerReader(studio.ledger).prints() if p.state == "printable"] == [2]


@pytest.mark.parametrize("step", ["judged", "companions-written"])
@pytest.mark.parametrize("before", [None, b"copies: 2\n"], ids=["new", "changed"])
def test_order_that_comes_during_work(
    studio: Studio, fork_server: ForkServer, monkeypatch: Patch, step: str, before: bytes | None
) -> None:
    """An order that comes or changes before publication is obeyed: the attempt starts again."""
    support.drop(studio, "card/Fog.tif", support.picture())
    if before is not None:
        support.drop(studio, "card/Fog.order.yaml", before)
    order = b"size: 80x60 mm\n"
    _at(monkeypatch, step, lambda: support.drop(studio, "card/Fog.order.yaml", order, mtime_ns=7))
    assert support.serve_once(studio, fork_server).made == 1
    assert support.prints(studio) == [f"card/{LARGE}/Fog.tif"]
    assert _masters(studio)["card/Fog.order.yaml"] == support.sha256(order)
    assert len(support.files(studio, "print")) == 3


def test_order_that_serves_two_pictures(studio: Studio, fork_server: ForkServer) -> None:
    """Fog.order.yaml beside Fog.tif and Fog.TIFF is obeyed for both."""
    for seed, name in enumerate(("Fog.tif", "Fog.TIFF")):
        support.drop(studio, f"card/{name}", support.picture(seed))
    support.drop(studio, "card/Fog.order.yaml", b"size: 80x60 mm\n")
    assert support.serve_once(studio, fork_server).made == 2
    assert all(name.startswith(f"card/{LARGE}/") for name in support.prints(studio))


def test_order_without_a_picture_is_said(studio: Studio, fork_server: ForkServer) -> None:
    """An order that has no picture stays in ready/ and stands in status with why."""
    support.drop(studio, "card/Fog.order.yaml", b"copies: 2\n")
    support.serve_once(studio, fork_server)
    assert support.files(studio).keys() == {"ready/card/Fog.order.yaml"}
    (entry,) = support.status(studio)["passed_over"]
    assert entry["file"] == "card/Fog.order.yaml"
    assert "no picture" in entry["why"]


def test_order_that_came_too_late(studio: Studio, fork_server: ForkServer) -> None:
    """An order whose picture is made already goes to review/, whole, with a reason; the print stays as it is."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.serve_once(studio, fork_server)
    made = support.files(studio, "print")
    support.drop(studio, "card/Fog.order.yaml", b"copies: 2\n")
    support.serve_once(studio, fork_server)
    assert support.files(studio, "print") == made
    assert support.files(studio, "ready") == {}
    assert support.files(studio, "review")["review/card/Fog.order.yaml"] == support.sha256(b"copies: 2\n")
    assert "came too late: card/Fog.tif was made at" in support.reason(studio, "card/Fog.order.reason.txt")
    assert support.status(studio)["passed_over"] == []


def test_second_late_order_takes_the_next_number(studio: Studio, fork_server: ForkServer) -> None:
    """Nothing in review/ is overwritten: the next late order of the same name, and its reason, are numbered."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.serve_once(studio, fork_server)
    for text in (b"copies: 2\n", b"copies: 3\n"):
        support.drop(studio, "card/Fog.order.yaml", text)
        support.serve_once(studio, fork_server)
    found = support.files(studio, "review")
    assert found["review/card/Fog.order.yaml"] == support.sha256(b"copies: 2\n")
    assert found["review/card/Fog (2).order.yaml"] == support.sha256(b"copies: 3\n")
    assert len(found) == 4


def test_order_for_a_picture_still_to_come(studio: Studio, fork_server: ForkServer) -> None:
    """An order written long after the last print of that name waits for a new picture, and is obeyed."""
    support.drop(studio, "card/Fog.tif", support.picture())
    with support.service(studio, fork_server, now=lambda: "2026-11-20T06:00:00Z") as running:
        running.run()
    support.drop(studio, "card/Fog.order.yaml", b"size: 80x60 mm\n")
    support.serve_once(studio, fork_server)
    assert support.files(studio, "ready").keys() == {"ready/card/Fog.order.yaml"}
    support.drop(studio, "card/Fog.tif", support.picture(2))
    support.serve_once(studio, fork_server)
    assert f"card/{LARGE}/Fog (2).tif" in support.prints(studio)


# -- afterwards ---------------------------------------------------------------------


def test_put_back_from_review(studio: Studio, fork_server: ForkServer) -> None:
    """A picture moved back from review/ is judged again; its old reason is kept in the private folder."""
    support.drop(studio, "card/Fog.tif", support.small_picture())
    support.serve_once(studio, fork_server)
    os.rename(studio.path("review", "card", "Fog.tif"), studio.path("ready", "card", "Fog.tif"))
    tally = support.serve_once(studio, fork_server)
    assert tally.turned_back == 1
    assert sorted(support.files(studio)) == [
        "review/card/Fog.proof.jpg",
        "review/card/Fog.reason.txt",
        "review/card/Fog.tif",
    ]
    past = [name for _, _, names in os.walk(studio.private("past")) for name in names]
    assert sorted(past) == ["Fog.proof.jpg", "Fog.reason.txt"]
    os.rename(studio.path("review", "card", "Fog.tif"), studio.path("ready", "card", "Fog.tif"))
    support.drop(studio, "card/Fog.order.yaml", b"allow: [resolution]\n")
    assert support.serve_once(studio, fork_server).made == 1
    assert support.files(studio, "ready", "review") == {}
    assert _masters(studio)["card/Fog.tif"] == support.sha256(support.small_picture())


def test_the_record_holds_the_hash_of_file_and_pixels(studio: Studio, fork_server: ForkServer) -> None:
    """Ledger, note and the print file itself name the SHA-256 of its pixels; ledger and note that of the file as well."""
    support.drop(studio, f"card/{SMALL}/Fog.tif", support.picture(0))
    assert support.serve_once(studio, fork_server).made == 1
    file = Path(studio.path("print", "card", SMALL, "Fog.tif"))
    with tifffile.TiffFile(file) as tiff:
        pixels = hashlib.sha256(tiff.asarray().astype("<u2").tobytes()).hexdigest()
        assert f"<pq:pixelsSHA256>{pixels}<".encode() in bytes(tiff.pages.first.tags[700].value)
    whole = hashlib.sha256(file.read_bytes()).hexdigest()
    with closing(sqlite3.connect(studio.ledger)) as ledger:
        assert ledger.execute("SELECT file_sha256, pixels_sha256 FROM prints").fetchall() == [(whole, pixels)]
    words = file.with_name("Fog.print.txt").read_text("utf-8").split()
    assert {whole, f"{pixels}:"} <= set(words)


@pytest.mark.parametrize("how", ["moved", "renamed", "removed"])
def test_print_taken_by_the_photographer(studio: Studio, fork_server: ForkServer, how: str) -> None:
    """A print file that is moved, renamed or removed is no error and is not made again."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.serve_once(studio, fork_server)
    made = studio.path("print", "card", SMALL, "Fog.tif")
    if how == "removed":
        os.unlink(made)
    else:
        os.rename(made, studio.path("Fog.tif") if how == "moved" else made.replace("Fog", "Printed"))
    support.drop(studio, "card/Slipway.tif", support.picture(2))
    tally = support.serve_once(studio, fork_server)
    assert (tally.made, tally.turned_back, tally.stuck, tally.deferred) == (1, 0, 0, 0)
    assert not os.path.exists(made)
    assert support.status(studio)["counts"]["printable"] == 2


def test_picture_withdrawn_while_it_waits(studio: Studio, fork_server: ForkServer) -> None:
    """A waiting picture that is taken out of ready/ is withdrawn."""
    os.rename(studio.path("profiles", "card.icc"), studio.path("profiles", "away.icc"))
    path = support.drop(studio, "card/Fog.tif", support.picture())
    assert support.serve_once(studio, fork_server).deferred == 1
    os.unlink(path)
    support.serve_once(studio, fork_server)
    answer = support.status(studio)
    assert answer["counts"]["waiting"] == 0
    assert answer["jobs"] == []


def test_two_prints_of_one_picture_on_the_same_sheet(studio: Studio, fork_server: ForkServer) -> None:
    """Two lifts on the same paper and size: two files with following numbers, one master."""
    support.drop(studio, "card/Fog.tif", support.picture())
    order = b"prints:\n  - {lift: 0 stop}\n  - {lift: 1/3 stop}\n"
    support.drop(studio, "card/Fog.order.yaml", order)
    assert support.serve_once(studio, fork_server).made == 1
    made = {os.path.basename(name) for name in support.files(studio, "print")}
    endings = (".tif", ".print.txt", ".proof.jpg")
    assert made == {stem + ending for stem in ("Fog", "Fog (2)") for ending in endings}
    assert {os.path.basename(name) for name in support.files(studio, "masters")} == {"Fog.tif", "Fog.order.yaml"}


def test_misspelt_size_is_not_taken_for_a_grouping(studio: Studio, fork_server: ForkServer) -> None:
    """A folder such as A33 was meant as a size: the picture goes to review with the nearest one, not onto another sheet."""
    support.drop(studio, "card/A33/Fog.tif", support.picture())
    assert support.serve_once(studio, fork_server).turned_back == 1
    assert support.prints(studio) == []
    assert "'A33' is no size" in support.reason(studio, "card/A33/Fog.reason.txt")


def test_broken_rules_are_said_once(studio: Studio, fork_server: ForkServer, caplog: pytest.LogCaptureFixture) -> None:
    """The service says what is wrong with a rule file, and in review/ the folder's answer follows its cause."""
    rules = Path(studio.path("rules", "slate.yaml"))
    rules.write_text("paper: Slate\ngrammge: 300 gsm\n")
    support.drop(studio, "slate/Fog.tif", support.picture())
    with caplog.at_level("WARNING", "printqueue"):
        support.serve_once(studio, fork_server)
    said = [record.getMessage() for record in caplog.records if record.getMessage().startswith("rules: slate.yaml")]
    assert len(said) == len(set(said)) > 0
    answer = Path(studio.path("review", "slate.reason.txt"))
    assert "The rules of this paper cannot be used: slate.yaml" in answer.read_text("utf-8")
    rules.unlink()
    support.serve_once(studio, fork_server)
    assert "There is no paper 'slate'" in answer.read_text("utf-8")


def test_a_folder_that_is_nearly_a_size_is_not_printed_at_another(studio: Studio, fork_server: ForkServer) -> None:
    """'A2b' was meant as a size: it is turned back with a word, never made on the paper's usual sheet."""
    support.drop(studio, "card/A2b/Fog.tif", support.picture())
    assert support.serve_once(studio, fork_server).turned_back == 1
    assert support.prints(studio) == []


def test_moved_back_as_the_reason_says(studio: Studio, fork_server: ForkServer) -> None:
    """The `Anyway` lines of a numbered picture, followed literally: its order has its number, and it is made."""
    for seed in (7, 8):
        support.drop(studio, "card/Fog.tif", support.picture(seed, width=60, height=40))
        support.serve_once(studio, fork_server)
    reason = Path(studio.path("review", "card", "Fog (2).reason.txt")).read_text("utf-8")
    name = reason.partition("Move it back with a file ")[2].partition(" beside it")[0]
    assert name == "Fog (2).order.yaml"
    Path(studio.path("ready", "card", name)).write_text("allow: [resolution]\n")
    os.rename(studio.path("review", "card", "Fog (2).tif"), studio.path("ready", "card", "Fog (2).tif"))
    assert support.serve_once(studio, fork_server).made == 1


def test_a_default_paper_that_is_none_is_said(
    new_studio: Callable[..., Studio], fork_server: ForkServer, caplog: pytest.LogCaptureFixture
) -> None:
    """A slip in studio.yaml is said when the service starts, with the nearest paper, before any picture falls over it."""
    with caplog.at_level("WARNING", "printqueue"):
        support.serve_once(new_studio(support.SETTINGS + "default_paper: crad\n"), fork_server)
    (said,) = {record.getMessage() for record in caplog.records if "default_paper" in record.getMessage()}
    assert said == "rules: studio.yaml, default_paper: no paper 'crad'. Did you mean 'card'?"


def test_late_order_whose_name_stands_in_review(studio: Studio, fork_server: ForkServer) -> None:
    """Its reason stands beside it under the next number; the order of somebody else gets none, and stays as it is."""
    mine = Path(studio.path("review", "card", "Fog.order.yaml"))
    mine.parent.mkdir()
    mine.write_text("copies: 9\n")
    support.drop(studio, "card/Fog.tif", support.picture())
    support.serve_once(studio, fork_server)
    support.drop(studio, "card/Fog.order.yaml", b"copies: 2\n")
    support.serve_once(studio, fork_server)
    assert support.files(studio, "review").keys() == {
        f"review/card/{name}" for name in ("Fog.order.yaml", "Fog (2).order.yaml", "Fog (2).order.reason.txt")
    }
    assert mine.read_text() == "copies: 9\n"
    assert Path(studio.path("review", "card", "Fog (2).order.yaml")).read_text() == "copies: 2\n"
    assert "came too late" in support.reason(studio, "card/Fog (2).order.reason.txt")


def test_late_order_whose_name_is_taken_in_the_last_instant(
    studio: Studio, fork_server: ForkServer, monkeypatch: Patch
) -> None:
    """The same where somebody's order comes just after the reason was written."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.serve_once(studio, fork_server)
    support.drop(studio, "card/Fog.order.yaml", b"copies: 2\n")
    mine = Path(studio.path("review", "card", "Fog.order.yaml"))
    real = LateOrders._moved

    def late(self: LateOrders, path: str, target: str) -> bool:
        if target == str(mine) and not mine.exists():
            mine.write_text("copies: 9\n")
        return real(self, path, target)

    monkeypatch.setattr(LateOrders, "_moved", late)
    support.serve_once(studio, fork_server)
    assert support.files(studio, "review").keys() == {
        f"review/card/{name}" for name in ("Fog.order.yaml", "Fog (2).order.yaml", "Fog (2).order.reason.txt")
    }
    assert mine.read_text() == "copies: 9\n"


@pytest.mark.parametrize("order", ["card/Fog.order.yml", "card/Fog.tif.order.yml"])
def test_yml_order_goes_with_its_picture(studio: Studio, fork_server: ForkServer, order: str) -> None:
    """An order that ends in .yml is obeyed, and stands in masters/ under the name that the photographer gave it."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, order, b"size: 80x60 mm\n")
    support.serve_once(studio, fork_server)
    assert support.prints(studio) == [f"card/{LARGE}/Fog.tif"]
    assert _masters(studio).keys() == {"card/Fog.tif", order}
    assert support.files(studio, "ready") == {}


def test_yml_order_of_a_folder(studio: Studio, fork_server: ForkServer) -> None:
    """`order.yml` serves all pictures of its folder, stays where it is, and each master has a copy of it."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, "card/order.yml", b"size: 80x60 mm\n")
    support.serve_once(studio, fork_server)
    assert support.prints(studio) == [f"card/{LARGE}/Fog.tif"]
    assert _masters(studio).keys() == {"card/Fog.tif", "card/Fog.order.yml"}
    assert support.files(studio, "ready").keys() == {"ready/card/order.yml"}


def test_yml_order_of_a_picture_turned_back(studio: Studio, fork_server: ForkServer) -> None:
    """Picture and .yml order stand in review/, and the reason sends the reader to that order, not to a second one."""
    support.drop(studio, "card/Fog.tif", support.picture(7, width=60, height=40))
    support.drop(studio, "card/Fog.order.yml", b"copies: 2\n")
    support.serve_once(studio, fork_server)
    assert support.files(studio, "review").keys() >= {"review/card/Fog.tif", "review/card/Fog.order.yml"}
    reason = support.reason(studio, "card/Fog.reason.txt")
    assert "with its order Fog.order.yml" in " ".join(reason.split())
    assert "Fog.order.yaml" not in reason
    for name in ("Fog.tif", "Fog.order.yml"):
        os.rename(studio.path("review", "card", name), studio.path("ready", "card", name))
    with open(studio.path("ready", "card", "Fog.order.yml"), "a") as stream:
        stream.write("allow: [resolution]\n")
    assert support.serve_once(studio, fork_server).made == 1


def test_yml_order_that_came_too_late(studio: Studio, fork_server: ForkServer) -> None:
    """A late .yml order goes to review/ like any other, and a second one never overwrites it."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.serve_once(studio, fork_server)
    for text in (b"copies: 2\n", b"copies: 3\n"):
        support.drop(studio, "card/Fog.order.yml", text)
        support.serve_once(studio, fork_server)
    found = support.files(studio, "review")
    assert found["review/card/Fog.order.yml"] == support.sha256(b"copies: 2\n")
    assert found["review/card/Fog (2).order.yml"] == support.sha256(b"copies: 3\n")
    assert "came too late" in support.reason(studio, "card/Fog.order.reason.txt")


def test_orders_of_both_spellings_never_meet_in_masters(studio: Studio, fork_server: ForkServer) -> None:
    """Fog.tif by Fog.order.yaml, then Fog.jpg by Fog.order.yml: two numbers, or nobody could say whose order is whose."""
    support.drop(studio, "card/Fog.tif", support.picture())
    support.drop(studio, "card/Fog.order.yaml", b"copies: 2\n")
    support.serve_once(studio, fork_server)
    support.drop(studio, "card/Fog.TIFF", support.picture(2))
    support.drop(studio, "card/Fog.order.yml", b"copies: 3\n")
    support.serve_once(studio, fork_server)
    assert _masters(studio).keys() == {
        "card/Fog.tif", "card/Fog.order.yaml", "card/Fog (2).TIFF", "card/Fog (2).order.yml"
    }  # fmt: skip


@pytest.mark.parametrize(
    "names", [("Fog.order.yaml", "Fog.order.yml"), ("Fog.order.txt",), ("order.yaml.txt",), ("fog.order.yaml",)]
)
def test_a_picture_is_held_for_its_order(studio: Studio, fork_server: ForkServer, names: tuple[str, ...]) -> None:
    """Two orders, or one that cannot be one: the picture stays in ready/, said in status, until that is put right."""
    support.drop(studio, "card/Fog.tif", support.picture())
    for name in names:
        support.drop(studio, f"card/{name}", b"size: 80x60 mm\n")
    before = support.files(studio, "ready")
    assert support.serve_once(studio, fork_server).made == 0
    assert support.files(studio) == before
    why = {entry["file"]: entry["why"] for entry in support.status(studio)["passed_over"]}
    assert all(name in why["card/Fog.tif"] for name in names)

    for name in names:
        os.remove(studio.path("ready", "card", name))
    support.drop(studio, "card/Fog.order.yml", b"size: 80x60 mm\n")
    assert support.serve_once(studio, fork_server).made == 1
    assert support.prints(studio) == [f"card/{LARGE}/Fog.tif"]


@pytest.mark.parametrize("name", ["Fog.order.txt", "Fog.order (2).yaml", "order.txt"])
def test_a_doubtful_order_that_comes_during_work(
    studio: Studio, fork_server: ForkServer, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """What comes before publication holds the picture as what stood there before; nothing of it is visible."""
    support.drop(studio, "card/Fog.tif", support.picture())
    _at(monkeypatch, "companions-written", lambda: support.drop(studio, f"card/{name}", b"copies: 2\n"))
    assert support.serve_once(studio, fork_server).made == 0
    assert support.files(studio).keys() == {"ready/card/Fog.tif", f"ready/card/{name}"}
    assert support.spool(studio) == []
    os.remove(studio.path("ready", "card", name))
    assert support.serve_once(studio, fork_server).made == 1
