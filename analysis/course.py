"""The course: marks, painted lines, bay, stopping box and barrier, all in the course frame.

Course frame (ISO 8855 axes): origin at the middle of the bay's back line on the ground, x from
the bay towards the forward pair, y to the left of x, z up; metres.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analysis.table import REQUIRED, Table
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle

ROLES = ("forward_left", "forward_right", "pivot", "mouth_left", "mouth_right", "back_left", "back_right")


@dataclass(frozen=True)
class Mark:
    """A cone, with or without a pole in it. `name` is one of ROLES, or free for an extra cone.

    Left and right are those of the course frame (y grows to the left)."""

    name: str
    x_m: float
    y_m: float
    base_half_m: float = 0.18
    height_m: float = 0.75
    pole_height_m: float = 0.0


@dataclass(frozen=True)
class Line:
    """A painted side line, given by the edge of the paint that faces the yard; the paint lies beyond it.

    Points with positive `clearance_m` are on the yard's side."""

    name: str
    x0_m: float
    y0_m: float
    x1_m: float
    y1_m: float
    width_m: float
    yard_side: int  # +1: the yard lies to the left of the direction 0 -> 1, -1: to the right

    def clearance_m(self, points_m: np.ndarray) -> np.ndarray:
        """Signed distance (m) of (..., 2) points to the edge (produced); positive on the yard's side."""
        dx, dy = self.x1_m - self.x0_m, self.y1_m - self.y0_m
        p = np.asarray(points_m, float)
        cross = dx * (p[..., 1] - self.y0_m) - dy * (p[..., 0] - self.x0_m)
        return self.yard_side * cross / math.hypot(dx, dy)


@dataclass(frozen=True)
class Area:
    """A rectangle along the course axes (m)."""

    x_min_m: float
    x_max_m: float
    y_min_m: float
    y_max_m: float


@dataclass(frozen=True)
class Course:
    """One exercise's yard. `barrier` is the solid behind the stopping box, None when there is none."""

    name: str
    marks: tuple[Mark, ...]
    lines: tuple[Line, ...]
    bay: Area
    stopping_box: Area
    barrier: Area | None
    barrier_height_m: float
    source: str = ""

    def mark(self, name: str) -> Mark:
        for m in self.marks:
            if m.name == name:
                return m
        raise KeyError(name)

    def has_mark(self, name: str) -> bool:
        return any(m.name == name for m in self.marks)

    def with_survey(self, marks: tuple[SurveyedMark, ...], lines: tuple[SurveyedLine, ...]) -> Course:
        """The course as it really is: marks and lines moved to where the clip shows them."""
        found = {m.name: m for m in marks}
        seen = {ln.name: ln for ln in lines}
        return replace(
            self,
            marks=tuple(replace(m, x_m=found[m.name].x_m, y_m=found[m.name].y_m) if m.name in found else m
                        for m in self.marks),
            lines=tuple(replace(ln, x0_m=seen[ln.name].x0_m, y0_m=seen[ln.name].y0_m, x1_m=seen[ln.name].x1_m,
                                y1_m=seen[ln.name].y1_m) if ln.name in seen else ln for ln in self.lines))


@dataclass(frozen=True)
class SurveyedMark:
    """Where a mark really stands (course frame, m; middle of its base), with its standard deviation."""

    name: str
    x_m: float
    y_m: float
    sd_m: float
    nominal_x_m: float
    nominal_y_m: float


@dataclass(frozen=True)
class SurveyedLine:
    """Where a painted line's yard-side edge really runs (course frame, m); `sd_m` across the line."""

    name: str
    x0_m: float
    y0_m: float
    x1_m: float
    y1_m: float
    sd_m: float


@dataclass(frozen=True)
class MarkEvent:
    """A mark that moved or fell during the clip, as seen; `t_s` is when the change was first seen."""

    name: str
    t_s: float
    moved_m: float
    sd_m: float


def course_from_table(values: Mapping[str, Any]) -> Course:
    """Read a `*.course.toml` mapping. Raises Trouble naming the key, the value and what is allowed."""
    t = Table(values)
    t.whole("schema", 1, 1, 1)
    name = t.text("name", REQUIRED)
    source = t.text("source", "")
    marks = tuple(_mark_from_table(m) for m in t.tables("mark"))
    names = [m.name for m in marks]
    for role in ROLES:
        if role not in names:
            raise t.fail("mark", f"the mark '{role}' is missing", f"add a [[mark]] with name = \"{role}\"")
    for n in names:
        if names.count(n) > 1:
            raise t.fail("mark", f"the mark '{n}' is given twice", "give every mark a name of its own")
    bay = _area_from_table(t.table("bay", REQUIRED))
    stopping = _area_from_table(t.table("stopping_box", REQUIRED))
    barrier, barrier_height = None, 0.0
    if t.has("barrier"):
        b = t.table("barrier")
        barrier_height = b.number("height_m", 0.05, 3.0, 1.0)
        barrier = _area_from_table(b)
    middle = np.mean([[m.x_m, m.y_m] for m in marks], axis=0)
    lines = tuple(_line_from_table(ln, middle) for ln in t.tables("line"))
    t.done()
    return Course(name, marks, lines, bay, stopping, barrier, barrier_height, source)


