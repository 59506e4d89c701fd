"""The vehicle and the course as plain numbers, and the exact distance between them at one pose, compiled.

The same distances as in analysis.clearance, which works on whole runs with their covariances and is the check of this.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from analysis.clearance import MIRROR_HANGS_M, line_normal, mark_reach_m
from analysis.course import Course
from analysis.room.nouns import Limits
from analysis.vehicle import Vehicle


@dataclass(frozen=True)
class Numbers:
    """What the compiled loops need.

    boxes (b, 5): middle x, middle y, half length, half width, corner radius of each solid and mirror, vehicle frame.
    pairs (p, 4): box index, mark x, mark y, the mark's radius as that box meets it.
    lines (l, 3): nx, ny, offset, so that nx x + ny y + offset is the clearance of a point.
    tyres (4, 5): x, y, half length, half width, 1 if steered.
    outline (k, 2); barrier (4,) x_min (far behind), x_max, y_min, y_max, or empty; wall (3,): see _round_the_pivot.
    """

    wheelbase_m: float
    boxes: np.ndarray
    pairs: np.ndarray
    lines: np.ndarray
    tyres: np.ndarray
    outline: np.ndarray
    barrier: np.ndarray
    wall: np.ndarray
    full_width: bool


def numbers_of(vehicle: Vehicle, course: Course, limits: Limits) -> Numbers:
    boxes, undersides = [], []
    for s in vehicle.solids:
        boxes.append(_box(s.x_min_m, s.x_max_m, -s.width_m / 2, s.width_m / 2, s.corner_radius_m))
        undersides.append(s.z_min_m)
    for outline in vehicle.mirror_outlines_m():
        (x0, y0), (x1, y1) = outline.min(axis=0), outline.max(axis=0)
        boxes.append(_box(x0, x1, y0, y1, 0.0))
        undersides.append(vehicle.mirror_z_m - MIRROR_HANGS_M)
    pairs = []
    for mark in course.marks:
        for k, z_m in enumerate(undersides):
            reach = mark_reach_m(mark, z_m)
            if reach is not None:
                pairs.append((float(k), mark.x_m, mark.y_m, reach))
    b = course.barrier
    if b:  # its two front corners against the whole body; its front against the body's outline is `barrier`
        boxes.append(_box(vehicle.x_rear_m, vehicle.x_front_m, -vehicle.width_m / 2, vehicle.width_m / 2,
                          vehicle.corner_radius_m))
        pairs += [(float(len(boxes) - 1), b.x_max_m, y, 0.0) for y in (b.y_min_m, b.y_max_m)]
    lines = []
    for line in course.lines:
        n = line_normal(line)
        lines.append((n[0], n[1], -(n @ [line.x0_m, line.y0_m])))
    tyres = [(t.x_m, t.y_m, t.length_m / 2, t.width_m / 2, float(t.steered)) for t in vehicle.tyres()]
    barrier = np.array([b.x_min_m - vehicle.length_m, b.x_max_m, b.y_min_m, b.y_max_m]) if b else np.zeros(0)
    return Numbers(vehicle.wheelbase_m, np.array(boxes), np.array(pairs).reshape(-1, 4),
                   np.array(lines).reshape(-1, 3), np.array(tyres), vehicle.body_outline_m(), barrier,
                   _round_the_pivot(course), limits.full_width)


def _round_the_pivot(course: Course) -> np.ndarray:
    """(3,) x and y of the pivot cone and the side (+1: greater y) on which reversing has to pass it: that of the bay,
    not back along the lane that was driven up. Empty in an exercise without a pivot."""
    if not course.has_marks("pivot", "forward_left", "forward_right", "mouth_left", "mouth_right"):
        return np.zeros(0)
    pivot = course.mark("pivot")
    pair_m, bay_m = (np.mean([course.mark(f"{end}_{side}").y_m for side in ("left", "right")])
                     for end in ("forward", "mouth"))
    return np.array([pivot.x_m, pivot.y_m, 1.0 if bay_m > pair_m else -1.0])


def _box(x0: float, x1: float, y0: float, y1: float, radius: float) -> tuple[float, float, float, float, float]:
    half_length, half_width = (x1 - x0) / 2, (y1 - y0) / 2
    return (x0 + x1) / 2, (y0 + y1) / 2, half_length, half_width, min(radius, half_length, half_width)


@njit(cache=True, nogil=True, fastmath=True)
def box_distance(px: float, py: float, half_x: float, half_y: float, radius: float) -> float:
    """Signed distance of a point to a box about the origin with rounded corners; negative inside."""
    qx, qy = abs(px) - half_x + radius, abs(py) - half_y + radius
    if qx > 0 and qy > 0:
        return np.sqrt(qx * qx + qy * qy) - radius
    return max(qx, qy) - radius


@njit(cache=True, nogil=True, fastmath=True)
def pivot_offset(x: float, c: float, s: float, outline: np.ndarray, wall: np.ndarray) -> float:
    """How far on its right side the body, where it stands across the pivot's x, passes the pivot: this, and wall[2] y;
    negative on the wrong side, very far where it does not stand across. On the right side never less than the distance
    to the pivot."""
    least = 1e9
    last = outline.shape[0] - 1
    x0 = x + c * outline[last, 0] - s * outline[last, 1] - wall[0]
    y0 = s * outline[last, 0] + c * outline[last, 1] - wall[1]
    for k in range(outline.shape[0]):
        x1 = x + c * outline[k, 0] - s * outline[k, 1] - wall[0]
        y1 = s * outline[k, 0] + c * outline[k, 1] - wall[1]
        if (x0 < 0) != (x1 < 0):
            least = min(least, wall[2] * (y0 + (y1 - y0) * x0 / (x0 - x1)))
        x0, y0 = x1, y1
    return least


@njit(cache=True, nogil=True, fastmath=True)
def body_clearance(x: float, y: float, c: float, s: float, boxes: np.ndarray, pairs: np.ndarray, outline: np.ndarray,
                   barrier: np.ndarray, wall: np.ndarray, cap: float) -> float:
    """Body and mirrors to marks, body to barrier, at one pose (c, s: cosine and sine of its heading)."""
    least = cap
    if wall.shape[0] and abs(x - wall[0]) < 20.0:
        least = min(least, wall[2] * y + pivot_offset(x, c, s, outline, wall))
    for p in range(pairs.shape[0]):
        dx, dy = pairs[p, 1] - x, pairs[p, 2] - y
        b = boxes[int(pairs[p, 0])]
        d = box_distance(c * dx + s * dy - b[0], -s * dx + c * dy - b[1], b[2], b[3], b[4]) - pairs[p, 3]
        least = min(least, d)
    if barrier.shape[0]:
        mid_x, mid_y = (barrier[0] + barrier[1]) / 2, (barrier[2] + barrier[3]) / 2
        half_x, half_y = (barrier[1] - barrier[0]) / 2, (barrier[3] - barrier[2]) / 2
        for k in range(outline.shape[0]):
            px, py = x + c * outline[k, 0] - s * outline[k, 1], y + s * outline[k, 0] + c * outline[k, 1]
            least = min(least, box_distance(px - mid_x, py - mid_y, half_x, half_y, 0.0))
    return least


@njit(cache=True, nogil=True, fastmath=True)
def tyre_reach(heading: float, wheel: float, nx: float, ny: float, tyres: np.ndarray, wheelbase: float,
               full_width: bool) -> float:
    """How far the tyres reach from the rear axle along the line's normal: the least over the tyres (negative towards
    the line). With full width a tyre reaches as far as its innermost corner."""
    c, s = np.cos(heading), np.sin(heading)
    least = 1e9
    tangent = np.tan(wheel)
    for k in range(tyres.shape[0]):
        turn = heading
        if tyres[k, 4] > 0.5:
            turn += np.arctan2(tangent, 1 - tyres[k, 1] / wheelbase * tangent)
        ct, st = np.cos(turn), np.sin(turn)
        at = nx * (c * tyres[k, 0] - s * tyres[k, 1]) + ny * (s * tyres[k, 0] + c * tyres[k, 1])
        half = abs(nx * ct + ny * st) * tyres[k, 2] + abs(-nx * st + ny * ct) * tyres[k, 3]
        least = min(least, at + half if full_width else at - half)
    return least


@njit(cache=True, nogil=True, fastmath=True)
def clearance_at(x: float, y: float, heading: float, wheel: float, wheelbase: float, boxes: np.ndarray,
                 pairs: np.ndarray, lines: np.ndarray, tyres: np.ndarray, outline: np.ndarray, barrier: np.ndarray,
                 wall: np.ndarray, full_width: bool, cap: float) -> float:
    """The worst clearance at one pose, at most `cap`."""
    least = body_clearance(x, y, np.cos(heading), np.sin(heading), boxes, pairs, outline, barrier, wall, cap)
    for k in range(lines.shape[0]):
        reach = tyre_reach(heading, wheel, lines[k, 0], lines[k, 1], tyres, wheelbase, full_width)
        least = min(least, lines[k, 0] * x + lines[k, 1] * y + lines[k, 2] + reach)
    return least


@njit(cache=True, nogil=True, fastmath=True)
def _clearances(states, wheelbase, boxes, pairs, lines, tyres, outline, barrier, wall, full_width,
                cap):  # type: ignore[no-untyped-def]
    out = np.empty(states.shape[0])
    for k in range(states.shape[0]):
        out[k] = clearance_at(states[k, 0], states[k, 1], states[k, 2], states[k, 3], wheelbase, boxes, pairs, lines,
                              tyres, outline, barrier, wall, full_width, cap)
    return out


def clearances_m(n: Numbers, states: np.ndarray, cap_m: float = 99.0, *, reversing: bool = False) -> np.ndarray:
    """(n,) worst clearance of each state (n, 4): x, y, heading, wheel; at most cap_m. `reversing`: the pivot is also
    to be passed on its right side, which going forward does not matter."""
    return _clearances(np.ascontiguousarray(states, float), n.wheelbase_m, n.boxes, n.pairs, n.lines, n.tyres,
                       n.outline, n.barrier, n.wall if reversing else n.wall[:0], n.full_width, cap_m)
