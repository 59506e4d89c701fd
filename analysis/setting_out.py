"""How a course is set out by one person with one tape: pegs along a baseline, two distances to each mark, checks.

Each mark is where two arcs cross: one about its foot on the baseline, one about another peg. So no right angle need be
made, and every distance is one that the tape can reach. Distances are as printed, to half a centimetre.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.course import EXERCISES, Course, Line
from analysis.trouble import Trouble

TAPE_M = 30.0  # the usual tape of a yard
LEAST_BASE_M = 3.0  # arcs about pegs closer together cross at too sharp an angle
LEAST_OFFSET_M = 0.005  # nobody sets a cone out more exactly (own choice)


@dataclass(frozen=True)
class Peg:
    """A place on the baseline: how far along from peg 0, and the tape reading from the peg hooked to (None: peg 0).

    serves: names of the marks whose foot it is; empty for a peg that is there for the tape alone."""

    name: str
    along_m: float
    hooked_to: str | None
    reading_m: float
    serves: tuple[str, ...]


@dataclass(frozen=True)
class Placing:
    """A mark (or line end) from two pegs: across_m from its foot, positive to the left when walking along the
    baseline; tie_m from another peg. A mark on the baseline has its foot only (tie_to None)."""

    name: str
    foot: str
    along_m: float
    across_m: float
    tie_to: str | None
    tie_m: float


@dataclass(frozen=True)
class Check:
    """A distance between two marks that shows whether the shape is right; `diagonal` of the bay."""

    a: str
    b: str
    distance_m: float
    diagonal: bool


@dataclass(frozen=True)
class SettingOut:
    """start_m and along (unit vector) place the baseline in the course frame; peg 0 stands at start_m."""

    baseline: str
    start_m: tuple[float, float]
    along: tuple[float, float]
    pegs: tuple[Peg, ...]
    placings: tuple[Placing, ...]
    checks: tuple[Check, ...]
    length_m: float
    width_m: float
    middle_m: tuple[float, float]  # of the needed yard, along and across the baseline


def setting_out(course: Course, *, baseline: str | None = None, tape_m: float = TAPE_M,
                margin_m: float = 3.0) -> SettingOut:
    """The plan of work for a course. baseline: the line to measure along (default: the one nearest to the bay that
    runs along it). margin_m: kept free all round.

    Raises Trouble when the course has no line to measure along, or the named one is not there."""
    line = _baseline(course, baseline)
    start, along = _frame(line, course)
    across = np.array([-along[1], along[0]])
    wanted = {m.name: (m.x_m, m.y_m) for m in course.marks}
    for other in course.lines:
        if other.name != line.name:
            wanted |= {f"{other.name} start": (other.x0_m, other.y0_m), f"{other.name} end": (other.x1_m, other.y1_m)}
    local = {n: (_half_cm(float((np.array(p) - start) @ along)), float((np.array(p) - start) @ across))
             for n, p in wanted.items()}
    ends = [_half_cm(float((np.array(p) - start) @ along))
            for p in ((line.x0_m, line.y0_m), (line.x1_m, line.y1_m))]
    pegs = _pegs({a for a, _ in local.values()} | {0.0, *ends}, local, tape_m)
    placings = tuple(_placing(n, a, b, pegs, tape_m)
                     for n, (a, b) in sorted(local.items(), key=lambda i: (i[1][0], abs(i[1][1]))))
    extent = np.array([*local.values(), (ends[0], 0.0), (ends[1], 0.0), *_solids(course, start, along, across)])
    low, high = extent.min(axis=0) - margin_m, extent.max(axis=0) + margin_m
    return SettingOut(line.name, (float(start[0]), float(start[1])), (float(along[0]), float(along[1])), pegs,
                      placings, _checks(course, tape_m), float(high[0] - low[0]), float(high[1] - low[1]),
                      (float(low[0] + high[0]) / 2, float(low[1] + high[1]) / 2))


def _baseline(course: Course, name: str | None) -> Line:
    if name is not None:
        for line in course.lines:
            if line.name == name:
                return line
        raise Trouble(f"the course has no line '{name}'", where="baseline",
                      remedy="allowed: " + ", ".join(ln.name for ln in course.lines))
    if not course.lines:
        raise Trouble("has no line to measure along", where="line", remedy="add a [[line]] along one side of the yard")
    along = [ln for ln in course.lines if abs(ln.y1_m - ln.y0_m) < abs(ln.x1_m - ln.x0_m)] or list(course.lines)
    middle = np.array([(course.bay.x_min_m + course.bay.x_max_m) / 2, (course.bay.y_min_m + course.bay.y_max_m) / 2])
    return min(along, key=lambda ln: abs(float(ln.clearance_m(middle))))


def _frame(line: Line, course: Course) -> tuple[np.ndarray, np.ndarray]:
    """Peg 0 where the bay's back line meets the baseline; the walk goes away from the bay."""
    a, b = np.array([line.x0_m, line.y0_m]), np.array([line.x1_m, line.y1_m])
    along = (b - a) / np.hypot(*(b - a))
    if along[0] < 0:
        along = -along
    back = np.array([course.bay.x_min_m, (course.bay.y_min_m + course.bay.y_max_m) / 2])
    return a + along * float((back - a) @ along), along


