"""`extends:` put into effect: several text trees become one, every node still knows its file and line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from printqueue.nearest import suggestion
from printqueue.papers.schema import is_rule_name
from printqueue.rulefields import SIDES
from printqueue.strictyaml import Mark, Node, Path, Problem, Tree

MAX_EXTENDS = 4
EXTENDS = "extends"


def resolved(stem: str, trees: Mapping[str, Tree]) -> Tree:
    """The tree of `stem` with everything it extends; the nearer file wins, lists and texts replace."""
    chain, problems = _chain(stem, trees)
    merged = chain[-1]
    for nearer in reversed(chain[:-1]):
        merged = _over(merged, nearer)
    root = {key: value for key, value in merged.root.items() if key != EXTENDS}
    found = tuple(problem for tree in reversed(chain) for problem in tree.problems) + problems
    whole = all(tree.whole for tree in chain) and not problems
    return Tree(trees[stem].file, root, merged.marks, found, whole)


def _chain(stem: str, trees: Mapping[str, Tree]) -> tuple[list[Tree], tuple[Problem, ...]]:
    """`stem`'s tree, then what it extends, and so on; with the problem that ended the chain early."""
    seen = [stem]
    while EXTENDS in trees[seen[-1]].root:
        tree = trees[seen[-1]]
        target = tree.root[EXTENDS]
        says, hint = _refusal(target, seen, trees)
        if says:
            mark = tree.mark((EXTENDS,))
            return [trees[name] for name in seen], (Problem(mark.file, mark.line, (EXTENDS,), says, hint),)
        seen.append(str(target))
    return [trees[name] for name in seen], ()


def _refusal(target: Node, seen: list[str], trees: Mapping[str, Tree]) -> tuple[str, str]:
    if not isinstance(target, str) or not is_rule_name(target):
        return "this is no rule name.", "Write a file name of rules/ without .yaml, for example _base."
    if target in seen:
        return f"the files extend each other in a circle ({' → '.join([*seen, target])}).", "Break it in one of them."
    if target not in trees:
        return f"there is no '{target}.yaml' in rules/.", suggestion(target, trees)
    if len(seen) > MAX_EXTENDS:
        return f"more than {MAX_EXTENDS} files extend one another.", "Shorten the chain."
    return "", ""


def _over(farther: Tree, nearer: Tree) -> Tree:
    marks: dict[Path, Mark] = {}
    root = _Merge(farther, nearer, marks).mapping(farther.root, nearer.root, ())
    return Tree(nearer.file, root, marks)


@dataclass(frozen=True, slots=True)
class _Merge:
    """Lays `nearer` over `farther` and collects in `marks` where each node came from."""

    farther: Tree
    nearer: Tree
    marks: dict[Path, Mark]

    def mapping(self, old: dict[str, Node], new: dict[str, Node], path: Path) -> dict[str, Node]:
        """Both mappings as one: the old keys in their order, then what is new."""
        return {key: self._value(key, old.get(key), new.get(key), (*path, key)) for key in {**old, **new}}

    def _value(self, key: str, old: Node | None, new: Node | None, place: Path) -> Node:
        if new is None:
            assert old is not None
            self._from(self.farther, old, place)
            return old
        if isinstance(old, dict) and isinstance(new, dict) and not _alternatives(key, old, new):
            self.marks[place] = self.nearer.mark(place)
            return self.mapping(old, new, place)
        self._from(self.nearer, new, place)
        return new

    def _from(self, tree: Tree, node: Node, place: Path) -> None:
        self.marks[place] = tree.mark(place)
        if isinstance(node, dict):
            for key, value in node.items():
                self._from(tree, value, (*place, key))
        elif isinstance(node, list):
            for index, value in enumerate(node):
                self._from(tree, value, (*place, index))


def _alternatives(key: str, old: dict[str, Node], new: dict[str, Node]) -> bool:
    """A border of four sides and one of style and width are two ways of saying it: the nearer replaces."""
    return key == "border" and bool(SIDES & old.keys()) != bool(SIDES & new.keys()) and bool(old) and bool(new)
