"""What the mirrors could show: each mark against the ground that a mirror must show, over time.

UN Regulation No 46 prescribes, behind the plane across the vehicle through the driver's eyes and outwards from the
vehicle's side, a strip of ground for each class of mirror: the least that an approved, well-set mirror shows. Figures
of class IV: from memory, confirmed by the area that EU law states for the field (307.9 m2); of class II: from memory.

A model of what could be seen, never of what the driver looked at. Real mirrors show more than the least. Ahead of
all fields the driver looks out directly, which is not modelled.
"""

from __future__ import annotations

import numpy as np

from analysis.attempt import AHEAD, HIDDEN, MAIN, WIDE_ANGLE, Leg, MarkView, Mirrors, Motion
from analysis.course import Course, Mark
from analysis.nodes import runs
from analysis.vehicle import Vehicle

# (distance behind the eyes, width outwards from the vehicle's side), m; straight between, the last one kept beyond.
MAIN_FIELD = ((4.0, 1.0), (30.0, 5.0))
WIDE_FIELD = ((1.5, 4.5), (10.0, 15.0), (25.0, 15.0))  # the same of class IV, wide-angle mirrors
_WIDE_ENDS_M = 25.0  # class II reaches the horizon, class IV need not

_CUE_LASTS_S = 0.5  # a shorter glimpse is no cue


NO_MIRRORS = Mirrors({}, 0, None)  # of a combination: what its trailer hides changes with the angle; not modelled


def field_width_m(field: tuple[tuple[float, float], ...], behind_m: np.ndarray, ends_m: float = np.inf) -> np.ndarray:
    """Width (...) of a field at distances behind the eyes; 0 where there is none."""
    at, width = np.array(field).T
    behind = np.asarray(behind_m, float)
    return np.where((behind >= at[0]) & (behind <= ends_m), np.interp(behind, at, width), 0.0)


def body_hides(vehicle: Vehicle, side: int, points_m: np.ndarray) -> np.ndarray:
    """(n,) whether a solid of the vehicle stands between the mirror's glass on a side (+1 left) and points (n, 3).

    A straight-sided body hides nothing of the fields while the glass stands out beyond it; a cab mirror inside
    the width of the body behind it loses a wedge.
    """
    glass = np.array([vehicle.mirror_x_m, side * vehicle.mirror_glass_y_m, vehicle.mirror_z_m])
    way = np.asarray(points_m, float) - glass
    hidden = np.zeros(len(way), bool)
    for solid in vehicle.solids:
        low = np.array([solid.x_min_m, -solid.width_m / 2, solid.z_min_m])
        high = np.array([solid.x_max_m, solid.width_m / 2, solid.z_max_m])
        with np.errstate(divide="ignore", invalid="ignore"):
            a, b = (low - glass) / way, (high - glass) / way
        beside = (way == 0) & ((glass <= low) | (glass >= high))
        enter = np.where(way == 0, -np.inf, np.minimum(a, b)).max(axis=1)
        leave = np.where(way == 0, np.inf, np.maximum(a, b)).min(axis=1)
        hidden |= (np.maximum(enter, 0.0) < np.minimum(leave, 1.0) - 1e-9) & ~beside.any(axis=1)
    return hidden


def view_of(motion: Motion, vehicle: Vehicle, mark: Mark) -> MarkView:
    """In which mirror's field a mark's foot lies at each time; its foot or its tip must not be hidden."""
    c, s = np.cos(motion.heading_rad), np.sin(motion.heading_rad)
    dx, dy = mark.x_m - motion.x_m, mark.y_m - motion.y_m
    x, y = c * dx + s * dy, -s * dx + c * dy
    side = np.where(y >= 0, 1, -1)
    behind, out = vehicle.eye_x_m - x, np.abs(y) - vehicle.width_m / 2
    hidden = np.zeros(len(x), bool)
    tip_m = max(mark.height_m, mark.pole_height_m)
    for way in (1, -1):
        here = side == way
        foot, tip = (np.column_stack([x, y, np.full(len(x), z)])[here] for z in (0.0, tip_m))
        hidden[here] = body_hides(vehicle, way, foot) & body_hides(vehicle, way, tip)
    outside = (out >= 0) & ~hidden
    begins_m = (WIDE_FIELD if vehicle.wide_angle else MAIN_FIELD)[0][0]
    state = np.where(behind < begins_m, AHEAD, HIDDEN)
    if vehicle.wide_angle:
        state[outside & (out <= field_width_m(WIDE_FIELD, behind, _WIDE_ENDS_M))] = WIDE_ANGLE
    state[outside & (out <= field_width_m(MAIN_FIELD, behind))] = MAIN
    return MarkView(mark.name, side, state)


def mirrors_of(motion: Motion, vehicle: Vehicle, course: Course, legs: tuple[Leg, ...], seen: np.ndarray) -> Mirrors:
    """Every mark's view, and when the marks first stood in the mirrors as for a vehicle lined up with the bay.

    The rule of thumb (common practice, no published source): reversing, two poles in the main mirror on the pivot's
    side, the pivot and the mouth pole on that side, and the other mouth pole in the other. seen (n,) is False
    inside long gaps.
    """
    views = {m.name: view_of(motion, vehicle, m) for m in course.marks}
    if not course.has_marks("pivot", "mouth_left", "mouth_right"):
        return Mirrors(views, 0, None)
    left, right = course.mark("mouth_left"), course.mark("mouth_right")
    pivot_side = 1 if course.mark("pivot").y_m > (left.y_m + right.y_m) / 2 else -1
    near, far = (left.name, right.name) if pivot_side > 0 else (right.name, left.name)
    reversing = np.zeros(len(motion.t_s), bool)
    for leg in legs:
        reversing |= (leg.direction < 0) & (motion.t_s >= leg.t_start_s) & (motion.t_s <= leg.t_end_s)
    lined_up = reversing & seen
    for name, side in (("pivot", pivot_side), (near, pivot_side), (far, -pivot_side)):
        lined_up &= (views[name].state == MAIN) & (views[name].side == side)
    lasting = [first for first, last in runs(lined_up) if motion.t_s[last] - motion.t_s[first] >= _CUE_LASTS_S]
    return Mirrors(views, pivot_side, float(motion.t_s[lasting[0]]) if lasting else None)
