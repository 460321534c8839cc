"""The YAML reader: text only, lines for every node, and calm whatever a file holds."""

from __future__ import annotations

import time

import pytest
import yaml
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from printqueue.core.yaml.plain_yaml import MAX_BYTES, MAX_DEPTH, MAX_PROBLEMS, Node, Path, Tree, read


def said(tree: Tree) -> str:
    """All problems of a tree, one a line."""
    return "\n".join(str(problem) for problem in tree.problems)


@pytest.mark.parametrize(
    "text",
    [
        "no",
        "yes",
        "on",
        "off",
        "true",
        "010",
        "0x1F",
        "1e3",
        "1_000",
        "12:30:00",
        "2024-01-01",
        ".inf",
        ".nan",
        "+1/3 stop",
        "=",
        "4 %",
        "12 L*",
    ],
)
def test_every_value_is_text(text: str) -> None:
    """A scalar comes out as the characters that stand in the file, never as a number, a date or a boolean."""
    tree = read(f"key: {text}\nlist: [{text}]\n".encode(), "t.yaml")
    assert tree.root == {"key": text, "list": [text]}
    assert not tree.problems


def test_lines_of_every_node() -> None:
    """Each node is remembered with its own line, in block and in flow style."""
    tree = read(b"# head\na: 1\nb:\n  c: 2\n  d:\n    - x\n    - {e: 3,\n       f: 4}\n", "t.yaml")
    assert {path: at.line for path, at in tree.positions.items()} == {
        ("a",): 2, ("b",): 3, ("b", "c"): 4, ("b", "d"): 5,
        ("b", "d", 0): 6, ("b", "d", 1): 7, ("b", "d", 1, "e"): 7, ("b", "d", 1, "f"): 8,
    }  # fmt: skip
    assert tree.position(("b", "d", 9, "nowhere")).line == 5, "an unknown node falls back to the nearest around it"


REFUSED = [
    (b"a: 1\na: 2\n", 2, "stands twice (first in line 1)"),
    (b"x:\n  a: 1\n  b: 2\n  a: {deep: [1]}\n", 4, "stands twice"),
    (b"a: &x 1\n", 1, "anchor"),
    (b"a: *x\n", 1, "alias"),
    (b"a: !!int 1\n", 1, "tag"),
    (b"a: ! 1\n", 1, "tag"),
    (b"!!map {a: 1}\n", 1, "tag"),
    (b"b: 1\n<<: {a: 1}\n", 2, "merge key"),
    (b"a: 1\n---\nb: 2\n", 2, "more than one document"),
    (b"%YAML 1.1\n---\na: 1\n", 1, "%"),
    (b"b: 1\na:\n", 2, "no value"),
    (b"a: [1, ]\nb: {c}\n", 2, "no value"),
    (b"a: ~\n", 1, "no value here"),
    (b"a: null\n", 1, "no value here"),
    (b"", None, "empty"),
    (b"# only a comment\n", None, "empty"),
    (b"---\n", None, "empty"),
    (b"- a\n- b\n", 1, "key: value"),
    (b"just words\n", 1, "key: value"),
    (b"? [a, b]\n: 1\n", 1, "a key must be one word"),
    (b"a: 1\n\tb: 2\n", 2, "tabs"),
    (b"a: [1\nb: 2\n", None, "cannot be read"),
    (b"title: fog: morning\n", 1, "quotes around a text that holds a colon"),
    (b"a: @x\n", 1, "begins with '@'"),
    (b"a: 1\nb: \x1b[31m\n", 2, "U+001B"),
    (b"a: 1\nb: \x00\n", 2, "U+0000"),
    ("a: 1\nb: \u202efdp\n".encode(), 2, "U+202E"),
    ("a: x\u2028b: 1\n".encode(), 1, "U+2028"),
    ("a: \u0085\n".encode(), 1, "U+0085"),
    (b'a: "\\x1b"\n', 1, "U+001B"),
    (b'a: "\\ud800"\n', 1, "U+D800"),
    (b'a: "\\u202e"\n', 1, "U+202E"),
    (b'a: "\\UFFFFFFFF"\n', None, "too large"),
    (b'a: "\\U00110000"\n', None, "too large"),
    (b"a: 1\nb: \xff\n", 2, "not UTF-8"),
    ("a: é\n".encode("utf-16"), 1, "not UTF-8"),
    (b"k" * 81 + b": 1\n", 1, "cannot be a key"),
    (b'"": 1\n', 1, "cannot be a key"),
    (b'"a\\nb": 1\n', 1, "cannot be a key"),
    (b"a: " + b"x" * MAX_BYTES, None, "larger than 64 KiB"),
]


