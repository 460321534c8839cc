"""What a paper file may say. One field per key; the descriptions are what editors and `--schema` show."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    Field,
    PrivateAttr,
    ValidationInfo,
    field_validator,
    model_validator,
)

from printqueue.core import sizes as sheet_sizes
from printqueue.core.model.finding import Level
from printqueue.core.model.paper import Intent, Lab, PaperFacts, Surface
from printqueue.core.units import Size
from printqueue.core.yaml.fields import (
    BorderRule,
    Flag,
    FootLineMm,
    HairlineMm,
    IntentName,
    LabColour,
    Line,
    MarginsRule,
    PrintPpi,
    PrintStops,
    SharpeningRule,
    SheetSize,
)
from printqueue.core.yaml.limits import Limits
from printqueue.core.yaml.quantity import GRAMMAGE, HOURS, LENGTH
from printqueue.core.yaml.yaml_model import YamlModel, default
from printqueue.judging.checks import REGISTRY
from printqueue.studio.papers.checks import LimitsByCheck

KEY = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,62}[a-z0-9])?")
BASE_KEY = re.compile(r"_[a-z0-9-]{1,63}")
MAX_PROFILE_BYTES = 200


def is_rule_name(stem: str) -> bool:
    """Whether `stem` is a valid name in rules/: a paper's key, or a base with a leading underscore."""
    return bool(KEY.fullmatch(stem) or BASE_KEY.fullmatch(stem))


def _rule_name(stem: str) -> str:
    if not is_rule_name(stem):
        raise ValueError(f"'{stem[:40]}' is no rule name; write a file name of rules/ without .yaml, for example _base")
    return stem


def _profile_name(name: str) -> str:
    bare = not any(char in name for char in "/\\\0") and not name.startswith(".")
    if not bare or not name.lower().endswith((".icc", ".icm")) or len(name.encode()) > MAX_PROFILE_BYTES:
        raise ValueError(
            f"'{name[:60]}' is no profile name; write a bare file name in profiles/, for example smooth-rag.icc"
        )
    return name


class Tone(YamlModel):
    """What the sheet can show, as absolute L*a*b* (D50). Left out: read from the profile."""

    white: LabColour | None = Field(None, description="L*a*b* of the bare paper")
    black: LabColour | None = Field(None, description="L*a*b* of full ink")

    @model_validator(mode="after")
    def _white_is_lighter(self) -> Tone:
        if self.white and self.black and self.white[0] <= self.black[0]:
            raise ValueError("white must be lighter than black: L* of bare paper first, then of full ink")
        return self


class Printer(YamlModel):
    """How the printer must be set: text for the notes and the record. A profile holds for one such setting only."""

    name: Line = default("", "the printer, in your words")
    media: Line = default("", "the media setting that the profile was made with")
    quality: Line = default("", "the quality setting that the profile was made with")
    black_ink: Literal["matte", "photo", "either"] = default("either", "the black ink for this surface")
    feed: Literal["long-edge", "short-edge", "roll"] = default("long-edge", "which edge goes in first, or roll")
    turn: Literal["never", "to-feed"] = default(
        "never",
        "to-feed: the file's pixels are turned so that the edge fed first is its top; of a roll, where that is shorter",
    )
    roll: Annotated[float, LENGTH.within(50, 5000)] | None = Field(
        None, description="width of the roll, in mm, with feed: roll; left out: as wide as each print"
    )
    margins: MarginsRule = default(
        "3 mm", "what the printer cannot reach: one width in mm, or {ends: 25 mm, sides: 3 mm}"
    )

    @model_validator(mode="after")
    def _width_of_a_roll(self) -> Printer:
        if self.roll is not None and self.feed != "roll":
            raise ValueError("the width of a roll (roll:) needs feed: roll")
        return self


class Printing(YamlModel):
    """How the print file is made."""

    ppi: PrintPpi = Field(360, description="pixels per inch of the print file; belongs to the printer (100 to 1440)")
    intent: IntentName = Intent.RELATIVE
    black_point_compensation: Flag = Field(default=True, description="true: blacks are fitted to the paper's own black")
    lift: PrintStops = default(
        "0 stop", "exposure added in linear light, in stops (-2 to +2); an order may say otherwise"
    )
    sharpen: SharpeningRule = default("none", "none, or an unsharp mask at print scale: {radius: 0.2 mm, amount: 50 %}")


