"""`doctor`: each question by itself, from fine to bad, and the whole of it on sound and broken studios."""

from __future__ import annotations

import ctypes
import errno
import json
import os
import resource
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from importlib.metadata import PackageNotFoundError
from pathlib import Path

import pytest

from printqueue.cli.doctor import CHECKS, Health, Result, disks, examination, folders, machine, record
from printqueue.cli.doctor.result import Visit
from printqueue.core.disk import durable, filesystems, room
from printqueue.core.disk.filesystems import FileSystem
from printqueue.core.errors import OwnError
from printqueue.core.model.job import State
from printqueue.imaging.colour import engine
from printqueue.ledger import Ledger
from printqueue.sandbox import Walls
from printqueue.service.intake import watch
from printqueue.service.lock import StudioLock
from printqueue.studio.folders import open_studio
from tests.cli.support import assert_plain, run, tree
from tests.stamps import stamp

FINE, WARN, BAD = Health.FINE, Health.WARN, Health.BAD
NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
PAPERS = ["baryta", "kozo", "smooth-rag", "textured-rag"]


def answers(studio: Path, name: str, now: datetime = NOON) -> list[Result]:
    """The answers of the question `name`, without reading processes."""
    (question,) = [question for question in CHECKS if question.name == name]
    return examination.ask(question, Visit(str(studio), now))


def states(results: list[Result]) -> list[Health]:
    """How each answer weighs."""
    return [result.state for result in results]


def ledger_file(studio: Path) -> Path:
    """The studio's SQLite file."""
    return studio / ".printqueue" / "ledger.sqlite"


@contextmanager
def ledger(studio: Path) -> Iterator[Ledger]:
    """The studio's ledger, as its service would hold it at noon."""
    kept = Ledger(str(ledger_file(studio)), lambda: NOON.isoformat())
    try:
        yield kept
    finally:
        kept.close()


def add(path: Path, text: str) -> None:
    """Write `text` at the end of a file."""
    path.write_text(path.read_text() + text)


def offered() -> bool:
    """Whether this machine offers both walls around a reading process: landlock_create_ruleset(2), seccomp(2)."""
    landlock = ctypes.CDLL(None).syscall(444, None, ctypes.c_size_t(0), 1) > 0
    actions = Path("/proc/sys/kernel/seccomp/actions_avail")
    return landlock and actions.exists() and os.uname().machine in ("x86_64", "aarch64")


# -- the whole ---------------------------------------------------------------


