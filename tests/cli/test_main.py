"""The command line as a whole: help, exit codes, mistyped words, and nothing that a terminal could act on."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from printqueue.cli import cmd_explain, main
from printqueue.cli.main import COMMANDS
from printqueue.core.version import __version__
from tests.cli.support import HOSTILE, assert_plain, program, run

# From the project's contract: what each command offers.
CONTRACT = {"strip", "init", "serve", "check", "render", "status", "history", "explain", "papers", "doctor", "demo"}
WITH_JSON = {"strip", "check", "render", "status", "history", "explain", "papers", "doctor"}
HEAVY = ("numpy", "pydantic", "rich", "yaml", "cv2", "PIL", "tifffile", "imagecodecs", "sqlite3", "logging")


@pytest.mark.parametrize("command", COMMANDS)
def test_help(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each command's help exits 0, shows an example of itself and the exit codes, and is plain text."""
    ran = run(capsys, command, "--help")
    assert ran.code == 0
    example = ran.out.split("example:\n")[1].split("\n")[0]
    assert example.startswith("  printqueue ")
    assert f" {command}" in example
    assert "exit codes: 0 done" in ran.out
    assert ("--json" in ran.out) == (command in WITH_JSON)
    assert_plain(ran.out)


def test_examples_can_be_typed() -> None:
    """Every example is understood by the parser that prints it."""
    for _, example in COMMANDS.values():
        main.parser().parse_args(example.split()[1:])


def test_top_help(capsys: pytest.CaptureFixture[str]) -> None:
    """The first help page names every command of the contract with a line of its own, and the codes."""
    ran = run(capsys, "--help")
    assert ran.code == 0
    assert set(COMMANDS) >= CONTRACT
    for command in COMMANDS:
        assert f"\n    {command} " in ran.out
    for code in ("0 done", "1 something was turned back", "2 bad use", "3 the studio or the machine", "78"):
        assert code in " ".join(ran.out.split())


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    """`--version` says name and number."""
    assert run(capsys, "--version").out == f"printqueue {__version__}\n"


