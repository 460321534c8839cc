"""A real systemd as process 1 of private name spaces: a small machine of its own, without a virtual one.

The root is empty but for /usr (read-only); mounts, processes, network, host name and control groups are private.
Nothing of it outlives the box: ending its process 1 ends all in it (pid_namespaces(7)), and its mounts go with it.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

SYSTEMD = "/usr/lib/systemd/systemd"
NAMESPACES = ("--mount", "--pid", "--uts", "--ipc", "--net", "--cgroup")
KEEPER = "keeper"  # the photographer of the box
KEEPER_UID = 1000
PATH = "/opt/trial/bin:/usr/sbin:/usr/bin:/sbin:/bin"

# What a container manager gives (systemd.io/CONTAINER_INTERFACE): own /proc with /proc/sys read-only, /sys read-only,
# a small /dev, `container=` in the environment. Units that would only complain here are masked.
_ROOT = r"""
set -e
root=$1 site=$2
mount --make-rprivate /
mount -t tmpfs -o mode=755,size=3g tmpfs "$root"
cd "$root"
mkdir -p usr etc/systemd/system var/lib var/log var/tmp run tmp proc sys dev opt/site opt/trial/bin srv home root mnt
chmod 1777 tmp var/tmp
chmod 700 root
for name in bin lib sbin lib64; do ln -s usr/$name $name; done
ln -s ../run var/run
mount --bind /usr usr && mount -o remount,bind,ro usr
mount --bind "$site" opt/site && mount -o remount,bind,ro opt/site
mount -t proc -o nosuid,nodev,noexec proc proc
mount --bind proc/sys proc/sys && mount -o remount,bind,ro proc/sys
mount -t sysfs -o ro,nosuid,nodev,noexec sysfs sys
mount -t cgroup2 cgroup2 sys/fs/cgroup
mount -t tmpfs -o mode=755,nosuid,nodev tmpfs run
mount -t tmpfs -o mode=755,nosuid tmpfs dev
node() { mknod -m 666 dev/$1 c $2 $3; }
node null 1 3; node zero 1 5; node full 1 7; node random 1 8; node urandom 1 9; node tty 5 0
mkdir dev/pts dev/shm
mount -t devpts -o newinstance,ptmxmode=0666,mode=620 devpts dev/pts
ln -s pts/ptmx dev/ptmx
mount -t tmpfs -o mode=1777,nosuid,nodev tmpfs dev/shm
ln -s /proc/self/fd dev/fd
printf 'root:x:0:0:root:/root:/bin/sh\nkeeper:x:1000:1000:keeper:/home/keeper:/bin/sh\n' >etc/passwd
printf 'messagebus:x:101:101::/:/usr/sbin/nologin\n' >>etc/passwd
printf 'root:x:0:\nkeeper:x:1000:\nmessagebus:x:101:\n' >etc/group
printf 'passwd: files\ngroup: files\nshadow: files\n' >etc/nsswitch.conf
printf 'root:*:19000::::::\nkeeper:*:19000::::::\n' >etc/shadow
mkdir etc/pam.d
printf 'session optional pam_systemd.so\naccount required pam_permit.so\n' >etc/pam.d/systemd-user
mkdir -m 700 home/keeper && chown 1000:1000 home/keeper
: >etc/fstab
echo tidalmill >etc/hostname
echo 'ID=trial' >etc/os-release
head -c 16 /dev/urandom | od -An -tx1 | tr -d ' ' >etc/machine-id
cp -a /etc/ld.so.cache /etc/ld.so.conf /etc/ld.so.conf.d etc/
[ ! -e /etc/alternatives ] || cp -a /etc/alternatives etc/
for unit in systemd-journald-audit.socket systemd-remount-fs.service dev-hugepages.mount systemd-update-utmp.service \
    sys-fs-fuse-connections.mount modprobe@.service systemd-ask-password-console.path systemd-sysusers.service \
    systemd-tmpfiles-setup.service systemd-tmpfiles-clean.timer; do ln -s /dev/null etc/systemd/system/$unit; done
cat >etc/systemd/system/box.target <<END
[Unit]
Description=what a trial needs and no more
Requires=basic.target systemd-journald.service
After=basic.target systemd-journald.service
END
cat >opt/trial/bin/sudo <<'END'
#!/bin/sh
# enough of it for a guide: sudo [-u USER] COMMAND
[ "$1" = -u ] || exec "$@"
user=$2; shift 2
exec setpriv --reuid="$user" --regid="$user" --init-groups -- "$@"
END
chmod 755 opt/trial/bin/sudo
mkdir old
pivot_root . old
umount -l /old
rmdir /old
mount --make-rshared /  # as process 1 does on a real machine: what is mounted later reaches the services too
exec env -i container=trial PATH=/usr/sbin:/usr/bin setpriv \
    --bounding-set=-sys_module,-sys_time,-sys_rawio,-syslog,-audit_control,-audit_read,-audit_write \
    /usr/lib/systemd/systemd --system --unit=box.target --log-level=info --log-target=journal --show-status=no
