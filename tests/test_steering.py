"""Figures of a whole run, steering at a crawl, and the check of the vehicle file."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from simulate import Drive, Roll, Stand, bus, drive, measure
from vehiclemodels.parameters_vehicle4 import parameters_vehicle4
from vehiclemodels.vehicle_dynamics_ks import vehicle_dynamics_ks

from analysis.attempt import Attempt, AxleCheck, Steering
from analysis.course import Mark
from analysis.drysteer import dry_turns
from analysis.judge import judge
from analysis.layouts import course_for
from analysis.motion import bridged, estimate, motion_of
from analysis.rules import rules_from_table
from analysis.selfcheck import axle_check
from analysis.steering import steering_of
from analysis.stops import legs_of, stops_of
from analysis.track import Track
from analysis.vehicle import Vehicle

# Forward 6 m straight; back 20 m: straight, after 4 m to 20 degrees left, after 12 m to 20 degrees right at 10 degrees
# a second, so through straight ahead two seconds later; at 1 m/s.
S_REVERSE = [Stand(1.5), Roll(6), Stand(1.5),
             Roll(-20, speed_mps=1.0, steer=((0.2, 20), (0.6, -20)), rate_deg_s=10), Stand(1.5)]


def steering(track: Track, vehicle: Vehicle, course=None) -> Steering:
    run, probability = estimate(track, vehicle)
    motion = motion_of(run, probability, track)
    legs = legs_of(motion, stops_of(motion, 0.3))
    return steering_of(run, motion, legs, bridged(track), vehicle, course or course_for(vehicle))


def test_figures_of_an_s_shaped_reverse() -> None:
    truth = drive(S_REVERSE)
    course = replace(course_for(bus()), marks=(Mark("pivot", -6.0, 2.0),))
    found = steering(measure(truth, np.random.default_rng(0), sd_m=0.004, sd_rad=np.radians(0.04)), bus(), course)
    begin, wheel = truth.stops[1][1], np.degrees(truth.wheel_rad)
    after = truth.t_s > begin
    on = float(truth.t_s[after & (np.abs(wheel) > 5)][0])
    straight = float(truth.t_s[(truth.t_s > on) & (wheel < 0)][0])
    assert found.wheel_on_s == pytest.approx(on, abs=0.3)
    assert found.wheel_on_after_m == pytest.approx(4.5, abs=0.3)  # 4 m, and 0.5 s to 5 degrees
    # The rear end is 3.2 m behind the axle: at 6 - 4.5 - 3.2, and the cone at -6.
    assert found.wheel_on_beyond_pivot_m == pytest.approx(6 - 4.5 - 3.2 + 6, abs=0.3)
    assert found.second_turn_s == pytest.approx(straight, abs=0.3)
    assert found.second_turn_after_m == pytest.approx(9.5, abs=0.4)
    assert found.lock_to_lock_rad == pytest.approx(math.radians(40), abs=math.radians(3))
    assert abs(found.largest_rad) == pytest.approx(math.radians(20), abs=math.radians(1.5))
    assert found.corrections == 1
    assert found.turned_per_m_rad == pytest.approx(math.radians(60 / 20), rel=0.15)
    assert found.sd_wheel_on_s < 0.3


def test_a_straight_reverse_has_no_turns() -> None:
    found = steering(measure(drive([Stand(1.5), Roll(-12), Stand(1.5)]), np.random.default_rng(1), sd_m=0.004,
                             sd_rad=np.radians(0.03)), bus())
    assert found.wheel_on_s is None
    assert found.second_turn_s is None
    assert found.corrections == 0


def judged(track: Track, vehicle: Vehicle) -> Attempt:
    return judge(track, vehicle, course_for(vehicle),
                 rules_from_table({"schema": 1, "name": "test", "tyre_reading": "any_part"}))


@pytest.mark.parametrize(("speed_mps", "told"), [(0.2, True), (1.0, False)])
def test_steering_at_a_crawl_is_told(speed_mps: float, told: bool) -> None:
    """40 degrees at 18 degrees a second: within 0.45 m at 0.2 m/s (told: more than 45 degrees a metre is not reached
    over one metre, so the wheel goes from one side to the other, 70 degrees), within 4 m at 1 m/s."""
    plan = [Stand(1.5), Roll(-10, speed_mps=speed_mps, steer=((0.2, -35), (0.5, 35)), rate_deg_s=18), Stand(1.5)]
    truth = drive(plan, start=(30.0, 0.0, 0.0))
    a = judged(measure(truth, np.random.default_rng(2), sd_m=0.003, sd_rad=np.radians(0.03)), bus())
    found = [f for f in a.findings if f.kind == "crawl_steering"]
    assert len(found) == (1 if told else 0)
    for f in found:
        assert f.verdict == "fault"
        assert f.severity == "note"
        assert f.value == pytest.approx(70, abs=max(12, 1.96 * f.sd))
        assert f.sentence.startswith("Wheel turned ")


def moved_along(track: Track, ahead_m: float) -> Track:
    return replace(track, x_m=track.x_m + ahead_m * np.cos(track.heading_rad),
                   y_m=track.y_m + ahead_m * np.sin(track.heading_rad))


@pytest.mark.parametrize("ahead_m", [0.0, 0.8, -0.5])
def test_a_wrong_data_sheet_is_told(ahead_m: float) -> None:
    """The reference point lies `ahead_m` before the true axle, as when the file's rear axle is that far off: the
    vehicle then turns about a point that far behind it."""
    truth = drive(S_REVERSE)
    track = moved_along(measure(truth, np.random.default_rng(3), sd_m=0.004, sd_rad=np.radians(0.04)), ahead_m)
    run, _ = estimate(track, bus())
    check = axle_check(run, track, bus())
    assert check is not None
    assert abs(check.offset_m + ahead_m) < 1.96 * check.sd_m + 0.02
    assert check.sd_m < 0.1
    told = [f for f in judged(track, bus()).findings if f.kind == "data_sheet"]
    assert len(told) == (1 if ahead_m else 0)
    assert all("wrong data sheet" in f.sentence for f in told)


def test_a_run_that_hardly_turns_says_nothing_of_the_axle() -> None:
    track = measure(drive([Stand(1.5), Roll(-12), Stand(1.5)]), np.random.default_rng(4))
    run, _ = estimate(track, bus())
    assert axle_check(run, track, bus()) is None


def test_the_wheelbase_is_told_by_a_circle_at_full_lock() -> None:
    """The true wheelbase is 6.1 m, lock 45 degrees: radius 6.1 m. The file says 6.6 m."""
    truth = drive([Stand(1.5), Roll(32, speed_mps=1.2, steer=((0.0, 45),), rate_deg_s=20), Stand(1.5)])
    wrong = bus(wheelbase_m=6.6, front_overhang_m=2.2)
    track = measure(truth, np.random.default_rng(5), sd_m=0.004, sd_rad=np.radians(0.04))
    run, _ = estimate(track, wrong)
    check = axle_check(run, track, wrong)
    assert isinstance(check, AxleCheck)
    assert check.wheelbase_m == pytest.approx(6.1, abs=1.96 * check.sd_wheelbase_m)
    assert check.sd_wheelbase_m < 0.35


def by_another_simulation(turned_rad: float, way: float) -> Drive:
    """A drive by the kinematic single-track model of commonroad-vehicle-models (KS, its lorry, 3.6 m wheelbase),
    integrated by its own right-hand side at 5 ms: rolls, stands for 3 s while the wheel turns, rolls on."""
    p = parameters_vehicle4()
    vehicle = bus(length_m=7.0, wheelbase_m=p.a + p.b, front_overhang_m=1.3, max_wheel_angle_deg=math.degrees(0.55),
                  wheel_rate_deg_s=20)
    dt, x = 0.005, [0.0, 0.0, 0.12, 0.0, 0.3]
    rows, pauses, began = [], [], None
    for k in range(round(26 / dt)):
        t = k * dt
        goal = 0.0 if t < 1.5 or 10 < t < 15 or t > 24 else way
        accel = float(np.clip((goal - x[3]) / 0.05, -0.5, 0.5))
        standing = goal == 0.0 and abs(x[3]) < 1e-3
        if standing:
            x[3], accel, began = 0.0, 0.0, t if began is None else began
        elif began is not None:
            pauses.append((began, t))
            began = None
        rate = math.copysign(0.3, turned_rad) if 12.5 < t < 12.5 + abs(turned_rad) / 0.3 else 0.0
        if 18 < t < 19.5:
            rate = 0.1
        rows.append([t, x[0], x[1], x[4], x[3], x[2]])
        x = [a + dt * b for a, b in zip(x, vehicle_dynamics_ks(list(x), [rate, accel], p), strict=True)]
    pauses.append((began, 26.0))
    t, px, py, heading, speed, wheel = np.array(rows).T
    return Drive(t, px, py, heading, speed, wheel, tuple(pauses), (0.0, turned_rad, 0.0), vehicle)


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_drives_of_an_independent_simulation_are_followed(way: float) -> None:
    """KS holds in reverse and at a standstill. Wheel angle while rolling faster than 0.3 m/s within a degree (RMS), the
    turn of 23 degrees at the standstill within its interval, a held wheel not reported."""
    for turned in (-0.4, 0.0):
        truth = by_another_simulation(turned, way)
        track = measure(truth, np.random.default_rng(6), sd_m=0.004, sd_rad=np.radians(0.04))
        run, probability = estimate(track, truth.vehicle)
        motion = motion_of(run, probability, track)
        true = truth.at(track.t_s)
        fast = np.abs(true[:, 3]) > 0.3
        assert np.sqrt(np.mean((motion.wheel_rad - true[:, 4])[fast]**2)) < math.radians(1.0)
        turn, = dry_turns(run, stops_of(motion, 0.3), truth.vehicle, math.radians(10))
        assert abs(turn.angle_rad - turned) < 1.96 * turn.sd_rad
        assert (turn.probability > 0.95) if turned else (turn.probability < 0.05)


def test_off_tracking_on_a_steady_circle() -> None:
    """Wheelbase 6.1 m, front axle on a circle of 15 m: the rear axle runs 15 - sqrt(15**2 - 6.1**2) = 1.296 m inside it
    (steady-state sum of squares, as in SAE J695 and reviewed by Sayers, TRR 1052, 1986)."""
    truth = drive([Stand(1.5), Roll(-30, speed_mps=1.2), Stand(1.5)], wheel_deg=math.degrees(math.asin(6.1 / 15)))
    track = measure(truth, np.random.default_rng(7), sd_m=0.004, sd_rad=np.radians(0.04))
    run, probability = estimate(track, bus())
    motion = motion_of(run, probability, track)
    front = np.column_stack([motion.x_m + 6.1 * np.cos(motion.heading_rad),
                             motion.y_m + 6.1 * np.sin(motion.heading_rad)])
    centre = np.array([0.0, math.sqrt(15**2 - 6.1**2)])  # to the left of the start
    fast = np.abs(motion.speed_mps) > 0.5
    inside = np.hypot(*(front - centre).T) - np.hypot(motion.x_m - centre[0], motion.y_m - centre[1])
    assert np.median(inside[fast]) == pytest.approx(1.296, abs=0.01)
    assert np.median(motion.wheel_rad[fast]) == pytest.approx(math.asin(6.1 / 15), abs=math.radians(0.3))
