"""Planned runs: read from the room field step by step with exact geometry, so that their room is proved."""

from __future__ import annotations

import math

import numpy as np

from analysis.room import sweeps
from analysis.room.field import CAP_M, SCALE, RoomField, parked_m
from analysis.room.nouns import PlannedRun
from analysis.room.solids import clearances_m

FINE_M = 0.05  # spacing of the poses of a planned run, about
_AS_GOOD_M = 0.01  # another shunt, or going further into the box, must gain more than this
_PREFER_M_PER_RAD = 0.02  # of about equal arcs the one with less turning of the wheel is taken

_NOT_PARKED_M = -0.3  # at the end; less is a run that does not reach the box

Pose = tuple[float, float, float]


def best_run(field: RoomField, pose: Pose, wheel_rad: float = 0.0, shunts: int = 0, *,
             forward_first: bool = False) -> PlannedRun:
    """The run that the field holds for best from a pose with at most `shunts` pull-forwards; reversing first, or
    with `forward_first` pulling forward, which is the first of them.

    Its clearances are exact at every few centimetres, so `room_m` is a lower bound of what is possible, whatever
    the field's error.
    """
    state, entry = np.array([*pose, wheel_rad]), 2 * shunts - int(forward_first)
    rows = [np.array([[*state, 1.0 if entry % 2 else -1.0, 0.0]])]
    least = float(clearances_m(field.numbers, state[None], CAP_M)[0])
    for _ in range(40 * len(field.grid.x_m)):  # an end in any case; twice the layers is usual
        on, target, layer = _look(field, state, entry)
        parked = float(parked_m(field, state[None])[0])
        if entry % 2 == 0 and parked > 0 and parked >= min(on, least) - _AS_GOOD_M:
            break
        # on the way forward reversing again is the rule, on the way back a shunt the exception
        gain = _AS_GOOD_M if entry % 2 == 0 else -2 * _AS_GOOD_M
        if entry and _look(field, state, entry - 1)[0] > on + gain:
            entry -= 1
            continue
        if not np.isfinite(on):
            break
        way = _follow(field, state, target, layer, entry)
        rows.append(way)
        state = way[-1, :4]
        least = min(least, float(clearances_m(field.numbers, way[:, :4], CAP_M).min()))
    return finished(field, np.concatenate(rows))


def _look(field: RoomField, state: np.ndarray, entry: int) -> tuple[float, float, int]:
    """(value, target wheel, layer) of the arc to take in the entry's direction; -inf when there is none."""
    layer = int(field.layer_from(state[:1], entry)[0])
    if layer < 0:
        return -math.inf, float(state[3]), layer
    g, n, limits = field.grid, field.numbers, field.limits
    value, target = sweeps.look_ahead(
        state[0], state[1], state[2], state[3], g.x_m[layer], field.values[entry, layer], SCALE, g.heading_rad, g.y_m,
        g.wheel_rad, 31, limits.max_wheel_rad, limits.wheel_per_m_rad, FINE_M, _PREFER_M_PER_RAD, n.wheelbase_m,
        n.boxes, n.pairs, n.lines, n.tyres, n.outline, n.barrier, n.wall[:0] if entry % 2 else n.wall, n.full_width,
        CAP_M)
    return float(value), float(target), layer


def _follow(field: RoomField, state: np.ndarray, target: float, layer: int, entry: int) -> np.ndarray:
    """(n, 6) rows along the arc: x, y, heading, wheel, direction, metres rolled since the row before."""
    x, y, heading, wheel = state
    dx = float(field.grid.x_m[layer] - x)
    parts = max(2, math.ceil(abs(dx) / math.cos(heading) / FINE_M))
    dy, headings = np.empty(parts), np.empty(parts)
    sweeps.roll(heading, wheel, target, dx, parts, field.numbers.wheelbase_m, dy, headings)
    share = np.arange(1, parts + 1) / parts
    xs, ys = x + dx * share, y + dy
    step = np.hypot(np.diff(xs, prepend=x), np.diff(ys, prepend=y))
    return np.column_stack([xs, ys, headings, wheel + (target - wheel) * share, np.full(parts, 1 if entry % 2 else -1),
                            step])


def finished(field: RoomField, rows: np.ndarray) -> PlannedRun:
    """The run of rows (n, 6), as `_follow` gives them; its clearances exact."""
    clear = clearances_m(field.numbers, rows[:, :4])
    back = np.flatnonzero(rows[:, 4] < 0)
    back = back[back > 0]  # where it starts from is not yet its doing
    clear[back] = clearances_m(field.numbers, rows[back, :4], reversing=True)
    end = float(parked_m(field, rows[-1:, :4])[0])
    reaches = end > _NOT_PARKED_M
    least = float(min(clear.min(), end) if reaches else clear.min())
    x, y, heading, wheel, direction, step = rows.T
    return PlannedRun(x, y, heading, wheel, direction.astype(int), np.cumsum(step), clear, least, reaches)


def best_stop(field: RoomField, shunts: int = 0) -> Pose:
    """The place to stop at the forward pair, straight, its front 0.4 m short of the pair, with the most room left; of
    equal ones the middle one."""
    a, b = field.course.mark("forward_left"), field.course.mark("forward_right")
    x = max(a.x_m, b.x_m) - 0.4 - field.vehicle.x_front_m
    y = np.linspace(min(a.y_m, b.y_m), max(a.y_m, b.y_m), 81)
    room = field.room_m(np.full_like(y, x), y, np.zeros_like(y), None, shunts)
    near = np.flatnonzero(room >= np.nanmax(room) - _AS_GOOD_M)
    return float(x), float(y[near[len(near) // 2]]), 0.0
