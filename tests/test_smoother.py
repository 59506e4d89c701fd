"""The smoother and the linear algebra under it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from filterpy.kalman import KalmanFilter
from simulate import Roll, Stand, bus, drive, measure, simulate_stop

from analysis.chain import factor
from analysis.driving import DRIVER, integrated_ou, speed_step
from analysis.motion import bridged, estimate, motion_of
from analysis.nodes import ACCEL, BIAS, SPEED, Levels, X, nodes_of, thinned
from analysis.smoother import smooth
from analysis.track import Track


def test_block_tridiagonal_solve_and_inverse_agree_with_dense() -> None:
    rng = np.random.default_rng(0)
    n, m = 6, 3
    lower = np.tril(rng.standard_normal((n * m, n * m))) + 4 * np.eye(n * m)
    for i in range(n):  # keep only the blocks on and next to the diagonal
        lower[i * m:(i + 1) * m, :max(0, (i - 1) * m)] = 0
    dense = lower @ lower.T
    blocks = dense.reshape(n, m, n, m).transpose(0, 2, 1, 3)
    f = factor(np.array([blocks[i, i] for i in range(n)]), np.array([blocks[i + 1, i] for i in range(n - 1)]))
    right = rng.standard_normal((n, m))
    inverse = np.linalg.inv(dense)
    np.testing.assert_allclose(f.solve(right).ravel(), inverse @ right.ravel(), atol=1e-12)
    np.testing.assert_allclose(f.log_det, np.linalg.slogdet(dense)[1], atol=1e-10)
    covariance = f.covariance()
    for i in range(n):
        np.testing.assert_allclose(covariance.marginal[i], inverse[i * m:(i + 1) * m, i * m:(i + 1) * m], atol=1e-12)
    np.testing.assert_allclose(covariance.between(4, 1), inverse[4 * m:5 * m, m:2 * m], atol=1e-12)


def test_process_noise_is_that_of_many_small_steps() -> None:
    """A step of 0.5 s equals 5000 of 0.1 ms, to which simple Euler sums apply."""
    move, noise = integrated_ou(0.5, 0.7, 1.3)
    n, dt = 5000, 1e-4
    f = np.array([[1, dt, 0], [0, 1, dt], [0, 0, 1 - dt / 1.3]])
    total, cov = np.eye(3), np.zeros((3, 3))
    for _ in range(n):
        total, cov = f @ total, f @ cov @ f.T
        cov[2, 2] += 2 * 0.7**2 / 1.3 * dt
    np.testing.assert_allclose(move, total[:, 1:], atol=2e-4)
    np.testing.assert_allclose(noise, cov, rtol=2e-3, atol=1e-6)


def test_process_noise_is_smooth_where_the_closed_form_gives_way() -> None:
    below, above = integrated_ou(0.0199, 1.0, 1.0)[1], integrated_ou(0.0201, 1.0, 1.0)[1]
    assert np.all(np.abs(below / above - 1) < 0.08)  # a fifth power over a step of 1 %, and 2 % of neglected terms


def test_straight_run_equals_a_linear_kalman_smoother() -> None:
    """Straight ahead the model is linear in x, speed, acceleration and slow error: filterpy's Rauch-Tung-Striebel
    smoother must give the same means and covariances."""
    rng = np.random.default_rng(3)
    n, t = 80, np.cumsum(np.concatenate([[0.0], np.random.default_rng(4).uniform(0.06, 0.14, 79)]))
    x = 0.4 * t + 0.1 * np.sin(t) + 0.02 * rng.standard_normal(n)
    var = 0.02**2
    levels = Levels(rate_radps=0.1, white=1.2, slow=0.5)
    track = Track(t, np.ones(n, bool), x, np.zeros(n), np.zeros(n), np.tile(np.diag([var, var, 1e-6]), (n, 1, 1)),
                  np.zeros((3, 3)))
    nodes = nodes_of(track)
    run = smooth(nodes, bus(), np.zeros(n, bool), levels, np.zeros((n, 10)), np.ones(n), robust=False)

    kalman = KalmanFilter(dim_x=4, dim_z=1)
    kalman.H = np.array([[1.0, 0, 0, 1]])
    kalman.R = np.array([[1.2**2 * var]])
    far = 1e6  # the place is unknown beforehand
    kalman.x, kalman.P = np.zeros(4), np.diag([far, 4.0, DRIVER.accel_sd_mps2**2, 0.25 * var])
    fs, qs = [], []
    for dt in np.diff(t):
        move, noise = speed_step(dt)
        phi, keep = move[1, 1], move[2, 1]
        forget = np.exp(-dt / levels.slow_time_s)
        fs.append(np.array([[1, dt, dt / 2 * phi, 0], [0, 1, phi, 0], [0, 0, keep, 0], [0, 0, 0, forget]]))
        into = np.array([[1, dt / 2, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1.0]])  # speed noise moves it too
        q = np.zeros((4, 4))
        q[0, 0] = 0.003**2 * dt
        q[1:3, 1:3] = noise[1:, 1:]
        q[3, 3] = 0.25 * var * (1 - forget**2)
        qs.append(into @ q @ into.T)
    kalman.update(x[0])
    means, covs = [kalman.x.copy()], [kalman.P.copy()]
    for k in range(n - 1):
        kalman.predict(F=fs[k], Q=qs[k])
        kalman.update(x[k + 1])
        means.append(kalman.x.copy())
        covs.append(kalman.P.copy())
    # filterpy takes the step from k to k+1 from Fs[k+1].
    mean, cov, _, _ = kalman.rts_smoother(np.array(means), np.array(covs), Fs=[fs[0], *fs], Qs=[qs[0], *qs])
    columns = [X, SPEED, ACCEL, BIAS]
    np.testing.assert_allclose(run.state[:, columns], mean, atol=1e-6)
    np.testing.assert_allclose(run.covariance.marginal[:, columns][:, :, columns], cov, atol=1e-6)


PLAN = [Stand(1.5), Roll(14, steer=((0.2, 20), (0.7, -15))), Stand(2.5), Roll(-16, steer=((0.1, 25), (0.6, 0))),
        Stand(1.5)]


def test_state_and_its_uncertainty_on_simulated_drives() -> None:
    """Over twelve drives: errors of the size that the covariance says, and better than one frame's.

    Errors within a drive hang together, so 95 % intervals are given 90-99 % here. Measured on 90 drives: 0.95 (x),
    0.94 (y), 0.95 (heading), 0.97 (speed), 0.97 (wheel).
    """
    inside, errors = [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        truth = simulate_stop(rng, float(rng.uniform(-30, 30)))
        track = measure(truth, rng, slow=0.4)
        run, probability = estimate(track, bus())
        motion = motion_of(run, probability, track)
        state = np.column_stack([motion.x_m, motion.y_m, motion.heading_rad, motion.speed_mps, motion.wheel_rad])
        error = state - truth.at(track.t_s)
        rolling = truth.at(track.t_s)[:, 3] != 0
        sd = np.sqrt(np.diagonal(motion.cov, axis1=1, axis2=2))
        inside.append((np.abs(error) < 1.96 * sd)[rolling].mean(axis=0))
        errors.append(error)
    assert np.all(np.mean(inside, axis=0) > 0.90)
    assert np.all(np.mean(inside, axis=0)[:3] < 0.99)
    rms = np.sqrt(np.mean(np.concatenate(errors)**2, axis=0))
    assert rms[0] < 0.010
    assert rms[1] < 0.010
    assert rms[2] < np.radians(0.07)
    assert rms[3] < 0.03


def test_the_error_level_is_estimated_when_it_is_stated_wrongly() -> None:
    track = measure(drive(PLAN), np.random.default_rng(5), stated=2.5)
    run, _ = estimate(track, bus())
    assert 0.36 < run.levels.white < 0.44  # 1 / 2.5


def test_an_error_much_larger_than_stated_is_not_taken_for_outliers() -> None:
    track = measure(drive(PLAN), np.random.default_rng(9), sd_m=0.004, sd_rad=np.radians(0.05), stated=0.3)
    run, _ = estimate(track, bus())
    assert 3.0 < run.levels.white < 3.7  # 1 / 0.3
    assert np.mean(run.weight < 0.5) < 0.03


def test_thinning_keeps_what_was_measured() -> None:
    """Three poses in a tenth of a second become one with three times the information, at their mean about the run; an
    outlier among them has no say."""
    truth = drive([Stand(1.5), Roll(8, steer=((0.2, 20),)), Stand(1.5)])
    track = measure(truth, np.random.default_rng(10), rate_hz=30)
    run, _ = estimate(track, bus())
    run = replace(run, weight=np.where(np.arange(len(run.weight)) == 100, 0.0, 1.0))
    thin = thinned(run)
    assert len(thin.nodes.t_s) == pytest.approx(len(run.nodes.t_s) / 3, rel=0.05)
    information = [np.linalg.inv(n.cov)[:, 0, 0][w > 0].sum() for n, w in
                   ((run.nodes, run.weight), (thin.nodes, thin.weight))]
    assert information[0] == pytest.approx(information[1], rel=1e-9)
    assert np.sum(thin.standing) == pytest.approx(np.sum(run.standing) / 3, abs=3)
    miss = thin.nodes.pose - truth.at(thin.nodes.t_s)[:, :3]
    assert np.std(miss[:, 0]) == pytest.approx(0.015 / np.sqrt(3), rel=0.2)
    tenths, _ = estimate(measure(truth, np.random.default_rng(10), rate_hz=10), bus())
    assert thinned(tenths) is tenths  # vision's own rate


def test_outliers_and_missing_frames_do_no_harm() -> None:
    truth = drive(PLAN)
    track = measure(truth, np.random.default_rng(6), outliers=0.03, missing=0.05)
    run, probability = estimate(track, bus())
    motion = motion_of(run, probability, track)
    error = np.hypot(motion.x_m - truth.at(track.t_s)[:, 0], motion.y_m - truth.at(track.t_s)[:, 1])
    assert np.max(error) < 0.05
    assert 0.01 < np.mean(run.weight[run.nodes.seen] < 0.1) < 0.06


def test_a_gap_is_bridged_with_growing_uncertainty_and_marked() -> None:
    truth = drive(PLAN)
    track = measure(truth, np.random.default_rng(7), gaps=((5.0, 7.5),))
    run, probability = estimate(track, bus())
    motion = motion_of(run, probability, track)
    hidden = ~bridged(track)
    assert np.array_equal(hidden, (track.t_s >= 5.0) & (track.t_s <= 7.5))
    middle, outside = np.argmin(np.abs(track.t_s - 6.25)), np.argmin(np.abs(track.t_s - 4.0))
    assert motion.sd(0)[middle] > 3 * motion.sd(0)[outside]
    assert abs(motion.x_m[middle] - truth.at(np.array([6.25]))[0, 0]) < 3 * motion.sd(0)[middle] + 0.01


def test_the_common_part_of_the_error_is_not_averaged_away() -> None:
    """0.05 m along the vehicle, heading 90 degrees: all of it ends up in y."""
    plan = [Stand(1.5), Roll(6), Stand(1.5)]
    truth = drive(plan, start=(0.0, 0.0, np.pi / 2))
    track = measure(truth, np.random.default_rng(8), common_sd=(0.05, 0.0, 0.0))
    run, probability = estimate(track, bus())
    motion = motion_of(run, probability, track)
    assert np.all(motion.sd(1) > 0.05)
    assert np.all(motion.sd(0) < 0.02)
