"""Commands that a studio may name: argument lists in `commands.yaml`, in the user's or the system's configuration.

Others may be able to write to a studio on a share, so it only names a command: the file, its folders and the program
must be outside the studio, belong to root or the service's user, and be writable by nobody else.
"""

from __future__ import annotations

import os
import pwd
import re
import stat
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import PurePath
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from printqueue.core.errors import UsageError
from printqueue.core.text import shown
from printqueue.core.yaml.plain_yaml import MAX_BYTES, RulesError, read
from printqueue.core.yaml.yaml_model import YamlModel

FILE = "commands.yaml"
SYSTEM_FOLDER = "/etc/printqueue"
MAX_COMMANDS, MAX_ARGUMENTS, MAX_ARGUMENT_CHARS = 64, 32, 1000
_NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")
_MAX_SAID = 600


def _name(text: Any) -> str:
    if not isinstance(text, str) or _NAME.fullmatch(text) is None:
        raise ValueError("a command's name holds a-z, 0-9, '-' and '_' only, 64 characters at most")
    return text


def _arguments(value: Any) -> list[str]:
    if not isinstance(value, list) or not value or not all(isinstance(one, str) for one in value):
        raise ValueError("write the argument list in brackets: [/full/path/of/program, first, second]")
    if not value[0].startswith("/"):
        raise ValueError("the first argument is the program's full path, beginning with /; there is no shell")
    if len(value) > MAX_ARGUMENTS or max(map(len, value)) > MAX_ARGUMENT_CHARS:
        raise ValueError(f"{MAX_ARGUMENTS} arguments of {MAX_ARGUMENT_CHARS} characters at most")
    return value


class Commands(YamlModel):
    """`commands.yaml`. Arguments are passed as written; the environment says what happened."""

    commands: dict[Annotated[str, BeforeValidator(_name)], Annotated[list[str], BeforeValidator(_arguments)]] = Field(
        max_length=MAX_COMMANDS, description="each name with its argument list, the program's full path first"
    )


@dataclass(frozen=True, slots=True)
class Command:
    """One argument list, the file it was found in, and the `program` to run, its links resolved when it was checked."""

    arguments: tuple[str, ...]
    file: str
    program: str


def load(data: bytes, file: str) -> dict[str, list[str]]:
    """Names and argument lists. Raises `RulesError` with every problem in the file."""
    try:
        return Commands.from_tree(read(data, file)).commands
    except RulesError as error:  # "[key]" is the schema's mark for the name itself
        raise RulesError(
            replace(one, path=one.path[:-1]) if one.path[-1:] == ("[key]",) else one for one in error.problems
        ) from None


def folders(environ: Mapping[str, str] = os.environ) -> tuple[str, ...]:
    """Where to look for `commands.yaml`: the user's folder (XDG Base Directory Specification), then the system's."""
    chosen = environ.get("XDG_CONFIG_HOME", "")
    home = home_folder(environ)
    users = chosen if chosen.startswith("/") else home and os.path.join(home, ".config")  # a relative one is invalid
    return (*([os.path.join(users, "printqueue")] if users else []), SYSTEM_FOLDER)


def home_folder(environ: Mapping[str, str]) -> str:
    """The full path of the user's home, or ""."""
    home = environ.get("HOME", "")
    with suppress(KeyError):
        home = home or pwd.getpwuid(os.geteuid()).pw_dir
    return home if home.startswith("/") else ""


