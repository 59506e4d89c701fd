"""Standing or rolling: the probability of a standstill at each time, from the distance along the path.

The vehicle either stands (speed exactly zero) or rolls (its acceleration a mean-reverting random
process); it may only pass from one to the other at a speed near zero. All histories of this
switching model are followed at once: one Kalman filter for 'standing', one for each time at which
rolling may have begun. Run forward and, the model being the same in reversed time, backward, the two
passes give the probability of standing given the whole track. No speed threshold is involved.

Weak when the measured position itself wanders (more than stated) while the vehicle stands: the
wandering then looks like creeping.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.driving import DRIVER, speed_step

_ROLL_TO_STAND_MPS = 0.03  # a vehicle rolling faster than a few cm/s does not stand the next moment
_STAND_LASTS_S = 6.0  # a standstill's usual length
_STOP_WITHIN_S = 0.2  # once slower than that, the usual time until it stands
_ANY_SPEED_MPS = 1.0  # when the run begins or ends in motion
_FAR_M2 = 1e6  # variance of a place about which nothing is known
_HISTORIES = 40


@dataclass(frozen=True)
class Along:
    """Distance along the path, measured: t_s, s_m, var_m2 (n,), infinite variance where nothing was measured.

    bias_sd_m (n,) and bias_time_s describe the slowly varying part of the measurement error."""

    t_s: np.ndarray
    s_m: np.ndarray
    var_m2: np.ndarray
    bias_sd_m: float
    bias_time_s: float


def standing_probability(along: Along) -> np.ndarray:
    """(n,) probability that the vehicle stands at each time."""
    forward = _one_way(along)
    reverse = _one_way(Along(-along.t_s[::-1], along.s_m[::-1], along.var_m2[::-1], along.bias_sd_m,
                             along.bias_time_s))
    total = forward.log_total
    log_p = np.empty(len(along.t_s))
    prior_precision = np.diag([1 / _FAR_M2, 1 / along.bias_sd_m**2])
    # Joint of what forward knows with the measurement at k and what backward knows without it.
    for k in range(len(log_p)):
        j = len(log_p) - 1 - k
        log_p[k] = (forward.log_after[k] + reverse.log_before[j]
                    + _log_overlap(forward.mean_after[k], forward.cov_after[k], reverse.mean_before[j],
                                   reverse.cov_before[j], prior_precision))
    return np.clip(np.exp(np.minimum(log_p - total, 0.0)), 0.0, 1.0)


def _log_overlap(m1: np.ndarray, p1: np.ndarray, m2: np.ndarray, p2: np.ndarray, prior: np.ndarray) -> float:
    """log of the integral of N(x; m1, p1) N(x; m2, p2) / N(x; 0, prior^-1)."""
    a, b = np.linalg.inv(p1), np.linalg.inv(p2)
    joint = a + b - prior
    h = a @ m1 + b @ m2
    quad = m1 @ a @ m1 + m2 @ b @ m2 - h @ np.linalg.solve(joint, h)
    log_dets = np.linalg.slogdet(a)[1] + np.linalg.slogdet(b)[1] - np.linalg.slogdet(prior)[1] \
        - np.linalg.slogdet(joint)[1]
    return 0.5 * (log_dets - quad)


@dataclass(frozen=True)
class _Pass:
    """What one pass knows of 'standing' before and after each measurement: log weight, mean and cov of (s, bias)."""

    log_before: np.ndarray
    mean_before: np.ndarray
    cov_before: np.ndarray
    log_after: np.ndarray
    mean_after: np.ndarray
    cov_after: np.ndarray
    log_total: float


def _one_way(along: Along) -> _Pass:
    n = len(along.t_s)
    out = _Pass(np.empty(n), np.empty((n, 2)), np.empty((n, 2, 2)), np.empty(n), np.empty((n, 2)),
                np.empty((n, 2, 2)), 0.0)
    bias_var = along.bias_sd_m**2
    accel_var = DRIVER.accel_sd_mps2**2
    # Histories: row 0 is 'standing', the others 'rolling since ...'; state (s, v, a, bias).
    log_w = np.full(_HISTORIES, -np.inf)
    mean = np.zeros((_HISTORIES, 4))
    cov = np.tile(np.eye(4), (_HISTORIES, 1, 1))
    log_w[:2] = np.log(0.5)
    cov[0] = np.diag([_FAR_M2, 0.0, 0.0, bias_var])
    cov[1] = np.diag([_FAR_M2, _ANY_SPEED_MPS**2, accel_var, bias_var])
    used = 2
    for k in range(n):
        if k:
            log_w, mean, cov, used = _step(log_w, mean, cov, used, along.t_s[k] - along.t_s[k - 1],
                                           along.bias_time_s, bias_var, accel_var)
        out.log_before[k], out.mean_before[k] = log_w[0], mean[0, [0, 3]]
        out.cov_before[k] = cov[0][np.ix_([0, 3], [0, 3])]
        if np.isfinite(along.var_m2[k]):
            _measure(log_w[:used], mean[:used], cov[:used], along.s_m[k], along.var_m2[k])
        out.log_after[k], out.mean_after[k] = log_w[0], mean[0, [0, 3]]
        out.cov_after[k] = cov[0][np.ix_([0, 3], [0, 3])]
    # The end of the run is as uncertain as its beginning, so that both passes describe the same model.
    spread = cov[1:used, 1, 1] + _ANY_SPEED_MPS**2
    log_w[1:used] -= 0.5 * (np.log(2 * np.pi * spread) + mean[1:used, 1]**2 / spread)
    return replace(out, log_total=float(np.logaddexp.reduce(log_w[:used]) + np.log(0.5)))


def _step(log_w: np.ndarray, mean: np.ndarray, cov: np.ndarray, used: int, dt: float, bias_time: float,
          bias_var: float, accel_var: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, int]:
    """Switch between standing and rolling, then let time `dt` pass."""
    kernel_var = _ROLL_TO_STAND_MPS**2
    # Start and stop carry the same weight (only their product matters), which makes the model reversible.
    log_switch = 0.5 * np.log(-np.expm1(-dt / _STAND_LASTS_S) * -np.expm1(-dt / _STOP_WITHIN_S)
                              * np.sqrt(2 * np.pi) * _ROLL_TO_STAND_MPS)
    roll_m, roll_p, roll_w = mean[1:used], cov[1:used], log_w[1:used]
    spread = roll_p[:, 1, 1] + kernel_var
    gain = roll_p[:, :, 1] / spread[:, None]
    stop_w = roll_w + log_switch - 0.5 * (np.log(2 * np.pi * spread) + roll_m[:, 1]**2 / spread)
    stop_m = roll_m - gain * roll_m[:, 1:2]
    stop_p = roll_p - gain[:, :, None] * roll_p[:, None, :, 1]
    stand_w = np.concatenate([[log_w[0] - dt / _STAND_LASTS_S], stop_w])
    stand_m = np.concatenate([mean[:1], stop_m])
    stand_p = np.concatenate([cov[:1], stop_p])
    new_w = log_w[0] + log_switch
    new_m, new_p = mean[0].copy(), cov[0].copy()
    new_p[1, 1], new_p[2, 2] = kernel_var, accel_var
    if used == len(log_w):  # the two oldest rolling histories have long forgotten their beginnings: one will do
        log_w[1], mean[1], cov[1] = _merge(log_w[1:3], mean[1:3], cov[1:3])
        log_w[2:-1], mean[2:-1], cov[2:-1] = log_w[3:], mean[3:], cov[3:]
        used -= 1
    log_w[0], mean[0], cov[0] = _merge(stand_w, stand_m, stand_p)
    mean[0, 1:3] = 0.0
    cov[0, 1:3, :] = cov[0, :, 1:3] = 0.0
    log_w[used], mean[used], cov[used] = new_w, new_m, new_p
    used += 1
    forget = np.exp(-dt / bias_time)
    move, noise = speed_step(dt)
    f = np.array([[1, move[0, 0], move[0, 1], 0], [0, 1, move[1, 1], 0], [0, 0, move[2, 1], 0], [0, 0, 0, forget]])
    q = np.zeros((4, 4))
    q[:3, :3] = noise
    q[3, 3] = bias_var * (1 - forget**2)
    mean[1:used] = mean[1:used] @ f.T
    cov[1:used] = f @ cov[1:used] @ f.T + q
    mean[0, 3] *= forget
    cov[0, 3, :] *= forget
    cov[0, :, 3] *= forget
    cov[0, 3, 3] += q[3, 3]
    return log_w, mean, cov, used


def _merge(log_w: np.ndarray, mean: np.ndarray, cov: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
    """One Gaussian with the weight, mean and covariance of a mixture."""
    top = np.max(log_w)
    w = np.exp(log_w - top)
    total = np.sum(w)
    w = w / total
    m = w @ mean
    d = mean - m
    return float(top + np.log(total)), m, np.tensordot(w, cov, 1) + (d * w[:, None]).T @ d


def _measure(log_w: np.ndarray, mean: np.ndarray, cov: np.ndarray, s_m: float, var: float) -> None:
    """Take in one measured distance, in place."""
    seen = cov[:, :, 0] + cov[:, :, 3]
    spread = seen[:, 0] + seen[:, 3] + var
    miss = s_m - mean[:, 0] - mean[:, 3]
    gain = seen / spread[:, None]
    log_w -= 0.5 * (np.log(2 * np.pi * spread) + miss**2 / spread)
    mean += gain * miss[:, None]
    cov -= gain[:, :, None] * seen[:, None, :]
