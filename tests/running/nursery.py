"""A process that runs services in forked children and kills them where it is told: `python -m tests.running.nursery`.

One line of JSON in: {"root": studio, "kill": [step, n] | null}. One line out: {"code", "trace"}.
The forked child really is killed by SIGKILL in the middle of its work: nothing of Python
or of the service gets to run after that. Only the fork server of the reading processes is
shared, which saves its start of half a second for every one of some hundred runs; after a kill that may have come while
somebody was talking to it, a new one is started.

`kill` may also name a function of `printqueue.core.disk.durable`, as ["durable.NAME", n]: the kill
then comes just after its n-th call has done its work.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import traceback
from collections import Counter
from collections.abc import Callable
from typing import Any

from printqueue.core.disk import durable
from printqueue.sandbox import ForkServer
from printqueue.sandbox.limits import die_with
from printqueue.service import steps
from printqueue.studio.folders import open_studio
from tests.running import support


def main() -> int:
    """Serve requests until stdin closes."""
    fork_server = ForkServer("tests.running.quick_worker")
    try:
        support.learn_tones(fork_server)
        print("ready", flush=True)
        for line in sys.stdin:
            asked = json.loads(line)
            print(json.dumps(_run(fork_server, **asked)), flush=True)
            if asked["kill"] is not None and asked["kill"][0].startswith("durable."):
                # The page of the daybook is written by one thread while another may be asking the fork server for a child: a
                # kill just then leaves half a conversation on the socket that the next run would hear the end of.
                fork_server.close()
                fork_server = ForkServer("tests.running.quick_worker")
    finally:
        fork_server.close()
    return 0


def _run(fork_server: ForkServer, root: str, kill: tuple[str, int] | None) -> dict[str, Any]:
    reading, writing = os.pipe()
    nursery, pid = os.getpid(), os.fork()
    if pid == 0:
        die_with(nursery)
        _child(fork_server, root, kill, writing)
    os.close(writing)
    with os.fdopen(reading) as stream:
        trace = stream.read().split()
    _, status = os.waitpid(pid, 0)
    return {"code": os.waitstatus_to_exitcode(status), "trace": trace}


def _child(fork_server: ForkServer, root: str, kill: tuple[str, int] | None, report: int) -> None:
    code = 70
    try:
        passings: Counter[str] = Counter()

        def pass_by(name: str) -> None:
            passings[name] += 1
            if kill is not None and (name, passings[name]) == tuple(kill):
                os.kill(os.getpid(), signal.SIGKILL)

        def reached(step: str) -> None:
            os.write(report, f"{step}\n".encode())
            pass_by(step)

        steps.reached = reached
        if kill is not None and kill[0].startswith("durable."):
            name = kill[0].removeprefix("durable.")
            setattr(durable, name, _then(getattr(durable, name), lambda: pass_by(f"durable.{name}")))
        tally = support.serve_once(open_studio(root), fork_server)
        code = 3 if tally.stuck or tally.deferred else 0
    except BaseException:
        traceback.print_exc()
    finally:
        os._exit(code)


def _then(function: Callable[..., Any], after: Callable[[], None]) -> Callable[..., Any]:
    def call(*values: Any, **named: Any) -> Any:
        result = function(*values, **named)
        after()
        return result

    return call


if __name__ == "__main__":
    sys.exit(main())