class CommandBook:
    """Finds commands by name in the folders `where` (None: the user's and the system's). The studio is examined only on
    construction: later its share may hang.
    """

    def __init__(self, studio_root: str, where: Sequence[str] | None) -> None:
        self._where = folders() if where is None else tuple(where)
        self._root = os.path.realpath(studio_root)
        self._root_id = _identity(self._root)

    def find(self, name: str) -> Command:
        """The command `name`: the user's, else the system's. Raises `UsageError` if there is none, or if file, folder
        or program is unsafe; a broken user file is never skipped.
        """
        files = [os.path.join(folder, FILE) for folder in self._where]
        for file in files:
            data = self._data(file)
            found = load(data, file).get(name) if data is not None else None
            if found is not None:
                return Command(tuple(found), file, self._program(found[0], name))
        where = " and ".join(map(shown, files))
        raise UsageError(f"There is no command '{shown(name)}' (looked for in {where}).", do="Write it there.")

    def holds(self, path: str) -> bool:
        """Whether `path` is inside the studio, even through links and bind mounts."""
        path = os.path.realpath(path)
        by_name = os.path.commonpath([path, self._root]) == self._root
        return by_name or (self._root_id is not None and self._root_id in map(_identity, [path, *_above(path)]))

    def _data(self, file: str) -> bytes | None:
        """The file's content, None if there is no file. Checked before it is opened: nobody can swap what only root and
        this user may write.
        """
        folder = os.path.dirname(file)
        real = os.path.join(os.path.realpath(folder), FILE)
        try:
            faults = list(_faults_above(real))
        except (FileNotFoundError, NotADirectoryError, PermissionError):  # PermissionError: hidden from the service
            return None
        except OSError as error:
            raise UsageError(f"{shown(folder)} cannot be opened: {error.strerror}.") from error
        try:
            seen = os.lstat(real)
            is_file = stat.S_ISREG(seen.st_mode)
            faults += _rights(seen, "the file") if is_file else ["it is no regular file that can be read"]
            _refuse(
                shown(file), [*faults, *self._inside(real)], f"Put it into {SYSTEM_FOLDER}/, owned by root; chmod go-w."
            )
            with open(real, "rb") as stream:
                return stream.read(MAX_BYTES + 1)
        except (FileNotFoundError, NotADirectoryError):
            return None
        except OSError as error:
            raise UsageError(
                f"{shown(file)} cannot be read: {error.strerror}.", do="Check its mode, and the disk."
            ) from error

    def _program(self, program: str, name: str) -> str:
        """The real path of the program, if it can be run and others can neither change nor swap it."""
        real = os.path.realpath(program)
        what = f"The program {shown(program)} of the command '{name}'"
        try:
            seen = os.stat(real)
        except OSError as error:
            raise UsageError(
                f"{what} cannot be found: {error.strerror}.", do=f"Put its full path into {FILE}."
            ) from error
        faults = [*_rights(seen, "the program"), *_faults_above(real)]
        if not stat.S_ISREG(seen.st_mode) or not os.access(real, os.X_OK):
            faults.append("it is no program that this user may run")
        _refuse(what, [*faults, *self._inside(real)], "Check owner and mode.")
        return real

    def _inside(self, real: str) -> list[str]:
        return [f"it lies inside the studio {shown(self._root)}, where others may write"] if self.holds(real) else []


def _refuse(what: str, faults: Sequence[str], do: str) -> None:
    """Raise `UsageError` if there are faults."""
    if faults:
        says = shown("; ".join(faults), limit=_MAX_SAID)
        raise UsageError(f"{what} is refused: {says}. Nothing is started.", do=do)


def _identity(path: str) -> tuple[int, int] | None:
    with suppress(OSError):
        seen = os.stat(path)
        return seen.st_dev, seen.st_ino
    return None


def _above(path: str) -> list[str]:
    """The folders above a full path, the nearest first."""
    return [str(folder) for folder in PurePath(path).parents]


def _faults_above(real: str) -> Iterator[str]:
    """What is unsafe about the folders above a link-free path: anyone who can write to one can swap its contents."""
    nearest, *others = _above(real)
    for folder in [*reversed(others), nearest]:
        seen = os.lstat(folder)
        sticky = folder != nearest and bool(seen.st_mode & stat.S_ISVTX)  # nobody can rename another's entries in it
        yield from _rights(seen, f"the folder {shown(folder)}", writable=sticky)


def _rights(seen: os.stat_result, what: str, *, writable: bool = False) -> Iterator[str]:
    """What is unsafe about owner and mode; `writable` allows others to write."""
    if seen.st_uid not in (0, os.geteuid()):
        yield f"{what} belongs to user {seen.st_uid}, neither to root nor to the service's user"
    if seen.st_mode & 0o022 and not writable:
        yield f"{what} can be written by its group or by others"
