"""commands.yaml: argument lists from a place that nobody else can write, never from the studio."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from printqueue.cli.doctor.configuration import notices_results
from printqueue.cli.doctor.result import Visit
from printqueue.core.errors import UsageError
from printqueue.core.yaml.plain_yaml import RulesError
from printqueue.service.notices.commands import FILE, CommandBook, folders, load
from printqueue.studio.folders import make_studio
from printqueue.studio.settings import load as load_settings

TEXT = "commands:\n  lamp: [/bin/true, --fog, '$HOME; {x} %s']\n"


@pytest.fixture
def studio(tmp_path: Path) -> Path:
    """A folder that stands for the studio."""
    root = tmp_path / "studio"
    root.mkdir(mode=0o755)
    return root


@pytest.fixture
def users(tmp_path: Path) -> Path:
    """The user's configuration folder with a sound commands.yaml."""
    return folder(tmp_path / "users", TEXT)


def folder(path: Path, text: str | None) -> Path:
    """A configuration folder as it should be."""
    path.mkdir(mode=0o755)
    if text is not None:
        (path / FILE).write_text(text)
        (path / FILE).chmod(0o644)
    return path


def refusal(studio: Path, *where: Path, name: str = "lamp") -> str:
    """The sentence that a look-up is refused with."""
    with pytest.raises(UsageError) as caught:
        CommandBook(str(studio), [str(one) for one in where]).find(name)
    assert caught.value.do or isinstance(caught.value, RulesError)
    return str(caught.value)


# -- what the file says ------------------------------------------------------


def test_arguments_stay_as_they_stand(studio: Path, users: Path) -> None:
    """An argument list arrives word for word: no shell, no variables, no placeholders."""
    found = CommandBook(str(studio), [str(users)]).find("lamp")
    assert found.arguments == ("/bin/true", "--fog", "$HOME; {x} %s")
    assert found.file == str(users / FILE)


ANSWERS = [
    ("commands: {lamp: /bin/true}", "line 1, commands.lamp: write the argument list in brackets"),
    ("commands: {lamp: []}", "commands.lamp: write the argument list in brackets"),
    ("commands: {lamp: [[/bin/true]]}", "commands.lamp: write the argument list in brackets"),
    ("commands: {lamp: [mail-me]}", "commands.lamp: the first argument is the program's full path"),
    (f"commands: {{lamp: [/bin/true, {'x' * 1001}]}}", "1000 characters at most"),
    (f"commands: {{lamp: [/bin/true{', x' * 32}]}}", "32 arguments"),
    ("commands: {Tell me: [/bin/true]}", "commands.Tell me: a command's name holds a-z"),
    (f"commands: {{{', '.join(f'c{n}: [/bin/true]' for n in range(65))}}}", "64 at most"),
    ("lamp: [/bin/true]", "lamp: there is no such key"),
    ("", "the file is empty"),
    ("commands: {lamp: &x [/bin/true]}", "an anchor"),
]


@pytest.mark.parametrize(("text", "words"), ANSWERS, ids=[words for _, words in ANSWERS])
def test_answers(text: str, words: str) -> None:
    """Each mistake is answered with its place and what to write."""
    with pytest.raises(RulesError) as caught:
        load(text.encode(), FILE)
    assert words in str(caught.value)
    assert "[key]" not in str(caught.value)


def test_all_mistakes_at_once() -> None:
    """Two mistakes are told in one go, each with its line."""
    with pytest.raises(RulesError) as caught:
        load(b"commands:\n  lamp: [mail-me]\n  bell: ring\n", FILE)
    assert [(one.line, one.key) for one in caught.value.problems] == [(2, "commands.lamp"), (3, "commands.bell")]


@pytest.mark.parametrize("name", ["lamp", "a", "9-lives_", "x" * 64])
def test_every_name_of_a_studio_can_be_a_command(name: str) -> None:
    """What `notify: command:` accepts can stand in commands.yaml: the two never disagree about names."""
    settings = load_settings(f"notify: {{command: {name}, on: [stuck]}}".encode())
    assert settings.notify is not None
    assert list(load(f"commands: {{{name}: [/bin/true]}}".encode(), FILE)) == [settings.notify.command]


# -- where it is looked for --------------------------------------------------


