"""Borders around a picture of exact size: how the weighted rule divides the rest; whether given ones add up. Pure."""

from __future__ import annotations

from typing import NamedTuple

from printqueue.core.units import Size, number_text

Sides = tuple[float, float, float, float]  # top, right, bottom, left in mm, as the picture is looked at
_FOOT_EXTRA, _MIN_FOOT_MM, _MAX_FOOT_MM = 0.2, 5.0, 25.0
_TOLERANCE_MM = 0.1  # rounding from inches to millimetres; less than a pixel and a half at 360 ppi


def foot_extra(top_mm: float) -> float:
    """How much wider the foot is than a head of `top_mm`: a fifth, but 5 to 25 mm (common practice, no source)."""
    return min(max(_FOOT_EXTRA * top_mm, _MIN_FOOT_MM), _MAX_FOOT_MM)


def head_of(spare_mm: float) -> float:
    """The head's share of `spare_mm` under that rule."""
    return (spare_mm - foot_extra(spare_mm / (2 + _FOOT_EXTRA))) / 2


def head_round_exact(spare_mm: float) -> float:
    """The same for a picture of given size, which may leave little room: the foot is at most twice the head."""
    return max(head_of(spare_mm), spare_mm / 3)


def sums(sheet: Size, picture: Size, sides: Sides) -> str:
    """Why picture and sides do not add up to the sheet, in numbers; "" if they do."""
    return "; ".join(axis.says for axis in _axes(sheet, picture, sides) if abs(axis.missing_mm) > _TOLERANCE_MM)


def sums_of_least(sheet: Size, picture: Size, sides: Sides) -> str:
    """The same for minimum borders: one axis must add up; the other may have room to spare."""
    missing_mm = min(axis.missing_mm for axis in _axes(sheet, picture, sides))
    return "" if abs(missing_mm) <= _TOLERANCE_MM else sums(sheet, picture, sides)


def misfit_mm(sheet: Size, picture: Size, sides: Sides) -> float:
    """How much the sums differ from the sheet, both axes together."""
    return sum(abs(axis.missing_mm) for axis in _axes(sheet, picture, sides))


class _SheetAxis(NamedTuple):
    way: str
    measure: str
    parts: tuple[float, float, float]
    whole: float

    @property
    def missing_mm(self) -> float:
        return self.whole - sum(self.parts)

    @property
    def says(self) -> str:
        listed, summed = " + ".join(map(number_text, self.parts)), number_text(sum(self.parts))
        return f"{self.way} {listed} = {summed} mm, and the sheet is {number_text(self.whole)} mm {self.measure}"


def _axes(sheet: Size, picture: Size, sides: Sides) -> tuple[_SheetAxis, _SheetAxis]:
    top, right, foot, left = sides
    return (
        _SheetAxis("across", "wide", (left, picture.width_mm, right), sheet.width_mm),
        _SheetAxis("from head to foot", "high", (top, picture.height_mm, foot), sheet.height_mm),
    )
