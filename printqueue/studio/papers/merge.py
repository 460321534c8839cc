"""`extends:` merges several text trees into one in which every node keeps its file and line."""

from __future__ import annotations

from collections.abc import Mapping

from printqueue.core.nearest import suggestion
from printqueue.core.yaml.fields import SIDES
from printqueue.core.yaml.plain_yaml import Node, Problem, Tree
from printqueue.studio.papers.schema import is_rule_name

MAX_EXTENDS = 4
EXTENDS = "extends"


def resolved(stem: str, trees: Mapping[str, Tree]) -> Tree:
    """The tree of `stem` with all it extends merged in. The nearer file wins; lists and texts are replaced whole."""
    chain, problems = _chain(stem, trees)
    merged = chain[-1]
    for nearer in reversed(chain[:-1]):
        merged = _over(merged, nearer)
    root = {key: value for key, value in merged.root.items() if key != EXTENDS}
    found = tuple(problem for tree in reversed(chain) for problem in tree.problems) + problems
    whole = all(tree.whole for tree in chain) and not problems
    return Tree(trees[stem].file, root, merged.positions, found, whole)


def _chain(stem: str, trees: Mapping[str, Tree]) -> tuple[list[Tree], tuple[Problem, ...]]:
    """The tree of `stem`, then what it extends, and so on; and any problem that cut the chain short."""
    seen = [stem]
    while EXTENDS in trees[seen[-1]].root:
        tree = trees[seen[-1]]
        target = tree.root[EXTENDS]
        says, hint = _refusal(target, seen, trees)
        if says:
            position = tree.position((EXTENDS,))
            return [trees[name] for name in seen], (Problem(position.file, position.line, (EXTENDS,), says, hint),)
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
    """`nearer` merged over `farther`; each node keeps its file and line."""
    return Tree(nearer.file, _merged(farther.root, nearer.root), {**farther.positions, **nearer.positions})


def _merged(old: dict[str, Node], new: dict[str, Node]) -> dict[str, Node]:
    """Both mappings as one: the old keys in order, then the new ones."""
    merged = {**old, **new}
    for key, node in old.items():
        other = new.get(key)
        if isinstance(node, dict) and isinstance(other, dict) and not _alternatives(key, node, other):
            merged[key] = _merged(node, other)
    return merged


def _alternatives(key: str, old: dict[str, Node], new: dict[str, Node]) -> bool:
    """Whether these give a border in different ways (four sides; style and width), so that the nearer one wins."""
    return key == "border" and bool(SIDES & old.keys()) != bool(SIDES & new.keys()) and bool(old) and bool(new)
