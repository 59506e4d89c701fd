"""The sample clips' own drive with a trailer, against closed forms and against the analysis' kinematics."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.trailer import articulation_rate_radps
from analysis.vehicle import vehicle_from_table
from sample_clips.combination import SEMI, as_one
from sample_clips.scenario import NAMED
from sample_clips.scene import Livery, Palette, build_vehicle
from sample_clips.towing import State, find_towing_run, trailer_place_m, trailer_tyre_corners_m
from sample_clips.trailer_mesh import coupled

VEHICLE = vehicle_from_table(SEMI)
WHEEL = math.radians(20)


def rolled(state: State, wheel_rad: float, length_m: float, step_m: float) -> State:
    for _ in range(round(abs(length_m) / step_m)):
        state = state.rolled(VEHICLE, wheel_rad, math.copysign(step_m, length_m))
    return state


def test_on_a_steady_circle_the_trailers_axle_runs_where_geometry_has_it():
    """Rear axle at R = 3.7 / tan 20° = 10.17 m, coupling at sqrt(R² + 0.6²) = 10.18 m, trailer's axle at
    sqrt(10.18² - 7.7²) = 6.66 m: a tangent of length 7.7 m from the coupling's circle."""
    end = rolled(State(0.0, 0.0, 0.0, 0.0, WHEEL), WHEEL, 120.0, 0.02)
    assert VEHICLE.trailer is not None
    radius = 3.7 / math.tan(WHEEL)
    x, y = end.trailer_axle_m(VEHICLE.trailer)
    assert math.hypot(x, y - radius) == pytest.approx(6.66, abs=0.005)
    # Towing: the coupling leads the axle by atan(0.6/R); trailer: by atan(7.7/6.66). Left turn: the trailer lags.
    assert end.trailer_rad - end.heading_rad == pytest.approx(math.atan(0.6 / radius) - math.atan(7.7 / 6.66), abs=1e-3)


def test_forwards_and_backwards_again_ends_where_it_began():
    start = State(5.0, -2.0, 0.1, -0.15, WHEEL)
    there = rolled(start, WHEEL, 6.0, 0.05)
    back = rolled(there, WHEEL, -6.0, 0.05)
    assert [back.x_m, back.y_m, back.heading_rad, back.trailer_rad] == pytest.approx([5.0, -2.0, 0.1, -0.15], abs=1e-6)


@pytest.mark.parametrize("direction", [1.0, -1.0])
@pytest.mark.parametrize("bend", [-0.7, 0.0, 0.4])
def test_the_angle_grows_as_the_analysis_has_it(direction: float, bend: float):
    assert VEHICLE.trailer is not None
    step = 1e-4
    state = State(0.0, 0.0, 0.3, 0.3 + bend, WHEEL)
    after = state.rolled(VEHICLE, WHEEL, direction * step)
    grown = (after.trailer_rad - after.heading_rad - bend) / step  # per second at 1 m/s
    yaw = direction * math.tan(WHEEL) / 3.7
    told = articulation_rate_radps(np.array(bend), np.array(direction), np.array(yaw), VEHICLE.trailer)
    assert grown == pytest.approx(float(told), abs=1e-4)


def test_the_clips_drive_keeps_clear_and_ends_in_the_box():
    scenario = NAMED["semi_shunt"]
    rng = np.random.default_rng(3)
    course = scenario.real_course(rng)
    run = find_towing_run(VEHICLE, course, scenario.plan(course), rng)
    assert VEHICLE.trailer is not None and run.articulation_rad is not None
    theirs = run.heading_rad + run.articulation_rad
    places = trailer_place_m(VEHICLE, np.column_stack([run.x_m, run.y_m, run.heading_rad, theirs]))
    tyres = trailer_tyre_corners_m(VEHICLE.trailer, places)
    assert min(line.clearance_m(tyres).min() for line in course.lines) > 0.2
    assert np.degrees(np.abs(run.articulation_rad)).max() < 38
    assert places[-1, 0] - 4.3 == pytest.approx(0.5, abs=0.02)
    assert abs(places[-1, 1]) < 0.15 and abs(places[-1, 2]) < math.radians(1.0)
    assert [d for d, *_ in run.legs] == [1, -1, 1, -1]
    steered = np.abs(np.diff(run.steer_rad)) / np.maximum(np.diff(run.t_s), 1e-9)
    assert steered[np.abs(run.speed_mps[1:]) > 0.05].max() < VEHICLE.wheel_rate_radps


def test_the_drawn_trailer_hangs_at_the_coupling():
    """Straight behind a tractor at x = 20: from 20 + 0.6 - 7.7 - 4.3 = 8.6 to 22.2, 2.55 m wide, 4 m high; bent by
    90° about the coupling at 20.6 its front reaches 1.6 m beyond the coupling and its rear 12 m to the other side."""
    palette, rng = Palette(), np.random.default_rng(0)
    assert VEHICLE.trailer is not None
    tractor = build_vehicle(palette, VEHICLE, Livery(), "lorry", True, rng)
    model = coupled(palette, tractor, VEHICLE.trailer, Livery(), rng)
    tall = model.mesh(20.0, 0.0, 0.0, 0.0).corners_m.reshape(-1, 3)
    tall = tall[tall[:, 2] > 3.9]
    assert tall.min(axis=0) == pytest.approx([8.6, -1.275, 4.0], abs=0.02)
    assert tall.max(axis=0) == pytest.approx([22.2, 1.275, 4.0], abs=0.02)
    across = model.mesh(20.0, 0.0, 0.0, 0.0, math.pi / 2).corners_m.reshape(-1, 3)
    across = across[across[:, 2] > 3.9]
    assert across.min(axis=0)[:2] == pytest.approx([20.6 - 1.275, -12.0], abs=0.02)
    assert across.max(axis=0)[:2] == pytest.approx([20.6 + 1.275, 1.6], abs=0.02)
    boxes = model.boxes_at(20.0, 0.0, 0.0, math.pi / 2)
    assert len(boxes) == len(model.boxes) + len(model.towed_boxes)
    assert boxes[-1, 8:] == pytest.approx([0.0, 1.0], abs=1e-12)


def test_the_course_is_set_out_for_the_whole_length():
    assert as_one(VEHICLE).length_m == pytest.approx(16.5)
    course = NAMED["semi_shunt"].nominal_course()
    assert course.bay.x_max_m == pytest.approx(16.5)
    assert course.mark("forward_left").x_m == pytest.approx(66.0)
