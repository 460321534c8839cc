"""`printqueue render`."""

from __future__ import annotations

import argparse
import os

from printqueue.cli.console import add_json, print_json, say, studio_of
from printqueue.errors import Exit, OwnError, UsageError
from printqueue.text import shown


def arguments(command: argparse.ArgumentParser) -> None:
    """Which file, for which paper, and where the print file goes."""
    command.add_argument("file", metavar="FILE")
    command.add_argument("--paper", required=True, help="a paper's key: its file in rules/ without .yaml")
    command.add_argument("--size", help="A3, 13x19 in, 300x400 mm ... (default: the paper's default size)")
    command.add_argument("-o", "--output", required=True, metavar="OUT", help="the print file; must not exist yet")
    add_json(command)


def run(options: argparse.Namespace) -> int:
    """Judge, and where accepted write OUT whole or not at all."""
    from printqueue.cli import single
    from printqueue.cli.cmd_check import _show

    if os.path.lexists(options.output):
        raise UsageError(f"{shown(options.output)} exists already; nothing was changed.", do="Name another file.")
    with single.bench(studio_of(options)) as bench:
        judge = single.Single(bench, options.paper, options.size)
        result, findings, code = single.check_file(judge, options.file)
        if code == Exit.DONE:
            _render(judge, options.file, options.output)
    if options.json:
        print_json([result])
    else:
        _show(result, list(findings))
        if code == Exit.DONE:
            say(f"Print file: {options.output}")
    return code


def _render(judge: object, path: str, output: str) -> None:
    """Through a hidden temp beside OUT; the descriptors go to a bounded child."""
    from printqueue.cli.single import Single, opened
    from printqueue.delivery import conversion_words
    from printqueue.disk import durable, folders
    from printqueue.outputs.print_tiff import Provenance
    from printqueue.stock import versions
    from printqueue.workbench import ask, print_job
    from printqueue.worker import RenderOrder

    assert isinstance(judge, Single)
    request, kept = judge.request(path), judge.stock
    output = folders.as_named(output)
    master = durable.sha256(folders.as_named(path))
    if master is None:
        raise UsageError(f"There is no regular file {shown(path)}.")
    provenance = Provenance(
        recipe=kept.recipe(master, request),
        master_sha256=master,
        paper=request.paper,
        profile_sha256=kept.profile_sha256,
        profile_name=kept.facts.profile_name,
        settings=conversion_words(request),
        versions=versions(),
    )
    temp = os.path.join(os.path.dirname(output) or ".", f"{durable.TEMP_PREFIX}{os.getpid()}.tif")
    with durable.world("Writing", output):
        scratch = durable.nameless(os.path.dirname(output) or ".")  # used where the pixels are turned
        try:
            out = durable.create(temp)
        except OSError:
            os.close(scratch)
            raise
    try:
        with opened(path) as reading, judge.bench.child() as child:
            answer = ask(
                child,
                "render",
                RenderOrder(print_job(request, kept), provenance, judge.bench.bounds),
                (reading, out, scratch),
            )
        if answer.rendered is None or durable.sha256(temp) != answer.rendered.sha256:
            raise OwnError("What was written does not read back the same. No print file was made.")
        with durable.world("Writing", output):
            durable.sync(temp)
            durable.rename_no_clobber(temp, output)
            durable.sync_folder(os.path.dirname(output) or ".")
    finally:
        os.close(out)
        os.close(scratch)
        durable.remove(temp)
