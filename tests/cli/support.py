"""Pictures, studios and runs that the tests of the command line share."""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import pty
import re
import select
import subprocess
import sys
import termios
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest
import tifffile

from printqueue.cli.main import main
from printqueue.imaging.colour import spaces

SMALL_SHEET = "120x90 mm"  # with 25 mm borders, 900 x 600 px are about 330 ppi on it
HOSTILE = "k[red]elp\x1b[31m\u202e.tif"
NOT_UTF8 = os.fsdecode(b"net\xff.tif")


@dataclass(frozen=True)
class Ran:
    """How a run ended, and what it wrote."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """Standard output read as one JSON document, NaN and infinity refused."""
        return json.loads(self.out, parse_constant=_refuse)


def _refuse(word: str) -> None:
    raise AssertionError(f"{word} must never leave")


def run(capsys: pytest.CaptureFixture[str], *words: str) -> Ran:
    """The command line in this process."""
    capsys.readouterr()
    try:
        code = main(list(words))
    except SystemExit as ended:
        code = int(ended.code or 0)
    wrote = capsys.readouterr()
    return Ran(code, wrote.out, wrote.err)


def program(*words: str) -> list[str]:
    """The command line as a process of its own."""
    return [sys.executable, "-m", "printqueue", *words]


def found_by_name(folder: Path) -> dict[str, str]:
    """An environment in which `printqueue` is a command, by a script put into `folder`."""
    command = folder / "printqueue"
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m printqueue "$@"\n')
    command.chmod(0o755)
    root = str(Path(__file__).parents[2])
    return os.environ | {"PATH": f"{folder}:{os.environ['PATH']}", "PYTHONPATH": root}


def in_terminal(*words: str, columns: int = 160, around: Mapping[str, str] = MappingProxyType({})) -> str:
    """What a terminal would receive on standard output."""
    return typed_into(*words, columns=columns, around=around)[1]


def typed_into(
    *words: str,
    columns: int = 160,
    until: str | None = None,
    send: bytes = b"",
    around: Mapping[str, str] = MappingProxyType({}),
) -> tuple[int, str]:
    """A run in a terminal of its own: exit code, and what it received. `send` is typed once `until` was read."""
    ours, theirs = pty.openpty()
    environment = os.environ | {"TERM": "xterm-256color", "COLUMNS": str(columns), "LINES": "50"} | dict(around)
    with subprocess.Popen(
        program(*words),
        stdin=theirs,
        stdout=theirs,
        stderr=subprocess.DEVNULL,
        env=environment,
        preexec_fn=_own_terminal,
    ) as process:
        os.close(theirs)
        received, deadline = b"", time.monotonic() + 60
        while select.select([ours], [], [], 30)[0]:
            if time.monotonic() > deadline:
                process.kill()
                raise AssertionError(f"it did not end; received: {received[-2000:]!r}")
            try:
                part = os.read(ours, 65536)
            except OSError:  # the other end has closed (EIO)
                break
            received += part
            if until is not None and until.encode() in received:
                os.write(ours, send)
                until = None
        code = process.wait(30)
    os.close(ours)
    return code, received.decode(errors="replace" if send else "strict")  # what Ctrl-C cut may end inside a character


def _own_terminal() -> None:
    """In the child: the terminal on standard input is its own, so that Ctrl-C reaches it."""
    os.setsid()
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


def without_codes(text: str) -> str:
    """What a person reads: without control sequences (ECMA-48: CSI, parameters, final byte), a return begins a line."""
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", text).replace("\r\n", "\n").replace("\r", "\n")


def picture(path: Path | str, width: int = 900, height: int = 600) -> str:
    """A smooth synthetic TIFF with a profile: water under fog, as far as any check can tell."""
    y, x = np.mgrid[0:height, 0:width].astype("f4")
    waves = [30000 + 18000 * np.sin(x / 300 + channel) * np.cos(y / 250) for channel in range(3)]
    noise = np.random.default_rng(1).normal(0, 300, (height, width, 3))
    samples = (np.stack(waves, axis=-1) + noise).clip(0, 65535).astype("u2")
    tifffile.imwrite(path, samples, photometric="rgb", iccprofile=spaces.profile_bytes("adobe-rgb"))
    return str(path)


def tree(root: Path) -> dict[str, str]:
    """Every name below `root` with the hash of its bytes; SQLite's shared memory is no content."""
    found = {}
    for path in sorted(root.rglob("*")):
        if path.name.endswith(("-shm", "-wal")):
            continue
        name = os.fsencode(path.relative_to(root)).hex()
        found[name] = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "folder"
    return found


def assert_plain(text: str) -> None:
    """No character that a terminal, a log or a reader's eye could be led astray by."""
    odd = sorted({hex(ord(char)) for char in text if not char.isprintable() and char not in "\n\t"})
    assert not odd, odd
