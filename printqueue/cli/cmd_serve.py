"""`printqueue serve`."""

from __future__ import annotations

import argparse
import logging
import signal
import sys

from printqueue.cli.console import studio_of
from printqueue.errors import Exit, UsageError
from printqueue.text import shown

log = logging.getLogger("printqueue")


def arguments(command: argparse.ArgumentParser) -> None:
    """How long to work, and whether to listen to file events."""
    command.add_argument("--once", action="store_true", help="work until nothing is left to do, then exit")
    command.add_argument("--no-watch", action="store_true", help="look on the clock only, without file events")


def run(options: argparse.Namespace) -> int:
    """Start template, lock and ledger in that order, then serve."""
    from printqueue.running import running_service

    try:
        studio = studio_of(options)
    except UsageError as error:
        print(f"printqueue: {error}", file=sys.stderr)
        return Exit.CONFIG
    _log_to(sys.stderr)
    with running_service(studio, once=options.once, watch=not options.no_watch) as service:
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: service.stop())
        log.info("looking after %s%s", shown(studio.root), "" if options.once else "; Ctrl-C stops, and loses nothing")
        tally = service.run()
    log.info("made %d, turned back %d, stuck %d", tally.made, tally.turned_back, tally.stuck)
    if tally.stuck or tally.deferred:
        return Exit.STUDIO if options.once else Exit.DONE
    return Exit.TURNED_BACK if options.once and tally.turned_back else Exit.DONE


def _log_to(stream: object) -> None:
    logging.basicConfig(stream=stream, level=logging.INFO, format="%(asctime)s  %(message)s", datefmt="%H:%M:%S")  # type: ignore[call-overload]
    logging.getLogger("watchdog").setLevel(logging.WARNING)  # its chatter is none of the photographer's business
