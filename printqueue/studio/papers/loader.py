"""A studio's papers: read from rules/, reread when files change; the last good version is kept."""

from __future__ import annotations

import errno
import json
import os
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from operator import itemgetter
from types import MappingProxyType

from printqueue.core.model.seen import Stamp
from printqueue.core.yaml.plain_yaml import MAX_BYTES, Problem, RulesError, Tree, read
from printqueue.studio.papers.merge import resolved
from printqueue.studio.papers.schema import Paper, is_rule_name

MAX_FILES = 200
MAX_TOTAL_BYTES = 1024 * 1024
SUFFIX = ".yaml"
_KEPT = "The papers read before stay in force."

Signature = tuple[tuple[str, Stamp], ...]  # by file name


@dataclass(frozen=True, slots=True)
class _Reading:
    """Everything a reload replaces, in one step."""

    signature: Signature | None = None
    papers: Mapping[str, Paper] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()
    outdated: tuple[str, ...] = ()


class Shelf:
    """The papers in force. `problems` says what in rules/ cannot be used and why."""

    def __init__(self, rules_dir: str | os.PathLike[str]) -> None:
        self._folder = os.fspath(rules_dir)
        self._state = _Reading()

    @classmethod
    def load(cls, rules_dir: str | os.PathLike[str]) -> Shelf:
        """Read a rules folder. Never raises for its contents: see `problems`."""
        shelf = cls(rules_dir)
        shelf.refresh()
        return shelf

    @property
    def papers(self) -> Mapping[str, Paper]:
        """The papers in force by key, sorted; for a broken file, its last good version."""
        return MappingProxyType(dict(self._state.papers))

    @property
    def problems(self) -> tuple[Problem, ...]:
        """What is wrong with the files in their current state."""
        return self._state.problems

    @property
    def outdated(self) -> tuple[str, ...]:
        """Keys of broken files, for which the last good paper stays in force."""
        return self._state.outdated

    def refresh(self) -> bool:
        """Reread the folder if anything has changed, and return whether it has. Costs one scandir."""
        try:
            signature = _signature(self._folder)
        except OSError as error:
            return self._keep(_unreadable("rules", error))
        if signature == self._state.signature:
            return False
        if len(signature) > MAX_FILES or sum(stamp.size for _, stamp in signature) > MAX_TOTAL_BYTES:
            return self._keep(_too_much())
        self._state = self._read(signature)
        return True

    def _keep(self, problem: Problem) -> bool:
        """The folder itself cannot be read: keep the papers, say why, try again next time."""
        changed = self._state.problems != (problem,)
        self._state = _Reading(None, self._state.papers, (problem,), tuple(self._state.papers))
        return changed

    def _read(self, signature: Signature) -> _Reading:
        trees, problems = _trees(self._folder, [name for name, _ in signature])
        papers: dict[str, Paper] = {}
        outdated = []
        for key in sorted(name for name in trees if not name.startswith("_")):
            try:
                papers[key] = _paper(key, trees)
            except RulesError as error:
                problems += error.problems
                if key in self._state.papers:
                    papers[key] = self._state.papers[key]
                    outdated.append(key)
        return _Reading(signature, papers, tuple(dict.fromkeys(problems)), tuple(outdated))


def _paper(key: str, trees: Mapping[str, Tree]) -> Paper:
    tree = resolved(key, trees)
    text = json.dumps(tree.root, ensure_ascii=False, indent=1, sort_keys=True)
    return Paper.from_tree(tree, {"key": key, "rules_text": text})


def _signature(folder: str) -> Signature:
    """Changes whenever the folder does. Opens no file."""
    with os.scandir(folder) as listing:
        found = [(one.name, Stamp.of(one.stat(follow_symlinks=False))) for one in listing if _concerns(one.name)]
    return tuple(sorted(found, key=itemgetter(0)))


def _concerns(name: str) -> bool:
    """Hidden files, a README and editors' backups are ignored; a `.yml` is reported."""
    return name.endswith((SUFFIX, ".yml")) and not name.startswith(".")


def _trees(folder: str, names: list[str]) -> tuple[dict[str, Tree], list[Problem]]:
    trees: dict[str, Tree] = {}
    problems: list[Problem] = []
    for name in names:
        if (refusal := _misnamed(name)) is not None:
            problems.append(refusal)
        else:
            trees[name.removesuffix(SUFFIX)] = _tree(folder, name)
    return trees, problems


def _problem(name: str, says: str, hint: str) -> Problem:
    return Problem(name, None, (), says, hint)


def _too_much() -> Problem:
    says = f"the folder holds more than {MAX_FILES} rule files or {MAX_TOTAL_BYTES // 1024} KiB; not read."
    return _problem("rules", says, f"Take out what is no paper. {_KEPT}")


def _misnamed(name: str) -> Problem | None:
    if name.endswith(".yml"):
        return _problem(name, "rule files end in .yaml; not read.", f"Rename it to {name[:-4]}.yaml.")
    if not is_rule_name(name.removesuffix(SUFFIX)):
        return _problem(name, "a rule file's name has only a-z, 0-9 and '-'; not read.", "Rename it.")
    return None


def _tree(folder: str, name: str) -> Tree:
    try:
        data = _bytes(os.path.join(folder, name))
    except OSError as error:
        return Tree(name, {}, {}, (_unreadable(name, error),), whole=False)
    return read(data, name)


def _bytes(path: str) -> bytes:
    """At most one byte more than allowed, from a regular file that does not change while being read."""
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(descriptor, "rb") as file:
        before = os.fstat(descriptor)
        if not stat.S_ISREG(before.st_mode):
            raise OSError(errno.EINVAL, "it is no regular file")
        data = file.read(MAX_BYTES + 1)
        if Stamp.of(before) != Stamp.of(os.fstat(descriptor)):
            raise OSError(errno.EAGAIN, "it is being written")
    return data


def _unreadable(name: str, error: OSError) -> Problem:
    if error.errno == errno.ENOENT:
        return _problem(name, "this cannot be read: it is not there.", f"{_KEPT} Put it back.")
    why = "it is a symbolic link" if error.errno == errno.ELOOP else (error.strerror or "unknown error")
    return _problem(name, f"this cannot be read: {why}.", _KEPT)
