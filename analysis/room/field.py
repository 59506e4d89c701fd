"""The room field: room left over (x, y, heading, wheel) of one vehicle on one course as surveyed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analysis.course import Area, Course
from analysis.room import sweeps
from analysis.room.nouns import Limits
from analysis.room.solids import Numbers, clearances_m
from analysis.vehicle import Vehicle

CAP_M, FLOOR_M = 1.0, -0.75  # more room than this is of no interest, less is a clear 'no'
SCALE = 5e-5  # values are kept as whole numbers of this many metres
HEADING_PENALTY = 60.0  # m of room per rad that the vehicle would end more askew than allowed


@dataclass(frozen=True)
class Grid:
    """Layers x (nl,) from the box outwards, and on each y (ny,), headings (nh,) and wheel angles (nd,); parts: into
    how many the way from one layer to the next is cut for clearances."""

    x_m: np.ndarray
    y_m: np.ndarray
    heading_rad: np.ndarray
    wheel_rad: np.ndarray
    parts: int


@dataclass(frozen=True)
class Fineness:
    """Cell sizes. The step between layers is a few cells wide, which keeps what interpolation blurs small."""

    y_m: float = 0.08
    heading_rad: float = math.radians(0.75)
    wheels: int = 15
    step_m: float = 0.8
    parts: int = 4
    heading_limit_rad: float = math.radians(60.0)


@dataclass(frozen=True)
class RoomField:
    """values (2 shunts + 1, nl, nh, nd, ny) int16 in units of SCALE: entry 2 k is room left in reverse with k shunts
    still allowed, entry 2 k - 1 the same while driving forward on the k-th shunt from the end.

    blur_m is what interpolating takes off on the median, and is given back by `room_m`; grid_sd_m what remains (1 sd).
    Both were measured on this field, by runs with exact geometry."""

    vehicle: Vehicle
    course: Course
    limits: Limits
    grid: Grid
    numbers: Numbers
    values: np.ndarray
    blur_m: float = 0.0
    grid_sd_m: float = 0.0

    @property
    def shunts(self) -> int:
        return (len(self.values) - 1) // 2

    @cached_property
    def most_m(self) -> np.ndarray:
        """(nl,) the most room that any pose on a layer or beyond can have: the best on the way must be passed."""
        return np.minimum.accumulate([float(layer.max()) for layer in self.values[0]]) * SCALE

    def room_m(self, x_m: np.ndarray, y_m: np.ndarray, heading_rad: np.ndarray, wheel_rad: np.ndarray | None = None,
               shunts: int = 0) -> np.ndarray:
        """(n,) room left (m) of poses (n,), reversing from there, between FLOOR_M and CAP_M.

        wheel_rad is the road wheel's angle there; None: straight ahead. It may not be turned at a standstill. NaN
        outside the grid (beyond the yard, or at right angles to the bay).
        """
        states = states_of(x_m, y_m, heading_rad, wheel_rad)
        g = self.grid
        inside = (np.abs(states[:, 2]) <= g.heading_rad[-1]) & (states[:, 1] >= g.y_m[0]) & \
            (states[:, 1] <= g.y_m[-1]) & (states[:, 0] <= g.x_m[-1] + 1.0)
        room = np.fmin(self._on_from(states, shunts), clearances_m(self.numbers, states, CAP_M))
        return np.where(inside, np.clip(room, FLOOR_M, CAP_M), np.nan)

    def _on_from(self, states: np.ndarray, shunts: int) -> np.ndarray:
        """(n,) value of the best that can follow: going on, turning round right here, or being parked already."""
        on = np.max([self.ahead(states, entry) for entry in range(2 * shunts + 1)], axis=0)
        layer = np.clip(self.layer_from(states[:, 0], 0), 0, None)
        on = np.minimum(on + self.blur_m, np.fmax(self.most_m[layer], on))
        parked = parked_m(self, states)
        return np.fmax(on, np.where(parked > 0, parked, FLOOR_M))

    def ahead(self, states: np.ndarray, entry: int) -> np.ndarray:
        """(n,) value of the best arc into the next layer but one half step, in the entry's direction; -inf: none."""
        g, n = self.grid, self.numbers
        return sweeps.look_ahead_all(
            states, self.layer_from(states[:, 0], entry), g.x_m, self.values[entry], SCALE, g.heading_rad, g.y_m,
            g.wheel_rad, 15, self.limits.max_wheel_rad, self.limits.wheel_per_m_rad, 0.1, n.wheelbase_m, n.boxes,
            n.pairs, n.lines, n.tyres, n.outline, n.barrier, n.wall[:0] if entry % 2 else n.wall, n.full_width, CAP_M)

    def layer_from(self, x: np.ndarray, entry: int) -> np.ndarray:
        """(n,) index of the layer at least half a step on from x in the entry's direction; -1 where there is none."""
        g = self.grid
        half = (g.x_m[-1] - g.x_m[-2]) / 2
        if entry % 2:
            into = np.searchsorted(g.x_m, np.asarray(x) + half)
            return np.where(into < len(g.x_m), into, -1)
        into = np.searchsorted(g.x_m, np.asarray(x) - half, side="right") - 1
        # just before the box the first layers are closer together than half a step
        return np.where((into < 0) & (np.asarray(x) > g.x_m[0] + 1e-6), 0, into)


