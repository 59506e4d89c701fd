"""A search for a way into the bay that knows nothing of the room field: states grown arc by arc with exact clearances.

In each generation every state is rolled on by one arc of ARC_M with each of WHEELS wheel angles within reach; arcs that
come nearer than `least_m` to anything are dropped; of states in the same cell one stays, and of more than MOST cells a
random choice, those nearer to the bay's middle line and heading more likely.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from analysis.course import Course
from analysis.room.field import stop_area
from analysis.room.nouns import Limits
from analysis.room.solids import Numbers, clearance_at
from analysis.vehicle import Vehicle

ARC_M, PARTS, WHEELS, MOST = 0.8, 4, 9, 1500
CELL = np.array([0.25, 0.08, np.radians(1.5), np.radians(6.0)])  # x, y, heading, wheel


def finds_way(vehicle: Vehicle, course: Course, numbers: Numbers, limits: Limits, start: np.ndarray, least_m: float,
              seed: int = 0) -> bool:
    """Whether a way in one reverse from the state (4,) into the box was found."""
    rng = np.random.default_rng(seed)
    states = start[None].astype(float)
    box = stop_area(course, vehicle)
    goal = np.array([box.x_min_m, box.x_max_m, course.bay.y_min_m, course.bay.y_max_m, limits.final_heading_rad])
    n = numbers
    for _ in range(round(2.0 * (start[0] + 5.0) / ARC_M)):
        grown, alive, parked = _grow(states, ARC_M, limits.max_wheel_rad, limits.wheel_per_m_rad, least_m, goal,
                                     n.wheelbase_m, n.boxes, n.pairs, n.lines, n.tyres, n.outline, n.barrier, n.wall,
                                     n.full_width)
        if parked:
            return True
        states = _thinned(grown[alive], rng)
        if not len(states):
            return False
    return False


def _thinned(states: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    states = states[rng.permutation(len(states))]
    _, first = np.unique(np.round(states / CELL).astype(np.int64), axis=0, return_index=True)
    states = states[first]
    if len(states) > MOST:
        off = np.abs(states[:, 1]) + 4.0 * np.abs(states[:, 2])
        keep = np.argsort(off + 3.0 * rng.exponential(size=len(states)))[:MOST]
        states = states[keep]
    return states


@njit(cache=True)
def _parked(x, y, heading, outline, goal):  # type: ignore[no-untyped-def]
    if abs(heading) > goal[4]:
        return False
    c, s = np.cos(heading), np.sin(heading)
    rear = 1e9
    for k in range(outline.shape[0]):
        rear = min(rear, x + c * outline[k, 0] - s * outline[k, 1])
        across = y + s * outline[k, 0] + c * outline[k, 1]
        if across < goal[2] or across > goal[3]:
            return False
    return goal[0] <= rear <= goal[1]


@njit(cache=True)
def _grow(states, arc_m, lock, per_m, least_m, goal, wheelbase, boxes, pairs, lines, tyres, outline, barrier, wall,
          full_width):  # type: ignore[no-untyped-def]
    grown = np.empty((states.shape[0] * WHEELS, 4))
    alive = np.zeros(states.shape[0] * WHEELS, np.bool_)
    for i in range(states.shape[0]):
        low, high = max(-lock, states[i, 3] - per_m * arc_m), min(lock, states[i, 3] + per_m * arc_m)
        for u in range(WHEELS):
            target = low + (high - low) * u / (WHEELS - 1)
            x, y, heading, before = states[i]
            good = True
            for p in range(PARTS):
                wheel = before + (target - before) * (p + 0.5) / PARTS
                bend = -np.tan(wheel) / wheelbase * arc_m / PARTS
                x -= arc_m / PARTS * np.cos(heading + bend / 2)
                y -= arc_m / PARTS * np.sin(heading + bend / 2)
                heading += bend
                wheel = before + (target - before) * (p + 1) / PARTS
                if abs(heading) > 1.4 or clearance_at(x, y, heading, wheel, wheelbase, boxes, pairs, lines, tyres,
                                                      outline, barrier, wall, full_width, 9.0) < least_m:
                    good = False
                    break
                if _parked(x, y, heading, outline, goal):
                    return grown, alive, True
            k = i * WHEELS + u
            alive[k] = good
            grown[k, 0], grown[k, 1], grown[k, 2], grown[k, 3] = x, y, heading, target
    return grown, alive, False
