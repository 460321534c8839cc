"""README.md holds what it shows: its YAML can be read, its commands exist, its pictures are there and small."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
import yaml
from PIL import Image

from printqueue.cli.main import COMMANDS, parser
from printqueue.studio import settings
from printqueue.studio.orders.schema import load_for_picture

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text("utf-8")
BLOCKS = re.findall(r"^( *)```(\w*)\n(.*?)^ *```$", README, re.MULTILINE | re.DOTALL)
YAML = [text for _, kind, text in BLOCKS if kind == "yaml"]
SHELL = [text for _, kind, text in BLOCKS if kind == "sh"]


def test_the_order() -> None:
    """The order file that is shown is one: an allowance with its reason, a lift."""
    (text,) = [text for text in YAML if text.startswith("# NAME.order.yaml")]
    order = load_for_picture(text.encode(), "NAME.order.yaml")
    assert order.allow == {"oversharpening": "frost on rope, the double edges are real"}
    assert order.lift == pytest.approx(1 / 3)


def test_the_settings() -> None:
    """So are the settings; the other YAML is that of commands.yaml."""
    (light,) = [text for text in YAML if text.startswith("light:")]
    assert settings.load(light.encode()).light.print == 200
    (commands,) = [text for text in YAML if text.lstrip().startswith("commands:")]
    assert list(yaml.safe_load(commands)["commands"]) == ["tell-me"]
    assert len(YAML) == 3


def shown_commands() -> list[str]:
    """Every call of printqueue in a block of shell or between backticks that has no placeholder in it."""
    found = [line for text in SHELL for line in re.findall(r"\bprintqueue ((?:-C \S+ )?[a-z]+\b[^#&\n]*)", text)]
    found += re.findall(r"`printqueue ([a-z]+\b[^`…|\[]*)`", README)
    return found


@pytest.mark.parametrize("line", shown_commands())
def test_commands_can_be_typed(line: str) -> None:
    """The parser takes each of them."""
    options = parser().parse_args(shlex.split(line))
    assert options.command in COMMANDS


def test_every_command_stands_in_the_table() -> None:
    """And every option that the table names is one."""
    rows = re.findall(r"^\| `([a-z]+)\b(.*)$", README, re.MULTILINE)
    named = {name for name, _ in rows} | set(re.findall(r"`, `([a-z]+)", "".join(rest for _, rest in rows)))
    assert named == set(COMMANDS)
    for name, rest in rows:
        for option in re.findall(r"(--[a-z-]+)", rest.partition("` |")[0]):
            assert option in _help_of(name), f"{name} {option}"


def _help_of(command: str) -> str:
    actions = parser()._subparsers
    assert actions is not None
    (choices,) = [action.choices for action in actions._group_actions]
    assert isinstance(choices, dict)
    return str(choices[command].format_help())


def test_pictures() -> None:
    """Real output, each under 300 kB, with words for those who do not see it."""
    shown = re.findall(r"!\[([^\]]+)\]\(([^)]+)\)", README)
    assert len(shown) >= 2
    for words, name in shown:
        assert len(words) > 20
        path = ROOT / name
        assert path.stat().st_size < 300_000
        with Image.open(path) as picture:
            picture.load()