def test_help_is_light() -> None:
    """No help page imports a library for pixels, tables, YAML or SQL; the first page imports no command either."""
    code = (
        "import sys\nfrom printqueue.cli.main import COMMANDS, main\n"
        "def help(*words):\n"
        "    try: main([*words, '--help'])\n"
        "    except SystemExit as ended: assert not ended.code\n"
        "help()\nprint('@', *[name for name in sys.modules if name.startswith('printqueue.cli.cmd_')])\n"
        "[help(command) for command in COMMANDS]\nprint('@', *sys.modules)\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=30, check=True)
    first, last = [line.split()[1:] for line in ran.stdout.split("\n") if line.startswith("@")]
    assert first == []
    assert "printqueue.cli.cmd_check" in last
    loaded = {name.partition(".")[0] for name in last}
    # `serve` may log; nothing else of the list is ever needed for help
    assert sorted(loaded & set(HEAVY) - {"logging"}) == []


def test_help_is_quick() -> None:
    """The best of five `--help` takes less than 0.3 s of processor time (waiting for others is not counted)."""
    spent_s = []
    for _ in range(5):
        process = subprocess.Popen(program("--help"), stdout=subprocess.DEVNULL)
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        assert process.returncode == 0
        spent_s.append(usage.ru_utime + usage.ru_stime)
    assert min(spent_s) < 0.3


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["chek"], "no command 'chek'. Did you mean 'check'?"),
        (["Histroy"], "no command 'Histroy'. Did you mean 'history'?"),
        (["zzz"], "no command 'zzz'. Known: check, "),
        (["st\x1b[31matus"], "'st\\x1b[31matus'"),
        (["status", "--wide"], "--wide"),
        (["status", HOSTILE], "\\x1b[31m\\u202e"),
        (["check", "Fog.tif"], "--paper"),
        (["render", "Fog.tif", "--paper", "baryta"], "--output"),
        (["explain", "oversharpning"], "Did you mean 'oversharpening'?"),
    ],
)
def test_bad_use(words: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Bad use exits 2, names what is wrong and the nearest word on stderr, and writes nothing else."""
    ran = run(capsys, *words)
    assert (ran.code, ran.out) == (2, "")
    assert says in ran.err
    assert_plain(ran.err)


@pytest.mark.parametrize("command", [["check", "x.tif"], ["render", "x.tif", "-o", "never.tif"]])
def test_unknown_paper(command: list[str], studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A paper that is none exits 2 and names the nearest one."""
    ran = run(capsys, "-C", str(studio), *command, "--paper", "smoth-rag")
    assert ran.code == 2
    assert "There is no paper 'smoth-rag'. Did you mean 'smooth-rag'?" in ran.err


@pytest.mark.parametrize("command", ["serve", "status", "history", "papers", "check x.tif --paper baryta"])
def test_no_studio(command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Outside a studio: exit 3, and what to do; nothing is made."""
    ran = run(capsys, "-C", str(tmp_path), *command.split())
    assert (ran.code, ran.out) == (3, "")
    assert "is no studio" in ran.err
    assert "printqueue init" in ran.err
    assert list(tmp_path.iterdir()) == []


def test_which_studio(
    studio: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The current folder goes before $PRINTQUEUE_STUDIO, -C before both."""
    monkeypatch.chdir(tmp_path)
    assert run(capsys, "status").code == 3
    monkeypatch.setenv("PRINTQUEUE_STUDIO", str(studio))
    assert run(capsys, "status").code == 0
    monkeypatch.setenv("PRINTQUEUE_STUDIO", str(tmp_path / "nowhere"))
    assert run(capsys, "status").code == 3
    assert run(capsys, "-C", str(studio), "status").code == 0
    monkeypatch.chdir(studio)
    assert run(capsys, "status").code == 0


def test_broken_settings(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A broken studio.yaml: every problem with its line and exit 2, 78 for `serve` so that it is not restarted."""
    (studio / "studio.yaml").write_text("scan: 5\nwach: poll\n")
    for command, code in (("status", 2), ("serve", 78)):
        ran = run(capsys, "-C", str(studio), command)
        assert ran.code == code
        assert "studio.yaml, line 1, scan: '5' has no unit" in ran.err
        assert "Did you mean 'watch'?" in ran.err


@pytest.mark.parametrize(
    ("error", "code", "says"),
    [
        (ZeroDivisionError("by \x1b[31m\u202ezero"), 3, "ZeroDivisionError: by \\x1b[31m\\u202ezero"),
        (PermissionError(13, "Permission denied", "kelp\x1b[2J"), 3, "Permission denied (kelp\\x1b[2J)"),
        (OSError(28, "No space left on device"), 3, "No space left on device"),
        (KeyboardInterrupt(), 130, "stopped. Nothing is lost."),
    ],
)
def test_unexpected(
    error: BaseException, code: int, says: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What nobody foresaw never exits 0, 1 or 2, and is shown with its control characters made visible."""

    def fail(options: object) -> int:
        raise error

    monkeypatch.setattr(cmd_explain, "run", fail)
    ran = run(capsys, "explain")
    assert ran.code == code
    assert says in ran.err
    assert_plain(ran.err)


@pytest.mark.parametrize("words", [["papers", "--schema"], ["explain"]])  # more and less than one buffer
def test_reader_gone(words: list[str]) -> None:
    """A reader that closes the pipe early (`| head -1`) is no error and gets no complaint."""
    buffered = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    process = subprocess.Popen(program(*words), stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=buffered)
    assert process.stdout is not None
    process.stdout.close()
    assert process.stderr is not None
    assert process.stderr.read() == b""
    process.stderr.close()
    assert process.wait(30) == 0


def test_poor_terminal() -> None:
    """Where the terminal's encoding lacks a character, an escape is written instead of an error."""
    environment = os.environ | {"PYTHONIOENCODING": "ascii"}
    ran = subprocess.run(
        program("explain", "resolution"), capture_output=True, env=environment, timeout=30, check=False
    )
    assert (ran.returncode, ran.stderr) == (0, b"")
    assert ran.stdout.isascii()


@pytest.mark.parametrize("words", [(), ("-C", "studio")])
def test_without_a_command(words: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    """The whole help page, where a reader or a pager gets it; but a script that lost its command has not done its work: 2."""
    ran = run(capsys, *words)
    assert (ran.code, ran.err) == (2, "")
    assert ran.out == run(capsys, "--help").out


def test_half_a_command_line_is_no_question(capsys: pytest.CaptureFixture[str]) -> None:
    """Words that are wrong are answered as such, not with the help page."""
    for words in (("--jsno",), ("-C",), ("frist",)):
        ran = run(capsys, *words)
        assert (ran.code, ran.out) == (2, "")
        assert "See `printqueue --help`" in ran.err
