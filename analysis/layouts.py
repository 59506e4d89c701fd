"""Courses from a vehicle's length L and width W, its trailer included, by the published proportions of an exercise.

Every distance is a setting with its usual value and where that comes from: the published sources disagree on some
and are silent on others, so a school sets its own. Lengths in metres, course frame.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from analysis.course import EXERCISES, Area, Course, Line, Mark
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle

FOOT_M = 0.3048  # the international foot, exactly
_COMMON = "common practice, no published source"
_MEMORY = "from memory, no published source"
_GB = "secondary pages on the GB S-shaped reverse (johnexley.com, hgvtraining.co.uk)"
_US = "secondary pages on the US offset backing exercise (passthecdltest.com)"


@dataclass(frozen=True)
class Setting:
    """One adjustable distance: what it is, its usual value in metres for a vehicle, and the source of that."""

    what: str
    usual_m: Callable[[Vehicle], float]
    source: str


SETTINGS: dict[str, dict[str, Setting]] = {
    "s_reverse": {
        "pair_to_pivot_m": Setting("forward pair to pivot cone, along", lambda v: 2 * v.overall_length_m,
                                   f"2 L: {_GB}"),
        "pivot_to_back_m": Setting("pivot cone to the bay's back line, along", lambda v: 3 * v.overall_length_m,
                                   "3 L: unconfirmed, implied by 5 L less 2 L; one secondary page says at most 1.5 L"),
        "longest_m": Setting("longest course that the yard takes; the pivot-to-back distance gives way",
                             lambda v: 66.0, "66 m: notice of the driving standards agency of 22 March 2012"),
        "bay_length_m": Setting("length of the bay", lambda v: v.overall_length_m,
                                "L, varied by +1/-2 m: unconfirmed, from practitioners"),
        "bay_width_m": Setting("width of the bay", lambda v: 1.5 * v.overall_width_m, f"1.5 W: {_GB}"),
        "pair_spacing_m": Setting("between the two forward cones", lambda v: 1.5 * v.overall_width_m, f"1.5 W: {_GB}"),
        "pair_inset_m": Setting("outer forward cone to its side line", lambda v: 1.0, "1 m: johnexley.com"),
        "bay_inset_m": Setting("bay's outer side to its side line", lambda v: 1.0, _COMMON),
        "yard_width_m": Setting("between the side lines", lambda v: 11.0 * math.sqrt(v.overall_width_m / 2.55),
                                "11 m: notice of 22 March 2012; by the root of the width for other vehicles, "
                                + _COMMON),
        "stopping_depth_m": Setting("depth of the stopping box", lambda v: 0.9, f"{_MEMORY}; others recall 0.75 m"),
        "barrier_gap_m": Setting("bay's back line to the barrier's face", lambda v: 0.3, _COMMON),
        "line_width_m": Setting("width of the painted lines", lambda v: 0.1, _COMMON),
        "pole_m": Setting("height of the poles on pivot and mouth cones", lambda v: 1.5, _COMMON),
    },
    "offset_reverse": {
        "lane_width_m": Setting("width of each of the two lanes", lambda v: 12 * FOOT_M, f"12 ft: {_US}"),
        "run_m": Setting("first cones to the boundary ahead", lambda v: (140 if v.trailer else 100) * FOOT_M,
                         f"100 ft for a rigid vehicle (140 ft for a combination): {_US}"),
        "lane_length_m": Setting("length of the lane to end in", lambda v: v.overall_length_m + 10 * FOOT_M,
                                 "L and 10 ft: " + _COMMON),
        "cone_every_m": Setting("between cones on the line dividing the lanes, at most", lambda v: 10 * FOOT_M,
                                "10 ft: secondary pages, for the straight reverse"),
        "line_width_m": Setting("width of the painted lines", lambda v: 0.1, _COMMON),
    },
}


def settings_for(vehicle: Vehicle, exercise: str = "s_reverse",
                 wanted: Mapping[str, float] | None = None) -> dict[str, float]:
    """Every setting of the exercise in metres: the usual values, with those `wanted` in their place.

    Raises Trouble for a name that the exercise has not, or a distance that is not above zero."""
    known = SETTINGS[exercise]
    for name, value in (wanted or {}).items():
        if name not in known:
            raise Trouble("there is no such distance to set", where=name, remedy="allowed: " + ", ".join(known))
        if not 0.0 < value <= 200.0:
            raise Trouble(f"{value:g} is out of range", where=name, remedy="allowed: above 0 to 200 metres")
    return {name: setting.usual_m(vehicle) for name, setting in known.items()} | dict(wanted or {})


def course_for(vehicle: Vehicle, exercise: str = "s_reverse", *, bay_on_left: bool = True,
               wanted: Mapping[str, float] | None = None) -> Course:
    """The course of an exercise (a key of SETTINGS) for a vehicle. Raises Trouble when the distances do not go
    together, or the bay cannot hold the vehicle.

    bay_on_left: seen from the bay, it lies to the left of where the vehicle starts from."""
    s = settings_for(vehicle, exercise, wanted)
    side = "left" if bay_on_left else "right"
    name = f"{EXERCISES[exercise].title}, {side}, for {vehicle.name}"
    course = {"s_reverse": _s_reverse, "offset_reverse": _offset_reverse}[exercise](s, 1.0 if bay_on_left else -1.0,
                                                                                   name)
    width = "bay_width_m" if exercise == "s_reverse" else "lane_width_m"
    if s[width] <= vehicle.overall_width_m:
        raise Trouble(f"{s[width]:g} m leaves no room for {vehicle.name}, {vehicle.overall_width_m:g} m wide",
                      where=width, remedy=f"it must exceed {vehicle.overall_width_m:g} m; usual: "
                             f"{SETTINGS[exercise][width].usual_m(vehicle):.2f} m")
    return course


def _s_reverse(s: Mapping[str, float], side: float, name: str) -> Course:
    """Forward pair, pivot cone in line with the pair's inner cone, bay on the other side of it."""
    total = min(s["pair_to_pivot_m"] + s["pivot_to_back_m"], s["longest_m"])
    pivot_x = total - s["pair_to_pivot_m"]
    if pivot_x <= s["bay_length_m"]:
        raise Trouble(f"the pivot cone would stand {pivot_x:.2f} m from the bay's back line, beside the bay of "
                      f"{s['bay_length_m']:.2f} m", where="pivot_to_back_m",
                      remedy="lengthen it (or longest_m), or shorten bay_length_m or pair_to_pivot_m")
    bay_half = s["bay_width_m"] / 2
    near = bay_half + s["bay_inset_m"]
    far = near - s["yard_width_m"]
    outer = far + s["pair_inset_m"]
    inner = outer + s["pair_spacing_m"]
    if inner >= bay_half:
        raise Trouble(f"{s['yard_width_m']:.2f} m leaves no bend between forward pair and bay", where="yard_width_m",
                      remedy=f"it must exceed {s['yard_width_m'] + inner - bay_half:.2f} m")
    left, right = (inner, outer) if side > 0 else (-outer, -inner)
    poles = {"pivot", "mouth_left", "mouth_right"}
    placed = {"forward_left": (total, left), "forward_right": (total, right), "pivot": (pivot_x, inner * side),
              "mouth_left": (s["bay_length_m"], bay_half), "mouth_right": (s["bay_length_m"], -bay_half),
              "back_left": (0.0, bay_half), "back_right": (0.0, -bay_half)}
    marks = tuple(Mark(n, *at, pole_height_m=s["pole_m"] if n in poles else 0.0) for n, at in placed.items())
    left_y, right_y = (near, far) if side > 0 else (-far, -near)
    lines = (Line("side_left", -1.0, left_y, total + 2.0, left_y, s["line_width_m"], -1),
             Line("side_right", -1.0, right_y, total + 2.0, right_y, s["line_width_m"], 1))
    gap = s["barrier_gap_m"]
    return Course(name, marks, lines, Area(0.0, s["bay_length_m"], -bay_half, bay_half),
                  Area(0.0, s["stopping_depth_m"], -bay_half, bay_half),
                  Area(-gap - 0.12, -gap, -bay_half - 0.3, bay_half + 0.3), 0.95,
                  "by the usual proportions of vehicle length L and width W", "s_reverse")


