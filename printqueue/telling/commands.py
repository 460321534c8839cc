"""Commands that a studio may name: argument lists in `commands.yaml`, in the user's or the system's configuration.

A studio may lie on a share that others can write. It names a command and never holds one: the file, its folders and the
program itself must lie outside the studio, belong to root or to the service's user, and be writable by nobody else.
"""

from __future__ import annotations

import os
import pwd
import re
import stat
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from printqueue.errors import UsageError
from printqueue.fields import Strict
from printqueue.strictyaml import MAX_BYTES, RulesError, read
from printqueue.text import shown
from printqueue.typed import typed

FILE = "commands.yaml"
SYSTEM_FOLDER = "/etc/printqueue"
MAX_COMMANDS, MAX_ARGUMENTS, MAX_ARGUMENT_CHARS = 64, 32, 1000
_NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")
_FOLDER = os.O_PATH | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
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


class Commands(Strict):
    """`commands.yaml`. Arguments are handed over as they stand; what happened is told in the environment."""

    commands: dict[Annotated[str, BeforeValidator(_name)], Annotated[list[str], BeforeValidator(_arguments)]] = Field(
        max_length=MAX_COMMANDS, description="each name with its argument list, the program's full path first"
    )


@dataclass(frozen=True, slots=True)
class Command:
    """One argument list and the file it was found in. `program`: the file to run, all links followed when it was looked at."""

    name: str
    arguments: tuple[str, ...]
    file: str
    program: str


def load(data: bytes, file: str) -> dict[str, list[str]]:
    """Names and argument lists. Raises `RulesError` with everything wrong in it."""
    try:
        return typed(Commands, read(data, file)).commands
    except RulesError as error:  # "[key]" is the schema's mark for the name itself
        raise RulesError(
            replace(one, path=one.path[:-1]) if one.path[-1:] == ("[key]",) else one for one in error.problems
        ) from None


def folders(environ: Mapping[str, str] = os.environ) -> tuple[str, ...]:
    """Where `commands.yaml` is looked for: the user's folder (XDG Base Directory Specification), then the system's."""
    chosen = environ.get("XDG_CONFIG_HOME", "")
    home = home_folder(environ)
    users = chosen if chosen.startswith("/") else home and os.path.join(home, ".config")  # a relative one is invalid
    return (*([os.path.join(users, "printqueue")] if users else []), SYSTEM_FOLDER)


def home_folder(environ: Mapping[str, str] = os.environ) -> str:
    """The full path of the user's home; empty where there is none."""
    home = environ.get("HOME", "")
    with suppress(KeyError):
        home = home or pwd.getpwuid(os.geteuid()).pw_dir
    return home if home.startswith("/") else ""


class CommandBook:
    """Finds commands by name. The studio is looked at once, here: later its share may hang."""

    def __init__(self, studio_root: str, where: Sequence[str] | None = None) -> None:
        self._where = folders() if where is None else tuple(where)
        self._root = os.path.realpath(studio_root)
        self._root_id = _identity(self._root)

    def find(self, name: str) -> Command:
        """The command `name`: the user's, else the system's. Raises `UsageError` (what to do in `do`) where there is
        none, or where file, folder or program are not safe; a broken file of the user is never passed over.
        """
        for folder in self._where:
            file = os.path.join(folder, FILE)
            data = self._guarded(folder, file)
            found = load(data, file).get(name) if data is not None else None
            if found is not None:
                return Command(name, tuple(found), file, self._program(found[0], name))
        where = " and ".join(shown(os.path.join(folder, FILE)) for folder in self._where)
        raise UsageError(f"There is no command '{shown(name)}' (looked for in {where}).", do="Write it there.")

    def holds(self, path: str) -> bool:
        """Whether `path` lies in the studio, by the folders themselves: links and bind mounts do not hide it."""
        path = os.path.realpath(path)
        if path == self._root or path.startswith(self._root.rstrip("/") + "/"):
            return True
        return self._root_id is not None and any(_identity(one) == self._root_id for one in _upwards(path))

    def _guarded(self, folder: str, file: str) -> bytes | None:
        """The bytes of the file, None where there is none. No link can be swapped in between look and use."""
        real = os.path.realpath(folder)
        try:
            descriptor, faults = _opened(real)
        except (FileNotFoundError, NotADirectoryError, PermissionError):  # the last: hidden from the service
            return None
        except OSError as error:
            raise UsageError(f"{shown(folder)} cannot be opened: {error.strerror}.") from error
        try:
            data = _bytes(descriptor, file, faults)
        finally:
            os.close(descriptor)
        if data is not None and self.holds(real):
            faults.append(f"it lies inside the studio {shown(self._root)}, where others may write")
        if data is not None and faults:
            raise _refused(shown(file), faults, f"Put it into {SYSTEM_FOLDER}/, owned by root; chmod go-w.")
        return data

    def _program(self, program: str, name: str) -> str:
        """The real path of the program: it is there, can be run, and is nobody else's to change or to swap."""
        real = os.path.realpath(program)
        try:
            seen = os.stat(real)
        except OSError as error:
            raise UsageError(
                f"The program {shown(program)} of the command '{name}' cannot be found: {error.strerror}.",
                do=f"Put its full path into {FILE}.",
            ) from error
        faults = [*_rights(seen, "the program"), *_faults_above(real)]
        if not stat.S_ISREG(seen.st_mode) or not os.access(real, os.X_OK):
            faults.append("it is no program that this user may run")
        if self.holds(real):
            faults.append(f"it lies inside the studio {shown(self._root)}, where others may write")
        if faults:
            raise _refused(f"The program {shown(program)} of the command '{name}'", faults, "Check owner and mode.")
        return real


