"""studio.yaml: all optional, all with units, and never a command line."""

from __future__ import annotations

import pytest

from printqueue.core.yaml.plain_yaml import RulesError
from printqueue.studio.settings import Config, load

FULL = b"""
default_paper: smooth-rag
settle: 0 s
scan: 500 ms
watch: poll
workers: 2
state: /var/lib/printqueue/mill
maker: The tidal mill
limits: {pixels: 500 MP, memory: 2 GB, time: 5 min}
notify: {command: lamp, on: [review, stuck, share-gone]}
light: {print: 500 lx, screen: 120 cd/m2}
"""


def test_defaults() -> None:
    """No file, an empty file and a file of comments give the same documented defaults."""
    config = Config()
    assert config == load(b"") == load(b"# nothing set\n")
    assert (config.default_paper, config.settle, config.scan, config.watch) == (None, 5, 15, "auto")
    assert (config.workers, config.state, config.maker, config.notify) == (None, ".printqueue", "", None)
    assert (config.limits.pixels, config.limits.memory, config.limits.time) == (1000, 3e9, 600)
    assert (config.light.print, config.light.screen) == (200, 100)


def test_every_key() -> None:
    """Each setting arrives in base units: s, MP, bytes, lx, cd/m2."""
    config = load(FULL)
    assert (config.default_paper, config.settle, config.scan, config.watch) == ("smooth-rag", 0, 0.5, "poll")
    assert (config.workers, config.state, config.maker) == (2, "/var/lib/printqueue/mill", "The tidal mill")
    assert (config.limits.pixels, config.limits.memory, config.limits.time) == (500, 2e9, 300)
    assert config.notify is not None
    assert (config.notify.command, config.notify.on) == ("lamp", ["review", "stuck", "share-gone"])
    assert (config.light.print, config.light.screen) == (500, 120)
    assert load(b"workers: auto\n").workers is None


ANSWERS = [
    ("settle: 5", "'5' has no unit; write '5 s'"),
    ("settle: -1 s", "out of range; 0 to 3600 s"),
    ("scan: 0 s", "out of range; 0.1 to 3600 s"),
    ("watch: events", "Write 'auto' or 'poll'."),
    ("workers: 0", "write auto, or a whole number, 1 to 64"),
    ("workers: many", "write auto"),
    ("state: ../elsewhere", "no ~ and no .."),
    ("state: ~/x", "no ~ and no .."),
    ("state: ''", "write one folder"),
    ("default_paper: ../x", "a paper's key"),
    ("limits: {pixels: 9 GB}", "limits.pixels: 'GB' is not a unit for this; expected MP"),
    ("limits: {time: 2 days}", "'days' is not a unit for this"),
    ("notify: {command: /bin/sh -c reboot, on: [review]}", "no command line stands in a studio"),
    ("notify: {command: [rm, -r], on: [review]}", "no command line stands in a studio"),
    (
        "notify: {command: lamp, on: [revew]}",
        "notify.on[0]: 'revew' is not possible here. Write 'review', 'stuck' or 'share-gone'.",
    ),
    ("notify: {command: lamp}", "notify.on: this key is missing"),
    ("scann: 3 s", "Did you mean 'scan'?"),
    ("pixels: 3 MP", "It belongs in 'limits.pixels'."),
]


@pytest.mark.parametrize(("text", "words"), ANSWERS, ids=[text for text, _ in ANSWERS])
def test_answers(text: str, words: str) -> None:
    """Each mistake is answered with its line and what to write."""
    with pytest.raises(RulesError) as caught:
        load(f"maker: me\n{text}\n".encode())
    assert str(caught.value).startswith("studio.yaml, line 2, ")
    assert words in str(caught.value)


def test_the_schema_is_written_for_people() -> None:
    """Every setting is described, and defaults carry their units."""
    schema = Config.editor_schema()
    assert [name for name, one in schema["properties"].items() if "description" not in one] == []
    assert schema["properties"]["settle"]["default"] == "5 s"
    assert schema["$defs"]["Ceilings"]["properties"]["memory"]["default"] == "3 GB"