class Paper(YamlModel):
    """One paper, as its file in rules/ (and what it extends) describes it."""

    extends: Annotated[Line, AfterValidator(_rule_name)] | None = Field(
        None, description="another file of rules/, without .yaml; its keys hold where this file says nothing"
    )
    paper: Annotated[Line, Field(min_length=1)] = Field(description="the paper's name, as notes and pages show it")
    surface: Surface = Field(description="the kind of surface; it decides which starter limits fit")
    grammage: Annotated[float, GRAMMAGE.within(20, 2000)] | None = Field(None, description="weight, in gsm")
    thickness: Annotated[float, LENGTH.within(0.01, 20)] | None = Field(
        None, description="thickness of one sheet, in mm"
    )
    edge: Literal["cut", "deckled"] = default("cut", "deckled: placement is only good to about 3 mm")
    tone: Tone = Field(
        default_factory=Tone, description="L*a*b* (D50) of paper white and full black; left out: from the profile"
    )
    profile: Annotated[Line, AfterValidator(_profile_name)] = Field(
        description="the ICC profile of this paper, printer and ink: a bare file name in profiles/"
    )
    printer: Printer = Field(default_factory=Printer, description="printer settings the profile holds for")
    print: Printing = Field(default_factory=Printing, description="how the print file is made")
    sizes: list[SheetSize] = Field(
        min_length=1, max_length=60, description="the sheets in stock; others may be asked for"
    )
    default_size: SheetSize | None = Field(
        None, description="taken when no size is asked for; left out: the first of sizes"
    )
    border: BorderRule = Field(
        default_factory=BorderRule, description="unprinted margin: {style, width} or {top, right, bottom, left}, in mm"
    )
    fit: Literal["whole", "crop"] = default("whole", "whole: never cropped; crop: fills the sheet less its border")
    sheet: Literal["full", "picture-only"] = default(
        "full", "picture-only: the print file holds the picture without its border, for placing it elsewhere"
    )
    hairline: HairlineMm = default("off", "a line around the picture, just outside it: off, or its width in mm")
    foot_line: FootLineMm = default(
        "off", "a line with title, maker, paper and recipe at the sheet's foot: off, or its height in mm"
    )
    turn_back_at: Literal[Level.REJECT, Level.WARN] = Field(
        Level.REJECT,
        description="the weight at which a picture is turned back: reject, or warn for an exhibition paper",
    )
    drying: Annotated[float, HOURS.within(0, 1000)] | None = Field(
        None, description="time before a print may go under glass, in hours; the note names the day"
    )
    handling: list[Line] = Field(
        default_factory=list,
        max_length=20,
        description="lines for the note beside each print: lint, carrier sheet, drying",
    )
    checks: Annotated[dict[str, Limits], LimitsByCheck(REGISTRY)] = Field(
        default_factory=dict, description="one key per check: off, or its limits; a check not named is not done"
    )
    _key: str = PrivateAttr("")
    _rules_text: str = PrivateAttr("")

    @field_validator("sizes")
    @classmethod
    def _each_once(cls, stocked: list[Size]) -> list[Size]:
        for index, size in enumerate(stocked):
            if sheet_sizes.listed(size, stocked[:index]):
                raise ValueError(f"{size.name} stands in the list twice")
        return stocked

    @field_validator("default_size")
    @classmethod
    def _in_stock(cls, size: Size | None, info: ValidationInfo) -> Size | None:
        stocked: list[Size] = info.data.get("sizes", [])
        if size and stocked and not sheet_sizes.listed(size, stocked):
            raise ValueError(f"{size.name} is not among sizes ({', '.join(one.name for one in stocked)})")
        return size

    def model_post_init(self, context: Any) -> None:
        """Take key and merged text from the loader."""
        known = context if isinstance(context, dict) else {}
        self._key = known.get("key", "")
        self._rules_text = known.get("rules_text", "")

    @model_validator(mode="after")
    def _no_marks_on_deckled(self) -> Paper:
        if self.foot_line and self.edge == "deckled":
            raise ValueError(
                "a sheet with deckled edges takes no foot line (foot_line: off): it is placed to about 3 mm"
            )
        return self

    @classmethod
    def editor_schema(cls) -> dict[str, Any]:
        """JSON Schema (2020-12) of the file, for editors. No key is required: any may come from an extended file."""
        return {key: value for key, value in super().editor_schema().items() if key != "required"}

    @property
    def key(self) -> str:
        """The file's stem, which is also the name of the paper's folder in ready/."""
        return self._key

    @property
    def rules_text(self) -> str:
        """The merged rules as canonical JSON, for the ledger and the recipe."""
        return self._rules_text

    @property
    def usual_size(self) -> Size:
        """The sheet used when no size is asked for."""
        return self.default_size or self.sizes[0]

    def facts(self, *, profile_name: str, profile_white: Lab, profile_black: Lab, is_demonstration: bool) -> PaperFacts:
        """What checks and renderer may know; the file's tone overrides the profile's."""
        return PaperFacts(
            key=self.key,
            name=self.paper,
            surface=self.surface,
            white=self.tone.white or profile_white,
            black=self.tone.black or profile_black,
            stocked=tuple(self.sizes),
            profile_name=profile_name,
            profile_is_demonstration=is_demonstration,
            margins=self.printer.margins,
            deckled=self.edge == "deckled",
        )
