"""A camera left running while the vehicle stands: judging it costs little more, and what is found stays the same."""

from __future__ import annotations

import numpy as np
import pytest
from simulate import Roll, Stand, bus, drive, measure
from test_sheet_check import swaying, told
from towed import combination, towed_rad, trailer_of, with_angles

from analysis.articulation import smoothed_angles
from analysis.motion import estimate, motion_of
from analysis.nodes import nodes_of, rested

STOOD_S = 50.0
PLAN = [Stand(2), Roll(12, steer=((0.2, 20), (0.7, -15))), Stand(STOOD_S, wheel_deg=15.0),
        Roll(-14, steer=((0.1, 25), (0.6, 0))), Stand(2)]


def test_a_standstill_is_left_alone_at_its_ends_and_averaged_inside() -> None:
    truth = drive(PLAN)
    track = measure(truth, np.random.default_rng(1), slow=0.4, missing=0.05)
    every, few = nodes_of(track), rested(nodes_of(track))
    assert len(few.t_s) < len(every.t_s) - 300
    assert np.all(np.diff(few.t_s) > 0)
    alone = np.bincount(few.at) == 1
    moving = np.ones(len(track.t_s), bool)
    for start, end in truth.stops:
        moving &= (track.t_s < start + 4.0) | (track.t_s > end - 4.0)
    assert np.all(alone[few.at[moving]])
    np.testing.assert_allclose(few.pose[few.at[moving]], every.pose[every.at[moving]], atol=1e-9)
    # 19 poses of 1.5 cm: what is independent is averaged, and the covariance says so
    merged = np.flatnonzero(~alone & few.seen)
    looks = np.bincount(few.at, track.measured)[merged]
    assert np.sqrt(few.cov[merged, 0, 0]) == pytest.approx(0.015 / np.sqrt(looks), rel=1e-6)
    assert np.std(few.pose[merged, 0] - truth.at(few.t_s[merged])[:, 0]) < 0.012


def test_one_that_creeps_or_a_short_stop_is_left_as_it_is() -> None:
    creeping = drive([Stand(2.0), Roll(0.5, speed_mps=0.005, accel_mps2=0.01), Stand(2.0)])
    for truth in (creeping, drive([Stand(5), Roll(10), Stand(9), Roll(-10), Stand(5)])):
        nodes = nodes_of(measure(truth, np.random.default_rng(2)))
        assert rested(nodes) is nodes


def test_what_is_found_is_as_if_nothing_had_been_averaged(monkeypatch: pytest.MonkeyPatch) -> None:
    truth = drive(PLAN)
    track = measure(truth, np.random.default_rng(3), slow=0.4, outliers=0.01)
    run, probability = estimate(track, bus())
    motion = motion_of(run, probability, track)
    error = np.column_stack([motion.x_m, motion.y_m, motion.heading_rad]) - truth.at(track.t_s)[:, :3]
    assert np.max(np.abs(error[:, :2])) < 0.03
    assert np.mean(np.abs(error) < 1.96 * np.column_stack([motion.sd(k) for k in range(3)])) > 0.9
    assert np.max(np.abs(np.diff(motion.wheel_rad))) < np.radians(4)  # as fast as it is turned while rolling: no stairs
    monkeypatch.setattr("analysis.motion.rested", lambda nodes: nodes)
    every = motion_of(*estimate(track, bus()), track)
    for got, wanted, within in ((motion.x_m, every.x_m, 0.004), (motion.y_m, every.y_m, 0.004),
                                (motion.heading_rad, every.heading_rad, 0.0005)):
        assert np.max(np.abs(got - wanted)) < within
    assert np.mean((motion.standing > 0.5) == (every.standing > 0.5)) > 0.998


def test_a_trailer_s_angle_is_averaged_as_the_place_is() -> None:
    vehicle, rng = combination(), np.random.default_rng(4)
    truth = drive([Stand(2), Roll(12, steer=((0.2, 25),)), Stand(STOOD_S)], vehicle)
    angle = towed_rad(truth, trailer_of(vehicle))
    track = with_angles(measure(truth, rng), truth, angle, rng)
    run, _ = estimate(track, vehicle)
    angles = smoothed_angles(run, track, vehicle)
    found = (angles.trailer_heading_rad - run.state[:, 2])[run.nodes.at]
    error = found - np.interp(track.t_s, truth.t_s, angle)
    assert len(run.nodes.t_s) < 0.6 * len(track.t_s)
    assert np.percentile(np.abs(error), 95) < np.radians(0.2)


def test_a_wrong_height_still_shows_in_the_camera_s_sway() -> None:
    """Which goes on while the vehicle stands; a mean of poses goes with the mean of the camera's places."""
    truth = drive([Stand(2), Roll(14, steer=((0.2, 20), (0.7, -15))), Stand(STOOD_S)], start=(30.0, 0.0, 0.0))
    track = swaying(measure(truth, np.random.default_rng(2), sd_m=0.003, sd_rad=np.radians(0.05)), 0.6, 0.5)
    _, (check,) = told(track, bus())
    assert check.seen_m - 3.05 == pytest.approx(0.5, abs=1.96 * check.sd_m + 0.02)
