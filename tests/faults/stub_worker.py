"""The image step answered at once: what is measured with it is the service, not the picture work.

`learn` lets the real tasks work on one picture and keeps their answers. After that every child gives the same answers
again and writes a few bytes, different every time, as its print. Only for counting; such prints are no pictures.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from printqueue.imaging.jobs import Verified
from printqueue.sandbox.protocol import ANSWER, Answer, Rendered, TaskName
from tests.faults import kit
from tests.running import quick_worker, support

MODULE = "tests.faults.stub_worker"
_learnt: dict[str, bytes] = {}
_LEARNT_BY_HEART: tuple[TaskName, ...] = ("probe", "judge", "tones")
_notes: dict[str, int] = {}  # open files for the answers of children while `learn` is at work: they can open none


def _task(name: TaskName) -> Callable[[Any, list[int]], bytes]:
    def run(argument: Any, files: list[int]) -> bytes:
        if _notes:
            answer: bytes = quick_worker.TASKS[name](argument, files)
            if name in _notes:
                os.pwrite(_notes[name], answer, 0)
            return answer
        if name == "verify":
            return ANSWER.dump_json(Answer(verified=Verified(0, 0.0, 0.0)))
        return _render(files) if name == "render" else _learnt[name]

    return run


def _render(files: list[int]) -> bytes:
    data = b"no picture: " + hashlib.sha256(os.pread(files[0], 1 << 16, 0)).hexdigest().encode()
    os.pwrite(files[1], data, 0)
    return ANSWER.dump_json(Answer(rendered=Rendered(hashlib.sha256(data).hexdigest())))


def learn(folder: Path) -> None:
    """Have one picture made in a studio of its own, before services with this worker are forked."""
    studio = support.new_studio(folder / "learning", kit.SETTINGS)
    support.drop(studio, "card/Fog.tif", support.picture())
    _notes.update({name: os.open(folder / name, os.O_CREAT | os.O_RDWR, 0o600) for name in _LEARNT_BY_HEART})
    try:
        served = kit.begin(studio, "--once", worker=MODULE)
        code = served.wait()
        assert code == 0, served.said()
    finally:
        for descriptor in _notes.values():
            os.close(descriptor)
        _notes.clear()
    _learnt.update({name: (folder / name).read_bytes() for name in _LEARNT_BY_HEART})


TASKS = {name: _task(name) for name in quick_worker.TASKS}
warm_up = quick_worker.warm_up