def _pegs(places: set[float], local: dict[str, tuple[float, float]], tape_m: float) -> tuple[Peg, ...]:
    """Pegs in walking order: peg 0, the few behind it, then outwards. The tape stays hooked until it is too short,
    then moves to the last peg laid. Where no other peg could serve for the second arc, there is one more."""
    farthest = max(abs(across) for _, across in local.values())
    reach_m = math.sqrt(max(tape_m**2 - farthest**2, LEAST_BASE_M**2))
    spread = sorted(places)
    for a, b in itertools.pairwise(tuple(spread)):
        steps = math.ceil((b - a) / reach_m - 1e-9)
        spread += [_half_cm(a + (b - a) * k / steps) for k in range(1, steps)]
    for p in sorted(places):
        if not any(LEAST_BASE_M <= abs(p - q) <= reach_m for q in spread):
            spread.append(_half_cm(p - 0.9 * reach_m if p > 0 else p + 0.9 * reach_m))
    out = [Peg("0", 0.0, None, 0.0, _serves(0.0, local))]
    for side in (sorted((p for p in spread if p < 0), reverse=True), sorted(p for p in spread if p > 0)):
        hook = last = out[0]
        for along in side:
            if abs(along - hook.along_m) > tape_m:
                hook = last
            last = Peg(str(len(out)), along, hook.name, _half_cm(abs(along - hook.along_m)), _serves(along, local))
            out.append(last)
    return tuple(out)


def _half_cm(value_m: float) -> float:
    """As printed and as read off a tape."""
    return round(value_m * 200) / 200


def _serves(along_m: float, local: dict[str, tuple[float, float]]) -> tuple[str, ...]:
    return tuple(n for n, (a, _) in local.items() if a == along_m)


def _placing(name: str, along_m: float, across_m: float, pegs: Sequence[Peg], tape_m: float) -> Placing:
    """The tie is taken to the peg from which the second arc crosses the first most squarely within the tape's reach."""
    foot = next(p for p in pegs if p.along_m == along_m)
    offset = _half_cm(abs(across_m))
    if offset < LEAST_OFFSET_M:
        return Placing(name, foot.name, along_m, 0.0, None, 0.0)
    if offset > tape_m:
        raise Trouble(f"{name} is {offset:.2f} m from the baseline, the tape {tape_m:g} m long", where="baseline",
                      remedy="measure along another line, or with a longer tape")
    within = [p for p in pegs if p is not foot and abs(p.along_m - along_m) >= LEAST_BASE_M
              and math.hypot(p.along_m - along_m, offset) <= tape_m]
    if not within:
        raise Trouble(f"no peg within {tape_m:g} m of {name} to measure from", where="tape",
                      remedy="use a longer tape")
    # Arcs cross squarely enough when the other peg is farther along than the mark is out; a shorter tape sags less.
    far = [p for p in within if abs(p.along_m - along_m) >= 1.3 * offset]
    tie = (min if far else max)(far or within, key=lambda p: abs(p.along_m - along_m))
    return Placing(name, foot.name, along_m, math.copysign(offset, across_m), tie.name,
                   _half_cm(math.hypot(tie.along_m - along_m, across_m)))


def _solids(course: Course, start: np.ndarray, along: np.ndarray, across: np.ndarray) -> list[tuple[float, float]]:
    """Corners of bay and barrier, along and across the baseline."""
    corners = [(x, y) for a in (course.bay, course.barrier) if a
               for x in (a.x_min_m, a.x_max_m) for y in (a.y_min_m, a.y_max_m)]
    return [(float((np.array(c) - start) @ along), float((np.array(c) - start) @ across)) for c in corners]


def _checks(course: Course, tape_m: float) -> tuple[Check, ...]:
    """Both diagonals of the bay, then for every other mark that the exercise needs the two farthest marks within the
    tape's reach that are not in line with it."""
    at = {m.name: np.array([m.x_m, m.y_m]) for m in course.marks}
    out: list[Check] = []
    bay = ("back_left", "back_right", "mouth_left", "mouth_right")
    if course.has_marks(*bay):
        out += [_check(at, "back_left", "mouth_right", True), _check(at, "back_right", "mouth_left", True)]
    for name in (r for r in EXERCISES[course.exercise].roles or tuple(at) if r not in bay):
        far = sorted((n for n in at if n != name and np.hypot(*(at[n] - at[name])) <= tape_m),
                     key=lambda n: -float(np.hypot(*(at[n] - at[name]))))
        chosen: list[np.ndarray] = []
        for n in far:
            u = at[n] - at[name]
            if len(chosen) < 2 and all(abs(u[0] * v[1] - u[1] * v[0]) > 0.1 * np.hypot(*u) * np.hypot(*v)
                                       for v in chosen):
                chosen.append(u)
                if not any({c.a, c.b} == {name, n} for c in out):
                    out.append(_check(at, name, n, False))
    return tuple(out)


def _check(at: dict[str, np.ndarray], a: str, b: str, diagonal: bool) -> Check:
    return Check(a, b, float(np.hypot(*(at[a] - at[b]))), diagonal)
