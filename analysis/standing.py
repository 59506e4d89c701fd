"""Standing or rolling: the probability of a standstill at each time, from the distance along the path.

The vehicle either stands (speed exactly zero) or rolls (its acceleration a mean-reverting random
process); it may only pass from one to the other at a speed near zero, and usually comes to rest while
still braking. All histories of this switching model are followed at once: one Kalman filter for
'standing', one for each time at which rolling may have begun. Run forward and, the model being
reversible, backward, the two passes give the probability of standing given the whole track. No speed
threshold is involved.

Weak when the measured position itself wanders (more than stated) while the vehicle stands: the
wandering then looks like creeping.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from analysis.driving import DRIVER, speed_step
from analysis.mixture import Mixture, joined

_ROLL_TO_STAND_MPS = 0.03  # a vehicle rolling faster than a few cm/s does not stand the next moment
_STAND_LASTS_S = 6.0  # a standstill's usual length
_STOP_WITHIN_S = 0.2  # once slower than that, the usual time until it stands
_ANY_SPEED_MPS = 1.0  # when the run begins or ends in motion
_FAR_M2 = 1e6  # variance of a place about which nothing is known
_HISTORIES = 40  # bounds the work (own choice)
_COMPARED = 10  # the likeliest histories stand for all: bounds the work
_HOPELESS = 25.0  # a history less likely than the best by more than this power of e is dropped


@dataclass(frozen=True)
class _Edge:
    """Acceleration at an end of rolling: equal parts of Gaussians with these means and this sd (m/s2)."""

    means: tuple[float, ...]
    sd: float


# Moving off may be soft or brisk; coming to rest, the brakes are still on. Common practice, no published source.
_MOVING_OFF = _Edge((0.0,), 0.3)
_COMING_TO_REST = _Edge((-0.45, 0.45), 0.2)


@dataclass(frozen=True)
class Along:
    """Distance along the path, measured: t_s, s_m, var_m2 (n,), infinite variance where nothing was measured.

    bias_sd_m and bias_time_s describe the slowly varying part of the measurement error. rolling (n,) is True where the
    vehicle is known to roll: there, only one history is followed."""

    t_s: np.ndarray
    s_m: np.ndarray
    var_m2: np.ndarray
    bias_sd_m: float
    bias_time_s: float
    rolling: np.ndarray


def standing_probability(along: Along) -> np.ndarray:
    """(n,) probability that the vehicle stands at each time."""
    forward = _one_way(along, _MOVING_OFF, _COMING_TO_REST)
    turned = replace(along, t_s=-along.t_s[::-1], s_m=along.s_m[::-1], var_m2=along.var_m2[::-1],
                     rolling=along.rolling[::-1])
    reverse = _one_way(turned, _COMING_TO_REST, _MOVING_OFF)[::-1]
    known = np.diag([_FAR_M2**-1, 0.0, DRIVER.accel_sd_mps2**-2, along.bias_sd_m**-2])
    out = np.empty(len(along.t_s))
    # What forward knows with the measurement at a time, joined with what reverse knows without it.
    for k, ((_, past), (future, _)) in enumerate(zip(forward, reverse, strict=True)):
        if max(_hopelessness(past), _hopelessness(future)) > 2 * _HOPELESS:
            out[k] = 0.0
            continue
        stand = _log_overlap(past[:1], future[:1], known, [_S, _BIAS])
        roll = _log_overlap(past[1:], _turned(future[1:]), known, [_S, _V, _A, _BIAS])
        out[k] = 1 / (1 + np.exp(np.clip(roll - stand, -700, 700)))
    return out


def _log_overlap(past: Mixture, future: Mixture, known: np.ndarray, columns: list[int]) -> float:
    """log of the integral over the state of past times future, where both had counted what was known beforehand, with
    precision `known` about zero. Taken relative to each past mean, so that long distances do not drown small errors."""
    known = known[np.ix_(columns, columns)]
    a = np.linalg.inv(past.cov[:, columns][:, :, columns])[:, None]
    b = np.linalg.inv(future.cov[:, columns][:, :, columns])[None]
    mean = past.mean[:, None, columns]
    gap = future.mean[None, :, columns] - mean
    joint = a + b - known
    h = (b @ gap[..., None])[..., 0] + mean @ known
    quad = (np.einsum("...i,...ij,...j->...", gap, b, gap) - np.einsum("...i,ij,...j->...", mean, known, mean)
            - np.sum(h * np.linalg.solve(joint, h[..., None])[..., 0], axis=-1))
    log_dets = np.linalg.slogdet(a)[1] + np.linalg.slogdet(b)[1] - np.linalg.slogdet(joint)[1]
    positive = np.diag(known)[np.diag(known) > 0]
    constant = -np.sum(np.log(positive)) + (len(positive) - len(columns)) * np.log(2 * np.pi)
    log_w = past.log_w[:, None] + future.log_w[None]
    return float(np.logaddexp.reduce((log_w + 0.5 * (log_dets - quad + constant)).ravel()))


def _hopelessness(histories: Mixture) -> float:
    """By which power of e 'standing', the first of the histories, is less likely than the likeliest rolling."""
    return float(np.max(histories.log_w[1:]) - histories.log_w[0])


def _strongest(histories: Mixture) -> Mixture:
    """'Standing' and the few rolling histories that carry the weight."""
    rolling = np.argsort(histories.log_w[1:])[-_COMPARED:] + 1
    return histories[np.concatenate([[0], rolling]).astype(int)]


def _turned(histories: Mixture) -> Mixture:
    """The same with time reversed."""
    sign = np.array([1.0, -1.0, 1.0, 1.0])
    return Mixture(histories.log_w, histories.mean * sign, histories.cov * sign * sign[:, None])


# The state: distance, speed, acceleration and the slowly varying error of the distance.
_S, _V, _A, _BIAS = range(4)
_SPEED_ROW, _ACCEL_ROW, _MEASURED_ROW = np.eye(4)[_V], np.eye(4)[_A], np.eye(4)[_S] + np.eye(4)[_BIAS]
"""Pick one number of the state."""


def _one_way(along: Along, begin: _Edge, finish: _Edge) -> list[tuple[Mixture, Mixture]]:
    """The strongest histories before and after each measurement."""
    out = []
    bias_var = along.bias_sd_m**2
    now = Mixture(np.log([0.5, 0.5]), np.zeros((2, 4)), np.array([
        np.diag([_FAR_M2, 0.0, 0.0, bias_var]),
        np.diag([_FAR_M2, _ANY_SPEED_MPS**2, DRIVER.accel_sd_mps2**2, bias_var])]))
    for k, t in enumerate(along.t_s):
        if k:
            dt = t - along.t_s[k - 1]
            now = _rolling_on(now) if along.rolling[k] else _switched(now, dt, begin, finish)
            now = _later(now, dt, along.bias_time_s, bias_var)
        before = _strongest(now)
        if np.isfinite(along.var_m2[k]):
            now = now.observed(_MEASURED_ROW, along.s_m[k], along.var_m2[k])
        out.append((before, _strongest(now)))
    return out


def _rolling_on(now: Mixture) -> Mixture:
    """The histories where standing is out of the question."""
    roll = now[1:].merged()
    return joined(replace(now[:1], log_w=roll.log_w - 4 * _HOPELESS), roll)


def _switched(now: Mixture, dt: float, begin: _Edge, finish: _Edge) -> Mixture:
    """The histories after a chance to move off and to come to rest."""
    # Both switches carry the same weight (only their product matters), which makes the model reversible.
    log_switch = 0.5 * np.log(-np.expm1(-dt / _STAND_LASTS_S) * -np.expm1(-dt / _STOP_WITHIN_S)
                              * np.sqrt(2 * np.pi) * _ROLL_TO_STAND_MPS)
    stand, roll = now[:1], now[1:]
    started = []
    for mean in begin.means:
        new = replace(stand.weighted(log_switch - np.log(len(begin.means))), mean=stand.mean.copy(),
                      cov=stand.cov.copy())
        new.mean[0, _A] = mean
        new.cov[0, _V, _V], new.cov[0, _A, _A] = _ROLL_TO_STAND_MPS**2, begin.sd**2
        started.append(new)
    slow = roll.weighted(log_switch).observed(_SPEED_ROW, 0.0, _ROLL_TO_STAND_MPS**2)
    stopped = joined(*(_arriving(slow.weighted(-np.log(len(finish.means))), mean, finish.sd)
                        for mean in finish.means))
    stand = joined(stand.weighted(-dt / _STAND_LASTS_S), stopped).merged()
    stand.mean[0, [_V, _A]] = 0.0
    stand.cov[0, [_V, _A], :] = stand.cov[0, :, [_V, _A]] = 0.0
    roll = roll[roll.log_w > max(stand.log_w[0], np.max(roll.log_w)) - _HOPELESS]
    while len(roll.log_w) > _HISTORIES:  # the oldest histories have long forgotten their beginnings: one will do
        roll = joined(roll[:2].merged(), roll[2:])
    return joined(stand, roll, *started)


def _arriving(roll: Mixture, mean: float, sd: float) -> Mixture:
    """Histories weighted by N(a; mean, sd) over the acceleration's density while rolling, itself a Gaussian in a."""
    usual = DRIVER.accel_sd_mps2
    sharper = 1 / sd**2 - 1 / usual**2
    middle = mean / sd**2 / sharper
    log_factor = np.log(usual / sd) + 0.5 * (np.log(2 * np.pi / sharper) - mean**2 / sd**2 + middle**2 * sharper)
    return roll.weighted(log_factor).observed(_ACCEL_ROW, middle, 1 / sharper)


def _later(now: Mixture, dt: float, bias_time: float, bias_var: float) -> Mixture:
    """The histories after time `dt`."""
    f, q = _step(dt, bias_time, bias_var)
    mean, cov = now.mean @ f.T, f @ now.cov @ f.T + q
    cov[0, :3, :3] -= q[:3, :3]  # standing: nothing moves
    return Mixture(now.log_w, mean, cov)


@lru_cache(1024)  # a clip knows few steps of time, and each is gone through several times
def _step(dt: float, bias_time: float, bias_var: float) -> tuple[np.ndarray, np.ndarray]:
    """Transition and noise (4, 4) of the state over time `dt`; not to be written to."""
    forget = np.exp(-dt / bias_time)
    f, q = np.eye(4), np.zeros((4, 4))
    (f[:3, 1:3], q[:3, :3]), f[_BIAS, _BIAS] = speed_step(dt), forget
    q[_BIAS, _BIAS] = bias_var * (1 - forget**2)
    return f, q
