"""`printqueue render`."""

from __future__ import annotations

import argparse
import os
from contextlib import ExitStack
from typing import TYPE_CHECKING

from printqueue.cli.completing import add_paper_and_size
from printqueue.cli.console import add_json, print_json, say, studio_of
from printqueue.core.errors import Exit, OwnError, UsageError
from printqueue.core.text import shown

if TYPE_CHECKING:
    from printqueue.cli.single import FileJudge


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the arguments: the file, its paper and size, and where the print file goes."""
    command.add_argument("file", metavar="FILE")
    add_paper_and_size(command)
    command.add_argument("-o", "--output", required=True, metavar="OUT", help="the print file; must not exist yet")
    add_json(command)


def run(options: argparse.Namespace) -> int:
    """Judge the file; if it is accepted, write OUT whole or not at all."""
    from printqueue.cli import single
    from printqueue.cli.cmd_check import show

    if os.path.lexists(options.output):
        raise UsageError(f"{shown(options.output)} exists already; nothing was changed.", do="Name another file.")
    with single.context(studio_of(options)) as context:
        judge = single.FileJudge(context, options.paper, options.size)
        result = judge.check(options.file)
        if result.code == Exit.DONE:
            _render(judge, options.file, options.output)
    if options.json:
        print_json([result.as_json()])
    else:
        show(result)
        if result.code == Exit.DONE:
            say(f"Print file: {options.output}")
    return result.code


def _render(judge: FileJudge, path: str, output: str) -> None:
    """Render through a hidden temporary file beside OUT; the bounded child gets only descriptors."""
    from printqueue.cli.fresh import fresh_file, scratch_file
    from printqueue.cli.single import opened
    from printqueue.sandbox.context import ask, print_job
    from printqueue.sandbox.protocol import PrintTask

    request = judge.request(path)
    provenance, bounds = judge.provenance(path, request), judge.context.bounds
    with ExitStack() as held:
        file = held.enter_context(fresh_file(output))
        scratch = held.enter_context(scratch_file(os.path.dirname(os.path.abspath(output))))  # for turning the picture
        reading = held.enter_context(opened(path))
        children = held.enter_context(judge.context.children())
        task = PrintTask(print_job(request, judge.stock), provenance, bounds)
        rendered = ask(children, "render", task, (reading, file.descriptor, scratch)).rendered
        children.end()  # so that a different child verifies what this one wrote
        written = held.enter_context(file.reading())
        proof = ask(children, "verify", task, (reading, written))
        if rendered is None or proof.verified is None:
            raise OwnError("The rendering process gave an answer that makes no sense. No print file was made.")
        file.keep(rendered.sha256)
