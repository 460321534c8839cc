"""`printqueue serve`."""

from __future__ import annotations

import argparse
import logging
import signal
import sys
from typing import TYPE_CHECKING

from printqueue.cli.console import studio_of
from printqueue.core.errors import Exit, UsageError
from printqueue.core.text import shown

if TYPE_CHECKING:
    from printqueue.service.loop import Service

log = logging.getLogger("printqueue")


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the options: when to stop, and whether to use file events."""
    command.add_argument("--once", action="store_true", help="work until nothing is left to do, then exit")
    command.add_argument("--no-watch", action="store_true", help="look on the clock only, without file events")


def run(options: argparse.Namespace) -> int:
    """Start the fork server, take the lock, open the ledger, in that order; then serve."""
    from printqueue.service import journal
    from printqueue.service.starting import running_service
    from printqueue.service.state_folder import require_private_state

    try:
        studio = studio_of(options)
        require_private_state(studio)
    except UsageError as error:
        print(f"printqueue: {error}", file=sys.stderr)
        return Exit.CONFIG
    with (
        journal.said_to(sys.stderr),
        running_service(studio, once=options.once, watch=not options.no_watch) as service,
        journal.kept_in(studio.state),  # under the lock, so that two services never write to one file
    ):
        _listen(service)
        log.info("looking after %s%s", shown(studio.root), "" if options.once else "; Ctrl-C stops, and loses nothing")
        tally = service.run()
        log.info("made %d, turned back %d, stuck %d", tally.made, tally.turned_back, tally.stuck)
    if tally.stuck or tally.deferred:
        return Exit.STUDIO if options.once else Exit.DONE
    return Exit.TURNED_BACK if options.once and tally.turned_back else Exit.DONE


def _listen(service: Service) -> None:
    """Stop on SIGTERM, SIGINT or a closed terminal. Without a terminal, SIGHUP means: look at rules and ready/ now."""
    in_terminal = sys.stdin.isatty() or sys.stderr.isatty()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: service.stop())
    if signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:  # stays ignored under nohup
        signal.signal(signal.SIGHUP, lambda *_: service.stop() if in_terminal else service.wake())
