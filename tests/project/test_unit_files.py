"""The systemd units: read without complaint, shut in, and not so tight that the service cannot work.

The keys are those of systemd.service(5), systemd.exec(5) and systemd.resource-control(5);
what is asked for was worked out by reading of other services' failures.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from printqueue.core.errors import Exit
from tests.running import support

ROOT = Path(__file__).parents[2] / "systemd"
SYSTEM, USER = ROOT / "printqueue.service", ROOT / "user" / "printqueue.service"
BACKUP, TIMER = ROOT / "printqueue-backup.service", ROOT / "printqueue-backup.timer"
INSTALLED = "/opt/printqueue/bin/printqueue"
PROGRAM = {SYSTEM: INSTALLED, USER: "%h/.local/share/printqueue/bin/printqueue"}
UNITS = [pytest.param(SYSTEM, id="system"), pytest.param(USER, id="user")]
HIGHEST_EXPOSURE = 20  # of 100; a unit that says nothing comes to 92


def tool(name: str) -> str:
    """The path of a Debian tool; missing is a failure where the environment says so, else a skip."""
    found = shutil.which(name)
    if found is None and os.environ.get("PRINTQUEUE_REQUIRE_TOOLS") == "1":
        pytest.fail(f"{name} is required here and missing")
    if found is None:
        pytest.skip(f"{name} is not installed")
    return found


def analyze(*words: str, home: Path) -> subprocess.CompletedProcess[str]:
    """`systemd-analyze` with a runtime folder of its own."""
    environment = os.environ | {"XDG_RUNTIME_DIR": str(home), "SYSTEMD_PAGER": "cat", "LC_ALL": "C.UTF-8"}
    command = [tool("systemd-analyze"), *words]
    return subprocess.run(command, capture_output=True, text=True, env=environment, timeout=60, check=False)


def keys(unit: Path) -> dict[str, list[str]]:
    """Every key of the unit with its values, in order."""
    found: dict[str, list[str]] = {}
    for line in unit.read_text().split("\n"):
        key, equals, value = line.partition("=")
        if equals and not line.startswith("#"):
            found.setdefault(key, []).append(value)
    return found


@pytest.mark.parametrize("unit", UNITS)
def test_verify(unit: Path, tmp_path: Path) -> None:
    """`systemd-analyze verify` has nothing to say. An unknown key only warns with code 0: stderr counts."""
    copy = tmp_path / "printqueue.service"
    text = unit.read_text()
    assert PROGRAM[unit] in text
    copy.write_text(text.replace(PROGRAM[unit], sys.executable))  # the program is not installed there
    scope = ["--user"] if unit is USER else []
    ran = analyze("verify", *scope, str(copy), home=tmp_path)
    assert (ran.returncode, ran.stdout + ran.stderr) == (0, "")
    copy.write_text(copy.read_text().replace("KillMode=", "KilMode="))
    assert "KilMode" in analyze("verify", *scope, str(copy), home=tmp_path).stderr


def test_verify_backup(tmp_path: Path) -> None:
    """`systemd-analyze verify` has nothing to say of the nightly copy either, service and timer."""
    for unit in (BACKUP, TIMER):
        (tmp_path / unit.name).write_text(unit.read_text().replace(INSTALLED, sys.executable))
    ran = analyze("verify", str(tmp_path / TIMER.name), str(tmp_path / BACKUP.name), home=tmp_path)
    assert (ran.returncode, ran.stdout + ran.stderr) == (0, "")
    assert INSTALLED in BACKUP.read_text()
    assert analyze("calendar", *keys(TIMER)["OnCalendar"], home=tmp_path).returncode == 0


def test_exposure(tmp_path: Path) -> None:
    """The system units' exposure stays below the threshold; a bare unit's does not (so the gate can fail)."""
    words = ("security", "--offline=true", f"--threshold={HIGHEST_EXPOSURE}")
    for unit in (SYSTEM, BACKUP):
        assert analyze(*words, str(unit), home=tmp_path).returncode == 0
    bare = tmp_path / "bare.service"
    bare.write_text("[Service]\nExecStart=/bin/true\n")
    assert analyze(*words, str(bare), home=tmp_path).returncode != 0


@pytest.mark.parametrize("unit", UNITS)
def test_life(unit: Path) -> None:
    """READY and pings come from the main process only; bad settings are not retried; stopping and memory are bounded."""
    has = keys(unit)
    assert has["Type"] == ["notify"]
    assert has["NotifyAccess"] == ["main"]
    assert has["WatchdogSec"] == ["120"]
    assert has["Restart"] == ["on-failure"]
    assert has["StartLimitIntervalSec"] == ["0"]  # never given up: a share may come back after hours
    assert has["RestartPreventExitStatus"] == [str(int(Exit.CONFIG))]
    assert has["KillMode"] == ["mixed"]
    assert has["TimeoutStopSec"] == ["30"]
    assert has["OOMPolicy"] == ["continue"]
    assert has["NoNewPrivileges"] == ["yes"]
    assert has["RestrictAddressFamilies"] == ["AF_UNIX"]
    (command,) = has["ExecStart"]
    assert command.split()[0] == PROGRAM[unit]
    assert command.split()[-1] == "serve"


def test_places_agree() -> None:
    """Studio, user and group are the same in unit, sysusers and tmpfiles, and the service may write its studio."""
    has = keys(SYSTEM)
    (studio,) = [word for word in has["ExecStart"][0].split() if word.startswith("/srv/")]
    assert has["ReadWritePaths"] == [f"-{studio}"]
    assert has["IPAddressDeny"] == ["any"]
    assert "RequiresMountsFor" not in has  # a mount that fails at boot would keep the service from ever starting
    assert {"srv.mount", "srv-printqueue.mount"} == set(has["Wants"][0].split()) < set(has["After"][0].split())
    assert has.get("ProcSubset", ["all"]) == ["all"]  # /proc/meminfo says how much memory is free for pictures
    user = has["User"][0]
    backup = keys(BACKUP)
    assert (backup["User"], backup["Group"]) == ([user], [user])
    assert f" -C {studio} ledger backup /var/lib/printqueue/backups/" in backup["ExecStart"][0]
    assert backup["ReadWritePaths"] == [f"-{studio}/.printqueue"]
    assert has["Group"] == [user]
    assert f"\nu {user} " in (ROOT / "printqueue.sysusers.conf").read_text()
    lines = [line.split() for line in (ROOT / "printqueue.tmpfiles.conf").read_text().split("\n") if line[:1] in "da"]
    assert [line[1] for line in lines if line] == [studio, studio]
    assert lines[0][3:5] == [user, user]


def test_sysusers_and_tmpfiles(tmp_path: Path) -> None:
    """Both files do what they say in an empty root: user and group, and a group folder closed to others."""
    (tmp_path / "etc").mkdir()
    if os.geteuid() != 0:
        pytest.skip("only root can make users and give folders away")
    for name, words in (("sysusers", []), ("tmpfiles", ["--create"])):
        command = [tool(f"systemd-{name}"), f"--root={tmp_path}", *words, str(ROOT / f"printqueue.{name}.conf")]
        ran = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        assert ran.returncode == 0, ran.stderr
        assert "Failed" not in ran.stderr
    folder = tmp_path / "srv" / "printqueue"
    assert f":{folder.stat().st_uid}:{folder.stat().st_gid}:" in (tmp_path / "etc" / "passwd").read_text()
    assert folder.stat().st_mode & 0o7777 == 0o2770


def test_guide_names_every_file() -> None:
    """The installation guide says where each file goes, and `WatchdogSec=` is set against `scan:` in it."""
    guide = (ROOT / "README.md").read_text()
    files = [path.relative_to(ROOT) for path in ROOT.rglob("*") if path.is_file() and path.name != "README.md"]
    assert len(files) > 5
    assert [name for name in files if f"`{name}`" not in guide] == []
    assert "WatchdogSec=" in guide
    assert "What is lost" in guide


# -- the filter of system calls ----------------------------------------------


def call_sets(home: Path) -> dict[str, set[str]]:
    """systemd's named sets of system calls, as this version defines them."""
    sets: dict[str, set[str]] = {}
    current: set[str] = set()
    for line in analyze("syscall-filter", home=home).stdout.split("\n"):
        if line.startswith("@"):
            current = sets.setdefault(line.strip(), set())
        elif line.startswith("    ") and not line.strip().startswith("#"):
            current.add(line.strip())
    return sets


