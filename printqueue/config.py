"""The settings of a studio: `studio.yaml`. Everything is optional; nothing here names a command line."""

from __future__ import annotations

import re
from functools import partial
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from printqueue.fields import Bytes, CandelaPerM2, Lux, Megapixels, Seconds, Strict
from printqueue.rulefields import Line, within
from printqueue.schematext import schema_text
from printqueue.strictyaml import read
from printqueue.typed import typed

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
    BeforeValidator(_workers),
    WithJsonSchema(
        {
            "anyOf": [{"const": "auto"}, {"type": "integer", "minimum": 1, "maximum": MAX_WORKERS}],
            "examples": ["auto", 2],
        }
    ),
]


class Ceilings(Strict):
    """What one picture may cost at most."""

    pixels: Annotated[Megapixels, within(1, 10_000, "MP")] = Field(1000.0, description="pixels of one picture, in MP")
    memory: Annotated[Bytes, within(2e8, 1e12, "bytes")] = Field(
        3e9, description="memory for one picture, in MB or GB; 200 MB at least"
    )
    time: Annotated[Seconds, within(1, 86_400, "s")] = Field(600.0, description="time for one picture, in s, min or h")


class Notify(Strict):
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


class Light(Strict):
    """The light that prints are seen in, and the screen they are judged on: for the suggested lift."""

    print: Annotated[Lux, within(5, 10_000, "lx")] = Field(200.0, description="light on the print, in lx")
    screen: Annotated[CandelaPerM2, within(20, 2000, "cd/m2")] = Field(
        100.0, description="white of the screen, in cd/m2"
    )


class Config(Strict):
    """`studio.yaml`. `Config()` holds the defaults of a studio without one."""

    default_paper: PaperKey | None = Field(None, description="the paper of a picture that lies directly in ready/")
    settle: Annotated[Seconds, within(0, 3600, "s")] = Field(
        5.0, description="the shortest quiet time before a picture is taken, in s; grows with the longest pause seen"
    )
    scan: Annotated[Seconds, within(0.1, 3600, "s")] = Field(
        15.0, description="time between full looks at ready/, in s"
    )
    watch: Literal["auto", "poll"] = Field("auto", description="auto: file events wake the scan; poll: only the scan")
    workers: Workers = Field(None, description="pictures at once: auto, or a number from 1 to 64")
    state: Annotated[str, BeforeValidator(_path)] = Field(
        ".printqueue", description="ledger, spool and lock: a folder on a local disk, inside the studio or a full path"
    )
    maker: Line = Field("", description="your name, for foot lines and certificates")
    limits: Ceilings = Field(default_factory=Ceilings, description="what one picture may cost at most")
    notify: Notify | None = Field(None, description="whom to tell, and when")
    light: Light = Field(default_factory=Light, description="viewing light and screen, for the suggested lift")


def load(data: bytes, file: str = FILE) -> Config:
    """Read `studio.yaml`; an empty file gives the defaults. Raises `RulesError` with everything wrong in it."""
    return typed(Config, read(data, file, may_be_empty=True))


def json_schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of `studio.yaml`."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema_text(Config.model_json_schema())}
