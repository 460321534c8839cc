"""One place renames and removes: what the package's own code calls, read from its source."""

from __future__ import annotations

import ast
from pathlib import Path

import printqueue

PRODUCT = Path(printqueue.__file__).parent


def calls(tree: ast.AST) -> set[str]:
    """`module.function` of all calls and names in a source file."""
    attributes = (node for node in ast.walk(tree) if isinstance(node, ast.Attribute))
    return {f"{node.value.id}.{node.attr}" for node in attributes if isinstance(node.value, ast.Name)}


REPLACING = {"os.rename", "os.replace", "os.renames", "os.remove", "os.unlink", "os.link", "os.rmdir", "os.truncate"}
CARELESS = {f"shutil.{name}" for name in ("move", "copy", "copy2", "copyfile", "copytree", "copyfileobj")} | {
    "os.sendfile",
    "os.copy_file_range",
    "os.posix_fallocate",
    "mmap.mmap",
}
ALLOWED = {"core/disk/durable.py", "core/disk/renaming.py"}


def test_one_place_renames_and_removes() -> None:
    """Only `durable`, and `renaming` under it, rename or remove; nothing copies or maps files but by reading and writing."""
    broken, seen = {}, set()
    for path in PRODUCT.rglob("*.py"):
        name = str(path.relative_to(PRODUCT))
        if name.startswith("demo/"):  # it makes pictures of its own in a folder of its own
            continue
        used = calls(ast.parse(path.read_text()))
        seen |= used & REPLACING
        wrong = used & (CARELESS if name in ALLOWED else REPLACING | CARELESS)
        if wrong:
            broken[name] = wrong
    assert {"os.unlink", "os.link", "os.rename"} <= seen, "the search finds what is there"
    assert broken == {}
