"""Building the room field of a vehicle on a course: the sweeps in order, and how far off the result is."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from analysis.clearance import line_normal
from analysis.course import Course
from analysis.room import sweeps
from analysis.room.field import CAP_M, FLOOR_M, SCALE, Fineness, Grid, RoomField, parked_layer_m, states_of, stop_area
from analysis.room.nouns import Limits
from analysis.room.runs import best_run
from analysis.room.solids import clearances_m, numbers_of
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle

_TRIED, _MEASURED, _LEAST = 4000, 60, 10  # poses tried, runs made, and fewer than which say nothing
_UNMEASURED_SD_M = 0.03  # the grid's own error where too few runs could measure it (own estimate)


def grid_of(vehicle: Vehicle, course: Course, limits: Limits, fine: Fineness) -> Grid:
    """Layers from two places inside the box up to a little beyond the forward pair."""
    box = stop_area(course, vehicle)
    first = box.x_min_m + 0.25 * (box.x_max_m - box.x_min_m) + vehicle.rear_overhang_m
    second = box.x_min_m + 0.75 * (box.x_max_m - box.x_min_m) + vehicle.rear_overhang_m
    top = max(m.x_m for m in course.marks) - vehicle.x_front_m + 2.0
    if top < second + 3 * fine.step_m:
        raise Trouble("there is no way to reverse between the forward pair and the stopping box",
                      where="stopping_box", remedy="check the marks' x_m and the vehicle's length")
    layers = np.concatenate([[first], np.arange(second, top + fine.step_m, fine.step_m)])
    low, high = _across_m(vehicle, course)
    middle = (course.bay.y_min_m + course.bay.y_max_m) / 2  # a grid point, for the best place in the bay is there
    y = middle + np.arange(math.floor((low - middle) / fine.y_m), math.ceil((high - middle) / fine.y_m) + 1) * fine.y_m
    headings = np.arange(-round(fine.heading_limit_rad / fine.heading_rad),
                         round(fine.heading_limit_rad / fine.heading_rad) + 1) * fine.heading_rad
    return Grid(layers, y, headings, np.linspace(-1, 1, fine.wheels) * limits.max_wheel_rad, fine.parts)


def _across_m(vehicle: Vehicle, course: Course) -> tuple[float, float]:
    """How far to either side the rear axle may be with its tyres at worst FLOOR_M over the side line; on a side
    without one, two widths beyond the marks."""
    reach = vehicle.track_rear_m / 2 + vehicle.tyre_width_rear_m / 2 + FLOOR_M
    low = [min(ln.y0_m, ln.y1_m) + reach for ln in course.lines if line_normal(ln)[1] > 0]
    high = [max(ln.y0_m, ln.y1_m) - reach for ln in course.lines if line_normal(ln)[1] < 0]
    marks = [m.y_m for m in course.marks]
    return (min(low) if low else min(marks) - 2 * vehicle.width_m,
            max(high) if high else max(marks) + 2 * vehicle.width_m)


def room_field(vehicle: Vehicle, course: Course, limits: Limits | None = None, shunts: int = 2,
               fine: Fineness | None = None) -> RoomField:
    """The field of a vehicle on a course as it really stands.

    Raises Trouble when the course leaves no way between its forward pair and its box.
    """
    return filled(empty_field(vehicle, course, limits, shunts, fine), lambda share: None)


def filled(empty: RoomField, progress: Callable[[float], None]) -> RoomField:
    """The field with its values, all in memory. `progress` is told the share done, 0 to 1."""
    values = np.empty(empty.values.shape, np.int16)
    for done, (entry, i, layer) in enumerate(layers_of(empty)):
        values[entry, i] = layer
        progress((done + 1) / math.prod(values.shape[:2]))
    return measured(replace(empty, values=values))


def layers_of(empty: RoomField) -> Iterator[tuple[int, int, np.ndarray]]:
    """(entry, layer, its values (nh, nd, ny)) one after the other, as they follow from each other; good until the next
    one is asked for, since no more than an entry's worth of them is held."""
    grid, numbers = empty.grid, empty.numbers
    entries, layers, *shape = empty.values.shape
    planes = np.append((grid.x_m[:-1, None] + np.diff(grid.x_m)[:, None] * np.arange(grid.parts) / grid.parts).ravel(),
                       grid.x_m[-1])
    back, forward = (sweeps.fill_clearance(planes, grid.y_m, grid.heading_rad, numbers.boxes, numbers.pairs,
                                           numbers.outline, numbers.barrier, wall, CAP_M)
                     for wall in (numbers.wall, numbers.wall[:0]))
    arcs: dict[float, tuple[np.ndarray, ...]] = {}
    # In one piece: layers made one by one would come to lie between whatever else is made meanwhile.
    before = np.empty((layers, *shape), np.int16)
    for entry in range(entries):
        there = None
        for i in range(layers - 1, -1, -1) if entry % 2 else range(layers):
            if entry:  # turning round right here
                here = before[i].astype(np.float32) * np.float32(SCALE)
            elif i < 2:
                here = parked_layer_m(empty, grid.x_m[i])
            else:
                here = np.full(shape, FLOOR_M, np.float32)
            if there is not None:
                on = 1 if entry % 2 else -1
                way = i * grid.parts + on * np.arange(1, grid.parts + 1)  # the planes that the step passes, in order
                dx = round(float(grid.x_m[i + on] - grid.x_m[i]), 9)
                if dx not in arcs:
                    arcs[dx] = _arcs(empty, dx)
                sweeps.step_layer(here, there, (forward if entry % 2 else back)[way], planes[way], grid.y_m, arcs[dx],
                                  numbers.lines, FLOOR_M)
            before[i] = np.round(np.clip(here, FLOOR_M, CAP_M) / SCALE)
            there = here
            yield entry, i, before[i]