def check_room(course: Course, vehicle: Vehicle) -> None:
    """Raises Trouble when the bay cannot hold the vehicle: narrower than its body (mirrors left out)."""
    width_m = course.bay.y_max_m - course.bay.y_min_m
    if width_m <= vehicle.width_m:
        raise Trouble(f"the bay is {width_m:g} m wide, the vehicle ({vehicle.name}) {vehicle.width_m:g} m",
                      where="bay.y_max_m", remedy=f"bay.y_max_m less bay.y_min_m must exceed {vehicle.width_m:g} m "
                      "(usual: 1.5 times the width); or give the vehicle that this course is for")


def _mark_from_table(m: Table) -> Mark:
    mark = Mark(m.text("name", REQUIRED), m.number("x_m", -50, 200, REQUIRED), m.number("y_m", -100, 100, REQUIRED),
                m.number("base_half_m", 0.05, 0.5, 0.18), m.number("height_m", 0.2, 1.5, 0.75),
                m.number("pole_height_m", 0.0, 4.0, 0.0))
    m.done()
    return mark


def _line_from_table(ln: Table, middle: np.ndarray) -> Line:
    ends = [ln.number(k, -100, 200, REQUIRED) for k in ("x0_m", "y0_m", "x1_m", "y1_m")]
    if math.hypot(ends[2] - ends[0], ends[3] - ends[1]) < 1.0:
        raise ln.fail("x1_m", "the line is shorter than 1 m", "give two different ends")
    line = Line(ln.text("name", REQUIRED), ends[0], ends[1], ends[2], ends[3], ln.number("width_m", 0.03, 0.5, 0.1), 1)
    ln.done()
    return line if line.clearance_m(middle) > 0 else replace(line, yard_side=-1)


def _area_from_table(a: Table) -> Area:
    area = Area(a.number("x_min_m", -50, 200, REQUIRED), a.number("x_max_m", -50, 200, REQUIRED),
                a.number("y_min_m", -100, 100, REQUIRED), a.number("y_max_m", -100, 100, REQUIRED))
    if area.x_max_m <= area.x_min_m or area.y_max_m <= area.y_min_m:
        raise a.fail("x_max_m", "the area is empty", "x_max_m must exceed x_min_m and y_max_m exceed y_min_m")
    a.done()
    return area


def course_for(vehicle: Vehicle, *, bay_on_left: bool = True, yard_width_m: float | None = None,
               stopping_depth_m: float = 0.9, line_width_m: float = 0.1, yard_length_m: float = 66.0) -> Course:
    """The course for a vehicle by the usual proportions of its length L and width W.

    Lengthwise: forward pair to pivot cone 2 L, pivot cone to the bay's back line 3 L, bay L long,
    all within 5 L or the yard's length, whichever is less (secondary pages describing the GB
    S-shaped reverse; the pivot-to-back distance is unconfirmed by an official text). Across:
    forward pair and bay 1.5 W wide; the outer cone of the pair 1 m inside one side line, the
    pivot cone in line with the inner one, the bay's outer side 1 m inside the other side line
    (common practice, no published source). The stopping box is `stopping_depth_m` deep (from memory).
    """
    length, width = vehicle.length_m, vehicle.width_m
    bay_half = 0.75 * width
    yard = yard_width_m if yard_width_m is not None else 11.0 * (width / 2.55) ** 0.5
    total = min(5 * length, yard_length_m)
    pivot_x = total - 2 * length
    s = 1.0 if bay_on_left else -1.0
    near, far = bay_half + 1.0, bay_half + 1.0 - yard  # side lines beside the bay and beside the forward pair
    outer = far + 1.0
    inner = outer + 1.5 * width
    placed = {"forward_left" if s > 0 else "forward_right": (total, inner * s),
              "forward_right" if s > 0 else "forward_left": (total, outer * s),
              "pivot": (pivot_x, inner * s),
              "mouth_left": (length, bay_half), "mouth_right": (length, -bay_half),
              "back_left": (0.0, bay_half), "back_right": (0.0, -bay_half)}
    poles = {"pivot": 1.5, "mouth_left": 1.5, "mouth_right": 1.5}
    marks = tuple(Mark(n, *placed[n], pole_height_m=poles.get(n, 0.0)) for n in ROLES)
    left_y, right_y = (near, far) if s > 0 else (-far, -near)
    lines = (Line("side_left", -1.0, left_y, total + 2.0, left_y, line_width_m, -1),
             Line("side_right", -1.0, right_y, total + 2.0, right_y, line_width_m, 1))
    return Course(f"reverse into bay, {'left' if bay_on_left else 'right'}, for {vehicle.name}", marks, lines,
                  Area(0.0, length, -bay_half, bay_half), Area(0.0, stopping_depth_m, -bay_half, bay_half),
                  Area(-0.42, -0.30, -bay_half - 0.3, bay_half + 0.3), 0.95,
                  "usual proportions of vehicle length and width; see DEVELOPERS.md")