@pytest.mark.parametrize(("data", "line", "words"), REFUSED)
def test_what_is_refused(data: bytes, line: int | None, words: str) -> None:
    """Whatever is not plain text in keys and lists is refused, with its line and a sentence that says what it is."""
    tree = read(data, "t.yaml")
    assert words in said(tree)
    if line is not None:
        assert line in [problem.line for problem in tree.problems]
    assert all(problem.file == "t.yaml" and problem.says.endswith((".", "?")) for problem in tree.problems)


def test_quoted_empty_text_is_a_value() -> None:
    """`name: ""` is a decision, `name:` a slip: only the second is refused."""
    assert read(b"name: ''\nother: \"\"\n", "t.yaml").problems == ()


def test_a_byte_order_mark_and_crlf_are_harmless() -> None:
    """Editors that write a UTF-8 mark or CRLF are served."""
    tree = read(b"\xef\xbb\xbfa: 1\r\nb: 2\r\n", "t.yaml")
    assert (tree.root, tree.problems) == ({"a": "1", "b": "2"}, ())


def test_an_empty_file_may_be_legal() -> None:
    """Settings may all be left out: then an empty file is an empty tree."""
    for data in (b"", b"# nothing\n", b"---\n"):
        tree = read(data, "t.yaml", may_be_empty=True)
        assert (tree.root, tree.problems, tree.whole) == ({}, (), True)


def test_everything_wrong_is_listed_at_once() -> None:
    """Slips that do not break the grammar are collected, each with its line."""
    tree = read(b"a:\nb: ~\nc: *x\nd: &q 1\ne: !!int 3\na: {x: [1]}\nf: ok\n", "t.yaml")
    assert [problem.line for problem in tree.problems] == [1, 2, 3, 4, 5, 6]
    assert tree.whole
    assert tree.root["f"] == "ok"


def nested(levels: int) -> bytes:
    """A file of exactly so many levels."""
    return b"a: " + b"[" * (levels - 1) + b"x" + b"]" * (levels - 1)


def test_depth() -> None:
    """Eight levels are read, a ninth is refused."""
    assert read(nested(MAX_DEPTH), "t.yaml").problems == ()
    assert "levels deep" in said(read(nested(MAX_DEPTH + 1), "t.yaml"))


BILLION = b"a: &a [x,x,x,x,x,x,x,x,x]\n" + b"".join(
    f"{chr(98 + i)}: &{chr(98 + i)} [{','.join([f'*{chr(97 + i)}'] * 9)}]\n".encode() for i in range(6)
)
HOSTILE = [
    b"[" * 5000,
    b"a: " + b"[" * 60_000,
    b"{" * 60_000,
    b"a: " + b"[\n" * 30_000,
    b"- " * 30_000,
    b"? " * 30_000,
    b"a: {" * 16_000,
    b"a: [" + b"x," * 32_000 + b"]",
    b"a: [" + b"[]," * 21_000 + b"]",
    b"\n".join(b"k%d: 1" % number for number in range(6500)),
    b"a: 1\n" * 13_000,
    b"a: 1\na: " + b"[" * 60_000,
    b"a: '" + b"\n" * 65_000 + b"'",
    b"a: >\n" + b"  x\n" * 16_000,
    b"a: !" + b"x" * 60_000,
    b"%X\n" * 21_000,
    b"%YAML " + b"9" * 60_000 + b".1\n---\na: 1\n",
    BILLION,
]


