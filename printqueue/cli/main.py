"""`printqueue COMMAND`: where arguments, commands and exit codes meet.

Heavy imports are deferred to the commands, so that `--help` answers at once.
"""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Collection, Sequence
from importlib import import_module
from types import ModuleType
from typing import Any, NoReturn

from printqueue.core.errors import Exit, PrintqueueError
from printqueue.core.text import shown
from printqueue.core.version import __version__

# command → (one line, example); the module printqueue.cli.cmd_COMMAND holds `arguments` and `run`
COMMANDS = {
    "init": ("make a studio with starter papers and their demonstration profiles", "printqueue init my-studio"),
    "serve": ("look after a studio: judge, render, publish", "printqueue -C my-studio serve"),
    "check": (
        "judge files without moving or writing anything",
        "printqueue check Fog.tif --paper smooth-rag --size A3",
    ),
    "render": ("judge one file and render its print file", "printqueue render Fog.tif --paper baryta -o Fog.print.tif"),
    "strip": (
        "make a labelled test strip: the same part at several lifts",
        "printqueue strip Fog.tif --paper smooth-rag --lifts=-1/3,0,1/3,2/3",
    ),
    "status": ("the queue now, and why anything waits", "printqueue status"),
    "history": ("what was made, when, on what, with which settings", "printqueue history fog"),
    "ledger": ("copy the record of what was made, or look whether it is sound", "printqueue ledger check"),
    "papers": ("the papers, their sizes and the state of their profiles", "printqueue papers"),
    "explain": ("what a check measures, why it matters, where it comes from", "printqueue explain oversharpening"),
    "doctor": ("is this studio, machine and service set up right", "printqueue doctor"),
    "completion": ("print what a shell reads to complete commands, papers and sizes", "printqueue completion bash"),
    "demo": ("make a studio with synthesised pictures, some faulty, and run it once", "printqueue demo demo-studio"),
}
EXIT_CODES = (
    "exit codes: 0 done, all accepted; 1 something was turned back; 2 bad use, or nothing could be judged; "
    "3 the studio or the machine is at fault. serve alone: 78 for bad configuration."
)
_MAX_SAID = 1000
_COMPLETING = "_ARGCOMPLETE"  # set by the shell during completion


class _Parser(argparse.ArgumentParser):
    """Exits with code 2 on usage errors and says where to find help."""

    def error(self, message: str) -> NoReturn:
        self.print_usage(sys.stderr)
        said = shown(message, limit=_MAX_SAID).rstrip(".?")
        self.exit(Exit.USAGE, f"printqueue: {said}{'?' if message.endswith('?') else '.'} See `{self.prog} --help`.\n")

    def _check_value(self, action: argparse.Action, value: Any) -> None:
        """For a mistyped command, suggest the nearest one instead of listing them all."""
        if action.dest == "command" and value not in COMMANDS:
            from printqueue.core.nearest import suggestion

            self.error(f"there is no command '{shown(str(value), limit=60)}'. {suggestion(str(value), COMMANDS)}")
        super()._check_value(action, value)


def parser(filled: Collection[str] = tuple(COMMANDS)) -> argparse.ArgumentParser:
    """The whole command line; the options of each command come from its own module.

    `filled` names the commands whose modules get imported: a run needs only its own.
    """
    top = _Parser(
        prog="printqueue",
        description="The colleague between the editor and the printer: judges each picture for its paper,\n"
        "makes the print file, and says why where it does not.",
        epilog=f"Begin with:\n  printqueue demo my-demo      see it work\n  printqueue init my-studio    a studio of your own\n\n{EXIT_CODES}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"printqueue {__version__}")
    top.add_argument("-C", "--studio", metavar="DIR", help="the studio (default: this folder, then $PRINTQUEUE_STUDIO)")
    commands = top.add_subparsers(dest="command", metavar="COMMAND")
    for name, (line, example) in COMMANDS.items():
        command = commands.add_parser(
            name,
            help=line,
            description=line[0].upper() + line[1:] + ".",
            epilog=f"example:\n  {example}\n\n{EXIT_CODES}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        if name in filled:
            _module(name).arguments(command)
    return top


def _module(command: str) -> ModuleType:
    return import_module(f"printqueue.cli.cmd_{command}")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; expected errors become one sentence on stderr and their exit code."""
    words = sys.argv[1:] if argv is None else list(argv)
    _print_anything()
    if _COMPLETING in os.environ:
        _complete()
    line = parser([name for name in COMMANDS if name in words])
    options = line.parse_args(words)
    try:
        if options.command is None:  # helpful for a person, an error in a script
            print(line.format_help(), end="", flush=True)
            return int(Exit.USAGE)
        code = int(_module(options.command).run(options))
        sys.stdout.flush()
    except PrintqueueError as error:
        _complain(str(error))
        return int(error.exit_code)
    except BrokenPipeError:
        return _nobody_reads()
    except OSError as error:
        where = f" ({shown(os.fsdecode(error.filename))})" if isinstance(error.filename, str | bytes) else ""
        _complain(f"the machine refused: {error.strerror or error}{where}. Check the folder and its rights.")
        return int(Exit.STUDIO)
    except KeyboardInterrupt:
        _complain("stopped. Nothing is lost.")
        return 130
    except Exception:
        return _own_fault()
    return code


def _complete() -> NoReturn:
    """Give the shell its completions, and exit."""
    import argcomplete

    argcomplete.autocomplete(parser(), always_complete_options="long")
    sys.exit(Exit.USAGE)  # only reached without a shell


def _complain(text: str) -> None:
    """Print to stderr, line by line, with anything a terminal could act on made visible."""
    lines = [shown(line, limit=_MAX_SAID) for line in text.split("\n")]
    print("printqueue: " + "\n".join(lines), file=sys.stderr)


def _print_anything() -> None:
    """Escape characters the terminal's encoding lacks instead of crashing."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _nobody_reads() -> int:
    """Whatever read our output is gone (`| head`): nothing is wrong, and Python must not complain at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return int(Exit.DONE)


def _own_fault() -> int:
    """Report a bug of ours: Python alone would exit with 1, which means "turned back" here."""
    import traceback

    _complain(traceback.format_exc() + "This is a fault in printqueue itself. Pictures and prints are untouched.")
    return int(Exit.STUDIO)
