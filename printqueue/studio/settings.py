"""A studio's settings, `studio.yaml`. All are optional, and none contains a command line."""

from __future__ import annotations

import re
from functools import partial
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from printqueue.core.yaml.fields import Line, reads
from printqueue.core.yaml.plain_yaml import read
from printqueue.core.yaml.quantity import ILLUMINANCE, LUMINANCE, MEMORY, PIXELS, SECONDS
from printqueue.core.yaml.yaml_model import YamlModel, default

FILE = "studio.yaml"
MAX_WORKERS = 64
MAX_STATE_CHARS = 1000
_BARE_NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")


def _bare_name(meaning: str, text: Any) -> str:
    if not isinstance(text, str) or _BARE_NAME.fullmatch(text) is None:
        raise ValueError(f"write {meaning}: a-z, 0-9, '-' and '_' only")
    return text


def _workers(text: Any) -> int | None:
    if text == "auto":
        return None
    if isinstance(text, str) and text.isascii() and text.isdigit() and len(text) <= 2 and 1 <= int(text) <= MAX_WORKERS:
        return int(text)
    raise ValueError(f"write auto, or a whole number, 1 to {MAX_WORKERS}")


def _path(text: Any) -> str:
    if not isinstance(text, str) or not text.strip() or len(text) > MAX_STATE_CHARS:
        raise ValueError(f"write one folder, at most {MAX_STATE_CHARS} characters")
    if text.startswith("~") or ".." in text.split("/"):
        raise ValueError("write a folder inside the studio, or a full path that begins with /; no ~ and no ..")
    return text


PaperKey = Annotated[str, BeforeValidator(partial(_bare_name, "a paper's key (its file in rules/ without .yaml)"))]
CommandName = Annotated[
    str, BeforeValidator(partial(_bare_name, "one name out of commands.yaml; no command line stands in a studio"))
]
Workers = Annotated[
    int | None,
    *reads(
        _workers,
        anyOf=[{"const": "auto"}, {"type": "integer", "minimum": 1, "maximum": MAX_WORKERS}],
        examples=["auto", 2],
    ),
]


class Ceilings(YamlModel):
    """What one picture may cost at most."""

    pixels: Annotated[float, PIXELS.within(1, 10_000)] = default("1000 MP", "pixels of one picture, in MP")
    memory: Annotated[float, MEMORY.within(2e8, 1e12)] = default(
        "3 GB", "memory for one picture, in MB or GB; 200 MB at least"
    )
    time: Annotated[float, SECONDS.within(1, 86_400)] = default("600 s", "time for one picture, in s, min or h")


class Notify(YamlModel):
    """Whom to tell: a command's name, never a command line. The argument lists stand in commands.yaml of the user's or
    the system's configuration folder, which nobody else can write.
    """

    command: CommandName = Field(
        description="a name in commands.yaml of the user's or the system's configuration folder (never the studio's)"
    )
    on: list[Literal["review", "stuck", "share-gone"]] = Field(
        min_length=1,
        max_length=3,
        description="when to tell: a picture was turned back, one needs a human, the studio's share is gone",
    )


class Light(YamlModel):
    """The light that prints are seen in, and the screen they are judged on: for the suggested lift."""

    print: Annotated[float, ILLUMINANCE.within(5, 10_000)] = default("200 lx", "light on the print, in lx")
    screen: Annotated[float, LUMINANCE.within(20, 2000)] = default("100 cd/m2", "white of the screen, in cd/m2")


class Config(YamlModel):
    """`studio.yaml`. `Config()` holds the defaults of a studio without one."""

    default_paper: PaperKey | None = Field(None, description="the paper of a picture that lies directly in ready/")
    settle: Annotated[float, SECONDS.within(0, 3600)] = default(
        "5 s", "the shortest quiet time before a picture is taken, in s; grows with the longest pause seen"
    )
    scan: Annotated[float, SECONDS.within(0.1, 3600)] = default("15 s", "time between full looks at ready/, in s")
    watch: Literal["auto", "poll"] = default("auto", "auto: file events wake the scan; poll: only the scan")
    workers: Workers = Field(None, description="pictures at once: auto, or a number from 1 to 64")
    state: Annotated[str, BeforeValidator(_path)] = default(
        ".printqueue", "ledger, spool and lock: a folder on a local disk, inside the studio or a full path"
    )
    maker: Line = default("", "your name, for foot lines and certificates")
    limits: Ceilings = Field(default_factory=Ceilings, description="what one picture may cost at most")
    notify: Notify | None = Field(None, description="whom to tell, and when")
    light: Light = Field(default_factory=Light, description="viewing light and screen, for the suggested lift")


def load(data: bytes, file: str = FILE) -> Config:
    """Read `studio.yaml`; an empty file gives the defaults. Raises `RulesError` with everything that is wrong."""
    return Config.from_tree(read(data, file, may_be_empty=True))
