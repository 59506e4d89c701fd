"""The room field: room left over (x, y, heading, wheel) of one vehicle on one course as surveyed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.course import Course
from analysis.room import sweeps
from analysis.room.nouns import Limits
from analysis.room.solids import Numbers, clearances_m, numbers_of
from analysis.trouble import Trouble
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

    y_m: float = 0.10
    heading_rad: float = np.radians(1.0)
    wheels: int = 13
    step_m: float = 1.0
    parts: int = 4
    choices: int = 7
    heading_limit_rad: float = np.radians(60.0)


@dataclass(frozen=True)
class RoomField:
    """values (2 shunts + 1, nl, nd, nh, ny) int16 in units of SCALE: entry 2 k is room left in reverse with k shunts
    still allowed, entry 2 k - 1 the same while driving forward on the k-th shunt from the end."""

    vehicle: Vehicle
    course: Course
    limits: Limits
    grid: Grid
    numbers: Numbers
    values: np.ndarray
    grid_sd_m: float

    @property
    def shunts(self) -> int:
        return (len(self.values) - 1) // 2

    def room_m(self, x_m: np.ndarray, y_m: np.ndarray, heading_rad: np.ndarray, wheel_rad: np.ndarray | None = None,
               shunts: int = 0) -> np.ndarray:
        """(n,) room left (m) of poses (n,), reversing from there, between FLOOR_M and CAP_M.

        wheel_rad is the road wheel's angle there; None: straight ahead. It may not be turned at a standstill. NaN
        outside the grid (beyond the yard, or at right angles to the bay).
        """
        x, y, heading = (np.atleast_1d(np.asarray(a, float)) for a in (x_m, y_m, heading_rad))
        wheel = np.zeros_like(x) if wheel_rad is None else np.atleast_1d(np.asarray(wheel_rad, float))
        heading = (heading + np.pi) % (2 * np.pi) - np.pi
        out = self.ahead(x, y, heading, wheel, 2 * shunts)
        if shunts:  # or turn round right here
            out = np.fmax(out, np.fmax(self.ahead(x, y, heading, wheel, 2 * shunts - 1),
                                       self.room_m(x, y, heading, wheel, shunts - 1)))
        parked = parked_m(self.numbers, self.course, self.limits, self.vehicle, x, y, heading, wheel)
        out = np.fmax(out, np.where(parked > 0, parked, np.nan))
        g = self.grid
        inside = (np.abs(heading) <= g.heading_rad[-1]) & (y >= g.y_m[0]) & (y <= g.y_m[-1]) & (x <= g.x_m[-1] + 1.0)
        here = clearances_m(self.numbers, x, y, heading, wheel, CAP_M)
        out = np.where(np.isnan(out) & inside, FLOOR_M, out)
        return np.where(inside, np.clip(np.fmin(out, here), FLOOR_M, CAP_M), np.nan)

    def ahead(self, x: np.ndarray, y: np.ndarray, heading: np.ndarray, wheel: np.ndarray, entry: int) -> np.ndarray:
        """(n,) value of the best arc into the next layer but one half step, in the entry's direction; NaN: none."""
        g, n = self.grid, self.numbers
        into = self.layer_from(x, entry)
        value = sweeps.look_ahead_all(
            x, y, heading, wheel, into, g.x_m, self.values[entry], SCALE, g.heading_rad, g.y_m, g.wheel_rad, 15,
            self.limits.max_wheel_rad, self.limits.wheel_per_m_rad, 0.1, n.wheelbase_m, n.boxes, n.pairs, n.lines,
            n.tyres, n.outline, n.barrier, n.full_width, CAP_M)
        return np.where(np.isfinite(value), value, np.nan)

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


def parked_m(n: Numbers, course: Course, limits: Limits, vehicle: Vehicle, x: np.ndarray, y: np.ndarray,
             heading: np.ndarray, wheel: np.ndarray) -> np.ndarray:
    """(n,) clearance of poses that may end the run, to the bay's sides included; negative where they may not: the
    rear out of the box, too askew, or body out of the bay. Body is allowed to overhang the bay's front."""
    outline = vehicle.body_outline_m()
    c, s = np.cos(heading)[:, None], np.sin(heading)[:, None]
    px = x[:, None] + c * outline[:, 0] - s * outline[:, 1]
    py = y[:, None] + s * outline[:, 0] + c * outline[:, 1]
    rear, box = px.min(axis=1), course.stopping_box
    clear = np.minimum(course.bay.y_max_m - py.max(axis=1), py.min(axis=1) - course.bay.y_min_m)
    clear = np.minimum(clear, clearances_m(n, x, y, heading, wheel, CAP_M))
    clear = np.minimum(clear, HEADING_PENALTY * (limits.final_heading_rad - np.abs(heading)))
    in_box = (rear >= box.x_min_m) & (rear <= box.x_max_m)
    return np.clip(np.where(in_box, clear, FLOOR_M), FLOOR_M, CAP_M)


