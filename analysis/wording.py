"""How a figure and its uncertainty are told: the verdict it allows, and its words."""

from __future__ import annotations

import math

WIDE = 1.959964  # 95 % of a normal distribution lies within this many sds


def call(value: float, sd: float, limit: float) -> str:
    """The verdict on a value that is good at or above its limit."""
    if value - WIDE * sd >= limit:
        return "ok"
    return "fault" if value + WIDE * sd < limit else "too close to call"


def clock(t_s: float) -> str:
    """0:34.2"""
    tenths = round(t_s * 10)
    return f"{tenths // 600}:{tenths % 600 // 10:02d}.{tenths % 10}"


def length(value_m: float) -> str:
    """'12 cm', '1.24 m'"""
    return f"{abs(value_m) * 100:.0f} cm" if abs(value_m) < 0.995 else f"{abs(value_m):.2f} m"


def margin(sd_m: float) -> str:
    """'± 4 cm', half the width of the 95 % interval, rounded up"""
    return f"± {max(1, math.ceil(WIDE * sd_m * 100 - 0.05))} cm"


def words(name: str) -> str:
    """A line, mark or tyre name in plain words."""
    known = {"forward_left": "left forward cone", "forward_right": "right forward cone", "pivot": "pivot cone",
             "mouth_left": "left mouth cone", "mouth_right": "right mouth cone", "back_left": "left back cone",
             "back_right": "right back cone", "side_left": "left line", "side_right": "right line",
             "far_end": "line ahead", "start_mouth": "start lane cone"}
    return known.get(name, name.replace("_", " "))
