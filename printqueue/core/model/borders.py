"""Borders round a picture of an exact size: what the weighted rule makes of the rest, and whether given ones add up. Pure."""

from __future__ import annotations

from printqueue.core.units import Size, number_text

Sides = tuple[float, float, float, float]  # top, right, bottom, left in mm, as the picture is looked at
_FOOT_EXTRA, _FOOT_LEAST_MM, _FOOT_MOST_MM = 0.2, 5.0, 25.0
_TOLERANCE_MM = 0.1  # what is lost in writing inches as millimetres, and less than a pixel and a half at 360 ppi


def foot_extra(top_mm: float) -> float:
    """How much wider the foot is than a head of `top_mm`: a fifth, 5 to 25 mm (common practice, no source)."""
    return min(max(_FOOT_EXTRA * top_mm, _FOOT_LEAST_MM), _FOOT_MOST_MM)


def head_of(spare_mm: float) -> float:
    """The head's share of `spare_mm` by that rule."""
    return (spare_mm - foot_extra(spare_mm / (2 + _FOOT_EXTRA))) / 2


def head_round_exact(spare_mm: float) -> float:
    """The same where the picture's size is given and little may be left: then the foot is at most twice the head."""
    return max(head_of(spare_mm), spare_mm / 3)


def sums(sheet: Size, picture: Size, sides: Sides) -> str:
    """Why picture and sides do not make up the sheet, in numbers; "" where they do."""
    return "; ".join(_said(*axis) for axis in _axes(sheet, picture, sides) if abs(_missing(*axis)) > _TOLERANCE_MM)


def sums_of_least(sheet: Size, picture: Size, sides: Sides) -> str:
    """The same for the least borders: one axis must add up, and on the other there may be more room."""
    missing = [_missing(*axis) for axis in _axes(sheet, picture, sides)]
    if abs(min(missing)) <= _TOLERANCE_MM:
        return ""
    return sums(sheet, picture, sides)


def misfit_mm(sheet: Size, picture: Size, sides: Sides) -> float:
    """By how much the sums differ from the sheet, both axes together."""
    return sum(abs(_missing(*axis)) for axis in _axes(sheet, picture, sides))


_Axis = tuple[str, str, tuple[float, float, float], float]


def _axes(sheet: Size, picture: Size, sides: Sides) -> tuple[_Axis, _Axis]:
    top, right, foot, left = sides
    return (
        ("across", "wide", (left, picture.width_mm, right), sheet.width_mm),
        ("from head to foot", "high", (top, picture.height_mm, foot), sheet.height_mm),
    )


def _missing(_way: str, _measure: str, parts: tuple[float, float, float], whole: float) -> float:
    return whole - sum(parts)


def _said(way: str, measure: str, parts: tuple[float, float, float], whole: float) -> str:
    listed = " + ".join(number_text(part) for part in parts)
    return f"{way} {listed} = {number_text(sum(parts))} mm, and the sheet is {number_text(whole)} mm {measure}"
