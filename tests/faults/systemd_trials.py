"""What the system unit promises, tried one by one under a real systemd. Each returns one sentence, or raises."""

from __future__ import annotations

import re
import subprocess
import time

from tests.faults.systemd_box import KEEPER, until
from tests.faults.systemd_studio import (
    CARD,
    COPY,
    REPOSITORY,
    SOON_S,
    STUDIO,
    UNIT,
    Installed,
    NotHereError,
    lines,
    steps,
)
from tests.running import support

LARGE = {"width": 5200, "height": 4200}  # px: some seconds of work
QUICK = ("[Service]", "WatchdogSec=4", "RestartSec=1")

_TRIED = """\
import errno, os, socket
def tried(what, *words):
    try:
        return what(*words) and 'open'
    except OSError as error:
        return errno.errorcode[error.errno]
def written(path):
    os.close(os.open(path + '/.probe', os.O_CREAT | os.O_WRONLY))
    os.unlink(path + '/.probe')
    return True
"""
_FAMILIES = "(socket.AF_INET, socket.AF_INET6, socket.AF_NETLINK, socket.AF_UNIX)"
_SOCKETS = f"""{_TRIED}
if os.fork() == 0:
    print('SAID', *(tried(socket.socket, one, socket.SOCK_STREAM) for one in {_FAMILIES}), flush=True)
    os._exit(0)
os.wait()
"""
_WRITABLE = ("/srv/printqueue", "/var/lib/printqueue", "/tmp")
_SHUT = ("/etc", "/opt", "/var/lib", "/usr/share")
_PLACES = f"""{_TRIED}
print('SAID', *(one + '=' + tried(written, one) for one in {(*_WRITABLE, *_SHUT)}), flush=True)
print('SAID', tried(os.listdir, '/home'), len([one for one in os.listdir('/proc') if one.isdigit()]),
      'MemAvailable' in open('/proc/meminfo').read(), flush=True)
"""


def guide(on: Installed) -> str:
    """Every command of the guide's system part, word for word, on an empty root; the last start waits for READY."""
    there = on.box.path(COPY)
    there.mkdir()
    subprocess.run(["cp", "-r", REPOSITORY / "systemd", there], check=True)
    subprocess.run(["cp", on.wheel, on.box.path("/opt/trial/")], check=True)
    commands = steps("System unit")
    for command in commands:
        on.follow(command, YOU=KEEPER)
    assert on.active()
    return f"{len(commands)} commands, active"


def card(on: Installed) -> str:
    """A small paper and short times for the trials that follow."""
    studio = on.box.path(STUDIO)
    (studio / "rules/card.yaml").write_text(support.CARD)
    (studio / "profiles/card.icc").write_bytes(support.card_profile())
    (studio / "studio.yaml").write_text("settle: 0.5 s\nscan: 1 s\n")
    on.as_user(KEEPER, "mkdir", "-p", f"{STUDIO}/ready/{CARD}")
    on.drop_in(*QUICK)
    on.started()
    return "scan 1 s, settle 0.5 s, WatchdogSec=4, RestartSec=1"


def picture(on: Installed) -> str:
    """A picture dropped by a member of the group becomes a print within seconds, under the full unit."""
    return f"printable after {on.made(on.drop(support.picture(1))):.1f} s"


def shut_in(on: Installed) -> str:
    """What the kernel says of service, fork server and child: filter, no privileges, own network, nothing of the supervisor."""
    stem = on.worked_on(support.picture(910, **LARGE))
    service, pids = str(on.main_pid()), on.pids()
    for pid in pids:
        fields = dict(re.findall(r"(\w+):\s+(\S+)", on.box.path(f"/proc/{pid}/status").read_text()))
        assert (fields["Seccomp"], fields["NoNewPrivs"], int(fields["CapBnd"], 16)) == ("2", "1", 0)
        assert int(fields["CapEff"], 16) == int(fields["CapPrm"], 16) == 0
        devices = on.box.path(f"/proc/{pid}/net/dev").read_text().splitlines()[2:]
        assert [line.split(":")[0].strip() for line in devices] == ["lo"]
        own, box = on.box.run("readlink", f"/proc/{pid}/ns/net", "/proc/1/ns/net").split()
        assert own != box, "it shares the network of the machine"
        told = set(re.findall(rb"(NOTIFY_SOCKET|WATCHDOG_\w+)=", on.box.path(f"/proc/{pid}/environ").read_bytes()))
        assert bool(told) == (pid == service)
    verdict = on.box.run("systemd-analyze", "security", "--no-pager", UNIT).splitlines()[-1]
    on.made(stem)
    return f"{len(pids)} processes; exposure {re.findall(r'[0-9.]+ [A-Z]+', verdict)[-1]}"


def network(on: Installed) -> str:
    """The unit's processes, and what they fork, have no sockets but local ones; the guide's drop-in opens the network."""
    shut, opened = on.probe(_SOCKETS), on.probe(_SOCKETS, *lines("When something happens", -1))
    assert shut == ["SAID EAFNOSUPPORT EAFNOSUPPORT EAFNOSUPPORT open"], shut
    assert opened == ["SAID open open EAFNOSUPPORT open"], opened
    return "inet, inet6, netlink: EAFNOSUPPORT; unix: open; with the drop-in inet and inet6 are open"