def test_folders() -> None:
    """User's folder before system's; a relative $XDG_CONFIG_HOME is ignored (XDG Base Directory Specification 0.8)."""
    assert folders({"XDG_CONFIG_HOME": "/c", "HOME": "/h"}) == ("/c/printqueue", "/etc/printqueue")
    assert folders({"XDG_CONFIG_HOME": "c", "HOME": "/h"}) == ("/h/.config/printqueue", "/etc/printqueue")
    assert folders({"HOME": "/h"}) == ("/h/.config/printqueue", "/etc/printqueue")
    assert folders({})[-1] == "/etc/printqueue"


def test_user_beats_system(tmp_path: Path, studio: Path, users: Path) -> None:
    """The user's command of a name wins; a name that only the system has is found there."""
    system = folder(tmp_path / "system", "commands: {lamp: [/bin/false], bell: [/bin/false]}")
    book = CommandBook(str(studio), [str(users), str(system)])
    assert book.find("lamp").arguments[0] == "/bin/true"
    assert book.find("bell").arguments[0] == "/bin/false"


def test_a_broken_file_of_the_user_is_not_passed_over(tmp_path: Path, studio: Path) -> None:
    """A mistake in the user's file is said, although the system has a command of that name."""
    users = folder(tmp_path / "users", "commands: {lamp: true}")
    assert "commands.lamp" in refusal(studio, users, folder(tmp_path / "system", TEXT))


def test_no_such_command(tmp_path: Path, studio: Path, users: Path) -> None:
    """A name that stands nowhere is refused with every place that was looked at."""
    said = refusal(studio, users, tmp_path / "nowhere", name="horn")
    assert "no command 'horn'" in said
    assert str(users / FILE) in said
    assert str(tmp_path / "nowhere" / FILE) in said


# -- who may write it --------------------------------------------------------


def _link(users: Path) -> None:
    (users / FILE).rename(users / "real.yaml")
    (users / FILE).symlink_to("real.yaml")


def _fifo(users: Path) -> None:
    (users / FILE).unlink()
    os.mkfifo(users / FILE, 0o600)


def _folder(users: Path) -> None:
    (users / FILE).unlink()
    (users / FILE).mkdir()


def _huge(users: Path) -> None:
    (users / FILE).write_bytes(b"#" * 70_000)


UNSAFE: list[tuple[Callable[[Path], object], str]] = [
    (lambda users: (users / FILE).chmod(0o664), "the file can be written by its group or by others"),
    (lambda users: (users / FILE).chmod(0o646), "the file can be written by its group or by others"),
    (lambda users: users.chmod(0o775), "users can be written by its group"),
    (lambda users: users.chmod(0o1777), "users can be written by its group"),
    (_link, "it is no regular file that can be read"),
    (_fifo, "it is no regular file"),
    (_folder, "it is no regular file"),
    (_huge, "larger than 64 KiB"),
]


@pytest.mark.parametrize(
    ("spoil", "words"), UNSAFE, ids=[str(n) + " " + words[:30] for n, (_, words) in enumerate(UNSAFE)]
)
def test_unsafe_files(studio: Path, users: Path, spoil: Callable[[Path], object], words: str) -> None:
    """A file or folder that others can write, a link, a pipe, a folder, a huge file: refused, nothing is read from it."""
    spoil(users)
    assert words in refusal(studio, users)


def test_a_folder_above_that_others_can_write(tmp_path: Path, studio: Path) -> None:
    """Who can write a folder above can swap everything below: refused; a sticky one (as /tmp is) is no harm."""
    shared = tmp_path / "shared"
    shared.mkdir()
    users = folder(shared / "users", TEXT)
    shared.chmod(0o777)
    assert "shared can be written" in refusal(studio, users)
    shared.chmod(0o1777)
    assert CommandBook(str(studio), [str(users)]).find("lamp")


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give files away")
def test_a_file_of_another_user(studio: Path, users: Path) -> None:
    """A file, or its folder, that belongs to a third user is refused."""
    os.chown(users / FILE, 4711, -1)
    assert "the file belongs to user 4711" in refusal(studio, users)
    os.chown(users / FILE, 0, -1)
    os.chown(users, 4711, -1)
    assert "users belongs to user 4711" in refusal(studio, users)


def test_a_link_is_followed_once(tmp_path: Path, studio: Path) -> None:
    """What is run is the file that was looked at, not what a link in a shared folder leads to by then."""
    shared = tmp_path / "shared"
    shared.mkdir()
    shared.chmod(0o777)
    (shared / "lamp").symlink_to("/bin/true")
    users = folder(tmp_path / "users", f"commands: {{lamp: [{shared}/lamp, --fog]}}")
    found = CommandBook(str(studio), [str(users)]).find("lamp")
    assert found.arguments == (f"{shared}/lamp", "--fog")
    assert found.program == os.path.realpath("/bin/true")


