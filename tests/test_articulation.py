"""The articulation angle along the run, against simulations that share nothing with the program."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
from simulate import Drive, Roll, Stand, bus, drive, measure
from towed import DRAWBAR, SEMI, combination, towed_rad, trailer_of, with_angles
from vehiclemodels.parameters_vehicle4 import parameters_vehicle4
from vehiclemodels.vehicle_dynamics_kst import vehicle_dynamics_kst

from analysis.articulation import AngleLevels, Angles, smoothed_angles, with_trailer
from analysis.attempt import Motion
from analysis.motion import estimate, motion_of
from analysis.swept import trailer_circle
from analysis.track import Track
from analysis.trailer import articulation_rate_radps
from analysis.trailer_check import trailer_check
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle

FOOT_M = 0.3048


def a_shunted_reverse(vehicle: Vehicle) -> Drive:
    """Forward, a long reverse with the trailer steered from side to side, a shunt, and a short reverse."""
    return drive([Stand(1.5), Roll(10, steer=((0.2, 8), (0.6, -6))), Stand(2.0, 5.0),
                  Roll(-16, speed_mps=1.0, steer=((0.0, 10), (0.2, -12), (0.5, 6), (0.8, 14))), Stand(1.5),
                  Roll(5, steer=((0, -5),)), Stand(1.5)], vehicle)


def smoothed(truth: Drive, track: Track, vehicle: Vehicle) -> tuple[Angles, np.ndarray, np.ndarray]:
    """The angles, and at the track's times the error and the stated sd."""
    run, probability = estimate(track, vehicle)
    angles = smoothed_angles(run, track, vehicle)
    _, towed = with_trailer(angles, run, motion_of(run, probability, track), vehicle)
    return angles, towed.angle_rad, towed.sd_rad


# ---- another program's trailer -----------------------------------------------------------------------------------


def kst_combination() -> Vehicle:
    """The lorry of commonroad-vehicle-models (3.6 m wheelbase) with its trailer, coupled over the rear axle, 8.1 m."""
    p = parameters_vehicle4()
    trailer = SEMI | {"hitch_x_m": 0.0, "hitch_to_axle_m": p.trailer.l_wb}
    lorry = bus(length_m=6.0, wheelbase_m=p.a + p.b, front_overhang_m=1.4, max_wheel_angle_deg=math.degrees(0.55),
                wheel_rate_deg_s=20)
    return replace(lorry, trailer=trailer_of(combination(trailer)))


def test_the_rate_is_that_of_the_kst_model() -> None:
    """Forward and in reverse, at any wheel angle and articulation within its +-90 degrees."""
    vehicle, p, rng = kst_combination(), parameters_vehicle4(), np.random.default_rng(1)
    for v in (-1.5, -0.2, 0.0, 0.7, 2.0):
        wheel, heading, angle = rng.uniform(-0.5, 0.5), rng.uniform(-3, 3), rng.uniform(-1.4, 1.4)
        theirs = vehicle_dynamics_kst([0.0, 0.0, wheel, v, heading, angle], [0.0, 0.0], p)
        ours = articulation_rate_radps(np.array(angle), np.array(v), np.array(theirs[4]), trailer_of(vehicle))
        assert float(ours) == pytest.approx(theirs[5], abs=1e-12)


def kst_drive(way: float) -> tuple[Drive, np.ndarray]:
    """A drive of the KST model forward or in reverse by its own right-hand side at 5 ms, and its hitch angle."""
    p, dt = parameters_vehicle4(), 0.005
    x, rows = [0.0, 0.0, 0.0, 0.0, 0.3, 0.1], []
    for k in range(round(24 / dt)):
        t = k * dt
        goal = 0.0 if t < 1.5 or t > 22 else way
        accel = float(np.clip((goal - x[3]) / 0.05, -0.5, 0.5))
        if goal == 0.0 and abs(x[3]) < 1e-3:
            x[3], accel = 0.0, 0.0
        # The wheel is steered so that the angle swings to and fro: in reverse the trailer must be balanced.
        wanted = 0.35 * math.sin(t / 2.5)
        wheel = math.atan(3.6 * (0.5 * (x[5] - wanted) / way - math.sin(x[5]) / 8.1))
        rate = float(np.clip(3 * (np.clip(wheel, -0.5, 0.5) - x[2]), -0.3, 0.3)) if goal else 0.0
        rows.append([t, x[0], x[1], x[4], x[3], x[2], x[5]])
        x = [a + dt * b for a, b in zip(x, vehicle_dynamics_kst(list(x), [rate, accel], p), strict=True)]
    t, px, py, heading, speed, wheel, hitch = np.array(rows).T
    return Drive(t, px, py, heading, speed, wheel, (), (), kst_combination()), hitch


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_drives_of_the_kst_model_are_followed(way: float) -> None:
    """Angle within 0.15 degrees (RMS) from angles measured to 0.3, and the kinematic length 8.1 m found again."""
    truth, hitch = kst_drive(way)
    assert np.ptp(hitch) > math.radians(20) and np.max(np.abs(hitch)) < math.radians(80)
    rng = np.random.default_rng(4)
    track = with_angles(measure(truth, rng, sd_m=0.005, sd_rad=math.radians(0.05)), truth, hitch, rng,
                        sd_rad=math.radians(0.3))
    _, angle, sd = smoothed(truth, track, truth.vehicle)
    error = angle - np.interp(track.t_s, truth.t_s, hitch)
    assert np.sqrt(np.mean(error**2)) < math.radians(0.15)
    assert np.mean(np.abs(error) < 1.96 * sd) > 0.9
    run, _ = estimate(track, truth.vehicle)
    check = trailer_check(run, track, truth.vehicle)
    assert check is not None
    assert check.hitch_to_axle_m == pytest.approx(8.1, abs=2.6 * check.sd_m)
    assert check.sd_m < 0.25


