"""The limits of one check as set by a paper: by level and side, and never contradictory."""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import Field, ValidationInfo, field_validator

from printqueue.core.model.finding import Level
from printqueue.core.yaml.yaml_model import ContradictionError, YamlModel

_LIMIT = re.compile(r"(?P<measure>.*?)(?P<level>reject|warn|note)_(?P<side>below|above)")
_SAID = {"reject": "turned back", "warn": "warned of", "note": "noted"}


class Limits(YamlModel):
    """Base of every check's limits. `unmeasurable` is the level of an honest "cannot tell".

    Fields called [MEASURE_]reject|warn|note_below|above are limits on one measure, and must make sense together.
    """

    unmeasurable: Annotated[Level, Field(description="where the picture does not let this be measured")] = Level.NOTE

    @field_validator("*", mode="after")
    @classmethod
    def _makes_sense(cls, value: Any, info: ValidationInfo) -> Any:
        """Check field by field, so that no other mistake in the same check hides a contradiction."""
        if value is not None and (this := _LIMIT.fullmatch(info.field_name or "")):
            for name, before in info.data.items():
                that = _LIMIT.fullmatch(name)
                if that and before is not None and that["measure"] == this["measure"]:
                    _compare(this, value, that, before)
        return value


def _compare(this: re.Match[str], value: float, that: re.Match[str], other: float) -> None:
    """Raise `ContradictionError` if either could never take effect. Equal values are fine: the milder is skipped."""
    if this["side"] != that["side"]:
        low, high = (value, other) if this["side"] == "below" else (other, value)
        if low >= high:
            raise ContradictionError(that[0], "{this} and {that} leave no room between them: nothing would ever pass")
        return
    milder = min(this, that, key=lambda one: Level(one["level"]).weight)
    strict, mild = (other, value) if milder is this else (value, other)
    if (mild < strict) if this["side"] == "below" else (mild > strict):
        names = ("{this}", "{that}") if milder is this else ("{that}", "{this}")
        lies = "below" if this["side"] == "below" else "above"
        raise ContradictionError(
            that[0], f"{names[0]} lies {lies} {names[1]}: nothing would ever be {_SAID[milder['level']]}"
        )