# -- never from the studio ---------------------------------------------------


def test_a_file_inside_the_studio(studio: Path) -> None:
    """A commands.yaml inside the studio is refused, whatever its rights, and by whatever way it is reached."""
    inside = folder(studio / "printqueue", TEXT)
    assert "lies inside the studio" in refusal(studio, inside)
    (studio.parent / "link").symlink_to(studio)
    assert "lies inside the studio" in refusal(studio, studio.parent / "link" / "printqueue")
    assert "lies inside the studio" in refusal(studio.parent / "link", inside)


def test_a_studio_by_another_name(studio: Path) -> None:
    """The studio is known by device and inode, so that a second mount of it is no way in."""
    book = CommandBook(str(studio), [])
    book._root = "/another/mount/of/it"
    assert book.holds(str(studio / "ready"))
    assert not book.holds(str(studio.parent))


def test_a_program_inside_the_studio(tmp_path: Path, studio: Path) -> None:
    """A program inside the studio is refused, also behind a link outside of it."""
    program = studio / "lamp.sh"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    (tmp_path / "lamp").symlink_to(program)
    for place in (program, tmp_path / "lamp"):
        users = folder(tmp_path / f"users-{place.name}", f"commands: {{lamp: [{place}]}}")
        assert "lies inside the studio" in refusal(studio, users)


def test_programs(tmp_path: Path, studio: Path) -> None:
    """A program that is missing, cannot be run, or can be changed by others is refused by name."""
    program = tmp_path / "lamp.sh"
    users = folder(tmp_path / "users", f"commands: {{lamp: [{program}]}}")
    assert "cannot be found: No such file" in refusal(studio, users)
    program.write_text("#!/bin/sh\n")
    program.chmod(0o644)
    assert "no program that this user may run" in refusal(studio, users)
    program.chmod(0o777)
    assert "the program can be written" in refusal(studio, users)
    program.chmod(0o755)
    assert CommandBook(str(studio), [str(users)]).find("lamp").arguments == (str(program),)
    tmp_path.chmod(0o777)
    assert f"the folder {tmp_path} can be written" in refusal(studio, users)
    tmp_path.chmod(0o755)
    program.unlink()
    program.mkdir(mode=0o755)
    assert "no program" in refusal(studio, users)


def test_no_descriptor_is_left_open(studio: Path, users: Path) -> None:
    """Looking up, found or refused, leaves no descriptor behind."""
    before = len(os.listdir("/proc/self/fd"))
    for mode in (0o644, 0o666):
        (users / FILE).chmod(mode)
        for name in ("lamp", "horn"):
            try:
                CommandBook(str(studio), [str(users), str(users / "none")]).find(name)
            except UsageError:
                assert stat.S_IMODE((users / FILE).stat().st_mode) == 0o666 or name == "horn"
    assert len(os.listdir("/proc/self/fd")) == before


# -- what doctor says --------------------------------------------------------


def said(studio: Path, *where: Path) -> list[tuple[str, str]]:
    """How `doctor` answers about notices: (weight, sentence)."""
    results = notices_results(Visit(str(studio)), [str(one) for one in where])
    return [(str(one.state), one.says) for one in results]


def test_doctor(tmp_path: Path, users: Path) -> None:
    """`doctor` says whether anybody is told, by which program of which file, and what is wrong with it."""
    root = tmp_path / "mill"
    make_studio(str(root))
    assert said(root, users) == [("fine", "Nobody is told: studio.yaml has no `notify`.")]
    (root / "studio.yaml").write_text("notify: {command: lamp, on: [stuck, review]}\n")
    ((state, says),) = said(root, users)
    assert state == "fine"
    assert says.startswith(f"On stuck, review: 'lamp' of {users / FILE} runs {os.path.realpath('/bin/true')}")
    ((state, says),) = said(root)
    assert (state, says[:30]) == ("bad", "There is no command 'lamp' (lo")
    (users / FILE).chmod(0o666)
    assert said(root, users)[0] == (
        "bad",
        f"{users / FILE} is refused: the file can be written by its group or by others. Nothing is started.",
    )
    (users / FILE).chmod(0o644)
    (users / FILE).write_text("commands:\n  lamp: [mail-me]\n  bell: ring\n")
    assert [state for state, _ in said(root, users)] == ["bad", "bad"]