def members(name: str, sets: dict[str, set[str]]) -> set[str]:
    """The system calls of a set, those of the sets in it included."""
    found: set[str] = set()
    for one in sets[name]:
        found |= members(one, sets) if one.startswith("@") else {one}
    return found


def allowed(unit: Path, home: Path) -> set[str]:
    """What `SystemCallFilter=` lets pass: the sets listed, less those after a `~` (@default always passes)."""
    sets = call_sets(home)
    found: set[str] = set()
    for value in keys(unit)["SystemCallFilter"]:
        names = value.removeprefix("~").split()
        named = set().union(*(members(name, sets) if name.startswith("@") else {name} for name in names))
        found = found - named if value.startswith("~") else found | named
    return found | members("@default", sets)


# What the program asks for by name somewhere, or through Python and its libraries; most of it has a fallback that
# is worse, so that a filter which refuses one would not be seen by looking at prints alone.
NEEDED = {
    "openat2", "renameat2", "linkat", "statfs", "fstatfs", "statx", "fsync", "fdatasync", "flock", "ftruncate",
    "copy_file_range", "fallocate", "inotify_init1", "inotify_add_watch", "prctl", "prlimit64", "getrlimit",
    "memfd_create", "setsid", "pidfd_open", "pidfd_send_signal", "waitid", "kill", "socket", "socketpair", "connect",
    "sendto", "sendmsg", "recvmsg", "poll", "clone", "clone3", "execve", "dup3", "pipe2", "sched_getaffinity",
}  # fmt: skip


