"""Planned runs: read from the room field step by step with exact geometry, so that their room is proved."""

from __future__ import annotations

from dataclasses import dataclass, field as field_of

import numpy as np

from analysis.course import Course
from analysis.room import sweeps
from analysis.room.field import CAP_M, SCALE, RoomField, parked_m, room_field
from analysis.room.nouns import Limits, PlannedRun
from analysis.room.solids import clearances_m
from analysis.vehicle import Vehicle

FINE_M = 0.05  # spacing of the poses of a planned run, about
_AS_GOOD_M = 0.01  # another shunt, or going further into the box, must gain more than this
_PREFER_M_PER_RAD = 0.02  # of about equal arcs the one with less turning of the wheel is taken

Pose = tuple[float, float, float]


@dataclass
class _Written:
    """The poses of a run while it is being read."""

    rows: list[np.ndarray] = field_of(default_factory=list)

    def add(self, x: np.ndarray, y: np.ndarray, heading: np.ndarray, wheel: np.ndarray, direction: int,
            step_m: np.ndarray) -> None:
        self.rows.append(np.column_stack([x, y, heading, wheel, np.full_like(x, direction), step_m]))


def best_run(field: RoomField, pose: Pose, wheel_rad: float = 0.0, shunts: int = 0) -> PlannedRun:
    """The run that the field holds for best from a pose, reversing first, with at most `shunts` pull-forwards.

    Its clearances are exact at every few centimetres, so `room_m` is a lower bound of what is possible, whatever
    the field's error.
    """
    x, y, heading = pose
    wheel, entry = wheel_rad, 2 * shunts
    written = _Written()
    written.add(*(np.array([v]) for v in (x, y, heading, wheel)), -1 if entry % 2 == 0 else 1, np.zeros(1))
    for _ in range(40 * len(field.grid.x_m)):  # an end in any case; some two times the layers is usual
        state = [np.array([v]) for v in (x, y, heading, wheel)]
        on, target, layer = _look(field, *state, entry)
        parked = _parked(field, *state)
        if entry % 2 == 0 and parked > 0 and parked >= min(on, _least_so_far(field, written)) - _AS_GOOD_M:
            break
        if entry:
            other, _, _ = _look(field, *state, entry - 1)
            # on the way forward reversing again is the rule, on the way back a shunt the exception
            if other > on + (_AS_GOOD_M if entry % 2 == 0 else -_AS_GOOD_M / 2):
                entry -= 1
                continue
        if not np.isfinite(on):
            break
        x, y, heading, wheel = _follow(field, written, x, y, heading, wheel, target, layer, 1 if entry % 2 else -1)
    return finished(field, np.concatenate(written.rows))


def _look(field: RoomField, x: np.ndarray, y: np.ndarray, heading: np.ndarray, wheel: np.ndarray,
          entry: int) -> tuple[float, float, int]:
    """(value, target wheel, layer) of the arc to take in the entry's direction; -inf when there is none."""
    layer = int(field.layer_from(x, entry)[0])
    if layer < 0:
        return -np.inf, float(wheel[0]), layer
    g, n, limits = field.grid, field.numbers, field.limits
    value, target = sweeps.look_ahead(
        x[0], y[0], heading[0], wheel[0], g.x_m[layer], field.values[entry, layer], SCALE, g.heading_rad, g.y_m,
        g.wheel_rad, 31, limits.max_wheel_rad, limits.wheel_per_m_rad, FINE_M, _PREFER_M_PER_RAD, n.wheelbase_m,
        n.boxes, n.pairs, n.lines, n.tyres, n.outline, n.barrier, n.full_width, CAP_M)
    return float(value), float(target), layer


def _parked(field: RoomField, x: np.ndarray, y: np.ndarray, heading: np.ndarray, wheel: np.ndarray) -> float:
    return float(parked_m(field.numbers, field.course, field.limits, field.vehicle, x, y, heading, wheel)[0])


def _least_so_far(field: RoomField, written: _Written) -> float:
    return float(_clear(field, np.concatenate(written.rows)).min())


def _clear(field: RoomField, rows: np.ndarray) -> np.ndarray:
    return clearances_m(field.numbers, *(np.ascontiguousarray(rows[:, k]) for k in range(4)))


def _follow(field: RoomField, written: _Written, x: float, y: float, heading: float, wheel: float, target: float,
            layer: int, direction: int) -> tuple[float, float, float, float]:
    dx = float(field.grid.x_m[layer] - x)
    parts = max(2, int(np.ceil(abs(dx) / np.cos(heading) / FINE_M)))
    dy, headings = np.empty(parts), np.empty(parts)
    sweeps.roll(heading, wheel, target, dx, parts, field.numbers.wheelbase_m, dy, headings)
    share = np.arange(1, parts + 1) / parts
    xs, ys, wheels = x + dx * share, y + dy, wheel + (target - wheel) * share
    step = np.hypot(np.diff(xs, prepend=x), np.diff(ys, prepend=y))
    written.add(xs, ys, headings, wheels, direction, step)
    return float(xs[-1]), float(ys[-1]), float(headings[-1]), target


def finished(field: RoomField, rows: np.ndarray) -> PlannedRun:
    """The run of rows (n, 6): x, y, heading, wheel, direction, step rolled; its clearances exact."""
    clear = _clear(field, rows)
    end = parked_m(field.numbers, field.course, field.limits, field.vehicle,
                   *(np.ascontiguousarray(rows[-1:, k]) for k in range(4)))
    reaches = bool(end[0] > _NOT_PARKED_M)
    least = float(min(clear.min(), end[0]) if reaches else clear.min())
    return PlannedRun(rows[:, 0], rows[:, 1], rows[:, 2], rows[:, 3], rows[:, 4].astype(int),
                      np.cumsum(rows[:, 5]), clear, least, reaches)


_NOT_PARKED_M = -0.3


def best_room(vehicle: Vehicle, course: Course, limits: Limits | None = None) -> tuple[float, float, PlannedRun]:
    """(room left, its error, the run) in one reverse from the best place to stop at the forward pair, to be asked when
    a course is set out: room below zero means that it cannot be done in one go."""
    field = room_field(vehicle, course, limits, shunts=0)
    run = best_run(field, best_stop(field))
    return run.room_m, field.grid_sd_m, run


def best_stop(field: RoomField) -> Pose:
    """The place to stop at the forward pair, straight, front level with the pair less 0.4 m, with the most room left;
    of equal ones the middle one."""
    a, b = field.course.mark("forward_left"), field.course.mark("forward_right")
    x = max(a.x_m, b.x_m) - 0.4 - field.vehicle.x_front_m
    y = np.linspace(min(a.y_m, b.y_m), max(a.y_m, b.y_m), 81)
    room = field.room_m(np.full_like(y, x), y, np.zeros_like(y))
    near = np.flatnonzero(room >= np.nanmax(room) - _AS_GOOD_M)
    return float(x), float(y[near[len(near) // 2]]), 0.0
