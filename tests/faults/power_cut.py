"""A power cut at every system call of one job that changes anything: `python -m tests.faults.power_cut` (needs root).

On an ext4 of its own on a loop device, in a private mount namespace: the service is killed at the call, and in the same
moment the file system is shut down without writing its journal out (EXT4_IOC_SHUTDOWN, value 2, ext4's own test ioctl),
unmounted and mounted again. What was not synced is gone then. After a normal start everything must be as undisturbed.
This tests one file system in one mode; it cannot reorder writes as a real disk may.
"""

from __future__ import annotations

import argparse
import fcntl
import os
import struct
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from tests.faults import kit, points
from tests.faults.points import CASES, Point
from tests.running import support

_SHUTDOWN, _NO_LOG_FLUSH = 0x8004587D, 2
_IMAGE_BYTES = 96 << 20
_CASES = ("accepted", "turned back")


class Disk:
    """An ext4 on a loop device."""

    def __init__(self, folder: Path) -> None:
        self._image, self.path = folder / "image", folder / "disk"
        self.path.mkdir()
        with self._image.open("wb") as stream:
            stream.truncate(_IMAGE_BYTES)
        subprocess.run(["mkfs.ext4", "-q", "-F", str(self._image)], check=True)
        self._mount()

    def _mount(self) -> None:
        subprocess.run(["mount", "-o", "loop", str(self._image), str(self.path)], check=True)

    def sync(self) -> None:
        """Everything so far is on the disk: what the photographer dropped was dropped long ago."""
        subprocess.run(["sync", "-f", str(self.path)], check=True)

    def cut(self) -> None:
        """The power goes, and comes back."""
        descriptor = os.open(self.path, os.O_RDONLY)
        try:
            fcntl.ioctl(descriptor, _SHUTDOWN, struct.pack("I", _NO_LOG_FLUSH))
        finally:
            os.close(descriptor)
        self.close()
        self._mount()

    def close(self) -> None:
        """Unmount; a child of the killed service may hold it for a moment longer."""
        for _ in range(200):
            if subprocess.run(["umount", str(self.path)], capture_output=True, check=False).returncode == 0:
                return
            time.sleep(0.02)
        raise RuntimeError(f"{self.path} stays busy")


def cuts_for_real(disk: Disk) -> list[str]:
    """A power cut that loses nothing proves nothing: what is written and not synced must be gone."""
    synced, loose = disk.path / "synced", disk.path / "loose"
    synced.write_bytes(b"kept")
    disk.sync()
    loose.write_bytes(b"lost")
    disk.cut()
    wrong = ["a synced file did not survive"] if synced.read_bytes() != b"kept" else []
    return wrong + (["an unsynced file survived: nothing was cut"] if loose.exists() and loose.read_bytes() else [])


def try_cut(point: Point, disk: Disk, calls: Sequence[str]) -> tuple[bool, list[str]]:
    """Whether the point was reached, and what is wrong afterwards."""
    case, want = CASES[point.case], points.undisturbed(point.case, disk.path)
    with points.studio_of(case, disk.path) as studio:
        disk.sync()
        _, lines = points.held(studio, point.gate, calls, f"{point.call}:signal=KILL:when={point.n}")
        disk.cut()
        problems = kit.half_visible(studio, want) + kit.lost(studio, case.digests)
        code = kit.serve(studio)
        problems += [] if code in (0, 1) else [f"started again: exit code {code}"]
        problems += kit.end_of(studio).differs(want)
        problems += [f"says: {one}" for one in kit.sayings(studio)] if problems else []
    return "+++ killed by SIGKILL +++" in lines[-1:], [f"{point}: {'; '.join(problems)}"] if problems else []


def inside(most: int | None) -> int:
    """All points, or some by a fixed stride, in the mount namespace that is there."""
    with kit.folder("power") as folder:
        disk = Disk(folder)
        try:
            every = [p for name in _CASES for p in points.points_of(name, "picture", disk.path)]
            problems, reached, wrong = cuts_for_real(disk), Counter[str](), Counter[str]()
            for point in points.spread(every, most):
                hit, found = try_cut(point, disk, points.CALLS)
                reached[point.case] += hit
                wrong[point.case] += bool(found)
                problems += found
        finally:
            disk.close()
    kit.table("power cuts", [("case", "points", "wrong"), *((n, str(reached[n]), str(wrong[n])) for n in _CASES)])
    return kit.verdict(problems)


def main(arguments: Sequence[str] | None = None) -> int:
    """0 where every run came to the undisturbed end."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0, help="no effect: every point is tried, nothing is drawn")
    parser.add_argument("--quick", action="store_true", help="24 points by a fixed stride")
    parser.add_argument("--points", type=int, help="at most so many")
    parser.add_argument("--inside", action="store_true", help="used by itself")
    options = parser.parse_args(arguments)
    most = options.points or (24 if options.quick else None)
    if options.inside:
        return inside(most)
    if os.geteuid() != 0:
        print("it needs root, for a loop device and mount")
        return 1
    line = ["unshare", "-m", sys.executable, "-m", "tests.faults.power_cut", "--inside"]
    line += ["--points", str(most)] if most else []
    return subprocess.run(line, cwd=support.ROOT, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
