"""The service, and every command that does not look at pixels, run without the libraries that open pictures."""

from __future__ import annotations

import json
import subprocess
import sys

from printqueue.cli.main import COMMANDS

HEAVY = ("PIL", "cv2", "imagecodecs", "numpy", "tifffile")
PAINTS, ASKS_LIBRARIES = (
    "demo",
    "doctor",
)  # the demonstration paints; the check-up asks the libraries for their versions
_LOADED = """
import json, sys
from importlib import import_module
for name in sys.argv[1:]:
    import_module(name)
print(json.dumps(sorted(sys.modules)))
"""


def loaded(*modules: str) -> set[str]:
    """What a fresh interpreter has loaded once it has imported these."""
    line = [sys.executable, "-c", _LOADED, *modules]
    return set(json.loads(subprocess.run(line, capture_output=True, text=True, check=True, timeout=60).stdout))


def test_the_service_loads_no_library_that_opens_pictures() -> None:
    """All of the service, its checks included, and nothing heavy; its watching is there, so it is the real one."""
    modules = loaded("printqueue.service.starting", "printqueue.service.loop", "printqueue.judging.checks")
    assert modules & set(HEAVY) == set()
    assert {"printqueue.service.workflow", "printqueue.sandbox.protocol", "printqueue.judging.checks.gamut"} <= modules


def test_the_commands_load_none_of_them() -> None:
    """Commands ask a child; what they import themselves opens nothing, all of them together."""
    commands = (f"printqueue.cli.cmd_{command}" for command in COMMANDS if command not in (PAINTS, ASKS_LIBRARIES))
    modules = loaded("printqueue.cli.main", *commands, "printqueue.cli.single", "printqueue.cli.queue_view")
    assert modules & set(HEAVY) == set()


def test_tasks_do_load_them() -> None:
    """The test can fail: the child's own side has them all."""
    assert set(HEAVY) <= loaded("printqueue.sandbox.tasks")