# What a child asks for to shut itself in, beside prctl.
WALLS = {"landlock_create_ruleset", "landlock_restrict_self"}


@pytest.mark.parametrize("unit", [*UNITS, pytest.param(BACKUP, id="backup")])
def test_the_filter_lets_pass_what_is_needed(unit: Path, tmp_path: Path) -> None:
    """The system calls that the program may make pass the filter; those that would loosen its walls do not."""
    passing = allowed(unit, tmp_path)
    assert (NEEDED if unit is BACKUP else NEEDED | WALLS) - passing == set()
    assert passing.isdisjoint({"mount", "ptrace", "bpf", "setuid", "chroot", "reboot", "init_module", "setpriority"})


@pytest.fixture
def refused(tmp_path: Path) -> Callable[..., subprocess.CompletedProcess[str]]:
    """Runs a program with every system call outside the system unit's filter answered by EPERM, children included."""
    names = ",".join(f"?{name}" for name in sorted(allowed(SYSTEM, tmp_path)))
    assert names.count(",") > 200
    rest = ["-e", f"trace=!{names}", "-e", f"inject=!{names}:error=EPERM", "-o", str(tmp_path / "trace")]

    def run(*command: str) -> subprocess.CompletedProcess[str]:
        words = [tool("strace"), "-f", "--seccomp-bpf", "-qq", *rest, *command]
        return subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)

    return run


def test_the_filter_is_really_simulated(refused: Callable[..., subprocess.CompletedProcess[str]]) -> None:
    """Under the simulated filter a privileged call fails with EPERM, in a child process as well."""
    code = "import os\nif os.fork() == 0:\n  os.setpriority(0, 0, 5)\n  os._exit(0)\nos._exit(os.waitstatus_to_exitcode(os.wait()[1]))"
    ran = refused(sys.executable, "-c", code)
    assert ran.returncode == 1
    assert "PermissionError: [Errno 1]" in ran.stderr


# prctl(2): PR_SET_MDWE, the kernel's own form of MemoryDenyWriteExecute= since Linux 6.3, kept over fork and exec
NO_NEW_CODE = "import ctypes, os, sys\nctypes.CDLL(None).prctl(65, 1, 0, 0, 0) == 0 or sys.exit(99)\nos.execv(sys.argv[1], sys.argv[1:])"


@pytest.mark.slow
def test_work_under_the_filter(tmp_path: Path, refused: Callable[..., subprocess.CompletedProcess[str]]) -> None:
    """A real run with every system call outside the filter refused, and (Linux 6.3 and later) no writable code,
    still makes a print: the unit is not too tight.
    """
    assert keys(SYSTEM)["MemoryDenyWriteExecute"] == keys(USER)["MemoryDenyWriteExecute"] == ["yes"]
    # With file events: their system calls count as well.
    studio = support.new_studio(tmp_path / "studio", "settle: 0 s\nscan: 0.2 s\n")
    support.drop(studio, "card/Fog.tif", support.picture())
    serve = [sys.executable, "-m", "printqueue", "-C", studio.root, "serve", "--once"]
    kernel = tuple(int(part) for part in os.uname().release.split(".")[:2])
    ran = refused(*([sys.executable, "-c", NO_NEW_CODE] if kernel >= (6, 3) else []), *serve)
    assert ran.returncode == 0, ran.stderr
    assert len(list(Path(studio.path("print")).rglob("*.tif"))) == 1
    asked = [sys.executable, "-m", "printqueue", "-C", studio.root, "doctor", "--json"]
    outside = subprocess.run(asked, capture_output=True, text=True, timeout=120, check=False)
    walls = [
        next(one for one in json.loads(ran.stdout) if one["name"] == "confinement")
        for ran in (outside, refused(*asked))
    ]
    assert walls[0] == walls[1], "under the filter a child is shut in as it is without"
