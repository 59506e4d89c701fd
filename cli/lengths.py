"""Lengths as people write and read them: metres or feet and inches, and multiples of a vehicle's length or width."""

from __future__ import annotations

import re

from analysis.layouts import FOOT_M
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle

_NUMBER = r"(\d+(?:[.,]\d+)?)"
_METRES = re.compile(rf"{_NUMBER}\s*(m|cm)?", re.IGNORECASE)
_FEET = re.compile(rf"{_NUMBER}\s*(?:ft|')(?:\s*{_NUMBER}\s*(?:in|\"))?", re.IGNORECASE)
_INCHES = re.compile(rf"{_NUMBER}\s*(?:in|\")", re.IGNORECASE)
_MULTIPLE = re.compile(rf"{_NUMBER}\s*([LW])")
ALLOWED = "write 24.5, 24.5 m, 245 cm, 80 ft, 80ft 4in, 1.5L or 1.5W"


def length_m(text: str, vehicle: Vehicle | None = None) -> float:
    """Metres from '24.5', '24.5 m', '245 cm', '80 ft', '80ft 4.5in'; with a vehicle also '1.5L' and '1.5W'.

    A number without a unit is metres. Raises Trouble with what is allowed."""
    stripped = text.strip()
    if (found := _METRES.fullmatch(stripped)) is not None:
        return _number(found[1]) * (0.01 if (found[2] or "").lower() == "cm" else 1.0)
    if (found := _FEET.fullmatch(stripped)) is not None:
        return (_number(found[1]) + _number(found[2] or "0") / 12) * FOOT_M
    if (found := _INCHES.fullmatch(stripped)) is not None:
        return _number(found[1]) / 12 * FOOT_M
    if vehicle is not None and (found := _MULTIPLE.fullmatch(stripped)) is not None:
        return _number(found[1]) * (vehicle.overall_length_m if found[2] == "L" else vehicle.overall_width_m)
    raise Trouble(f"'{text[:40]}' is not a length", remedy=ALLOWED)


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def metres(value_m: float) -> str:
    """'24.50 m'"""
    return f"{value_m:.2f} m"


def as_taped(value_m: float) -> str:
    """Metres as read off a tape, to half a centimetre: '12.00', '7.315'."""
    return f"{round(value_m * 200) / 200:.3f}".removesuffix("0")


def feet(value_m: float) -> str:
    """To the nearest half inch: 80' 4½\""""
    halves = round(abs(value_m) / FOOT_M * 24)
    whole, half = divmod(halves, 2)
    sign = "−" if value_m < 0 and halves else ""
    return f"{sign}{whole // 12}' {whole % 12}{'½' if half else ''}\""