def places(on: Installed) -> str:
    """The unit's processes may write studio, state folder and a /tmp of their own, see no home and no other process."""
    tried, seen = on.probe(_PLACES)
    found = dict(word.split("=") for word in tried.split()[1:])
    assert found == dict.fromkeys(_WRITABLE, "open") | dict.fromkeys(_SHUT, "EROFS"), found  # EACCES: rights, no wall
    assert seen == "SAID EACCES 1 True", seen
    return f"{tried[5:]}; /home hidden, no other process, /proc/meminfo readable"


def status_line(on: Installed) -> str:
    """`systemctl status` has one sentence of the service."""
    until(lambda: on.status() != "", 5, "STATUS= came")
    return repr(on.status())


def stop_working(on: Installed) -> str:
    """Stopped while a picture is worked on: below 10 s, a good end, and the picture is made once, later."""
    stem, start = on.worked_on(support.picture(900, **LARGE)), time.monotonic()
    on.box.run("systemctl", "stop", UNIT)
    took_s = time.monotonic() - start
    assert took_s < 10
    assert on.prints(stem) == 0, "it was made before it was stopped: no trial"
    assert on.box.path(f"{STUDIO}/ready/{CARD}/{stem}.tif").exists()
    assert (on.box.shown(UNIT, "Result"), on.box.shown(UNIT, "ExecMainStatus")) == ("success", "0")
    on.started()
    return f"stopped in {took_s:.2f} s; made {on.made(stem):.1f} s after the next start"


def watchdog(on: Installed) -> str:
    """A service that stands still (SIGSTOP) is ended and started again by the watchdog."""
    before, mark = on.main_pid(), on.cursor()
    on.box.run("kill", "-STOP", str(before))
    took_s = on.runs_again(before, 60)
    assert "Watchdog timeout" in on.journal(mark)
    return f"running again after {took_s:.1f} s, a print {on.made(on.drop(support.picture(2))):.1f} s later"


def killed(on: Installed) -> str:
    """SIGKILL while a picture is worked on: started again, and the picture is made once."""
    stem, before = on.worked_on(support.picture(901, **LARGE)), on.main_pid()
    on.box.run("kill", "-KILL", str(before))
    return f"running again after {on.runs_again(before, 20):.1f} s, made {on.made(stem):.1f} s later"


def child_killed(on: Installed) -> str:
    """A child that is killed, as the kernel does when memory is short, does not take the service along."""
    stem, before = on.worked_on(support.picture(902, **LARGE)), on.main_pid()
    on.box.run("kill", "-KILL", on.pids()[-1])
    on.made(stem)
    assert on.main_pid() == before
    return "the same service made the picture at the next try"


def out_of_memory(on: Installed) -> str:
    """A child beyond the unit's memory is killed by the kernel; the service lives."""
    if "memory" not in on.box.path("/sys/fs/cgroup/cgroup.controllers").read_text().split():
        raise NotHereError("version 2 control groups have no memory controller here")
    kept = on.dropped_in()
    on.drop_in(kept, "MemoryHigh=infinity", "MemoryMax=450M", "MemorySwapMax=0")
    on.started()
    before, stem = on.main_pid(), on.drop(support.picture(903, width=9000, height=8000))
    events = on.box.path(f"/sys/fs/cgroup/system.slice/{UNIT}/memory.events")
    until(lambda: re.search(r"oom_kill [1-9]", events.read_text()), SOON_S, "the kernel killed a child")
    time.sleep(1)
    assert (on.active(), on.main_pid()) == (True, before)
    on.drop_in(kept)
    on.started()
    return f"{stem}: a child was killed, the service lives"


def bad_settings(on: Installed) -> str:
    """An unreadable studio.yaml: code 78, the reason in the journal, and no second start."""
    settings, mark = on.box.path(f"{STUDIO}/studio.yaml"), on.cursor()
    good = settings.read_text()
    on.box.run("systemctl", "stop", UNIT)
    settings.write_text("scan: soon\n")
    try:
        on.box.run("systemctl", "start", UNIT, check=False)
        time.sleep(3)  # RestartSec=1: two more starts, were there any
        ended = [on.box.shown(UNIT, key) for key in ("ExecMainStatus", "ActiveState", "NRestarts")]
    finally:
        settings.write_text(good)
    on.started()
    said = [line for line in on.journal(mark).splitlines() if "studio.yaml" in line]
    assert (ended, len(said) > 0) == (["78", "failed", "0"], True), (ended, said)
    return f"78, not tried again: {said[0][:80]}"


def no_studio(on: Installed) -> str:
    """A studio that is not there: code 3 with a reason, tried again until it is, and nothing written in its place."""
    mark = on.cursor()
    on.box.run("systemctl", "stop", UNIT)
    on.box.run("mv", STUDIO, "/srv/away")
    on.box.run("mkdir", STUDIO)
    on.box.run("systemctl", "start", "--no-block", UNIT)
    until(lambda: int(on.box.shown(UNIT, "NRestarts")) >= 2, 20, "it is tried again")
    assert on.box.shown(UNIT, "ExecMainStatus") in ("3", "0")  # 0: between two tries
    on.box.run("rmdir", STUDIO)  # fails where something was written into it
    on.box.run("mv", "/srv/away", STUDIO)
    took_s = until(on.active, 20, "it runs when the studio is back")
    said = [line for line in on.journal(mark).splitlines() if STUDIO in line and "looking after" not in line]
    assert said
    return f"running {took_s:.1f} s after it was back: {said[0][:80]}"
