"""The shelf of papers: read from rules/, read again when files change, never without the last good one."""

from __future__ import annotations

import errno
import json
import os
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from printqueue.core.yaml.plain_yaml import MAX_BYTES, Problem, RulesError, Tree, read
from printqueue.studio.papers.merge import resolved
from printqueue.studio.papers.schema import Paper, is_rule_name

MAX_FILES = 200
MAX_TOTAL_BYTES = 1024 * 1024
SUFFIX = ".yaml"

Signature = tuple[tuple[str, int, int, int, int], ...]  # name, mtime_ns, ctime_ns, size, inode


_TOO_MUCH = Problem(
    "rules",
    None,
    (),
    f"the folder holds more than {MAX_FILES} rule files or {MAX_TOTAL_BYTES // 1024} KiB; not read.",
    "Take out what is no paper. The papers read before stay in force.",
)


@dataclass(frozen=True, slots=True)
class _State:
    """Everything that changes at a reload, replaced in one step."""

    signature: Signature | None = None
    papers: Mapping[str, Paper] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()
    outdated: tuple[str, ...] = ()


class Shelf:
    """The papers in force. `problems` says what in rules/ cannot be used, and why."""

    def __init__(self, rules_dir: str | os.PathLike[str]) -> None:
        self._folder = os.fspath(rules_dir)
        self._state = _State()

    @classmethod
    def load(cls, rules_dir: str | os.PathLike[str]) -> Shelf:
        """Read a rules folder. Never raises for what it holds: see `problems`."""
        shelf = cls(rules_dir)
        shelf.refresh()
        return shelf

    @property
    def papers(self) -> Mapping[str, Paper]:
        """The papers in force by key, sorted; a broken file's paper is the last good one."""
        return MappingProxyType(dict(self._state.papers))

    @property
    def problems(self) -> tuple[Problem, ...]:
        """What is wrong in the files as they are now."""
        return self._state.problems

    @property
    def outdated(self) -> tuple[str, ...]:
        """Keys whose files cannot be used as they are: their papers are the last good ones."""
        return self._state.outdated

    def refresh(self) -> bool:
        """Look at the folder, read it again if anything changed; True when it did. Costs one scandir."""
        try:
            signature = _signature(self._folder)
        except OSError as error:
            return self._keep(_unreadable("rules", error))
        if signature == self._state.signature:
            return False
        if len(signature) > MAX_FILES or sum(entry[3] for entry in signature) > MAX_TOTAL_BYTES:
            return self._keep(_TOO_MUCH)
        self._state = self._read(signature)
        return True

    def _keep(self, problem: Problem) -> bool:
        """The folder as a whole cannot be read: keep the papers, say why, look again next time."""
        changed = self._state.problems != (problem,)
        self._state = _State(None, self._state.papers, (problem,), tuple(self._state.papers))
        return changed

    def _read(self, signature: Signature) -> _State:
        trees, problems = _trees(self._folder, [entry[0] for entry in signature])
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
        return _State(signature, papers, tuple(dict.fromkeys(problems)), tuple(outdated))


def _paper(key: str, trees: Mapping[str, Tree]) -> Paper:
    tree = resolved(key, trees)
    text = json.dumps(tree.root, ensure_ascii=False, indent=1, sort_keys=True)
    return Paper.from_tree(tree, {"key": key, "rules_text": text})


def _signature(folder: str) -> Signature:
    """What tells one state of the folder from another, without opening a file."""
    entries = []
    with os.scandir(folder) as listing:
        for entry in listing:
            if _concerns(entry.name):
                seen = entry.stat(follow_symlinks=False)
                entries.append((entry.name, seen.st_mtime_ns, seen.st_ctime_ns, seen.st_size, seen.st_ino))
    return tuple(sorted(entries))


def _concerns(name: str) -> bool:
    """Hidden files, README and an editor's copies are none of ours; a `.yml` is answered."""
    return name.endswith((SUFFIX, ".yml")) and not name.startswith(".")


def _trees(folder: str, names: list[str]) -> tuple[dict[str, Tree], list[Problem]]:
    trees: dict[str, Tree] = {}
    problems: list[Problem] = []
    for name in names:
        stem = name.removesuffix(SUFFIX)
        if (refusal := _misnamed(name)) is not None:
            problems.append(refusal)
        else:
            trees[stem] = _tree(folder, name)
    return trees, problems


def _misnamed(name: str) -> Problem | None:
    if name.endswith(".yml"):
        return Problem(name, None, (), "rule files end in .yaml; not read.", f"Rename it to {name[:-4]}.yaml.")
    if not is_rule_name(name.removesuffix(SUFFIX)):
        return Problem(name, None, (), "a rule file's name has only a-z, 0-9 and '-'; not read.", "Rename it.")
    return None


def _tree(folder: str, name: str) -> Tree:
    try:
        data = _bytes(os.path.join(folder, name))
    except OSError as error:
        return Tree(name, {}, {}, (_unreadable(name, error),), whole=False)
    return read(data, name)


def _bytes(path: str) -> bytes:
    """At most one byte more than is legal, from a regular file that did not change meanwhile."""
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(descriptor, "rb") as file:
        before = os.fstat(descriptor)
        if not stat.S_ISREG(before.st_mode):
            raise OSError(errno.EINVAL, "it is no regular file")
        data = file.read(MAX_BYTES + 1)
        if _stamp(before) != _stamp(os.fstat(descriptor)):
            raise OSError(errno.EAGAIN, "it is being written")
    return data


def _stamp(seen: os.stat_result) -> tuple[int, int]:
    return seen.st_mtime_ns, seen.st_size


def _unreadable(name: str, error: OSError) -> Problem:
    if error.errno == errno.ENOENT:
        return Problem(
            name,
            None,
            (),
            "this cannot be read: it is not there.",
            "The papers read before stay in force. Put it back.",
        )
    why = "it is a symbolic link" if error.errno == errno.ELOOP else (error.strerror or "unknown error")
    return Problem(name, None, (), f"this cannot be read: {why}.", "The papers read before stay in force.")
