"""A planned run made smooth: the same way, with nearly as much room, and a wheel that turns evenly.

Runs read from the field turn the wheel in small steps, for the field cares about room only. Here the wheel angle is
linear between knots along each leg; least squares makes it turn as evenly as it can while clearances, the end in the
box, lock and steering rate hold. What comes out is checked exactly, and dropped if anything was given up.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numba import njit
from scipy.optimize import least_squares

from analysis.room.field import RoomField, parked_m, stop_area
from analysis.room.nouns import PlannedRun
from analysis.room.runs import FINE_M, finished
from analysis.room.solids import clearances_m

KNOT_M, COARSE_M = 1.6, 0.2  # steering is changed about every metre and a half; the way is checked every 20 cm at first
_GIVE_M = 0.03  # room that evenness may cost
_TRIES = 30  # bounds the work


@dataclass(frozen=True)
class _Way:
    """What is held fixed: the start state (4,), each leg's direction, knots and number of coarse steps."""

    field: RoomField
    start: np.ndarray
    directions: tuple[int, ...]
    knots: tuple[int, ...]
    steps: tuple[int, ...]
    target_m: float


def smoothed(field: RoomField, run: PlannedRun) -> PlannedRun:
    """The run made smooth; the run itself when that would cost more than a few centimetres of room."""
    turn = np.flatnonzero(np.diff(run.direction)) + 1
    ends = [0, *turn, len(run.x_m) - 1]
    legs = [(a, b) for a, b in pairwise(ends) if run.distance_m[b] - run.distance_m[a] > 0.3]
    if not run.reaches or not legs:
        return run
    lengths = [float(run.distance_m[b] - run.distance_m[a]) for a, b in legs]
    knots = tuple(max(4, round(length / KNOT_M) + 1) for length in lengths)
    way = _Way(field, np.array([run.x_m[0], run.y_m[0], run.heading_rad[0], run.wheel_rad[0]]),
               tuple(int(run.direction[b]) for _, b in legs), knots,
               tuple(max(8, round(length / COARSE_M)) for length in lengths), run.room_m - _GIVE_M / 2)
    first = [np.append(np.interp(np.linspace(run.distance_m[a], run.distance_m[b], n)[1:], run.distance_m,
                                 run.wheel_rad), length)
             for (a, b), n, length in zip(legs, knots, lengths, strict=True)]
    fit = least_squares(_residuals, np.concatenate(first), args=(way,), max_nfev=_TRIES, ftol=1e-4, x_scale="jac")
    smooth = finished(field, _rows(fit.x, way, [max(8, int(np.ceil(m / FINE_M))) for m in lengths]))
    limits = field.limits
    slope = np.abs(np.diff(smooth.wheel_rad)) / np.maximum(np.diff(smooth.distance_m), 1e-6)
    holds = (smooth.reaches and smooth.room_m >= run.room_m - _GIVE_M
             and np.abs(smooth.wheel_rad).max() <= 1.005 * limits.max_wheel_rad
             and slope.max() <= 1.02 * limits.wheel_per_m_rad)
    return smooth if holds else run


def _rows(p: np.ndarray, way: _Way, steps: list[int] | tuple[int, ...]) -> np.ndarray:
    """(n, 6) rows of the run with parameters p: per leg the wheel at its knots but the first, and its length."""
    state, at = way.start, 0
    out = [np.array([[*state, way.directions[0], 0.0]])]
    for direction, knots, n in zip(way.directions, way.knots, steps, strict=True):
        angles, length = np.append(state[3], p[at:at + knots - 1]), max(p[at + knots - 1], 0.05)
        at += knots
        share = np.linspace(0, knots - 1, n + 1)
        wheel = np.interp(share, np.arange(knots), angles)
        states = _roll(state[0], state[1], state[2], np.clip(wheel, -1.3, 1.3), direction * length / n,
                       way.field.numbers.wheelbase_m)
        out.append(np.column_stack([states[1:], np.full((n, 2), [direction, length / n])]))
        state = states[-1]
    return np.concatenate(out)


@njit(cache=True)
def _roll(x, y, heading, wheel, step, wheelbase):  # type: ignore[no-untyped-def]
    """(n, 4) states along even steps; midpoint rule."""
    out = np.empty((wheel.shape[0], 4))
    out[0] = x, y, heading, wheel[0]
    for k in range(1, wheel.shape[0]):
        bend = np.tan((wheel[k] + wheel[k - 1]) / 2) / wheelbase * step
        x += step * np.cos(heading + bend / 2)
        y += step * np.sin(heading + bend / 2)
        heading += bend
        out[k] = x, y, heading, wheel[k]
    return out


def _residuals(p: np.ndarray, way: _Way) -> np.ndarray:
    field, limits = way.field, way.field.limits
    rows = _rows(p, way, way.steps)
    short = np.maximum(0, way.target_m - clearances_m(field.numbers, rows[:, :4])) / 0.01
    out, at, wheel = [short], 0, way.start[3]
    for knots in way.knots:
        angles, length = np.append(wheel, p[at:at + knots - 1]), max(p[at + knots - 1], 0.05)
        at += knots
        per_m = np.diff(angles) / (length / (knots - 1))
        out += [np.diff(angles), 1.5 * np.diff(angles, 2),
                np.maximum(0, np.abs(angles) - limits.max_wheel_rad) / 0.005,
                np.maximum(0, np.abs(per_m) - limits.wheel_per_m_rad) / 0.01]
        wheel = angles[-1]
    return np.concatenate([*out, _end(rows[-1, :4], way)])


def _end(state: np.ndarray, way: _Way) -> np.ndarray:
    """How far the end is from standing in the box, straight, with the wheel straight."""
    field, heading = way.field, state[2]
    outline, box = field.numbers.outline, stop_area(field.course, field.vehicle)
    rear = float((state[0] + np.cos(heading) * outline[:, 0] - np.sin(heading) * outline[:, 1]).min())
    inside = 0.2 * (box.x_max_m - box.x_min_m)
    askew = max(0.0, abs(heading) - 0.3 * field.limits.final_heading_rad) / 0.005
    upright = np.array([[state[0], state[1], 0.0, state[3]]])
    beside = max(0.0, way.target_m - float(parked_m(field, upright)[0])) / 0.02 if \
        box.x_min_m < rear < box.x_max_m else 0.0
    return np.array([max(0.0, box.x_min_m + inside - rear) / 0.02, max(0.0, rear - box.x_max_m + inside) / 0.02,
                     askew, beside, 0.5 * state[3]])
