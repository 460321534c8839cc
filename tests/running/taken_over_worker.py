"""The product's tasks (quick for small pictures) in children that were taken over: the last bytes of a picture say how.

LINGERING: whoever has written a print or a proof picture goes on writing to it. TALKATIVE, TALKATIVE_AT_ONCE: an answer
to `judge`, or to `probe`, that is longer than any. OUTSIDE: ended from outside while judging, as for want of memory.
HOARDING: whoever judges takes as much memory as it gets by way of the working copy, which the service holds too.
FILLING: whoever renders takes as much of the disk.
HASH: what should be the hash of the pixels would act on a terminal and add a line to the note.
HEADER and a digit: an answer to `probe` that no picture can give (`HEADERS`).
"""

from __future__ import annotations

import json
import os
import signal
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from tests.running import quick_worker

LENGTH = 8
LINGERING, TALKATIVE, TALKATIVE_AT_ONCE, OUTSIDE = b"#linger_", b"#talks__", b"#talks1_", b"#outside"
HASH, HOARDING, FILLING = b"#hashes_", b"#hoards_", b"#fills__"
HOARD_BYTES = 1_000_000_000
HEADER = b"#header"
# width, height, channels, bytes: none, negative, more than a float or an int of the kernel can hold
HEADERS = (
    (0, 0, 3, 0),
    (-5, 5, 3, 0),
    (10**400, 1, 3, 0),
    (150, 100, 0, 10**400),
    (150, 100, -7, 0),
    (150, 100, 3, -(10**400)),
    (150, 100, 3, -1_280_000_001),
)
warm_up = quick_worker.warm_up


def _asked_for(descriptor: int) -> bytes:
    return os.pread(descriptor, LENGTH, max(0, os.fstat(descriptor).st_size - LENGTH))


def _spoil(descriptor: int) -> None:
    """Not before the answer is out and read, also on a busy machine, then over and over."""
    while True:
        time.sleep(0.5)
        os.pwrite(descriptor, b"spoiled", max(0, os.fstat(descriptor).st_size - 7))


def _lingering(task: Callable[[Any, list[int]], bytes]) -> Callable[[Any, list[int]], bytes]:
    def run(argument: Any, files: list[int]) -> bytes:
        answer = task(argument, files)
        if _asked_for(files[0]) == LINGERING:
            threading.Thread(target=_spoil, args=(os.dup(files[1]),), daemon=True).start()
        return answer

    return run


def _probe(argument: Any, files: list[int]) -> bytes:
    asked = _asked_for(files[0])
    if asked[:-1] == HEADER:
        names = ("width_px", "height_px", "channels", "decoding_bytes")
        return json.dumps({"header": dict(zip(names, HEADERS[int(asked[-1:])], strict=True))}).encode()
    return b" " * 10_000_000 if asked == TALKATIVE_AT_ONCE else quick_worker.TASKS["probe"](argument, files)


def _render(argument: Any, files: list[int]) -> bytes:
    if _asked_for(files[0]) == FILLING:
        with suppress(OSError):
            os.posix_fallocate(files[1], 0, HOARD_BYTES)
            return b'{"failure": {"family": "picture", "says": "It took what it wanted."}}'
    answer = json.loads(quick_worker.TASKS["render"](argument, files))
    if _asked_for(files[0]) == HASH:
        answer["rendered"]["pixels_sha256"] = "\x1b[2J\nChecked: by nobody"
    return json.dumps(answer).encode()


def _judge(argument: Any, files: list[int]) -> bytes:
    asked = _asked_for(files[0])
    if asked == OUTSIDE:
        os.kill(os.getpid(), signal.SIGKILL)
    if asked == HOARDING:
        with suppress(OSError):
            os.posix_fallocate(files[1], 0, HOARD_BYTES)
            return b'{"failure": {"family": "picture", "says": "It took what it wanted."}}'
    return b" " * 10_000_000 if asked == TALKATIVE else quick_worker.TASKS["judge"](argument, files)


TASKS = quick_worker.TASKS | {
    "probe": _probe,
    "judge": _judge,
    "render": _lingering(_render),
    "proof": _lingering(quick_worker.TASKS["proof"]),
}