def _refused(what: str, faults: Sequence[str], do: str) -> UsageError:
    says = shown("; ".join(faults), limit=_MAX_SAID)
    return UsageError(f"{what} is refused: {says}. Nothing is started.", do=do)


def _identity(path: str) -> tuple[int, int] | None:
    with suppress(OSError):
        seen = os.stat(path)
        return seen.st_dev, seen.st_ino
    return None


def _upwards(path: str) -> Iterator[str]:
    yield path
    while path != os.path.dirname(path):
        path = os.path.dirname(path)
        yield path


def _opened(folder: str) -> tuple[int, list[str]]:
    """Open a real path step by step from the root, following no link; the descriptor, and what is not safe on the way."""
    descriptor = os.open("/", _FOLDER)
    walked, faults = "/", list(_rights(os.fstat(descriptor), "the folder /"))
    for step in filter(None, folder.split("/")):
        walked = os.path.join(walked, step)
        above = descriptor
        try:
            descriptor = os.open(step, _FOLDER, dir_fd=above)
        finally:
            os.close(above)
        seen = os.fstat(descriptor)
        passing = walked != folder and bool(seen.st_mode & stat.S_ISVTX)  # nobody renames another's entries in it
        faults += _rights(seen, f"the folder {shown(walked)}", writable=passing)
    return descriptor, faults


def _faults_above(real: str) -> list[str]:
    """What is not safe about the folders above a program: who can write one can put another program there."""
    descriptor, faults = _opened(os.path.dirname(real))
    os.close(descriptor)
    return faults


def _bytes(folder: int, file: str, faults: list[str]) -> bytes | None:
    """What the file in the opened folder holds; adds to `faults` what is not safe about it."""
    try:
        descriptor = os.open(FILE, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, dir_fd=folder)
    except FileNotFoundError:
        return None
    except OSError as error:  # a link: ELOOP; a socket: ENXIO
        faults.append(f"it is no regular file that can be read ({error.strerror})")
        return b""
    try:
        seen = os.fstat(descriptor)
        if not stat.S_ISREG(seen.st_mode):
            faults.append("it is no regular file")
            return b""
        faults += _rights(seen, "the file")
        return os.read(descriptor, MAX_BYTES + 1)
    except OSError as error:
        raise UsageError(f"{shown(file)} cannot be read: {error.strerror}.", do="Check the disk.") from error
    finally:
        os.close(descriptor)


def _rights(seen: os.stat_result, what: str, *, writable: bool = False) -> Iterator[str]:
    """What is not safe about owner and mode; `writable` allows others to write."""
    if seen.st_uid not in (0, os.geteuid()):
        yield f"{what} belongs to user {seen.st_uid}, neither to root nor to the service's user"
    if seen.st_mode & 0o022 and not writable:
        yield f"{what} can be written by its group or by others"