@pytest.mark.parametrize("data", HOSTILE, ids=lambda data: f"{bytes(data[:12])!r}")
def test_hostile_files_are_cheap(data: bytes) -> None:
    """No file of 64 KiB costs a crash, more than a few seconds, or more than a hundred messages."""
    began = time.process_time()
    tree = read(data[:MAX_BYTES], "t.yaml")
    assert time.process_time() - began < 4.0  # measured: at most 0.5 s
    assert len(tree.problems) <= MAX_PROBLEMS
    assert len(said(tree)) < 60_000


def test_values_are_counted() -> None:
    """A file of more than 1000 values is refused, one of 1000 is read."""
    assert read(b"a: [" + b"x," * 998 + b"x]", "t.yaml").problems == ()
    assert "more than 1000 values" in said(read(b"a: [" + b"x," * 999 + b"x]", "t.yaml"))


def test_the_bomb_has_no_leaves() -> None:
    """An alias is never followed: the tree holds no more than the file."""
    assert BILLION.count(b"x") == count(read(BILLION, "t.yaml").root)


def count(node: Node) -> int:
    """The number of leaves `x`."""
    if isinstance(node, str):
        return node == "x"
    return sum(count(child) for child in (node.values() if isinstance(node, dict) else node))


YAMLISH = st.text(st.sampled_from(list("ab:-[]{}&*!?|>'\"%@#,. \n\t\\xuU019~<é\u202e\x1b")), max_size=80)


@settings(max_examples=150, deadline=None)
@given(YAMLISH | st.text(max_size=60))
@example('a: "\\U00FFFFFF"')
@example("!<tag:")
@example("a: !%F0%9")
def test_never_raises(text: str) -> None:
    """Any text gives a tree; one that is not whole says why; its messages hold no control characters."""
    tree = read(text.encode("utf-8", "surrogatepass"), "t.yaml")
    assert tree.whole or tree.problems
    assert all(char.isprintable() for problem in tree.problems for char in str(problem))


PLAIN = st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "S", "Zs"]), max_size=20)
TREES = st.recursive(
    PLAIN,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(PLAIN.filter(bool), inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=60, deadline=None)
@given(st.dictionaries(PLAIN.filter(lambda key: key not in ("", "<<")), TREES, min_size=1, max_size=4))
def test_reads_what_a_writer_writes(tree: dict[str, Node]) -> None:
    """What PyYAML's own writer quotes and escapes comes back unchanged (where it is within the limits)."""
    quoted = yaml.dump(tree, default_style='"', allow_unicode=True, Dumper=yaml.SafeDumper).replace("!!str ", "")
    result = read(quoted.encode(), "t.yaml")
    assume(not any("levels deep" in problem.says for problem in result.problems))
    assert not result.problems, quoted
    assert result.root == tree


def test_key_paths_are_written_as_people_do() -> None:
    """Problems name the key path with dots and brackets, escaped for the terminal."""
    tree = read(b'a:\n  - b:\n      "c\xe2\x80\x8bd":\n', "odd\x1bname.yaml")
    problem = tree.problems[0]
    path: Path = ("a", 0, "b", "c\u200bd")
    assert problem.path == path
    assert str(problem).startswith("odd\\x1bname.yaml, line 3, a[0].b.c\\u200bd: there is no value.")


def test_a_comma_inside_braces() -> None:
    """A reason with a comma, not quoted, is cut in two by YAML: the message says what to do. In quotes it is whole."""
    (problem,) = read(b"allow: {whole: fog, thick as wool}\n", "Fog.order.yaml").problems
    assert "thick as wool" in str(problem)
    assert "put a text that holds a comma into quotes" in str(problem)
    (problem,) = read(b"border: {style: even, width: 30,5 mm}\n", "slipway.yaml").problems
    assert "write a number with a point" in str(problem)
    tree = read(b'allow: {whole: "fog, thick as wool"}\n', "Fog.order.yaml")
    assert (tree.root, tree.problems) == ({"allow": {"whole": "fog, thick as wool"}}, ())
