"""What the tests of the service share: a small paper with a small profile, pictures, a studio, and runs of the service.

Everything is synthesised here. The paper's profile has a grid of few nodes, so that a
picture of 150 × 100 px is judged and rendered in some tens of milliseconds.
"""

from __future__ import annotations

import hashlib
import importlib.util
import io
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from printqueue.imaging.colour import spaces
from printqueue.ledger import Ledger, LedgerReader
from printqueue.reports.queue import collect
from printqueue.sandbox import ForkServer
from printqueue.service.context import ServiceContext
from printqueue.service.lock import is_served
from printqueue.service.loop import Service, Tally
from printqueue.studio.folders import Studio, make_studio, open_studio, prepare_state
from printqueue.studio.marker import MARK
from printqueue.studio.papers.loader import Shelf
from printqueue.studio.stock import WhiteAndBlack

ROOT = Path(__file__).resolve().parents[2]
SOON_S = 30.0  # the longest that any test waits for something that must happen
NOW = "2026-11-25T06:00:00Z"
SIZE = "60x50 mm"

SETTINGS = "settle: 0 s\nscan: 0.2 s\nwatch: poll\nworkers: 1\n"
CARD = """\
paper: Test card
surface: smooth-matte
grammage: 300 gsm
thickness: 0.4 mm
profile: card.icc
print: {ppi: 100}
sizes: [60x50 mm, 80x60 mm]
default_size: 60x50 mm
border: {style: even, width: 5 mm}
checks:
  whole: {unmeasurable: reject}
  profile: {missing: reject, unreadable: reject}
  size: {does_not_fit: reject}
  resolution: {reject_below: 50 ppi, warn_below: 60 ppi}
"""


# -- paper and pictures -----------------------------------------------------