"""


class CannotTryError(Exception):
    """This machine does not allow a systemd of its own, and why."""


def until(what: Callable[[], object], within_s: float, says: str) -> float:
    """Seconds until `what()` is true, at most `within_s`. Raises `AssertionError` with `says`."""
    start = time.monotonic()
    while not what():
        if time.monotonic() - start > within_s:
            raise AssertionError(f"not within {within_s:g} s: {says}")
        time.sleep(0.05)
    return time.monotonic() - start


def cgroup_folder() -> Path:
    """The version 2 control group of this process, in which the box makes its own. Raises `CannotTryError`."""
    mounts = [line.split() for line in Path("/proc/self/mounts").read_text().splitlines()]
    found = [words[1] for words in mounts if words[2] == "cgroup2"]
    own = [line[3:] for line in Path("/proc/self/cgroup").read_text().splitlines() if line.startswith("0::")]
    if not found or not own:
        raise CannotTryError("no version 2 control groups are mounted")
    return Path(found[0] + own[0])


class Box:
    """A context manager: inside it a systemd runs. `site` is a folder of Python packages, seen as /opt/site."""

    def __init__(self, folder: Path, site: Path) -> None:
        missing = [name for name in ("unshare", "nsenter", "setpriv") if shutil.which(name) is None]
        missing += [] if Path(SYSTEMD).exists() else [SYSTEMD]
        if os.geteuid() != 0 or missing:
            raise CannotTryError(f"not root, or missing: {', '.join(missing)}")
        self._console, self._root, self._site = folder / "console", folder / "root", site
        self._group = cgroup_folder() / f"printqueue-trial-{os.getpid()}"
        self.pid = 0

    def __enter__(self) -> Self:
        self._root.mkdir()
        self._group.mkdir()
        command = ["unshare", *NAMESPACES, "--fork", "sh", "-c", _ROOT, "sh", str(self._root), str(self._site)]
        join = f'echo $$ >"{self._group}/cgroup.procs" && exec "$@"'  # so that the name space begins at our own group
        with self._console.open("wb") as console:
            self._outer = subprocess.Popen(
                ["sh", "-c", join, "sh", *command], stdin=subprocess.DEVNULL, stdout=console, stderr=console
            )
        try:
            self._up()
        except BaseException:
            self.__exit__(None, None, None)
            raise
        return self

    def _up(self) -> None:
        children = Path(f"/proc/{self._outer.pid}/task/{self._outer.pid}/children")
        until(lambda: self._outer.poll() is not None or children.read_text().strip(), 10, "process 1 of the box")
        if self._outer.poll() is not None:
            raise CannotTryError(self._console.read_text())
        self.pid = int(children.read_text())
        try:
            until(lambda: self.run("systemctl", "is-system-running", check=False) == "running", 30, "systemd is up")
        except AssertionError as error:
            raise CannotTryError(f"{error}; {self._console.read_text()}") from error

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.pid:
            os.kill(self.pid, signal.SIGKILL)
        else:
            self._outer.kill()
        self._outer.wait(timeout=20)
        for folder in sorted((path for path in self._group.rglob("*") if path.is_dir()), reverse=True):
            until(lambda folder=folder: _gone(folder), 5, f"{folder} is empty")  # type: ignore[misc]
        until(lambda: _gone(self._group), 5, f"{self._group} is empty")

    def path(self, inside: str) -> Path:
        """A path of the box as seen from here."""
        return Path(f"/proc/{self.pid}/root{inside}")

    def run(
        self, *words: str, check: bool = True, timeout_s: float = 60, cwd: str = "/", variables: Sequence[str] = ()
    ) -> str:
        """What a command in the box, as root, says (both streams, stripped). Raises `AssertionError` where it fails."""
        enter = ["nsenter", f"--target={self.pid}", "--root", *NAMESPACES]
        fixed = [f"PATH={PATH}", "LANG=C.UTF-8", "HOME=/root", "SYSTEMD_PAGER="]
        inside = ["env", "-i", f"--chdir={cwd}", *fixed, *variables]
        ran = subprocess.run(
            [*enter, "--", *inside, *words],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            text=True, errors="backslashreplace", timeout=timeout_s, check=False,
        )  # fmt: skip
        if check and ran.returncode != 0:
            raise AssertionError(f"`{' '.join(words)}` ended with {ran.returncode}: {ran.stdout.strip()}")
        return ran.stdout.strip()

    def shown(self, unit: str, key: str) -> str:
        """One property of a unit."""
        return self.run("systemctl", "show", "--property", key, "--value", unit)


def _gone(folder: Path) -> bool:
    try:
        folder.rmdir()
    except FileNotFoundError:
        return True
    except OSError:
        return False
    return True