def grid_of(vehicle: Vehicle, course: Course, limits: Limits, fine: Fineness) -> Grid:
    """Layers from two places inside the box up to a little beyond the forward pair."""
    box = course.stopping_box
    first = box.x_min_m + 0.25 * (box.x_max_m - box.x_min_m) + vehicle.rear_overhang_m
    second = box.x_min_m + 0.75 * (box.x_max_m - box.x_min_m) + vehicle.rear_overhang_m
    top = max(m.x_m for m in course.marks) - vehicle.x_front_m + 2.0
    if top < second + 3 * fine.step_m:
        raise Trouble("there is no way to reverse between the forward pair and the stopping box",
                      where="stopping_box", remedy="check the marks' x_m and the vehicle's length")
    layers = np.concatenate([[first], np.arange(second, top + fine.step_m, fine.step_m)])
    reach = vehicle.track_rear_m / 2 + vehicle.tyre_width_rear_m / 2 + FLOOR_M
    ys = [y for ln in course.lines for y in (ln.y0_m, ln.y1_m)] or \
        [m.y_m + side * 2 * vehicle.width_m for m in course.marks for side in (-1, 1)]
    y = np.arange(min(ys) + reach, max(ys) - reach + fine.y_m, fine.y_m)
    headings = np.arange(-round(fine.heading_limit_rad / fine.heading_rad),
                         round(fine.heading_limit_rad / fine.heading_rad) + 1) * fine.heading_rad
    return Grid(layers, y, headings, np.linspace(-1, 1, fine.wheels) * limits.max_wheel_rad, fine.parts)


def room_field(vehicle: Vehicle, course: Course, limits: Limits | None = None, shunts: int = 2,
               fine: Fineness | None = None, progress: Callable[[float], None] | None = None) -> RoomField:
    """The field of a vehicle on a course as it really stands. `progress` is told the share done, 0 to 1.

    Raises Trouble when the course leaves no way between its forward pair and its box.
    """
    limits, fine = limits or Limits.of(vehicle), fine or Fineness()
    grid, n = grid_of(vehicle, course, limits, fine), numbers_of(vehicle, course, limits)
    nl, shape = len(grid.x_m), (len(grid.wheel_rad), len(grid.heading_rad), len(grid.y_m))
    gaps = np.diff(grid.x_m)
    shares = np.arange(grid.parts) / grid.parts
    planes = np.append((grid.x_m[:-1, None] + gaps[:, None] * shares).ravel(), grid.x_m[-1])
    clear = sweeps.fill_clearance(planes, grid.y_m, grid.heading_rad, n.boxes, n.pairs, n.outline, n.barrier, CAP_M)
    values = np.empty((2 * shunts + 1, nl, *shape), np.int16)
    # As float32 two neighbouring layers are enough; everything else is kept as whole numbers.
    done = 0

    def stored(layer: np.ndarray) -> np.ndarray:
        return np.round(np.clip(layer, FLOOR_M, CAP_M) / SCALE).astype(np.int16)

    for entry in range(2 * shunts + 1):
        order = range(nl - 1, -1, -1) if entry % 2 else range(nl)
        there = None
        for i in order:
            if entry:
                here = values[entry - 1, i].astype(np.float32) * np.float32(SCALE)
            elif i < 2:
                here = _parked_layer(vehicle, course, limits, n, grid, grid.x_m[i])
            else:
                here = np.full(shape, FLOOR_M, np.float32)
            if there is not None:
                near, far = (i * grid.parts + 1, (i + 1) * grid.parts + 1) if entry % 2 else \
                    ((i - 1) * grid.parts, i * grid.parts)
                way = slice(near, far) if entry % 2 else slice(far - 1, near - 1 if near else None, -1)
                dx = grid.x_m[i + 1 if entry % 2 else i - 1] - grid.x_m[i]
                sweeps.step_layer(here, there, np.ascontiguousarray(clear[way]), dx, planes[way], grid.heading_rad,
                                  grid.y_m, grid.wheel_rad, fine.choices, limits.max_wheel_rad,
                                  limits.wheel_per_m_rad, n.wheelbase_m, n.lines, n.tyres, n.full_width, FLOOR_M)
            values[entry, i] = stored(here)
            there = here
            done += 1
            if progress:
                progress(done / (nl * (2 * shunts + 1)))
    return RoomField(vehicle, course, limits, grid, n, values, 0.02)


def _parked_layer(vehicle: Vehicle, course: Course, limits: Limits, n: Numbers, grid: Grid,
                  x_m: float) -> np.ndarray:
    """(nd, nh, ny) value of ending the run on a layer."""
    heading, y = (a.ravel() for a in np.meshgrid(grid.heading_rad, grid.y_m, indexing="ij"))
    x = np.full_like(y, x_m)
    layers = [parked_m(n, course, limits, vehicle, x, y, heading, np.full_like(y, w)) for w in grid.wheel_rad]
    return np.array(layers, np.float32).reshape(len(grid.wheel_rad), len(grid.heading_rad), len(grid.y_m))
