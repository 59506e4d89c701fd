"""The room field against what does not use it: closed forms, a brute-force search, and a library of shortest paths."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
import rsplan
from bench.room_search import finds_way
from room_yards import at_once, open_yard, random_states, side_line, vehicle

from analysis.attempt import Motion
from analysis.clearance import body_to_barrier, body_to_mark, tyres_to_line
from analysis.course import Course
from analysis.layouts import course_for
from analysis.room import sweeps
from analysis.room.build import room_field
from analysis.room.field import CAP_M, FLOOR_M, Fineness, RoomField
from analysis.room.nouns import Limits
from analysis.room.runs import best_run, best_stop
from analysis.room.smooth import smoothed
from analysis.room.solids import clearances_m, numbers_of
from analysis.swept import turning_circle
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle, vehicle_from_table

QUICK = Fineness(y_m=0.1, heading_rad=math.radians(1.0), wheels=11)


def still(states: np.ndarray) -> Motion:
    """The states as a motion, for the functions that measure whole runs."""
    n = len(states)
    return Motion(np.arange(n, dtype=float), *states[:, :3].T, np.zeros(n), states[:, 3], np.zeros((n, 5, 5)),
                  np.zeros(n))


def measured_clearance(states: np.ndarray, v: Vehicle, course: Course, full_width: bool = False) -> np.ndarray:
    """The worst clearance by analysis.clearance, which shares no code with the compiled loops."""
    m = still(states)
    readings = [tyres_to_line(m, v, line, 0.0, full_width=full_width) for line in course.lines]
    readings += [body_to_mark(m, v, mark, 0.0) for mark in course.marks]
    readings += [body_to_barrier(m, v, course.barrier, 0.0)] if course.barrier else []
    return np.min([r.value_m for r in readings], axis=0)


@pytest.fixture(scope="module")
def lorry() -> Vehicle:
    return vehicle()


@pytest.fixture(scope="module")
def field(lorry: Vehicle) -> RoomField:
    return room_field(lorry, course_for(lorry), shunts=1, fine=QUICK)


@pytest.mark.parametrize("full_width", [False, True])
def test_compiled_clearance_is_that_of_whole_runs(full_width: bool) -> None:
    # A cab lower and narrower than its body, which passes over cones and not over poles; mirrors out at 2.1 m.
    v = vehicle_from_table({
        "schema": 1, "name": "box lorry", "length_m": 8.5, "width_m": 2.5, "height_m": 3.5, "wheelbase_m": 4.75,
        "front_overhang_m": 1.35, "mirror": {"out_m": 0.3, "x_m": 5.7, "z_m": 1.6},
        "solid": [{"name": "cab", "x_min_m": 4.2, "x_max_m": 6.1, "width_m": 2.3, "z_min_m": 0.45, "z_max_m": 2.7},
                  {"name": "body", "x_min_m": -2.4, "x_max_m": 3.9, "width_m": 2.5, "z_min_m": 1.05,
                   "z_max_m": 3.5, "corner_radius_m": 0.05}]})
    course = course_for(v)
    states = random_states(np.random.default_rng(3), 400, (-1.0, 40.0), (-7.0, 3.0), 1.2, 0.7)
    numbers = numbers_of(v, course, replace(Limits.of(v), full_width=full_width))
    assert clearances_m(numbers, states) == pytest.approx(measured_clearance(states, v, course, full_width), abs=1e-9)


@pytest.mark.parametrize("reversing", [False, True])
def test_clearance_laid_out_along_y_is_that_of_single_poses(lorry: Vehicle, reversing: bool) -> None:
    course = replace(course_for(lorry), lines=())
    assert course.barrier and course.has_marks("pivot")
    n = numbers_of(lorry, course, Limits.of(lorry))
    x, y, heading = np.linspace(2.0, 30.0, 15), np.linspace(-6.0, 4.0, 41), np.linspace(-1.0, 1.0, 9)
    laid = sweeps.fill_clearance(x, y, heading, n.boxes, n.pairs, n.outline, n.barrier,
                                 n.wall if reversing else n.wall[:0], CAP_M)
    grid = np.stack(np.meshgrid(x, heading, y, indexing="ij"), -1).reshape(-1, 3)[:, [0, 2, 1]]
    single = clearances_m(n, np.column_stack([grid, np.zeros(len(grid))]), CAP_M, reversing=reversing)
    assert single.min() < -1.0 and single.max() == CAP_M
    assert laid.ravel() == pytest.approx(single, abs=1e-5)


# REFERENCES.md section 6: a pure reverse S of two equal arcs of radius R needs x = sqrt(y (4 R - y)) for the shift y.
@pytest.mark.parametrize("shift_m", [1.5, 3.0])
def test_s_without_obstacles_needs_the_closed_form_length(lorry: Vehicle, shift_m: float) -> None:
    fine = Fineness(y_m=0.05, heading_rad=math.radians(0.75), wheels=9, step_m=0.4, parts=1)
    open_field = room_field(lorry, open_yard(bay_half_m=1.1, box_m=0.4), at_once(lorry), shunts=0, fine=fine)
    radius = lorry.wheelbase_m / math.tan(lorry.max_wheel_rad)
    s_length = math.sqrt(shift_m * (4 * radius - shift_m))
    # the bay leaves 0.1 m either side, the box 0.4 m in length and 1 degree askew: they may shorten the S that much
    end_x = lorry.rear_overhang_m + 0.4
    shorter = s_length - math.sqrt((shift_m - 0.1) * (4 * radius - shift_m + 0.1)) + 2 * radius * math.radians(1.0)
    y = np.array([shift_m, -shift_m, shift_m, -shift_m])
    x = end_x + np.array([s_length + 0.8, s_length + 0.8] + [s_length - shorter - 0.5] * 2)
    room = open_field.room_m(x, y, np.zeros(4))
    assert np.all(room[:2] > 0)
    assert np.all(room[2:] < 0)


# The closed forms of REFERENCES.md section 2.1: the outer front tyre of a vehicle on full lock runs on the circle of
# radius hypot(r + track / 2, wheelbase) + tyre / 2, r = wheelbase / tan(lock) being the rear axle's.
def test_single_arc_swing_needs_the_yard_width_of_the_swept_path(lorry: Vehicle) -> None:
    circle = turning_circle(lorry, lorry.max_wheel_rad)
    swing_m = circle.outer_tyre_m - circle.rear_axle_m  # beyond the bay's middle line, once the arc has ended there
    expected_m = 0.30
    turned = math.radians(50.0)  # more than where the tyre stands out furthest
    assert turned > math.atan2(lorry.wheelbase_m, circle.rear_axle_m + lorry.track_front_m / 2)
    # reversing with the wheel to the left turns the heading to the right: the arc's centre lies to the left
    yard = open_yard(bay_half_m=1.0 + 0.35, box_m=0.4, lines=(side_line("side_right", -swing_m - expected_m, 1),))
    fine = Fineness(y_m=0.04, heading_rad=math.radians(0.5), wheels=9, step_m=0.4, parts=2)
    tight = room_field(lorry, yard, at_once(lorry), shunts=0, fine=fine)
    x = lorry.rear_overhang_m + 0.2 + circle.rear_axle_m * math.sin(turned)
    y = circle.rear_axle_m * (1 - math.cos(turned))
    room = tight.room_m(np.array([x]), np.array([y]), np.array([turned]), np.array([lorry.max_wheel_rad]))
    # the bay leaves 5 cm, the heading 0.7 degrees (6 cm at the front axle) to be had by ending elsewhere
    assert expected_m - 0.03 < room[0] < expected_m + 0.05 + 0.06


def brute_force_room(lorry: Vehicle, yard: Course, start: np.ndarray, steps: int, step_m: float,
                     angles: np.ndarray) -> float:
    """The best worst clearance over every sequence of wheel angles, by Euler steps of 5 mm in x."""
    best, fine = -np.inf, round(step_m / 0.005)
    sequences = np.array(list(itertools.product(angles, repeat=steps)))
    x, y, heading = (np.full(len(sequences), v) for v in start[:3])
    before = np.full(len(sequences), start[3])
    least = np.full(len(sequences), np.inf)
    for k in range(steps):
        for part in range(fine):
            wheel = before + (sequences[:, k] - before) * (part + 0.5) / fine
            heading_next = heading - np.tan(wheel) / lorry.wheelbase_m / np.cos(heading) * 0.005
            y = y - 0.005 * np.tan((heading + heading_next) / 2)
            heading, x = heading_next, x - 0.005
            if (part + 1) % (fine // 4) == 0:
                now = np.column_stack([x, y, heading, before + (sequences[:, k] - before) * (part + 1) / fine])
                least = np.minimum(least, measured_clearance(now, lorry, yard))
        before = sequences[:, k]
    corners = lorry.body_outline_m()
    across = y[:, None] + np.sin(heading)[:, None] * corners[:, 0] + np.cos(heading)[:, None] * corners[:, 1]
    sides = np.minimum(yard.bay.y_max_m - across.max(axis=1), across.min(axis=1) - yard.bay.y_min_m)
    straight = np.abs(heading) <= math.radians(3.0)
    best = np.max(np.where(straight, np.minimum(least, sides), -np.inf))
    return float(best)


def test_dynamic_programme_agrees_with_a_search_over_every_sequence(lorry: Vehicle) -> None:
    lock = lorry.max_wheel_rad
    yard = course_for(lorry)
    limits = Limits(lock, 10.0, math.radians(3.0))
    steps, step_m = 5, 1.8
    angles = np.linspace(-lock, lock, 5)
    # the programme with the same steps and wheel angles, and fine where it interpolates
    coarse = Fineness(y_m=0.02, heading_rad=math.radians(0.25), wheels=5, step_m=step_m, parts=4)
    same = room_field(lorry, yard, limits, shunts=0, fine=coarse)
    for y_m, heading_deg in ((0.0, 0.0), (-0.5, -6.0), (0.6, 8.0)):
        start = np.array([same.grid.x_m[1] + steps * step_m, y_m, math.radians(heading_deg), 0.0])
        layer = same.values[0, 1 + steps]
        h = np.argmin(np.abs(same.grid.heading_rad - start[2]))
        k = np.argmin(np.abs(same.grid.y_m - start[1]))
        start[1], start[2] = same.grid.y_m[k], same.grid.heading_rad[h]
        programme_m = float(layer[h, 2, k]) * 5e-5
        searched_m = brute_force_room(lorry, yard, start, steps, step_m, angles)
        # it may also stop one layer deeper in the box, which the search does not try
        assert searched_m - 0.03 < programme_m < searched_m + 0.03, (y_m, heading_deg)


def reeds_shepp(start: np.ndarray, end: np.ndarray, radius: float) -> tuple[float, bool]:
    """Length of the shortest path, and whether it is all in reverse and keeps within 55 degrees of the bay."""
    path = rsplan.path(tuple(start[:3]), tuple(end[:3]), radius, 0.0, 0.1)
    yaw = np.array([math.remainder(w.yaw, 2 * math.pi) for w in path.waypoints()])
    reverse = all(s.direction < 0 for s in path.segments if abs(s.length) > 1e-6)
    return path.total_length, bool(reverse and np.max(np.abs(yaw)) < math.radians(55.0))


def test_reachable_set_and_lengths_agree_with_shortest_paths(lorry: Vehicle) -> None:
    yard = open_yard(length_m=18.0, half_width_m=6.5, bay_half_m=1.3)
    limits = at_once(lorry, 3.0)
    free = room_field(lorry, yard, limits, shunts=0, fine=Fineness(y_m=0.08, wheels=9, step_m=0.5, parts=1))
    radius = lorry.wheelbase_m / math.tan(lorry.max_wheel_rad)
    end = np.array([lorry.rear_overhang_m + 0.3, 0.0, 0.0])
    states = random_states(np.random.default_rng(7), 90, (5.0, 11.0), (-3.5, 3.5), 0.7, 0.0)
    room = free.room_m(*states.T)
    agreed = 0
    for state, value in zip(states, room, strict=True):
        # wider turns than the vehicle's, so that what the wheel's way from side to side takes is allowed for
        _, reverse = reeds_shepp(state, end, 1.15 * radius)
        if reverse:
            assert value > 0, state
            agreed += 1
        if value > 0:
            run = best_run(free, tuple(state[:3]), 0.0)
            last = np.array([run.x_m[-1], run.y_m[-1], run.heading_rad[-1]])
            shortest, _ = reeds_shepp(state, last, radius)
            assert run.distance_m[-1] >= shortest - 0.01
    assert agreed > 20


def test_run_proves_the_room_the_field_promises(lorry: Vehicle, field: RoomField) -> None:
    states = random_states(np.random.default_rng(5), 400, (6.0, 22.0), (-5.0, 1.0), 0.6, 0.3)
    for shunts in (0, 1):
        room = field.room_m(*states.T, shunts)
        open_way = clearances_m(field.numbers, states)
        chosen = np.flatnonzero((room > 0.05) & (room < open_way - 0.02))[:40]
        assert len(chosen) == 40
        runs = [best_run(field, tuple(states[k, :3]), states[k, 3], shunts) for k in chosen]
        kept = [run.reaches and run.room_m > room[k] - 0.05 for run, k in zip(runs, chosen, strict=True)]
        assert np.mean(kept) >= 0.95
        run = runs[0]
        rows = np.column_stack([run.x_m, run.y_m, run.heading_rad, run.wheel_rad])
        assert run.clearance_m == pytest.approx(measured_clearance(rows, lorry, field.course), abs=1e-9)
        assert max(r.shunts for r in runs) <= shunts


def test_search_that_knows_no_field_finds_a_way_only_where_there_is_room(lorry: Vehicle, field: RoomField) -> None:
    states = random_states(np.random.default_rng(14), 400, (6.0, 20.0), (-4.5, 1.0), 0.6, 0.3)
    room, open_way = field.room_m(*states.T), clearances_m(field.numbers, states)
    none = np.flatnonzero((room < -0.1) & (open_way > 0))[:8]
    much = np.flatnonzero(room > 0.1)[:4]
    assert len(none) == 8 and len(much) == 4
    found = [finds_way(lorry, field.course, field.numbers, field.limits, states[k], 0.0) for k in (*none, *much)]
    assert found == [False] * 8 + [True] * 4


def test_run_keeps_the_limits_of_steering(field: RoomField) -> None:
    run = best_run(field, best_stop(field))
    assert run.reaches and run.room_m > 0.1
    rolled = np.diff(run.distance_m)
    assert np.max(np.abs(np.diff(run.wheel_rad)[rolled > 0] / rolled[rolled > 0])) <= \
        1.01 * field.limits.wheel_per_m_rad
    assert np.max(np.abs(run.wheel_rad)) <= field.limits.max_wheel_rad + 1e-9
    # no side slip at the rear axle: the chord of each step points along the heading
    chord = np.unwrap(np.arctan2(-np.diff(run.y_m), -np.diff(run.x_m))[rolled > 0])
    assert chord == pytest.approx(((run.heading_rad[1:] + run.heading_rad[:-1]) / 2)[rolled > 0], abs=1e-3)


def test_reversing_must_go_round_the_pivot_and_pulling_forward_need_not(lorry: Vehicle, field: RoomField) -> None:
    pivot = field.course.mark("pivot")
    # standing in the lane that was driven up, half past the pivot: there is no going on back, only forward and round
    beside = np.array([[pivot.x_m - 0.5, pivot.y_m - 1.9, 0.0, 0.0]])
    assert clearances_m(field.numbers, beside)[0] > 0.5
    # the body's left side is 0.9 m beyond the pivot: on the wrong side
    assert clearances_m(field.numbers, beside, reversing=True)[0] == pytest.approx(-(1.9 + lorry.width_m / 2))
    assert field.room_m(*beside.T, 0)[0] == pytest.approx(FLOOR_M, abs=0.03)
    assert field.room_m(*beside.T, 1)[0] > 0.1
    # on the bay's side it is never nearer than the pivot itself
    states = random_states(np.random.default_rng(4), 500, (12.0, 20.0), (-2.0, 2.0), 0.7, 0.0)
    plain, round_it = (clearances_m(field.numbers, states, reversing=r) for r in (False, True))
    right_side = round_it > 0
    assert np.any(right_side) and round_it[right_side] == pytest.approx(plain[right_side])


def test_another_shunt_never_takes_room_away(field: RoomField) -> None:
    states = random_states(np.random.default_rng(6), 500, (5.0, 24.0), (-5.0, 1.5), 0.8, 0.5)
    none, one = field.room_m(*states.T, 0), field.room_m(*states.T, 1)
    assert np.nanmin(one - none) >= 0
    assert np.nanmax(one - none) > 0.5  # somewhere a shunt saves the bay
    assert np.nanmin(none) >= FLOOR_M and np.nanmax(one) <= CAP_M


def test_room_never_exceeds_the_clearance_where_the_vehicle_stands(field: RoomField) -> None:
    states = random_states(np.random.default_rng(8), 300, (5.0, 24.0), (-5.0, 1.5), 0.8, 0.5)
    room = field.room_m(*states.T)
    assert np.all((room <= clearances_m(field.numbers, states) + 1e-9) | (room <= FLOOR_M) | np.isnan(room))


def test_outside_the_grid_nothing_is_said(field: RoomField) -> None:
    assert np.all(np.isnan(field.room_m(np.array([15.0, 15.0, 90.0]), np.array([0.0, 30.0, 0.0]),
                                        np.array([math.pi / 2, 0.0, 0.0]))))


def test_course_mirrored_gives_the_same_room(lorry: Vehicle, field: RoomField) -> None:
    other = room_field(lorry, course_for(lorry, bay_on_left=False), shunts=0, fine=QUICK)
    states = random_states(np.random.default_rng(9), 200, (6.0, 22.0), (-4.0, 0.5), 0.5, 0.3)
    here, there = field.room_m(*states.T), other.room_m(states[:, 0], *(-states[:, 1:]).T)
    assert np.nanmax(np.abs(here - there)) < 0.03  # the grids lie differently in the yard


def test_smooth_run_keeps_the_room_and_turns_the_wheel_less(field: RoomField) -> None:
    run = best_run(field, best_stop(field))
    smooth = smoothed(field, run)
    assert smooth is not run and smooth.reaches
    assert smooth.room_m >= run.room_m - 0.03
    turned = [np.abs(np.diff(r.wheel_rad)).sum() for r in (smooth, run)]
    assert turned[0] < turned[1]


def test_wider_yard_gives_more_room(lorry: Vehicle) -> None:
    coarse = Fineness(y_m=0.16, heading_rad=math.radians(1.5), wheels=9)
    rooms = []
    for width in (6.0, 6.6, 9.0):
        wide = room_field(lorry, course_for(lorry, wanted={"yard_width_m": width}), shunts=0, fine=coarse)
        rooms.append(best_run(wide, best_stop(wide)).room_m)
    assert rooms[0] < rooms[1] <= rooms[2] + 0.02


def test_best_room_for_setting_out(lorry: Vehicle) -> None:
    field = room_field(lorry, course_for(lorry), shunts=0)
    run = best_run(field, best_stop(field))
    # the bay is 1.5 widths wide and its cones stand on its corners: no more than this can be kept from them
    assert 0.15 < run.room_m <= 0.25 * lorry.width_m - 0.18 + 1e-6
    assert 0 < field.grid_sd_m < 0.03
    assert run.reaches and run.shunts == 0


def test_course_without_a_way_is_a_trouble(lorry: Vehicle) -> None:
    with pytest.raises(Trouble, match="no way to reverse"):
        room_field(lorry, open_yard(length_m=6.0))