# ---- published figures --------------------------------------------------------------------------------------------


def long_combination() -> Vehicle:
    return replace(bus(length_m=9.0, wheelbase_m=19.5 * FOOT_M, front_overhang_m=1.4),
                   trailer=trailer_of(combination(SEMI | {"hitch_x_m": 0.0, "hitch_to_axle_m": 41 * FOOT_M,
                                                          "length_m": 15.0, "rear_overhang_m": 2.0})))


def test_trailer_off_tracking_by_the_sum_of_squares() -> None:
    """Tractor 19.5 ft, trailer 41.0 ft, front axle on 60 ft: the trailer's axle runs 60 - sqrt(60^2 - 19.5^2 - 41^2) =
    20.77 ft inside it (WHI / SAE J695, reviewed by Sayers, TRR 1052, 1986); on 45 ft there is no steady turn."""
    vehicle = long_combination()
    circle = trailer_circle(vehicle, math.asin(19.5 / 60))
    assert circle is not None
    assert 60 - circle.axle_m / FOOT_M == pytest.approx(20.77, abs=0.005)
    assert trailer_circle(vehicle, math.asin(19.5 / 45)) is None


@pytest.mark.parametrize("start_deg", [-10.0, -60.0])
def test_a_simulated_trailer_settles_into_the_published_turn(start_deg: float) -> None:
    vehicle = long_combination()
    truth = drive([Roll(150, speed_mps=3.0)], vehicle, wheel_deg=math.degrees(math.asin(19.5 / 60)))
    angle = towed_rad(truth, trailer_of(vehicle), math.radians(start_deg))
    circle = trailer_circle(vehicle, math.asin(19.5 / 60))
    assert circle is not None
    assert angle[-1] == pytest.approx(-circle.articulation_rad, abs=math.radians(0.05))


# ---- what is stated of the error --------------------------------------------------------------------------------


LOADS: dict[str, dict[str, float]] = {
    "white": {}, "not of the heading's error": {"apart": False}, "slow": {"slow": 0.5},
    "half the sd stated": {"stated": 0.5}, "missing and gross": {"missing": 0.05, "outliers": 0.02},
    "all at once": {"slow": 0.5, "missing": 0.05, "outliers": 0.02, "common_sd_rad": math.radians(0.2)}}


@cache
def errors() -> tuple[np.ndarray, np.ndarray]:
    """Errors and stated sds of twelve runs: each load and kind of trailer; axles out of square by 0.1 degrees (sd)."""
    error, sd = [], []
    for seed, (load, trailer) in enumerate((load, trailer) for load in LOADS for trailer in (SEMI, DRAWBAR)):
        rng = np.random.default_rng(seed)
        vehicle = combination(trailer)
        truth = a_shunted_reverse(vehicle)
        angle = towed_rad(truth, trailer_of(vehicle), crab_rad=float(rng.normal(0, math.radians(0.1))))
        track = with_angles(measure(truth, rng), truth, angle, rng, **LOADS[load])  # type: ignore[arg-type]
        _, found, stated = smoothed(truth, track, vehicle)
        error.append(found - np.interp(track.t_s, truth.t_s, angle))
        sd.append(stated)
    return np.concatenate(error), np.concatenate(sd)


def test_stated_intervals_hold_the_truth() -> None:
    """95 % intervals: over the twelve runs 94.7 %; over 36 others, a gap and a shared error among their loads, 96.8 %
    (a shared error alone is stated too wide: what the motion tells of it is left to the unknown crab angle)."""
    error, sd = errors()
    assert 0.93 <= np.mean(np.abs(error) < 1.96 * sd) <= 0.97


def test_the_angle_is_within_the_goal() -> None:
    """Goal: 95 % of angles within a degree; measured to 0.15 degrees each, they come out within 0.2."""
    error, _ = errors()
    assert np.percentile(np.abs(error), 95) < math.radians(0.2)


# ---- standing, gaps, gross errors ----------------------------------------------------------------------------------


@cache
def with_a_gap() -> tuple[Drive, np.ndarray, Track, np.ndarray, np.ndarray, Angles]:
    vehicle, rng = combination(), np.random.default_rng(20)
    truth = a_shunted_reverse(vehicle)
    angle = towed_rad(truth, trailer_of(vehicle))
    track = measure(truth, rng, gaps=((22.5, 25.5),))  # nothing was seen for three seconds, the trailer not for eight
    track = with_angles(track, truth, angle, rng, gaps=((20.0, 28.0),), outliers=0.03)
    angles, found, sd = smoothed(truth, track, vehicle)
    return truth, angle, track, found, sd, angles


