"""The schemas for editors, held by a reference validator (jsonschema, JSON Schema 2020-12) over YAML as an editor reads it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator

from printqueue.studio.orders.schema import Order
from printqueue.studio.papers.schema import Paper
from printqueue.studio.settings import Config

ROOT = Path(__file__).parents[2]
RULES = sorted((ROOT / "printqueue" / "rules").glob("*.yaml")) + sorted((ROOT / "examples").glob("studio/rules/*.yaml"))
ORDERS = sorted((ROOT / "examples").glob("studio/ready/**/*.order.yaml"))
SCHEMAS = {"paper": Paper.editor_schema(), "order": Order.editor_schema(), "studio": Config.editor_schema()}


class Editor(yaml.SafeLoader):
    """YAML 1.2's core schema as far as it matters here: only `true` and `false` are no text."""


Editor.yaml_implicit_resolvers = {
    char: [(tag, pattern) for tag, pattern in found if tag != "tag:yaml.org,2002:bool"]
    for char, found in yaml.SafeLoader.yaml_implicit_resolvers.items()
}
Editor.add_implicit_resolver("tag:yaml.org,2002:bool", re.compile("^(?:true|false)$"), list("tf"))


def complaints(kind: str, text: str) -> list[str]:
    """What an editor would underline."""
    read: Any = yaml.load(text, Loader=Editor)
    return [error.message for error in Draft202012Validator(SCHEMAS[kind]).iter_errors(read)]


@pytest.mark.parametrize("kind", SCHEMAS)
def test_is_a_schema(kind: str) -> None:
    """Each is valid by the metaschema."""
    Draft202012Validator.check_schema(SCHEMAS[kind])


@pytest.mark.parametrize("path", RULES, ids=lambda path: path.name)
def test_shipped_rules_pass(path: Path) -> None:
    """No line of a rule file that comes with it is underlined."""
    assert complaints("paper", path.read_text("utf-8")) == []


@pytest.mark.parametrize("path", ORDERS, ids=lambda path: path.name)
def test_example_orders_pass(path: Path) -> None:
    """Nor of an order."""
    assert complaints("order", path.read_text("utf-8")) == []


def test_settings_pass() -> None:
    """Nor of the example's settings."""
    assert complaints("studio", (ROOT / "examples" / "studio" / "studio.yaml").read_text("utf-8")) == []


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        ("paper", "grammge: 300 gsm"),
        ("paper", "grammage: 30 kg"),
        ("paper", 'grammage: "350"'),
        ("paper", "thickness: 0,6 mm"),
        ("paper", "border: {style: even, width: 30 ppi}"),
        ("paper", "hairline: thin"),
        ("paper", "surface: shiny"),
        ("paper", "checks: {resolution: {reject_below: 150}}"),
        ("paper", "checks: {resolutions: off}"),
        ("order", "copys: 2"),
        ("order", "copies: many"),
        ("order", "lift: 1/3"),
        ("order", "allow: [sharpness]"),
        ("studio", "settle: soon"),
    ],
)
def test_mistakes_are_underlined(kind: str, text: str) -> None:
    """Keys, words, numbers and units that the program refuses too."""
    assert complaints(kind, text)


def _with_defaults(node: Any) -> list[dict[str, Any]]:
    """Every part of a schema that has a default."""
    inner = node.values() if isinstance(node, dict) else node if isinstance(node, list) else ()
    own = [node] if isinstance(node, dict) and "default" in node and "title" in node else []
    return own + [found for one in inner for found in _with_defaults(one)]


@pytest.mark.parametrize("kind", SCHEMAS)
def test_defaults_can_be_written(kind: str) -> None:
    """What an editor shows as a key's default is a value that the key takes."""
    schema = SCHEMAS[kind]
    found = _with_defaults(schema)
    assert found or kind == "order"
    for node in found:
        valid = Draft202012Validator({**node, "$defs": schema["$defs"]}).is_valid(node["default"])
        assert valid, f"{node['title']}: {node['default']!r}"