def test_new_studio(first_studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A new studio has nothing bad: exit 0; each demonstration profile is a warning; not a byte of it changes."""
    before = tree(first_studio)
    ran = run(capsys, "-C", str(first_studio), "doctor", "--json")
    assert tree(first_studio) == before
    assert all(list(one) == ["name", "state", "says", "do"] for one in ran.json)
    assert {one["state"] for one in ran.json} == {"fine", "warn"}
    assert ran.code == 0
    warned = [one["name"] for one in ran.json if one["state"] == "warn"]
    assert [name for name in warned if name.startswith("profile")] == [f"profile {key}" for key in PAPERS]
    assert all(one["do"] for one in ran.json if one["state"] != "fine")
    assert {"reading", "clock", "libraries", "folders", "file-system", "ledger"} <= {one["name"] for one in ran.json}


def test_broken_studio(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every fault of a broken studio is said in one run, in plain lines, with exit 3; hostile names are escaped."""
    add(studio / "rules" / "baryta.yaml", "bordr: 3 mm\n")
    (studio / "profiles" / "kozo.icc").write_bytes(b"driftwood")
    (studio / "profiles" / "smooth-rag.icc").unlink()
    shutil.rmtree(studio / "review")
    (studio / "rules" / "fog\x1b[31m\u202e.yaml").write_text("paper: Fog\n")
    ledger_file(studio).write_bytes(b"barnacles " * 500)
    ran = run(capsys, "-C", str(studio), "doctor")
    assert ran.code == 3
    assert_plain(ran.out)
    bad = {line.split("\t")[1] for line in ran.out.split("\n") if line.startswith("BAD\t")}
    assert bad == {"rules", "profile kozo", "profile smooth-rag", "folders", "ledger"}
    for words in ("Did you mean 'border'?", "review/ is missing", "only 9 bytes long", "fog\\x1b[31m\\u202e"):
        assert words in ran.out
    assert f"{ran.out.count(chr(10) + 'BAD') + ran.out.startswith('BAD')} bad, " in ran.out


def test_no_studio(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Outside a studio the machine is looked at all the same; exit 3, what was left out is said, nothing is made."""
    ran = run(capsys, "-C", str(tmp_path), "doctor", "--json")
    assert ran.code == 3
    assert list(tmp_path.iterdir()) == []
    assert {one["name"]: one["state"] for one in ran.json} == {
        "python": "fine",
        "libraries": "fine",
        "colour-engine": "fine",
        "letters": "fine",
        "reading": "fine",
        "confinement": "fine" if offered() else "warn",
        "clock": "fine",
        "studio": "bad",
    }
    assert "were not looked at" in ran.json[-1]["says"]


def test_no_reading_process(
    first_studio: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the reading process does not start that is bad, and the rest is still answered, without a false 'fine'."""

    def refuse(module: str) -> None:
        raise OwnError("It could not be started.")

    monkeypatch.setattr(examination, "ForkServer", refuse)
    ran = run(capsys, "-C", str(first_studio), "doctor", "--json")
    assert ran.code == 3
    assert [one["name"] for one in ran.json if one["state"] == "bad"] == ["reading"]
    assert len(ran.json) > 15


def test_confinement_is_what_the_kernel_gives(first_studio: Path) -> None:
    """What is said of the walls is what stands: the kernel's own word on the process, and a file that it cannot open."""
    visit = Visit(str(first_studio), NOON)
    with examination._context(visit) as visit.context:
        assert visit.context is not None
        (result,) = machine.confinement(visit)
        with visit.context.child() as child:
            walls = child.walls()
            status = Path(f"/proc/{child._pid}/status").read_text()
    assert (result.state is FINE) == offered()
    assert ("Seccomp:\t2\n" in status) == walls.filtered == ("system calls are filtered" in result.says)
    version = ctypes.CDLL(None).syscall(444, None, ctypes.c_size_t(0), 1)
    assert walls.landlock == max(0, version)
    assert (f"Landlock {version}" in result.says) == (version > 0)


@pytest.mark.parametrize(
    ("walls", "state", "words"),
    [
        (Walls(7, filtered=True), FINE, "no file, network or process"),
        (Walls(1, filtered=True), FINE, "Landlock 1"),
        (Walls(0, filtered=True), WARN, "no Landlock"),
        (Walls(7, filtered=False), WARN, "could still send to the network"),
        (Walls(0, filtered=False), WARN, "could reach every file"),
    ],
)
def test_confinement(walls: Walls, state: Health, words: str) -> None:
    """What a kernel does not offer is said, with what would then be in reach, and what to do."""
    result = machine.confinement_result(walls)
    assert result.state is state
    assert words in result.says
    assert bool(result.do) == (state is WARN)


@pytest.mark.parametrize("library", ["pydantic", "numpy"])
def test_broken_library(library: str) -> None:
    """A library that cannot be loaded is one bad answer with its name, not a crash."""
    code = f"import sys; sys.modules[{library!r}] = None\nfrom printqueue.cli.main import main\nsys.exit(main(['doctor', '--json']))"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert (ran.returncode, ran.stderr) == (3, "")
    (result,) = json.loads(ran.stdout)
    assert (result["name"], result["state"]) == ("libraries", "bad")
    assert library in result["says"]


def test_every_question_is_listed_once() -> None:
    """The list of questions has no double."""
    names = [question.name for question in CHECKS]
    assert len(names) == len(set(names))


def test_an_unforeseen_refusal_is_bad_not_silent(studio: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A question that the machine refuses to answer is bad, and says which file."""

    def refuse(path: str) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", path)

    monkeypatch.setattr(os, "statvfs", refuse)
    (result,) = answers(studio, "space")
    assert (result.state, result.name) == (BAD, "space")
    assert str(studio) in result.says


# -- the machine -------------------------------------------------------------


@pytest.mark.parametrize(
    ("version", "state"),
    [((3, 10, 12), BAD), ((3, 11, 0), FINE), ((3, 13, 9), FINE), ((3, 14, 0), WARN), ((2, 7, 18), BAD)],
)
def test_python(version: tuple[int, ...], state: Health) -> None:
    """Python 3.11 to 3.13 is fine, older is bad, newer was never tried."""
    assert machine.python_result(version).state is state


def test_python_bounds_are_the_package_s() -> None:
    """The bounds said by doctor are those that the package declares."""
    declared = (Path(__file__).parents[2] / "pyproject.toml").read_text()
    oldest, untried = machine.OLDEST_PYTHON, machine.FIRST_UNTRIED
    assert f'requires-python = ">={oldest[0]}.{oldest[1]},<{untried[0]}.{untried[1]}"' in declared


@pytest.mark.parametrize(
    ("installed", "state", "says"),
    [
        ({"numpy": "2.0", "pillow": "11.0.1"}, FINE, "numpy 2.0, pillow 11.0.1"),
        ({"numpy": "2.0.0", "pillow": "11"}, FINE, "pillow 11"),
        ({"numpy": "1.26.4", "pillow": "11.0"}, BAD, "numpy 1.26.4 is older than 2.0"),
        ({"numpy": "2.10rc1", "pillow": "9.9"}, BAD, "pillow 9.9 is older than 11.0"),
        ({"numpy": "2.1"}, BAD, "pillow is missing"),
    ],
)
def test_libraries(installed: dict[str, str], state: Health, says: str) -> None:
    """Each library at its lowest version or above; those of extras are not asked for."""

    def version(name: str) -> str:
        if name not in installed:
            raise PackageNotFoundError(name)
        return installed[name]

    result = machine.libraries_result(["numpy>=2.0", "pillow>=11.0", 'scipy>=1.14; extra == "dev"'], version)
    assert result.state is state
    assert says in result.says


@pytest.mark.parametrize(("is_direct", "state", "says"), [(True, FINE, "C interface."), (False, WARN, "anew")])
def test_way_the_engine_is_asked(is_direct: bool, state: Health, says: str) -> None:
    """The slower way is worth a word, and no fault."""
    result = machine.engine_result("lcms2", is_direct=is_direct)
    assert result.state is state
    assert says in result.says


@pytest.mark.parametrize(("there", "says"), [(True, "is there;"), (False, "is not there")])
def test_layout_that_is_not_needed(there: bool, says: str) -> None:
    """Said whether it is there, and fine both ways: no letter depends on it."""
    result = machine.letters_result("2.14.3", has_complex_layout=there)
    assert result.state is FINE
    assert says in result.says


def test_optional_parts_of_this_machine(studio: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Asked of the engine itself: where its C interface is hidden, that is what is said."""
    assert states(answers(studio, "optional")) == [FINE, FINE]
    monkeypatch.setattr(engine, "_engine", lambda: None)
    assert states(answers(studio, "optional")) == [WARN, FINE]


@pytest.mark.parametrize(("year", "state"), [(1970, BAD), (2024, BAD), (2025, FINE), (2026, FINE)])
def test_clock(year: int, state: Health) -> None:
    """A date before 2025 cannot be true."""
    assert machine.clock_result(datetime(year, 6, 1, tzinfo=UTC)).state is state


@pytest.mark.parametrize(
    ("folders_to_watch", "most", "state"), [(10, 8192, FINE), (4096, 8192, FINE), (4097, 8192, WARN), (10, None, WARN)]
)
def test_watches(folders_to_watch: int, most: int | None, state: Health) -> None:
    """More than half of the allowed watches is tight: other programs share them; the disk is not blamed."""
    result = machine.watches_result(folders_to_watch, most)
    assert result.state is state
    if most and state is WARN:
        assert "max_user_watches" in result.do
        assert "disk is not full" in result.says


@pytest.mark.parametrize(
    ("code", "limit"),
    [(0, ""), (errno.EMFILE, "max_user_instances"), (errno.ENOSPC, "max_user_watches"), (errno.ENOSYS, "")],
)
def test_listener(code: int, limit: str) -> None:
    """Where no further listener is to be had, the limit is named, and the disk is not blamed."""
    result = machine.listener_result(code, 128)
    assert result.state is (WARN if code else FINE)
    assert limit in result.do
    assert ("the disk is not full" in result.says) == (code == errno.ENOSPC)


def test_refusal_by_the_kernel(tmp_path: Path) -> None:
    """The kernel's own EMFILE is what `listener_result` gets to see (here for want of a free descriptor)."""
    assert watch.refusal(str(tmp_path)) == 0
    assert watch.refusal(str(tmp_path / "missing")) == errno.ENOENT
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (0, hard))
    try:
        code = watch.refusal(str(tmp_path))
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    assert code == errno.EMFILE


def test_folders_are_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every folder that is watched counts, the top one and hidden ones included, up to a bound; files and links do not."""
    for name in ("kozo/A4/nets", "kozo/A3", "@eaDir/x", ".cache"):
        (tmp_path / name).mkdir(parents=True)
    (tmp_path / "kozo" / "Fog.tif").touch()
    (tmp_path / "link").symlink_to(tmp_path / "kozo")
    assert machine.count_folders(str(tmp_path)) == 8
    monkeypatch.setattr(machine, "MAX_FOLDERS", 3)
    assert machine.count_folders(str(tmp_path)) == 3


def test_polling_needs_no_events(studio: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With `watch: poll`, and with ready/ on a share, the limits do not matter."""
    assert len(answers(studio, "file-events")) == 2
    monkeypatch.setattr(filesystems, "of", lambda _: NETWORK)
    (result,) = answers(studio, "file-events")
    assert (result.state, "on a share" in result.says) == (FINE, True)
    monkeypatch.undo()
    (studio / "studio.yaml").write_text("watch: poll\n")
    assert states(answers(studio, "file-events")) == [FINE]


# -- folders and file systems ------------------------------------------------

NETWORK, LOCAL = FileSystem("/mnt", "nfs4"), FileSystem("/", "ext4")
UNTOLD = FileSystem("", filesystems.UNKNOWN)


def test_where_ready_lies() -> None:
    """On a share and with `watch: poll` the clock does it, which is fine and said; an unknown kind is a warning."""
    assert disks.ready_result(LOCAL, "auto", 15).says == "On a local file system (ext4): file events arrive."
    for wanted in ("auto", "poll"):
        result = disks.ready_result(NETWORK, wanted, 15)
        assert result.state is FINE
        assert "On a share (nfs4)" in result.says
        assert "every 15 s" in result.says
    assert "watch: poll" in disks.ready_result(LOCAL, "poll", 15).says
    assert disks.ready_result(UNTOLD, "auto", 15).state is WARN
    assert disks.ready_result(UNTOLD, "poll", 15).state is FINE
    assert "fuse.k\\x1b[31m" in disks.ready_result(FileSystem("/", "fuse.k\x1b[31m"), "auto", 15).says


def test_ledger_advice() -> None:
    """A ledger on a share is bad and in memory a warning; either names the setting to change."""
    assert disks.ledger_result(LOCAL).state is FINE
    for kind, state in (("nfs", BAD), ("fuse.sshfs", BAD), ("tmpfs", WARN)):
        result = disks.ledger_result(FileSystem("/mnt", kind))
        assert result.state is state
        assert "`state: /var/lib/printqueue/studio`" in result.do
    assert disks.ledger_result(UNTOLD).state is WARN


def test_one_mount() -> None:
    """Renames need one mount: another one for a work folder, or inside one, is bad and is named."""
    home, other = LOCAL, FileSystem("/mnt/review\x1b", "ext4")
    assert disks.one_file_system({"ready": home, "print": home}, []).state is FINE
    apart = disks.one_file_system({"ready": home, "review": other}, [])
    assert apart.state is BAD
    assert "review/ on /mnt/review\\x1b" in apart.says
    assert disks.one_file_system({"ready": home}, [other]).state is BAD


def test_short_names() -> None:
    """A file system with names shorter than the 255 bytes we make (statvfs(3) f_namemax) is a warning with the number."""
    assert disks.names_result({"ready": 255, "print": 255}).state is FINE
    result = disks.names_result({"ready": 255, "print": 143})  # 143: what one encrypting file system leaves of 255
    assert result.state is WARN
    assert "143 bytes in print/" in result.says
    assert "below 103 bytes" in result.do


def test_disk_full_of_files() -> None:
    """A disk that has space but no inodes left is bad, few of them a warning, enough of them not worth a line."""
    found = [list(disks.files_results("space", free)) for free in (0, 999, 1000)]
    assert [states(results) for results in found] == [[BAD], [WARN], []]
    assert "inodes" in found[0][0].says


@pytest.mark.parametrize(
    ("gb", "state"), [(0.0, BAD), (0.49, BAD), (0.5, WARN), (4.99, WARN), (5.0, FINE), (900, FINE)]
)
def test_space(gb: float, state: Health) -> None:
    """Below 5 GB a warning, below half a GB bad."""
    assert disks.space_result("space", gb, 0.2).state is state


def test_reserve(studio: Path) -> None:
    """The space that the service leaves free is said, and below it nothing begins: the numbers are the service's own."""
    (first, *_) = answers(studio, "space")
    seen = os.statvfs(studio)
    reserve_gb = min(room.RESERVE_BYTES, room.RESERVE_SHARE * seen.f_blocks * seen.f_frsize) / 1e9
    assert f"{reserve_gb:.2f} GB of them stay free" in first.says
    short = disks.space_result("space", 0.4, 0.41)
    assert (short.state, short.says) == (BAD, "0.40 GB are free; nothing is begun below 0.41 GB.")


@pytest.mark.parametrize(
    ("asking", "owner", "mode", "state"),
    [(7, 7, 0o700, FINE), (7, 8, 0o700, WARN), (7, 7, 0o770, BAD), (7, 7, 0o702, BAD)],
)
def test_user(asking: int, owner: int, mode: int, state: Health) -> None:
    """Asked by another user than the studio's is a warning; a private folder that others can write is bad."""
    assert folders.user_result(asking, owner, mode, "/srv/studio/.printqueue").state is state


@pytest.mark.parametrize(
    ("folder", "state"),
    [("rules", BAD), ("ready", BAD), ("print", BAD), ("masters", BAD), ("strips", WARN), ("daybook", WARN)],
)
def test_missing_folder(folder: str, state: Health, studio: Path) -> None:
    """A missing folder is named; it is bad where the service needs it now."""
    (studio / folder).rename(studio / "elsewhere")
    (result,) = answers(studio, "folders")
    assert result.state is state
    assert result.says.startswith(f"{folder}/ is missing")
    assert not (studio / folder).exists()


def test_folders_are_tried_but_not_ready(studio: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each folder that is written gets a hidden file that goes again; ready/ never gets one."""
    tried: list[str] = []
    write = durable.write_temp

    def note(path: str, data: bytes) -> str:
        tried.append(os.path.relpath(path, studio))
        return write(path, data)

    monkeypatch.setattr(durable, "write_temp", note)
    before = tree(studio)
    assert states(answers(studio, "folders")) == [FINE]
    assert tree(studio) == before
    assert [os.path.dirname(path) for path in tried] == ["print", "review", "masters", ".printqueue"]
    assert all(os.path.basename(path).startswith(".printqueue-") for path in tried)


@pytest.mark.parametrize("step", ["write_temp", "rename_no_clobber"])
def test_folder_that_refuses(step: str, studio: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file system that cannot write, or cannot rename without replacing, is bad; nothing is left behind."""

    def refuse(*_: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(durable, step, refuse)
    before = tree(studio)
    results = answers(studio, "folders")
    assert states(results) == [BAD] * 4
    assert "Read-only file system" in results[0].says
    assert "ReadWritePaths=" in results[0].do
    assert tree(studio) == before


def test_closed_folder_in_ready(studio: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder in ready/ that pictures cannot be taken out of is named (the tests may run as root: access is told)."""
    access = os.access

    def closed(path: str, mode: int) -> bool:
        return not str(path).endswith("ready/kozo/A3") and access(path, mode)

    monkeypatch.setattr(os, "access", closed)
    (result,) = answers(studio, "folders")
    assert result.state is WARN
    assert "ready/kozo/A3/" in result.says


def test_state_elsewhere(studio: Path, tmp_path: Path) -> None:
    """A state folder that the service has yet to make is judged by the folder that it will be made in, and not made."""
    state = tmp_path / "local" / "mill"
    (studio / "studio.yaml").write_text(f"state: {state}\n")
    for name in ("user", "folders", "file-system", "space", "ledger"):
        assert BAD not in states(answers(studio, name))
    assert not state.exists()


def test_link_among_the_folders(studio: Path, tmp_path: Path) -> None:
    """A link where a studio's folder should be is a fault that is named and where it leads, escaped."""
    elsewhere = tmp_path / "salt\x1bmarsh"
    (studio / "masters").rename(elsewhere)
    (studio / "masters").symlink_to(elsewhere)
    (result,) = answers(studio, "folders")
    assert result.state is BAD
    assert result.says.startswith("masters/ is a link to ")
    assert "salt\\x1bmarsh" in result.says


@pytest.mark.parametrize(
    ("mode", "umask", "says"),
    [
        (0o755, 0o077, []),  # nobody shares it
        (0o2775, 0o022, []),
        (0o775, 0o022, ["not given to that group"]),
        (0o2770, 0o077, ["umask 0077"]),
        (0o770, 0o077, ["not given to that group", "umask 0077"]),
        (0o2775, None, []),
    ],
)
def test_shared_by_a_group(mode: int, umask: int | None, says: list[str]) -> None:
    """In a folder that a group shares, new files must be the group's (set-group-ID, inode(7)) and readable for it."""
    results = list(folders.group_results({"print": mode}, umask))
    assert states(results) == [WARN] * len(says)
    assert all(words in result.says for words, result in zip(says, results, strict=True))


def test_sharing(studio: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Modes are those of the folders: shared without the group bit, open to everybody, and sticky are all said."""
    (studio / "print").chmod(0o775)
    (studio / "ready").chmod(0o1777)
    monkeypatch.setattr(os, "geteuid", lambda: 4321)
    results = [result for result in answers(studio, "folders") if result.name == "sharing"]
    assert [result.do.split(":")[-1].strip() for result in results] == [
        "chmod o-w ready",
        "chmod g+s print",
        "chmod -t ready",
    ]
    assert states(results) == [WARN, WARN, BAD]


def test_umask_is_read_not_set() -> None:
    """The umask that doctor speaks of is the one that os.umask would give back."""
    before = os.umask(0o027)
    try:
        assert folders._umask() == 0o027
    finally:
        os.umask(before)


def test_case_is_not_told_apart(studio: Path) -> None:
    """Where upper and lower case are one, that is said, and is fine (a hard link plays such a file system)."""
    os.link(studio / ".printqueue" / "studio", studio / ".printqueue" / "STUDIO")
    assert ("names", FINE) in [(result.name, result.state) for result in answers(studio, "folders")]


def test_private_to_another(studio: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the private folder may not be looked into, doctor says whose it is instead of 'no studio'."""
    (studio / ".printqueue" / "studio").rename(studio / "marker")
    monkeypatch.setattr(os, "access", lambda path, mode: not str(path).endswith(".printqueue"))
    (result,) = answers(studio, "studio")
    assert result.state is BAD
    assert "sudo -u " in result.do


def test_settings(studio: Path) -> None:
    """Every problem of studio.yaml on a line of its own, and what could not be looked at is said."""
    (studio / "studio.yaml").write_text("scan: 5\nwach: poll\n")
    results = answers(studio, "studio.yaml")
    assert states(results) == [BAD, BAD, WARN]
    assert "line 1, scan" in results[0].says
    assert "Did you mean 'watch'?" in results[1].says
    assert answers(studio, "ledger") == []


def test_default_paper(studio: Path) -> None:
    """A default paper that is none is bad, with the nearest one."""
    (studio / "studio.yaml").write_text("default_paper: smoth-rag\n")
    (result,) = answers(studio, "studio.yaml")
    assert (result.state, result.do) == (BAD, "Did you mean 'smooth-rag'?")


def test_read_only_disk(studio: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a disk that refuses to write and to remove alike, every folder is named with what to do, not only the first."""

    def refuse(*_: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(durable, "write_temp", refuse)
    monkeypatch.setattr(durable, "remove", refuse)
    results = answers(studio, "folders")
    assert states(results) == [BAD] * 4
    assert all("ReadWritePaths=" in result.do for result in results)


# -- papers ------------------------------------------------------------------


def own_profile(studio: Path, key: str) -> None:
    """Make a paper's profile one that does not call itself a demonstration."""
    path = studio / "profiles" / f"{key}.icc"
    path.write_bytes(path.read_bytes().replace(b"DEMONSTRATION", b"TIDAL \x1b[31mML"))


def test_rules(studio: Path) -> None:
    """All problems of all rule files, one result each; no usable paper at all is bad as well."""
    assert states(answers(studio, "rules")) == [FINE]
    add(studio / "rules" / "kozo.yaml", "bordr: 3 mm\nthicknes: 1 mm\n")
    (studio / "rules" / "baryta.yaml").write_text("\t")
    results = answers(studio, "rules")
    assert states(results) == [BAD] * 3
    assert all(result.do for result in results)
    for rule in (studio / "rules").glob("*.yaml"):
        rule.unlink()
    assert states(answers(studio, "rules")) == [BAD]


def test_profiles(studio: Path) -> None:
    """One line per paper: fine, demonstration (warn), of another class, cut short, or missing (bad)."""
    own_profile(studio, "baryta")
    data = bytearray((studio / "profiles" / "kozo.icc").read_bytes())
    data[12:16] = b"mntr"  # ICC.1:2022 7.2.7: profile class at byte 12
    (studio / "profiles" / "kozo.icc").write_bytes(data)
    (studio / "profiles" / "textured-rag.icc").write_bytes(bytes(data[:5000]))
    baryta, kozo, smooth, textured = answers(studio, "profile")
    assert (baryta.state, smooth.state, kozo.state, textured.state) == (FINE, WARN, BAD, BAD)
    assert "TIDAL \\x1b[31mML" in baryta.says
    assert "not an RGB printer profile" in kozo.says
    assert "cut short" in textured.says
    (studio / "profiles" / "baryta.icc").unlink()
    assert answers(studio, "profile")[0].state is BAD


def test_forgotten_tone(studio: Path) -> None:
    """`tone` beside a profile of one's own is a warning that names the file; beside a demonstration it belongs."""
    assert answers(studio, "tone") == []
    own_profile(studio, "baryta")
    (result,) = answers(studio, "tone")
    assert (result.state, result.name) == (WARN, "tone baryta")
    assert "rules/baryta.yaml" in result.do
    rules = studio / "rules" / "baryta.yaml"
    rules.write_text("\n".join(line for line in rules.read_text().split("\n") if not line.startswith("tone:")))
    assert answers(studio, "rules")[0].state is FINE
    assert answers(studio, "tone") == []


# -- service and ledger ------------------------------------------------------


@pytest.mark.parametrize(
    ("running", "age_s", "scan_s", "state"),
    [
        (False, None, 15, WARN),
        (False, 3, 15, WARN),
        (True, None, 15, WARN),
        (True, 0, 15, FINE),
        (True, 30, 15, FINE),
        (True, 31, 15, WARN),
        (True, 5, 0.1, FINE),
        (True, 6, 0.1, WARN),
        (True, -60, 15, WARN),
    ],
)
def test_service(running: bool, age_s: int | None, scan_s: float, state: Health) -> None:
    """Fine only while it runs and has looked within twice the scan time; a look in the future is the clock's fault."""
    last = None if age_s is None else (NOON - timedelta(seconds=age_s)).strftime("%Y-%m-%dT%H:%M:%SZ")
    result = record.service_result(running, last, NOON, scan_s)
    assert result.state is state
    assert bool(result.do) == (state is WARN)


def test_what_the_service_said(studio: Path) -> None:
    """A running service's complaint is handed on, escaped; that of one that has ended is old and is not."""
    with ledger(studio) as kept:
        kept.scanned("events", ["the share\x1b[2J is away"], [])
    assert len(answers(studio, "service")) == 1
    lock = StudioLock(open_studio(str(studio)))
    try:
        running, said = answers(studio, "service")
    finally:
        lock.release()
    assert (running.state, said.state) == (FINE, WARN)
    assert "the share\\x1b[2J is away" in said.says


def test_stuck(studio: Path) -> None:
    """Each stuck job is a warning with its number, picture and reason; a print made is counted, not hashed."""
    with ledger(studio) as kept:
        numbers = [kept.claim(f"baryta/A4/Net\x1b{n}.tif", stamp(n, 10, 10)).id for n in range(3)]
        for number in numbers:
            kept.plan_prints(number, [("baryta", "A4", 1, "{}")])
        kept.settle(numbers[0], State.STUCK, "the child died twice")
        kept.settle(numbers[1], State.PRINTABLE, "")
    (result,) = answers(studio, "stuck")
    assert result.state is WARN
    assert result.says == "Job 1, baryta/A4/Net\\x1b0.tif: the child died twice"
    (prints,) = answers(studio, "prints")
    assert prints.says.startswith("1 made.")
    assert "no file was hashed" in prints.says


def test_no_ledger_yet(studio: Path) -> None:
    """Before the first start there is no ledger, which is fine, and asking makes none."""
    assert states(answers(studio, "ledger") + answers(studio, "stuck") + answers(studio, "prints")) == [FINE] * 3
    assert not ledger_file(studio).exists()


def test_damaged_page(studio: Path) -> None:
    """A ledger with a damaged page inside is found by the quick check, and nothing is written to it."""
    with ledger(studio) as kept:
        for number in range(200):
            kept.claim(f"baryta/A4/Kelp {number}.tif", stamp(number, 10, 10))
    assert states(answers(studio, "ledger")) == [FINE]
    with sqlite3.connect(ledger_file(studio)) as connection:
        page = int(
            connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'arrivals_by_path'").fetchone()[0]
        )
        size = int(connection.execute("PRAGMA page_size").fetchone()[0])
    connection.close()
    data = bytearray(ledger_file(studio).read_bytes())
    data[(page - 1) * size : page * size] = b"\xa5" * size
    ledger_file(studio).write_bytes(data)
    (result,) = answers(studio, "ledger")
    assert result.state is BAD
    assert "set ledger.sqlite aside" in result.do
    assert ledger_file(studio).read_bytes() == data


def test_newer_ledger(studio: Path) -> None:
    """A ledger of a newer printqueue is bad, and is not to be set aside: the program is to be upgraded."""
    with ledger(studio):
        pass
    with sqlite3.connect(ledger_file(studio)) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    (result,) = answers(studio, "ledger")
    assert (result.state, result.do) == (BAD, "Upgrade this one.")
    assert answers(studio, "stuck") == answers(studio, "prints") == []


def test_folders_that_are_not_the_studios(studio: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An empty folder where a disk should be mounted, and a state folder of somebody else's, are bad and named."""
    (studio / "masters" / ".printqueue").unlink()
    (tmp_path / "var" / "spool" / "mail").mkdir(parents=True)
    add(studio / "studio.yaml", f"state: {tmp_path / 'var'}\n")
    before = tree(tmp_path / "var")
    ran = run(capsys, "-C", str(studio), "doctor", "--json")
    assert ran.code == 3
    said = [one["says"] for one in ran.json if one["state"] == "bad"]
    assert any(one.startswith("masters/ is not there, or a folder without the studio's mark") for one in said)
    assert any("holds files that are not this studio's (spool)" in one for one in said)
    assert tree(tmp_path / "var") == before