def test_a_gap_is_filled_by_the_trailers_own_kinematics_with_growing_sd() -> None:
    truth, angle, track, found, sd, _ = with_a_gap()
    gap = (track.t_s > 20) & (track.t_s < 28)
    middle, beside = np.argmin(np.abs(track.t_s - 24)), np.argmin(np.abs(track.t_s - 19))
    assert sd[middle] > 1.3 * sd[beside]
    error = np.abs(found - np.interp(track.t_s, truth.t_s, angle))[gap]
    assert np.max(error / sd[gap]) < 3.0
    assert np.max(error) < math.radians(0.5)
    assert np.ptp(np.interp(track.t_s[gap], truth.t_s, angle)) > math.radians(5)  # it moved a good deal meanwhile


def test_gross_errors_are_told_apart() -> None:
    truth, angle, track, _, _, angles = with_a_gap()
    assert track.articulation is not None
    off = np.abs(track.articulation.angle_rad - np.interp(track.t_s, truth.t_s, angle))
    gross = track.articulation.measured & (off > math.radians(1.5))
    assert np.sum(gross) > 5
    assert np.max(angles.weight[gross]) < 0.05


def test_while_the_vehicle_stands_the_angle_stays() -> None:
    truth, _, track, found, _, _ = with_a_gap()
    first, last = truth.stops[1]
    inside = (track.t_s > first + 0.3) & (track.t_s < last - 0.3)
    assert np.sum(inside) > 10
    assert np.ptp(found[inside]) < math.radians(0.001)


def test_what_the_trailer_tells_corrects_the_towing_vehicle() -> None:
    """By hand, straight ahead. The heading is known to 4 mrad, and errs together with y (1e-5 m rad, 0.625 m a rad);
    the trailer corrects it by 1 mrad and leaves 2 mrad. y follows by 0.625 mm. The trailer's axle lies at y + 0.6
    heading - 8 trailer's heading: 95.3125 + 1.44 + 64 + 3 - 5 - 4.8 = 153.9525 (in 1e-6 m2)."""
    vehicle = combination()
    cov = np.diag([1e-4, 1e-4, 16e-6, 1e-4, 1e-4])[None]
    cov[0, 1, 2] = cov[0, 2, 1] = 1e-5
    zero, one = np.zeros(1), SimpleNamespace(nodes=SimpleNamespace(at=np.array([0])))
    motion = Motion(zero, zero, zero, zero, zero - 1.0, zero, cov, zero)
    angles = Angles(zero, zero + 1e-3, np.array([[[1e-6, 0.5e-6], [0.5e-6, 4e-6]]]), zero + 1, AngleLevels())
    better, towed = with_trailer(angles, one, motion, vehicle)  # type: ignore[arg-type]
    assert better.heading_rad == pytest.approx(1e-3) and better.y_m == pytest.approx(0.625e-3)
    assert better.cov[0, 2, 2] == pytest.approx(4e-6) and better.cov[0, 1, 1] == pytest.approx(95.3125e-6)
    assert towed.angle_rad == pytest.approx(-1e-3) and towed.sd_rad == pytest.approx(2e-3)
    assert towed.body.x_m == pytest.approx(0.6 - 8.0, abs=1e-6)
    assert towed.body.y_m == pytest.approx(0.625e-3 + 0.6 * 1e-3, abs=1e-8)
    assert towed.body.cov[0, 1, 1] == pytest.approx(153.9525e-6, rel=2e-3)
    assert towed.body.cov[0, 2, 2] == pytest.approx(1e-6)


# ---- a wrong data sheet, and no trailer ------------------------------------------------------------------------------


@pytest.mark.parametrize(("trailer", "real_m", "stated_m"), [(SEMI, 8.0, 8.0), (SEMI, 8.0, 7.0), (DRAWBAR, 5.0, 5.8)])
def test_the_length_that_the_trailer_follows_by_is_found(trailer: dict[str, object], real_m: float,
                                                         stated_m: float) -> None:
    rng = np.random.default_rng(6)
    real, told = (combination(trailer | {"hitch_to_axle_m": m}) for m in (real_m, stated_m))
    truth = a_shunted_reverse(real)
    track = with_angles(measure(truth, rng), truth, towed_rad(truth, trailer_of(real)), rng)
    run, _ = estimate(track, told)
    check = trailer_check(run, track, told)
    assert check is not None
    assert check.stated_m == stated_m
    assert check.hitch_to_axle_m == pytest.approx(real_m, abs=2.6 * check.sd_m)
    assert check.sd_m < 0.15


def test_without_angles_it_says_so() -> None:
    vehicle, rng = combination(), np.random.default_rng(8)
    truth = drive([Stand(1.0), Roll(6), Stand(1.0)], vehicle)
    track = measure(truth, rng)
    run, _ = estimate(track, vehicle)
    with pytest.raises(Trouble, match="only 0 frames"):
        smoothed_angles(run, track, vehicle)
