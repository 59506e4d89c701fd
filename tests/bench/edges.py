"""How well the moment of moving off could be known at best: the floor under the steering suite's edge errors.

The best estimator of an edge, in the mean square, is its posterior mean under the family that it was drawn from. Here
it is told that family (accelerations of 0.25-0.7 m/s2, reached at once or over up to 0.8 s), when the driver stops
accelerating, the size of the errors and their memory, and looks along the path only. Nothing that has to find these
out can do better on average.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from simulate import FINE_S, Drive, simulate_stop

_ACCELS_MPS2 = np.linspace(0.25, 0.7, 10)
_RISES_S = np.linspace(0.01, 0.8, 9)
_WHEN_S = np.arange(-1.2, 1.2, 0.02)
_RATE_HZ, _MISSING = 10.0, 0.05


def best_moving_off_s(level: Mapping[str, tuple[float, float]], count: int, seed: int) -> np.ndarray:
    """(2 count,) errors in s of the best estimator, at the two moments of moving off of each simulated run."""
    out = []
    for k in range(count):
        rng = np.random.default_rng([seed, k])
        truth = simulate_stop(rng, 0.0)
        sd, slow, memory = (float(rng.uniform(*level[name])) for name in ("sd_m", "slow", "slow_time_s"))
        for begin, end in truth.stops[:2]:
            out.append(_error(truth, begin, end, sd, slow * sd, memory, rng))
    return np.array(out)


def _error(truth: Drive, begin: float, end: float, sd: float, slow_sd: float, memory: float,
           rng: np.random.Generator) -> float:
    edge = round(end / FINE_S)
    speed = np.abs(truth.speed_mps[edge:edge + 6000])
    accelerated_s = float(np.argmax(speed > 0.9 * speed.max())) * FINE_S
    t = np.arange(max(begin - end, -1.5), accelerated_s, 1 / _RATE_HZ) + rng.uniform(0, 1 / _RATE_HZ)
    t = t[rng.random(len(t)) >= _MISSING]
    rolled = np.interp(end + t, truth.t_s, np.cumsum(np.abs(truth.speed_mps)) * FINE_S)
    cov = sd**2 * np.eye(len(t)) + slow_sd**2 * np.exp(-np.abs(t[:, None] - t) / memory)
    seen = rolled - rolled[0] + np.linalg.cholesky(cov) @ rng.standard_normal(len(t))
    information = np.linalg.inv(cov + np.ones_like(cov))  # where it stands is known to a metre beforehand
    since = np.maximum(t - _WHEN_S[:, None, None], 0.0)
    rise = _RISES_S[:, None]
    form = np.where(since < rise, since**3 / (6 * rise), rise**2 / 6 + (since - rise) * since / 2)
    miss = seen - form[:, :, None] * _ACCELS_MPS2[:, None]
    fit = -0.5 * np.einsum("...i,ij,...j->...", miss, information, miss)
    share = np.exp(fit - fit.max()).sum(axis=(1, 2))
    return float(share @ _WHEN_S / share.sum())
