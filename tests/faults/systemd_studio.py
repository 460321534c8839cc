"""A studio inside the box: installing by the guide's own words, and looking at it from outside."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import sysconfig
from dataclasses import dataclass
from pathlib import Path

from tests.faults.systemd_box import KEEPER, KEEPER_UID, Box, until

REPOSITORY = Path(__file__).parents[2]
UNIT = "printqueue.service"
STUDIO = "/srv/printqueue"
PROGRAM = "/opt/printqueue/bin/printqueue"
DROP_IN = f"/etc/systemd/system/{UNIT}.d/trial.conf"
COPY = "/opt/trial/printqueue"  # of what the guide installs from
CARD = "card/60x50 mm"
SOON_S = 90.0  # on a machine that is busy with other things


class NotHereError(Exception):
    """One trial cannot be made on this machine, and why."""


# -- what is installed ---------------------------------------------------------


def packages(folder: Path) -> Path:
    """Links to every installed package but this one (and pip, which a new environment has), below /opt/site."""
    links, site = folder / "links", Path(sysconfig.get_paths()["purelib"])
    links.mkdir()
    for entry in site.iterdir():
        if not re.match(r"printqueue|__|pip|setuptools|pkg_resources|wheel|_distutils|.*\.pth$", entry.name):
            (links / entry.name).symlink_to(f"/opt/site/{entry.name}")
    return links


def wheel(folder: Path) -> Path:
    """This tree as a wheel, built from a copy."""
    source = folder / "source"
    source.mkdir()
    parts = [f"{REPOSITORY}/{name}" for name in ("printqueue", "pyproject.toml", "README.md")]
    subprocess.run(["cp", "-r", *parts, source], check=True)
    options = ["--quiet", "--no-deps", "--no-build-isolation", "--no-index", "--wheel-dir", str(folder / "wheel")]
    subprocess.run([sys.executable, "-m", "pip", "wheel", *options, str(source)], check=True, timeout=120)
    (found,) = (folder / "wheel").glob("*.whl")
    return found


# -- the guide's own words -------------------------------------------------------


def blocks(heading: str) -> list[tuple[str, str]]:
    """(language, text) of the code blocks below a heading of the guide, up to the next heading."""
    text = (REPOSITORY / "systemd" / "README.md").read_text().split(f" {heading}\n", 1)[1]
    text = re.split(r"^##", text, maxsplit=1, flags=re.MULTILINE)[0]
    return re.findall(r"^```(\w+)\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)


def steps(heading: str) -> list[str]:
    """The commands of the first block below a heading."""
    lines = [line.split(" # ")[0].strip() for line in blocks(heading)[0][1].split("\n")]
    return [line for line in lines if line and not line.startswith("#")]


def lines(heading: str, which: int) -> list[str]:
    """The lines of one `ini` block below a heading."""
    found = [text for language, text in blocks(heading) if language == "ini"][which]
    return [line.strip() for line in found.split("\n") if line.strip() and not line.startswith("#")]


@dataclass
class Installed:
    """The box, what is installed into it, and the studio."""

    box: Box
    wheel: Path
    links: Path
    pictures: int = 0

    def follow(self, command: str, *, user: str = "root", **words: str) -> str:
        """One line of the guide, with `words` in place of its placeholders. There is no network in the box:
        libraries come from the environment that runs the trial.
        """
        for word, value in ({"/path/to/printqueue": f"/opt/trial/{self.wheel.name}"} | words).items():
            command = command.replace(word, value)
        said = self.as_user(user, "sh", "-c", command)
        if " -m venv " in command:
            home = command.split()[-1].replace("~", f"/home/{user}")
            site = next(self.box.path(f"{home}/lib").glob("python3*/site-packages"))
            subprocess.run(["cp", "-a", *self.links.iterdir(), site], check=True)
        return said

    def as_user(self, user: str, *words: str) -> str:
        """Run a command as a user, with the groups and variables of a login."""
        variables = ["PIP_NO_INDEX=1", *([f"USER={user}"] if user != "root" else [])]
        if user == KEEPER:
            variables += [f"HOME=/home/{user}", f"XDG_RUNTIME_DIR=/run/user/{KEEPER_UID}"]
        return self.box.run("sudo", "-u", user, *words, cwd=COPY, variables=variables, timeout_s=120)

    # -- the service -------------------------------------------------------------

    def main_pid(self) -> int:
        """The service's process id in the box; 0 when it is not there."""
        return int(self.box.shown(UNIT, "MainPID"))

    def pids(self) -> list[str]:
        """The processes of the service, numbered as in the box."""
        return self.box.run("cat", f"/sys/fs/cgroup/system.slice/{UNIT}/cgroup.procs").split()

    def active(self) -> bool:
        """Whether systemd calls it active: READY=1 came."""
        return self.box.run("systemctl", "is-active", UNIT, check=False) == "active"

    def runs_again(self, before: int, within_s: float) -> float:
        """Seconds until it is active with another process than `before`."""
        return until(lambda: self.active() and self.main_pid() not in (0, before), within_s, "it runs again")

    def started(self) -> None:
        """Start afresh, whatever the trial before left."""
        self.box.run("systemctl", "stop", UNIT)
        self.box.run("systemctl", "reset-failed", UNIT, check=False)
        self.box.run("systemctl", "start", UNIT)

    def dropped_in(self) -> str:
        """The settings on top of the unit, as they stand."""
        return self.box.path(DROP_IN).read_text()

    def drop_in(self, *settings: str) -> None:
        """Settings on top of the unit, in force from the next start on."""
        file = self.box.path(DROP_IN)
        file.parent.mkdir(exist_ok=True)
        file.write_text("\n".join(settings) + "\n")
        self.box.run("systemctl", "daemon-reload")

    def probe(self, code: str, *settings: str) -> list[str]:
        """What a Python program prints (lines that begin with SAID) when it runs in place of the unit's own,
        with everything of the unit in force, and `settings` on top.
        """
        self.box.run("systemctl", "stop", UNIT)
        self.box.path("/opt/trial/probe.py").write_text(code)
        kept, mark = self.dropped_in(), self.cursor()
        program = ["ExecStart=", "ExecStart=/usr/bin/python3 /opt/trial/probe.py"]
        self.drop_in("[Service]", "Type=oneshot", "Restart=no", "WatchdogSec=0", *program, *settings)
        try:
            self.box.run("systemctl", "start", UNIT)
            return [line for line in self.journal(mark).splitlines() if line.startswith("SAID")]
        finally:
            self.drop_in(kept)
            self.started()

    # -- the journal -------------------------------------------------------------

    def journal(self, since: str = "") -> str:
        """What the journal has of the unit, after the cursor `since`."""
        self.box.run("journalctl", "--sync")
        return self.box.run("journalctl", "-u", UNIT, "-o", "cat", *([f"--after-cursor={since}"] if since else []))

    def cursor(self) -> str:
        """A place in the journal."""
        self.box.run("journalctl", "--sync")
        last = self.box.run("journalctl", "-n", "1", "-o", "json", "--output-fields=MESSAGE")
        return str(json.loads(last.splitlines()[-1])["__CURSOR"])

    def status(self) -> str:
        """The sentence that the service last told systemd."""
        return self.box.shown(UNIT, "StatusText")

    # -- pictures ------------------------------------------------------------------

    def drop(self, data: bytes, where: str = STUDIO) -> str:
        """The photographer copies a picture into ready/; its stem."""
        self.pictures += 1
        stem = f"Slipway {self.pictures}"
        export = self.box.path(f"/tmp/{stem}.tif")
        export.write_bytes(data)
        export.chmod(0o644)
        self.as_user(KEEPER, "cp", f"/tmp/{stem}.tif", f"{where}/ready/{CARD}/")
        return stem

    def worked_on(self, data: bytes) -> str:
        """Drop a large picture and wait until a child has it; its stem."""
        stem = self.drop(data)
        until(lambda: f"working on {CARD}/{stem}.tif" in self.journal(), SOON_S, "it is worked on")
        until(lambda: len(self.pids()) > 2, SOON_S, "a child is there")
        return stem

    def prints(self, stem: str, where: str = STUDIO) -> int:
        """How many print files of a picture there are."""
        return len(list(self.box.path(f"{where}/print").rglob(f"{stem}*.tif")))

    def made(self, stem: str, where: str = STUDIO) -> float:
        """Seconds until the original is in masters/; there is exactly one print then."""
        masters = self.box.path(f"{where}/masters")
        took_s = until(lambda: any(masters.rglob(f"{stem}*")), SOON_S, f"{stem} is in masters/: {self.status()}")
        found = self.prints(stem, where)
        if found != 1:
            raise AssertionError(f"{found} prints of {stem}")
        return took_s
