"""The service under a real systemd: `systemd/README.md` walked step by step, then everything that the units promise.

    sudo .venv/bin/python -m tests.faults.real_systemd [NAME ...]

Needs root, systemd and version 2 control groups; about four minutes. Exits 0 (all held), 1 (one did not), 3 (a systemd
cannot be started here, with the reason). Trials that this machine cannot make are named as such, never counted as held.
"""

from __future__ import annotations

import sys
import sysconfig
import tempfile
from collections.abc import Callable
from pathlib import Path

from tests.faults import systemd_trials as inside
from tests.faults import systemd_trials_around as around
from tests.faults.systemd_box import Box, CannotTryError
from tests.faults.systemd_studio import Installed, NotHereError, packages, wheel

TRIALS: list[Callable[[Installed], str]] = [
    inside.guide, inside.card, inside.picture, inside.shut_in, inside.network, inside.places, inside.status_line,
    inside.stop_working, inside.watchdog, inside.killed, inside.child_killed, inside.out_of_memory,
    inside.bad_settings, inside.no_studio,
    around.share_goes, around.share_late, around.journal_fields, around.notices, around.backup, around.user_unit,
]  # fmt: skip
ALWAYS = {"guide", "card"}  # the others need them


def tried(trial: Callable[[Installed], str], on: Installed) -> str:
    """Make one trial and print its line; how it went."""
    try:
        went, says = "held", trial(on)
    except NotHereError as error:
        went, says = "NOT TRIED", str(error)
    except Exception as error:  # whatever it is, the other trials are made
        went, says = "FAILED", f"{type(error).__name__}: {str(error)[:1500]}"
    print(f"{went:<10}{trial.__name__:<15}{says}", flush=True)
    return went


def main(names: list[str]) -> int:
    """Run all trials, or those named (and what they need)."""
    known = {trial.__name__ for trial in TRIALS}
    if unknown := set(names) - known:
        print(f"no such trial: {', '.join(sorted(unknown))}; there are: {', '.join(sorted(known))}")
        return 2
    chosen = [trial for trial in TRIALS if not names or trial.__name__ in ALWAYS | set(names)]
    with tempfile.TemporaryDirectory(prefix="printqueue-systemd-") as temporary:
        folder = Path(temporary)
        try:
            with Box(folder, Path(sysconfig.get_paths()["purelib"])) as box:
                on = Installed(box, wheel(folder), packages(folder))
                went = [tried(trial, on) for trial in chosen]
        except CannotTryError as error:
            print(f"CANNOT TRY: {error}")
            return 3
    print(", ".join(f"{went.count(word)} {word}" for word in ("held", "FAILED", "NOT TRIED")))
    return 1 if "FAILED" in went else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
