"""When a standstill began and ended, to a fraction of the time it takes to notice.

Where the vehicle moves off, it stood until a time e, then its acceleration rose to some value over some time and
stayed about there: the distance grows with the second or third power of the time since e, a millimetre at a time, so e
is known far better from the metre that follows than from the moment at which movement first shows. For each e and each
rise the distances measured around the edge are Gaussian (the acceleration's size, its wandering and the measurement's
slow error integrated out), so the probability of each e follows in closed form. Coming to rest is the same with time
reversed, and the brakes mostly still on when the wheels stop.

How well e can be known: with distance errors sigma at a rate r over a time W, moving off at a constant unknown
acceleration a, the Cramer-Rao bound of e is sigma sqrt(48 / (r a2 W3)); with an acceleration growing as j t, it is
sigma sqrt(720 / (r j2 W5)) (hand-worked; see the tests). For a = 0.3 m/s2, W = 1 s and r = 10 Hz these are 0.01 s
and (j = 0.3 m/s3) 0.04 s for 1.5 mm, ten times that for 15 mm.

Weak when the vehicle moves on for less than about half a second, and when the measured place wanders by more than
stated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.nodes import runs
from analysis.standing import Along

_BEFORE_S, _AFTER_S = 1.5, 2.5  # the distances that matter, about the edge first found
_SEARCHED_S, _STEP_S = 1.0, 0.02  # an edge is found to about 0.2 s before; steps finer than it can be known
_PLACE_M = 1.0  # sd of where it stands, about the first pose: nothing is known
_JERK = 0.02  # m2/s5: how far the acceleration wanders, 0.14 m/s2 (one sd) in a second


@dataclass(frozen=True)
class Manner:
    """How an edge is driven: acceleration +-mean (sd), reached over one of rise_s with these probabilities. Common
    practice, no published source."""

    mean_mps2: float
    sd_mps2: float
    rise_s: tuple[float, ...]
    share: tuple[float, ...]


MOVING_OFF = Manner(0.45, 0.2, (0.0, 0.2, 0.4, 0.6, 0.8), (0.4, 0.15, 0.15, 0.15, 0.15))
COMING_TO_REST = Manner(0.45, 0.2, (0.0, 0.2), (0.8, 0.2))


def sharpened(along: Along, probability: np.ndarray) -> np.ndarray:
    """The probability (n,) of standing with each edge between standing and rolling found again."""
    out = probability.copy()
    t = along.t_s
    stands = runs(probability > 0.5)
    middle = [(t[a] + t[b]) / 2 for a, b in stands]
    for k, (first, last) in enumerate(stands):
        peak = float(np.max(probability[first:last + 1]))
        if last < len(t) - 1:
            upto = (t[last] + t[stands[k + 1][0]]) / 2 if k + 1 < len(stands) else t[-1]
            _put(out, along, MOVING_OFF, 1.0, middle[k], (t[last] + t[last + 1]) / 2, upto, peak)
        if first > 0:
            upto = (t[first] + t[stands[k - 1][1]]) / 2 if k else t[0]
            _put(out, along, COMING_TO_REST, -1.0, middle[k], (t[first - 1] + t[first]) / 2, upto, peak)
    return out


def _put(out: np.ndarray, along: Along, manner: Manner, sense: float, middle: float, edge: float, upto: float,
         peak: float) -> None:
    """Write the probabilities of standing about one edge into `out`; `sense` -1 turns time round. The times are the
    middle of the standstill, the edge as first found, and how far outward the movement goes."""
    x = sense * (along.t_s - edge)  # seconds outward from the edge
    inner, outer = -abs(edge - middle), abs(upto - edge)
    near = (x > max(inner, -_BEFORE_S)) & (x < min(outer, _AFTER_S)) & np.isfinite(along.var_m2)
    when = np.arange(max(inner, -_SEARCHED_S), min(outer, _SEARCHED_S), _STEP_S)
    if np.sum(near) < 4 or len(when) < 2:
        return
    order = np.argsort(x[near])
    share = edge_shares(x[near][order], along.s_m[near][order], along.var_m2[near][order], when, along.bias_sd_m,
                        along.bias_time_s, manner)
    later = np.interp(x, when + _STEP_S / 2, 1.0 - np.cumsum(share), left=1.0, right=0.0)
    touched = (x > inner) & (x < when[-1] + _STEP_S)
    out[touched] = peak * later[touched]


def edge_shares(t_s: np.ndarray, s_m: np.ndarray, var_m2: np.ndarray, when_s: np.ndarray, bias_sd_m: float,
                bias_time_s: float, manner: Manner) -> np.ndarray:
    """(m,) probability of each of the times `when_s` at which standing ends, from distances s_m (n,) at t_s (n,)."""
    since = t_s[None] - when_s[:, None]
    apart = np.abs(t_s[:, None] - t_s[None])
    error = np.diag(var_m2) + bias_sd_m**2 * np.exp(-apart / bias_time_s) + _PLACE_M**2
    root = np.linalg.cholesky(error[None] + _JERK * _wandered(since))
    seen = np.linalg.solve(root, np.broadcast_to((s_m - s_m[0])[:, None], (len(when_s), len(t_s), 1)))[..., 0]
    log_p = np.full(len(when_s), -np.inf)
    for rise, share in zip(manner.rise_s, manner.share, strict=True):
        form = np.linalg.solve(root, _rolled(since, rise)[..., None])[..., 0]
        size, match = np.sum(form**2, axis=1), np.sum(form * seen, axis=1)
        for mean in (manner.mean_mps2, -manner.mean_mps2):
            fit = (mean * match - 0.5 * mean**2 * size
                   + 0.5 * (match - mean * size)**2 / (size + manner.sd_mps2**-2))
            log_p = np.logaddexp(log_p, np.log(share) + fit - 0.5 * np.log1p(manner.sd_mps2**2 * size))
    log_p -= 0.5 * np.sum(seen**2, axis=1) + np.sum(np.log(np.diagonal(root, axis1=1, axis2=2)), axis=1)
    p = np.exp(log_p - np.max(log_p))
    return p / p.sum()


def _rolled(since_s: np.ndarray, rise_s: float) -> np.ndarray:
    """Distance rolled at an acceleration that rises to 1 m/s2 over `rise_s` and stays."""
    x = np.maximum(since_s, 0.0)
    if rise_s == 0:
        return x**2 / 2
    rest = x - rise_s
    return np.where(rest < 0, x**3 / (6 * rise_s), rise_s**2 / 6 + rest * rise_s / 2 + rest**2 / 2)


def _wandered(since_s: np.ndarray) -> np.ndarray:
    """Covariance (..., n, n) of the distances that an acceleration wandering by 1 m/s2 per root second adds."""
    x = np.maximum(since_s, 0.0)
    early = np.minimum(x[..., :, None], x[..., None, :])
    gap = np.abs(x[..., :, None] - x[..., None, :])
    return (early**5 / 5 + gap * early**4 / 2 + gap**2 * early**3 / 3) / 4
