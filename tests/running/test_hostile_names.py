"""Names and descriptions of every kind, through the real service and the real commands: nothing acts, nothing collides.

A picture that is printed and one that is turned back lie under every name; the pictures' own title and creator are
hostile too.
"""

from __future__ import annotations

import os
import pty
import sys
import unicodedata
from collections import Counter
from pathlib import Path

import pytest

from printqueue.core.naming import companion_stem, split, twin_key
from printqueue.core.text import shown
from printqueue.sandbox import ForkServer
from printqueue.studio.folders import Studio
from tests.faults import sound_files
from tests.running import support

pytestmark = pytest.mark.slow

LONG = "a" * 200
NAMES = (
    "esc\x1b[31mred\x1b]0;title\x07.tif", "cr\rlf\nx.tif", "c1\x9b31m.tif", "tab\tx.tif", "bidi\u202egpj.tif", "zero\u200bwidth.tif",
    "line\u2028x.tif", b"no utf-8 \xff\xfe.tif", "</script><b>.tif", "[red]m[/red][link=file:x]l.tif", "[/].tif", "%s%d{0}.tif",
    "$(touch x);`x`.tif", "'q\"u.tif", "-rf.tif", "--help", "CON.tif", "aux", "dots...", "space .tif ", " space.tif", "Fog", "\U0001f30a.tif",
    "Übung.tif", "U\u0308bung.tif", "ÜBUNG.TIF", "fog", "FOG",
    LONG + "b" * 51 + ".tif", LONG + "c" * 51 + ".tif", LONG + "c" * 55, "ü" * 125 + "x.tif", "ü" * 123 + "éé.tif", "漁" * 83 + ".tif",
)  # fmt: skip
TITLE = "Fog [red]x[/red] </script>\u202egnp\u2028\x85 &lt;b&gt; " + "y" * 500
BAD = b"No picture at all, only the tide table.\n" * 50
COMMANDS = (("status",), ("status", "--json"), ("history",), ("history", "--json"), ("doctor",), ("doctor", "--json"))


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory, fork_server: ForkServer) -> Studio:
    """A studio after all of them."""
    studio = support.new_studio(tmp_path_factory.mktemp("names") / "studio")
    xmp = sound_files.XMP.replace(b"Kelp at low water", TITLE.encode())
    good = sound_files.tiff(xmp=xmp, compression="lzw")
    for name in NAMES:
        support.drop(studio, b"card/" + os.fsencode(name), good)
        support.drop(studio, b"card/60x50 mm/" + os.fsencode(name), BAD)
    support.drop(studio, "card/~$[red]k\x1b[31m.tif", BAD)
    tally = support.serve_once(studio, fork_server)
    assert (tally.made, tally.turned_back, tally.stuck, tally.deferred) == (len(NAMES), len(NAMES), 0, 0)
    return studio


def acting(text: str) -> set[str]:
    """Characters that a terminal, a log or a page could act on; the commands' own line ends and tabs are none."""
    kinds = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    return {ascii(char) for char in text if unicodedata.category(char) in kinds and char not in "\n\t"}


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_no_command_lets_a_name_act(served: Studio, command: tuple[str, ...]) -> None:
    """What commands print holds no control, direction or undecodable character, and shows markup as it is written."""
    done = support.command(served, *command)
    assert done.returncode == 0
    assert not acting(done.stdout + done.stderr)
    if command[0] != "doctor":
        assert "[red]m[/red][link=file:x]l" in done.stdout
        assert shown("esc\x1b[31mred").replace("\\", "\\\\" if "--json" in command else "\\") in done.stdout


def test_no_table_in_a_terminal_lets_a_name_act(served: Studio) -> None:
    """In a terminal too: the only escapes are the table's own bold and italic, and markup is shown, not obeyed."""
    for command in ("status", "history"):
        shown_text = _in_a_terminal(served, command)
        for own in ("\x1b[0m", "\x1b[1m", "\x1b[2m", "\x1b[3m", "\x1b[1;33m", "\x1b[1;36m", "\r"):
            shown_text = shown_text.replace(own, "")
        assert not acting(shown_text)
        assert "[red]m[/red]" in shown_text


def _in_a_terminal(studio: Studio, command: str) -> str:
    line = [sys.executable, "-m", "printqueue", "-C", studio.root, command]
    pid, terminal = pty.fork()
    if pid == 0:
        os.chdir(support.ROOT)
        os.execve(line[0], line, os.environ | {"COLUMNS": "250", "TERM": "xterm"})
    parts = []
    try:
        while part := os.read(terminal, 1 << 16):
            parts.append(part)
    except OSError:  # EIO: the other side has gone
        pass
    os.close(terminal)
    assert os.waitpid(pid, 0)[1] == 0
    return b"".join(parts).decode()


def test_no_note_lets_a_name_act(served: Studio) -> None:
    """Notes and reasons hold no such character either, nor a line longer than a page."""
    found = [name for name in support.files(served) if name.endswith(".txt")]
    assert len(found) == 2 * len(NAMES)
    for name in found:
        text = Path(served.path(name)).read_text(encoding="utf-8")
        assert not acting(text)
        assert "\t" not in text


def test_the_log_shows_no_name_that_acts(tmp_path: Path) -> None:
    """What `serve` writes while it works holds no such character."""
    studio = support.new_studio(tmp_path / "studio")
    for name in NAMES[:8]:
        support.drop(studio, b"card/" + os.fsencode(name), BAD)
    with support.started(studio, "tests.running.quick_worker", "--once") as process:
        _, said = process.communicate(timeout=support.SOON_S)
    assert not acting(said)
    assert len(support.files(studio, "review")) == 24


def test_every_name_is_kept_and_none_collides(served: Studio) -> None:
    """Every original stands under its own bytes (twins with a number), and no two files that can be seen are twins."""
    found = support.files(served)
    originals = [name for name in found if name.startswith("masters/") and not name.endswith(".order.yaml")]
    assert len(originals) == len(NAMES)
    alike = Counter(_stem(name) for name in NAMES)
    alone = [os.fsdecode(name) for name in NAMES if alike[_stem(name)] == 1]
    assert len(alone) > 20
    assert {f"masters/card/{name}" for name in alone} <= set(originals)
    for top in ("print", "masters", "review"):
        keys = Counter(twin_key(name) for name in found if name.startswith(top + "/"))
        assert max(keys.values()) == 1
    assert len(support.prints(served)) == len(NAMES)


def _stem(name: str | bytes) -> str:
    """What names share that get a number: twins, and long ones that are the same once shortened."""
    return twin_key(companion_stem(split(os.fsdecode(name))[0]))


def test_long_names_keep_their_companions_apart(served: Studio) -> None:
    """Names that are the same once shortened get numbers; each picture in review/ has a reason that names it."""
    folder = served.path("review", "card", "60x50 mm")
    stems = [
        name.removesuffix(".reason.txt")
        for name in os.listdir(folder)
        if name.startswith("aaa") and name.endswith(".reason.txt")
    ]
    assert len(stems) == 3
    texts = [Path(folder, f"{stem}.reason.txt").read_text() for stem in stems]
    assert len(set(texts)) == 3
    for name in os.listdir(folder):
        os.fsencode(name).removesuffix(b".tif").replace(b"\xff\xfe", b"").decode("utf-8")  # cut between characters only
