"""`printqueue check`."""

from __future__ import annotations

import argparse
import os
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from printqueue.cli.completing import add_paper_and_size
from printqueue.cli.console import add_json, print_json, progress, say, studio_of, table
from printqueue.core.text import shown

if TYPE_CHECKING:
    from printqueue.cli.single import Checked
    from printqueue.core.model.finding import Finding

_VERDICTS = {"accepted": "accepted", "turned-back": "TURNED BACK"}


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the arguments: files, paper and size."""
    command.add_argument("files", nargs="+", metavar="FILE")
    add_paper_and_size(command)
    add_json(command)


def run(options: argparse.Namespace) -> int:
    """Judge each file; the highest exit code wins."""
    from printqueue.cli import single

    results = []
    with single.context(studio_of(options)) as context:
        judge = single.FileJudge(context, options.paper, options.size)
        for path in _in_turn(options.files):
            results.append(judge.check(path))
            if not options.json:
                show(results[-1])
    if options.json:
        print_json([result.as_json() for result in results])
    elif len(results) > 1:
        _sum_up(results)
    return max(result.code for result in results)


def _in_turn(files: Sequence[str]) -> Iterator[str]:
    """Yield the files; if there are several, show progress by file size."""
    sizes = [_bytes(path) for path in files]
    if len(files) == 1:
        yield files[0]
        return
    with progress(f"Judging {len(files)} files", sum(sizes)) as done:
        for number, (path, size) in enumerate(zip(files, sizes, strict=True), 1):
            done(0, f"{number}: {os.path.basename(path)}")
            yield path
            done(size, "")


def _bytes(path: str) -> int:
    """The file's size, at least 1: a missing file is work too."""
    try:
        return max(1, os.stat(path).st_size)
    except OSError:
        return 1


def show(result: Checked) -> None:
    """Print one file's verdict and findings for a person."""
    from printqueue.core.model.finding import About, Level, worst_first

    if result.error is not None:
        return say(f"{shown(result.path)}: {result.error}")
    ordered = worst_first(result.judged.findings)
    say(_summary(result, ordered))
    open_ones = [finding for finding in ordered if finding.level is not Level.PASS]
    unmeasured = [finding.check for finding in open_ones if finding.about is About.NUMBERS]
    rows = [_row(finding) for finding in open_ones if finding.about is not About.NUMBERS]
    if unmeasured:
        says = f"Not measured before what stands above is settled: {', '.join(sorted(unmeasured))}"
        rows.append(("note", f"{len(unmeasured)} checks" if len(unmeasured) > 1 else unmeasured[0], says))
    if fine := sorted(finding.check for finding in ordered if finding.level is Level.PASS):
        rows.append(("pass", f"{len(fine)} checks" if len(fine) > 1 else fine[0], ", ".join(fine)))
    return table("", ("level", "check", "measured, limit, what to do"), rows, wide=2)


def _summary(result: Checked, findings: Sequence[Finding]) -> str:
    """One line: verdict, paper, size, ppi, and the number of findings at each level."""
    answer = result.as_json()
    printed, where = answer["print"], f"{answer['paper']}, {answer['size'] or 'the size asked for'}"
    if printed is not None:
        where += f" ({printed['width_mm']:.0f} × {printed['height_mm']:.0f} mm at {printed['ppi']:.0f} ppi)"
    counted = Counter("allowed" if finding.allowed else str(finding.level) for finding in findings)
    counts = ", ".join(
        f"{counted[name]} {name}" for name in ("reject", "warn", "note", "allowed", "pass") if counted[name]
    )
    return f"{answer['file']}: {_VERDICTS.get(answer['verdict'], '')} for {where}: {counts}"


def _row(finding: Finding) -> tuple[str, str, str]:
    from printqueue.reports.reason import limit_words

    level = f"{finding.level}{' (allowed)' if finding.allowed else ''}"
    return level, finding.check, shown(f"{finding.says}{limit_words(finding)} {finding.do}".strip(), limit=1000)


def _sum_up(results: Sequence[Checked]) -> None:
    counted = Counter(str(result.verdict) for result in results)
    parts = [f"{counted[verdict]} {word.lower()}" for verdict, word in _VERDICTS.items() if counted[verdict]]
    if unjudged := counted["None"]:
        parts.append(f"{unjudged} not judged")
    say(f"{len(results)} files: {', '.join(parts)}.")