def _offset_reverse(s: Mapping[str, float], side: float, name: str) -> Course:
    """Two lanes side by side with a boundary ahead: from the far end of one, back into the other."""
    lane, half, total = s["lane_length_m"], s["lane_width_m"] / 2, s["lane_length_m"] + s["run_m"]
    beside = -side * s["lane_width_m"]  # middle of the lane to start from
    divide, outer = -side * half, -side * 3 * half
    left, right = beside + half, beside - half
    marks = [Mark("forward_left", total, left), Mark("forward_right", total, right),
             Mark("mouth_left", lane, half), Mark("mouth_right", lane, -half),
             Mark("back_left", 0.0, half), Mark("back_right", 0.0, -half), Mark("start_mouth", lane, outer)]
    between = math.ceil(lane / s["cone_every_m"] - 1e-6)
    marks += [Mark(f"divider_{k}", lane * (1 - k / between), divide) for k in range(1, between)]
    left_y, right_y = (half, -3 * half) if side > 0 else (3 * half, -half)
    w = s["line_width_m"]
    lines = (Line("side_left", -1.0, left_y, total + w, left_y, w, -1),
             Line("side_right", -1.0, right_y, total + w, right_y, w, 1),
             Line("far_end", total, right_y, total, left_y, w, 1))
    return Course(name, tuple(marks), lines, Area(0.0, lane, -half, half), None, None, 0.0,
                  "by the published distances of the US exercise", "offset_reverse")