def states_of(x_m: np.ndarray, y_m: np.ndarray, heading_rad: np.ndarray,
              wheel_rad: np.ndarray | None = None) -> np.ndarray:
    """(n, 4) x, y, heading within a half turn either way, wheel (None: straight ahead)."""
    x, y, heading = (np.atleast_1d(np.asarray(a, float)) for a in (x_m, y_m, heading_rad))
    wheel = np.zeros_like(x) if wheel_rad is None else np.atleast_1d(np.asarray(wheel_rad, float))
    return np.column_stack([x, y, (heading + np.pi) % (2 * np.pi) - np.pi, wheel])


def stop_area(course: Course, vehicle: Vehicle) -> Area:
    """Where the rear may end: the stopping box; without one, as far as the vehicle stands inside the bay."""
    if course.stopping_box:
        return course.stopping_box
    bay = course.bay
    return Area(bay.x_min_m, max(bay.x_max_m - vehicle.length_m, bay.x_min_m + 0.5), bay.y_min_m, bay.y_max_m)


def parked_m(field: RoomField, states: np.ndarray) -> np.ndarray:
    """(n,) clearance of states (n, 4) that may end the run, to the bay's sides included; negative where they may not:
    the rear out of the box, too askew, or body out of the bay. Body is allowed to overhang the bay's front."""
    out = in_bay_m(field, states)
    may = out > FLOOR_M  # few: only of these is the rest needed
    out[may] = np.clip(np.minimum(out[may], clearances_m(field.numbers, states[may], CAP_M)), FLOOR_M, CAP_M)
    return out


def in_bay_m(field: RoomField, states: np.ndarray) -> np.ndarray:
    """(n,) the same to the bay's sides alone, whatever the wheel's angle; FLOOR_M where the run may not end."""
    outline, course, vehicle = field.numbers.outline, field.course, field.vehicle
    x, y, heading = states[:, 0], states[:, 1], states[:, 2]
    if x.min() > stop_area(course, vehicle).x_max_m + vehicle.length_m + vehicle.width_m:  # most looks are on the way
        return np.full(len(states), FLOOR_M)
    c, s = np.cos(heading)[:, None], np.sin(heading)[:, None]
    px = x[:, None] + c * outline[:, 0] - s * outline[:, 1]
    py = y[:, None] + s * outline[:, 0] + c * outline[:, 1]
    rear, box = px.min(axis=1), stop_area(course, vehicle)
    clear = np.minimum(course.bay.y_max_m - py.max(axis=1), py.min(axis=1) - course.bay.y_min_m)
    clear = np.minimum(clear, HEADING_PENALTY * (field.limits.final_heading_rad - np.abs(heading)))
    return np.where((rear >= box.x_min_m) & (rear <= box.x_max_m) & (clear > FLOOR_M), clear, FLOOR_M)


def parked_layer_m(field: RoomField, x_m: float) -> np.ndarray:
    """(nh, nd, ny) value of ending the run on a layer."""
    g = field.grid
    out = np.full((len(g.heading_rad), len(g.wheel_rad), len(g.y_m)), FLOOR_M, np.float32)
    heading, y = (a.ravel() for a in np.meshgrid(g.heading_rad, g.y_m, indexing="ij"))
    states = states_of(np.full_like(y, x_m), y, heading)
    may = in_bay_m(field, states) > FLOOR_M
    for d, states[:, 3] in enumerate(g.wheel_rad):
        out[:, d][may.reshape(len(g.heading_rad), -1)] = parked_m(field, states[may])
    return out
