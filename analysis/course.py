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


@dataclass(frozen=True)
class Exercise:
    """A kind of exercise: the marks that its course must have, by name, and whether it ends in a stopping box."""

    title: str
    roles: tuple[str, ...]
    stopping_box: bool


EXERCISES = {
    "s_reverse": Exercise("reverse in an S round a pivot cone into a bay",
                          ("forward_left", "forward_right", "pivot", "mouth_left", "mouth_right", "back_left",
                           "back_right"), True),
    "offset_reverse": Exercise("reverse into the lane beside",
                               ("forward_left", "forward_right", "mouth_left", "mouth_right", "back_left",
                                "back_right"), False),
    "own": Exercise("an exercise of the school's own", (), False),
}
LEAST_MARKS = 4  # a picture is placed by its marks

@dataclass(frozen=True)
class Mark:
    """A cone, with or without a pole in it. `name` is a role of the exercise, or free for a further cone.

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

    def sides(self) -> dict[str, Line]:
        """Its four edges as lines whose yard is the inside: 'front' is the one away from the bay's back."""
        corners = {"left": (self.x_min_m, self.y_max_m, self.x_max_m, self.y_max_m, -1),
                   "right": (self.x_min_m, self.y_min_m, self.x_max_m, self.y_min_m, 1),
                   "front": (self.x_max_m, self.y_min_m, self.x_max_m, self.y_max_m, 1),
                   "back": (self.x_min_m, self.y_min_m, self.x_min_m, self.y_max_m, -1)}
        return {name: Line(name, x0, y0, x1, y1, 0.1, side) for name, (x0, y0, x1, y1, side) in corners.items()}


@dataclass(frozen=True)
class Course:
    """One exercise's yard. `bay` is where the run ends; `barrier` is the solid behind the stopping box.

    `exercise` is a key of EXERCISES. Stopping box and barrier are None when the exercise has none."""

    name: str
    marks: tuple[Mark, ...]
    lines: tuple[Line, ...]
    bay: Area
    stopping_box: Area | None
    barrier: Area | None
    barrier_height_m: float
    source: str = ""
    exercise: str = "s_reverse"

    def mark(self, name: str) -> Mark:
        for m in self.marks:
            if m.name == name:
                return m
        raise KeyError(name)

    def has_mark(self, name: str) -> bool:
        return any(m.name == name for m in self.marks)

    def has_marks(self, *names: str) -> bool:
        return all(self.has_mark(name) for name in names)

    def own_bay_sides_m(self) -> tuple[float, ...]:
        """y of the bay's long sides that are painted for the bay: those along which no side line runs."""
        return tuple(y for y in (self.bay.y_max_m, self.bay.y_min_m)
                     if all(abs(float(ln.clearance_m(np.array([x, y])))) > _SAME_PAINT_M
                            for ln in self.lines for x in [(self.bay.x_min_m + self.bay.x_max_m) / 2]))

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


_SAME_PAINT_M = 0.3  # lines nearer than this are two names for one


@dataclass(frozen=True)
class SurveyedMark:
    """Where a mark really stands (course frame, m; middle of its base). `sd_m` is its own standard deviation, against
    what is measured beside it; `frame_sd_m` that of the course frame there, which all that is near it shares."""

    name: str
    x_m: float
    y_m: float
    sd_m: float
    nominal_x_m: float
    nominal_y_m: float
    frame_sd_m: float = 0.0

    @property
    def in_course_sd_m(self) -> float:
        """Standard deviation of its place in the course frame."""
        return math.hypot(self.sd_m, self.frame_sd_m)


@dataclass(frozen=True)
class SurveyedLine:
    """Where a painted line's yard-side edge really runs (course frame, m); `sd_m` and `frame_sd_m` across the line, as
    of a mark."""

    name: str
    x0_m: float
    y0_m: float
    x1_m: float
    y1_m: float
    sd_m: float
    frame_sd_m: float = 0.0

    @property
    def in_course_sd_m(self) -> float:
        """Standard deviation of its place in the course frame."""
        return math.hypot(self.sd_m, self.frame_sd_m)


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
    exercise = t.choice("exercise", tuple(EXERCISES), "s_reverse")
    marks = tuple(_mark_from_table(m) for m in t.tables("mark"))
    names = [m.name for m in marks]
    for role in EXERCISES[exercise].roles:
        if role not in names:
            raise t.fail("mark", f"the mark '{role}' is missing", f"add a [[mark]] with name = \"{role}\"")
    for n in names:
        if names.count(n) > 1:
            raise t.fail("mark", f"the mark '{n}' is given twice", "give every mark a name of its own")
    if len(marks) < LEAST_MARKS:
        raise t.fail("mark", f"{len(marks)} marks", f"at least {LEAST_MARKS} are needed to place a picture")
    bay = _area_from_table(t.table("bay", REQUIRED))
    stopping = None
    if EXERCISES[exercise].stopping_box or t.has("stopping_box"):
        stopping = _area_from_table(t.table("stopping_box", REQUIRED))
    barrier, barrier_height = None, 0.0
    if t.has("barrier"):
        b = t.table("barrier")
        barrier_height = b.number("height_m", 0.05, 3.0, 1.0)
        barrier = _area_from_table(b)
    middle = np.mean([[m.x_m, m.y_m] for m in marks], axis=0)
    lines = tuple(_line_from_table(ln, middle) for ln in t.tables("line"))
    t.done()
    return Course(name, marks, lines, bay, stopping, barrier, barrier_height, source, exercise)


def check_room(course: Course, vehicle: Vehicle) -> None:
    """Raises Trouble when the bay cannot hold the vehicle: narrower than its body (mirrors left out)."""
    width_m = course.bay.y_max_m - course.bay.y_min_m
    if width_m <= vehicle.overall_width_m:
        raise Trouble(f"the bay is {width_m:g} m wide, the vehicle ({vehicle.name}) {vehicle.overall_width_m:g} m",
                      where="bay.y_max_m", remedy="bay.y_max_m less bay.y_min_m must exceed "
                      f"{vehicle.overall_width_m:g} m "
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