def _arcs(field: RoomField, dx: float) -> tuple[np.ndarray, ...]:
    grid, numbers, limits = field.grid, field.numbers, field.limits
    return sweeps.lay_arcs(dx, grid.parts, grid.heading_rad, grid.y_m, grid.wheel_rad, limits.max_wheel_rad,
                           limits.wheel_per_m_rad, numbers.wheelbase_m, numbers.lines, numbers.tyres,
                           numbers.full_width)


def empty_field(vehicle: Vehicle, course: Course, limits: Limits | None = None, shunts: int = 2,
                fine: Fineness | None = None) -> RoomField:
    """The field but for its values. Raises Trouble for a vehicle with a trailer: its states are
    another dimension, and its way in another problem."""
    if vehicle.trailer:
        raise Trouble("the best way in, and the room left on it, are worked out for vehicles without a trailer only",
                      where="trailer", remedy="everything else is measured and judged as for any vehicle")
    limits = limits or Limits.of(vehicle)
    grid = grid_of(vehicle, course, limits, fine or Fineness())
    shape = (2 * shunts + 1, len(grid.x_m), len(grid.heading_rad), len(grid.wheel_rad), len(grid.y_m))
    return RoomField(vehicle, course, limits, grid, numbers_of(vehicle, course, limits), np.empty(shape, np.int16))


def measured(field: RoomField) -> RoomField:
    """The field with its error measured: at poses here and there, against the runs that it leads to."""
    rng = np.random.default_rng(1)  # always the same poses, so that the same course gives the same figures
    g = field.grid
    x = rng.uniform(g.x_m[2], g.x_m[-1] - 2.0, _TRIED)
    y = rng.uniform(g.y_m[0], g.y_m[-1], _TRIED)
    # near the box only nearly straight poses are of interest
    heading = rng.uniform(-0.8, 0.8, _TRIED) * np.clip((x - g.x_m[0]) / 15.0, 0.0, 1.0)
    wheel = rng.uniform(-0.5, 0.5, _TRIED) * field.limits.max_wheel_rad
    room = field.room_m(x, y, heading, wheel)
    open_way = clearances_m(field.numbers, states_of(x, y, heading, wheel), CAP_M)
    use = np.flatnonzero((room > -0.3) & (room < open_way - 0.02))[:_MEASURED]
    if len(use) < _LEAST:
        return replace(field, grid_sd_m=_UNMEASURED_SD_M)
    runs = [best_run(field, (x[k], y[k], heading[k]), wheel[k]) for k in use]
    short = np.array([run.room_m - room[k] for run, k in zip(runs, use, strict=True) if run.reaches])
    if len(short) < _LEAST:
        return replace(field, grid_sd_m=_UNMEASURED_SD_M)
    blur = float(np.median(short))
    spread = float(np.sqrt(np.mean((short - blur) ** 2)))
    # the runs themselves stay about a centimetre below the best there is
    return replace(field, blur_m=max(blur, 0.0), grid_sd_m=math.hypot(spread, 0.01))