def _icc_write() -> ModuleType:
    spec = importlib.util.spec_from_file_location("service_icc_write", ROOT / "examples" / "icc_write.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@cache
def card_profile() -> bytes:
    """An ICC 2.4 printer profile of few nodes: lightness from the mean, chroma from the differences."""
    write = _icc_write()
    nodes = np.stack(np.meshgrid(*[np.linspace(0, 1, 3)] * 3, indexing="ij"), -1).reshape(-1, 3)
    r, g, b = nodes.T
    lab = np.stack([17 + 83 * nodes.mean(1), 60 * (r - g), 60 * ((r + g) / 2 - b)], -1)
    forward = write.lut16_type(write.straight(3), write.encode_lab(lab), write.straight(3))
    steps = np.linspace(0, 1, 5)
    light, a, b = (v.ravel() for v in np.meshgrid(steps * 100, steps * 255 - 128, steps * 255 - 128, indexing="ij"))
    mean = (light - 17) / 83
    rgb = np.stack([mean + a / 120 + b / 180, mean - a / 120 + b / 180, mean - b / 90], -1)
    backward = write.lut16_type(write.straight(3), write.encode_device(rgb), write.straight(3))
    tags = [("desc", write.description_type("Test card")), ("cprt", write.text_type("MIT licence"))]
    tags += [("wtpt", write.xyz_type((0.9, 0.93, 0.77)))]
    tags += [(name, forward) for name in ("A2B0", "A2B1", "A2B2")]
    tags += [(name, backward) for name in ("B2A0", "B2A1", "B2A2")]
    return bytes(write.printer_profile(tags, matte=True))


def pixels(seed: int = 1, width: int = 150, height: int = 100) -> NDArray[np.uint16]:
    """(height, width, 3) codes of a quiet harbour-fog gradient with a little grain."""
    y, x = np.mgrid[0:height, 0:width]
    grain = np.random.default_rng(seed).normal(0, 300, (height, width))
    waves = [30000 + 18000 * np.sin(x / 90 + i + seed) * np.cos(y / 70) + grain for i in range(3)]
    return np.stack(waves, -1).clip(0, 65535).astype(np.uint16)


@cache
def picture(seed: int = 1, *, width: int = 150, height: int = 100, profile: str | None = "srgb") -> bytes:
    """A good 16-bit TIFF (LZW), another one for every seed."""
    return tiff(pixels(seed, width, height), profile=profile)


def tiff(codes: NDArray[Any], *, profile: str | None = "srgb", icc: bytes | None = None, **options: Any) -> bytes:
    """`codes` as TIFF bytes; `options` go to tifffile."""
    out = io.BytesIO()
    data = icc if icc is not None else spaces.profile_bytes(profile) if profile else None
    settings: dict[str, Any] = {"compression": "lzw", "predictor": True, "rowsperstrip": 64} | options
    tifffile.imwrite(out, codes, photometric="rgb", iccprofile=data, **settings)
    return out.getvalue()


def small_picture() -> bytes:
    """Too few pixels for the card: 60 × 40 px."""
    return picture(7, width=60, height=40)


def sha256(data: bytes) -> str:
    """SHA-256 in hex."""
    return hashlib.sha256(data).hexdigest()


# -- a studio -----------------------------------------------------------------


def new_studio(root: str | Path, settings: str = SETTINGS, **papers: str) -> Studio:
    """A studio with the paper `card` (and more: key → text of its rule file)."""
    studio = make_studio(str(root))
    for key, text in ({"card": CARD} | papers).items():
        Path(studio.path("rules", f"{key}.yaml")).write_text(text)
    Path(studio.path("profiles", "card.icc")).write_bytes(card_profile())
    Path(studio.path("studio.yaml")).write_text(settings)
    return open_studio(studio.root)


def drop(studio: Studio, path: str | bytes, data: bytes, *, mtime_ns: int = 1_600_000_000_123_456_789) -> str:
    """Move a file into ready/ as a program does: whole, with a time of its own. Returns its full path."""
    target = os.path.join(studio.path("ready"), os.fsdecode(path))
    os.makedirs(os.path.dirname(target), exist_ok=True)
    temp = os.path.join(studio.root, ".dropping")
    with open(temp, "wb") as stream:
        stream.write(data)
    os.utime(temp, ns=(mtime_ns, mtime_ns))
    os.replace(temp, target)
    return target


def files(studio: Studio, *tops: str) -> dict[str, str]:
    """Relative name → SHA-256 of everything below the work folders (hidden files too)."""
    found = {}
    for top in tops or ("ready", "print", "review", "masters"):
        for folder, _, names in os.walk(studio.path(top)):
            for name in sorted(set(names) - {MARK}):  # the studio's mark in each of its folders is no work
                path = os.path.join(folder, name)
                with suppress(FileNotFoundError):  # a running service renamed it since the folder was listed
                    found[os.path.relpath(path, studio.root)] = _content(path)
    return found


def _content(path: str) -> str:
    with open(path, "rb") as stream:
        data = stream.read()
    if path.endswith(".print.txt"):  # job and time stand in its last line only, by contract
        data = data[: data.rfind(b"Job ")]
    return hashlib.sha256(data).hexdigest()


def spool(studio: Studio) -> list[str]:
    """What is left in the spool."""
    return os.listdir(studio.private("spool"))


def prints(studio: Studio) -> list[str]:
    """Print files that can be seen, relative to print/."""
    found = (name.removeprefix("print/") for name in files(studio, "print") if name.endswith(".tif"))
    return sorted(name for name in found if not os.path.basename(name).startswith("."))


def status(studio: Studio) -> dict[str, Any]:
    """The object of `status --json`."""
    return collect(LedgerReader(studio.ledger), running=is_served(studio))


def reason(studio: Studio, name: str) -> str:
    """Text of a reason file, one line (its wrapping undone); `name` is relative to review/."""
    return " ".join(Path(studio.path("review", name)).read_text().split())


# -- processes ----------------------------------------------------------------


@contextmanager
def fork_server_of(module: str) -> Iterator[ForkServer]:
    """A fork server whose children do the tasks of `module`, which may be a module of the tests."""
    before = os.environ.get("PYTHONPATH")
    os.environ["PYTHONPATH"] = str(ROOT)
    try:
        running = ForkServer(module)
    finally:
        if before is None:
            del os.environ["PYTHONPATH"]
        else:
            os.environ["PYTHONPATH"] = before
    try:
        yield running
    finally:
        running.close()


def children(pid: int) -> list[int]:
    """Living children of a process (zombies do not live)."""
    states = {int(name): _state(name) for name in os.listdir("/proc") if name.isdigit()}
    return [number for number, state in states.items() if state is not None and state[1] == pid and state[0] != "Z"]


def _state(pid: str | int) -> tuple[str, int] | None:
    """(state letter, parent) after proc(5), None for a process that has gone."""
    try:
        with open(f"/proc/{pid}/stat", "rb") as stream:
            letter, parent = stream.read().rpartition(b")")[2].split()[:2]
    except OSError:
        return None
    return letter.decode(), int(parent)


def alive(pid: int) -> bool:
    """Whether a process runs (a zombie does not)."""
    state = _state(pid)
    return state is not None and state[0] != "Z"


def living_children(fork_server: ForkServer) -> list[int]:
    """Reading processes that still run."""
    return children(fork_server._process.pid)


class Nursery:
    """A process that forks services and kills them."""

    def __init__(self) -> None:
        environment = os.environ | {"PYTHONPATH": str(ROOT)}
        command = [sys.executable, "-m", "tests.running.nursery"]
        self._process = subprocess.Popen(
            command, cwd=ROOT, env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self._line() == "ready"

    def _line(self) -> str:
        assert self._process.stdout is not None
        return self._process.stdout.readline().strip()

    def run(self, studio: Studio, kill: tuple[str, int] | None) -> dict[str, Any]:
        """One service until its end, or until it is killed at `kill`."""
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps({"root": studio.root, "kill": kill}) + "\n")
        self._process.stdin.flush()
        answer: dict[str, Any] = json.loads(self._line())
        return answer

    def close(self) -> None:
        """End it, its fork server, and a service that it may still be waiting for."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        try:
            self._process.wait(5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process.stdout.close()


# What children have answered about a profile's tones, as one long-running service would know it.
_TONES: dict[bytes, WhiteAndBlack] = {}


def learn_tones(fork_server: ForkServer) -> None:
    """Ask about the card's profile once, before services are forked that could not share the answer."""
    with tempfile.TemporaryDirectory() as folder:
        studio = new_studio(os.path.join(folder, "studio"))
        with service(studio, fork_server) as running:
            running.context.stock(running.context.shelf.papers["card"])


# -- running it ---------------------------------------------------------------


@contextmanager
def service(
    studio: Studio,
    fork_server: ForkServer,
    *,
    once: bool = True,
    clock: Callable[[], float] = time.monotonic,
    now: Callable[[], str] = lambda: NOW,
) -> Iterator[Service]:
    """A service in this process, over a fork server that outlives it."""
    prepare_state(studio)
    ledger = Ledger(studio.ledger, now)
    try:
        context = ServiceContext(studio, ledger, fork_server, Shelf.load(studio.path("rules")), now=now)
        context._tones = _TONES
        yield Service(context, clock, once=once, watch=False)
    finally:
        ledger.close()


def serve_once(studio: Studio, fork_server: ForkServer) -> Tally:
    """Work until nothing is left, as `serve --once` does."""
    with service(studio, fork_server) as running:
        return running.run()


@contextmanager
def serving(studio: Studio, fork_server: ForkServer) -> Iterator[Service]:
    """A service that runs in a thread until the block ends; its error, if any, is raised there."""
    errors: list[BaseException] = []
    with service(studio, fork_server, once=False) as running:

        def work() -> None:
            try:
                running.run()
            except BaseException as error:
                errors.append(error)

        thread = threading.Thread(target=work, name="service")
        thread.start()
        try:
            yield running
        finally:
            running.stop()
            thread.join(SOON_S)
            assert not thread.is_alive(), "the service did not stop"
    if errors:
        raise errors[0]


def until(true: Callable[[], object], what: str) -> None:
    """Poll until `true()`; fails with `what` at the deadline."""
    end = time.monotonic() + SOON_S
    while not true():
        assert time.monotonic() < end, f"never happened: {what}"
        time.sleep(0.01)


def problems(studio: Studio) -> tuple[str, ...]:
    """What the service says to be wrong in rules/."""
    return LedgerReader(studio.ledger).heartbeat().problems


def missing(tool: str) -> None:
    """Skip for want of a tool, or fail where all tools are required (as in CI)."""
    if os.environ.get("PRINTQUEUE_REQUIRE_TOOLS") == "1":
        pytest.fail(f"{tool} is missing, and PRINTQUEUE_REQUIRE_TOOLS=1")
    pytest.skip(f"{tool} is missing")


@contextmanager
def started(
    studio: Studio, worker: str = "tests.running.quick_worker", *arguments: str
) -> Iterator[subprocess.Popen[str]]:
    """The real command `printqueue serve` in a process of its own, whose children do the tasks of `worker`."""
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-c", _DRIVER.format(worker=worker), "-C", studio.root, "serve", *arguments]
    with subprocess.Popen(command, cwd=ROOT, env=environment, stderr=subprocess.PIPE, text=True) as process:
        try:
            yield process
        finally:
            process.kill()


_DRIVER = """
import sys
from printqueue.sandbox import protocol
from printqueue.cli.main import main
protocol.WORKER = "{worker}"
sys.exit(main())
"""


def command(studio: Studio, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run one command of the real command line on `studio`."""
    line = [sys.executable, "-m", "printqueue", "-C", studio.root, *arguments]
    return subprocess.run(line, cwd=ROOT, capture_output=True, text=True, timeout=SOON_S, check=False)
