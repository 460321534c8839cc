"""Completion: the program's answers to a shell, and real bash asking."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from printqueue.cli.cmd_completion import SHELLS
from printqueue.cli.main import COMMANDS
from tests.cli.support import found_by_name, run

SEPARATOR = "\013"  # between answers (argcomplete's protocol: IFS)


def answers(line: str, folder: Path) -> list[str]:
    """What the program answers a shell whose cursor stands at the end of `line`."""
    environment = os.environ | {
        "_ARGCOMPLETE": "1",
        "_ARGCOMPLETE_IFS": SEPARATOR,
        "_ARGCOMPLETE_SUPPRESS_SPACE": "1",
        "COMP_LINE": line,
        "COMP_POINT": str(len(line.encode())),
        "COMP_TYPE": "63",
    }
    # Answers go to file descriptor 8, as the shell's function has it.
    command = ["sh", "-c", f'exec 8>&1 1>/dev/null; exec "{sys.executable}" -m printqueue']
    ended = subprocess.run(command, env=environment, cwd=folder, capture_output=True, timeout=60, check=False)
    assert ended.returncode == 0, ended.stderr.decode()
    return [word.strip() for word in ended.stdout.decode().split(SEPARATOR) if word.strip()]


@pytest.mark.parametrize("shell", SHELLS)
def test_code(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Something for each shell, for this program's name."""
    ran = run(capsys, "completion", shell)
    assert ran.code == 0
    assert "printqueue" in ran.out


def test_no_such_shell(capsys: pytest.CaptureFixture[str]) -> None:
    """A shell that is not known exits 2."""
    assert run(capsys, "completion", "harbour").code == 2


def test_commands(first_studio: Path) -> None:
    """All commands, from nothing typed but the program's name."""
    assert set(COMMANDS) <= set(answers("printqueue ", first_studio))


@pytest.mark.parametrize(
    ("line", "among", "not_among"),
    [
        ("printqueue st", {"status", "strip"}, {"serve"}),
        ("printqueue history --paper ", {"baryta", "kozo", "smooth-rag", "textured-rag"}, {"_base"}),
        ("printqueue check Fog.tif --paper smooth-rag --size A", {"A3", "A4"}, {"A3+"}),
        ("printqueue explain over", {"oversharpening"}, {"gamut"}),
        ("printqueue papers --schema ", {"paper", "order", "studio"}, set()),
        ("printqueue history --", {"--since", "--turned-back"}, set()),
    ],
)
def test_words(line: str, among: set[str], not_among: set[str], first_studio: Path) -> None:
    """Papers and sizes of this studio, checks, options."""
    found = set(answers(line, first_studio))
    assert among <= found
    assert not found & not_among


def test_studio_named_on_the_line(first_studio: Path, tmp_path: Path) -> None:
    """`-C` is obeyed; where there is no studio there is no answer, and no error either."""
    assert "kozo" in answers(f"printqueue -C {first_studio} check Fog.tif --paper k", tmp_path)
    assert answers("printqueue check Fog.tif --paper k", tmp_path) == []


@pytest.mark.skipif(not shutil.which("bash"), reason="there is no bash here")
def test_bash(first_studio: Path, tmp_path: Path) -> None:
    """A real bash that has read our lines completes a paper's key."""
    script = """
        eval "$(printqueue completion bash)"
        COMP_LINE='printqueue check Fog.tif --paper ko'; COMP_POINT=${#COMP_LINE}
        COMP_WORDS=(printqueue check Fog.tif --paper ko); COMP_CWORD=4; COMP_TYPE=9
        function=$(complete -p printqueue | sed 's/.*-F \\([^ ]*\\).*/\\1/')
        "$function" printqueue ko --paper
        printf '%s\\n' "${COMPREPLY[@]}"
    """
    ended = subprocess.run(
        ["bash", "--norc", "-c", script],
        env=found_by_name(tmp_path),
        cwd=first_studio,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert [line.strip() for line in ended.stdout.split("\n") if line.strip()] == ["kozo"], ended.stderr
