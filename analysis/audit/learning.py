"""Does practice help, and who is nearly there? Each trainee's chance of passing over attempts.

The log-odds of passing attempt k are a + b log2 k, with a trainee's own a and b drawn from the school's two normal
distributions, which are themselves estimated (empirical Bayes: EM on a grid). A trainee with three attempts is
thereby drawn towards the school, one with thirty stands for himself. Intervals hold the school's distributions as
known, so they are a little narrow below about 20 trainees; nothing is said below ten.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import expit, logit

from analysis.audit.school import School
from analysis.wording import WIDE

STEADY = 0.8  # a pass is steady from this chance on
NEVER = 100  # attempts beyond which 'in sight' means nothing
_LEAST_TRAINEES = 10  # below this the spread between trainees is a guess
_A, _B = np.linspace(-6, 5, 49), np.linspace(-1.2, 2.4, 31)  # fine enough up to some 500 attempts a trainee
_AT = np.array([1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64])  # attempts at which a curve is worked out
_AT_ONCE = 2000  # trainees worked on together: bounds the memory, not the result


@dataclass(frozen=True)
class Learner:
    """One trainee. ready, low, high: chance of passing the next attempt, 95 % interval. needed and its interval: the
    attempt from which a pass is steady (NEVER: not in sight). at (m,), chance (m, 3): low, middle and high chance at
    those attempts, the last of them the next. rows: the trainee's attempts in order; turns, passed: the how-manieth
    of the trainee each is, and 1, 0 or NaN where undecided."""

    name: str
    ready: float
    low: float
    high: float
    needed: int
    needed_low: int
    needed_high: int
    at: np.ndarray
    chance: np.ndarray
    rows: np.ndarray
    turns: np.ndarray
    passed: np.ndarray


@dataclass(frozen=True)
class Learning:
    """The learners by name, and the school: gain is how much the log-odds of passing grow when the number of attempts
    doubles, with a 95 % interval; sd_start and sd_gain how much trainees differ."""

    learners: tuple[Learner, ...]
    start: float
    gain: float
    gain_low: float
    gain_high: float
    sd_start: float
    sd_gain: float


@dataclass(frozen=True)
class Fit:
    """The school's mean and sd of a and b, with the mean gain's se; likelihood (trainees, grid points) up to a factor
    for each trainee."""

    likelihood: np.ndarray
    mean: tuple[float, float]
    sd: tuple[float, float]
    se_gain: float

    def posterior(self, some: slice = slice(None)) -> np.ndarray:
        """(trainees, grid points) of some trainees."""
        weights = self.likelihood[some] * _prior(np.array(self.mean), np.array(self.sd))
        return weights / weights.sum(axis=1, keepdims=True)


def grid() -> tuple[np.ndarray, np.ndarray]:
    a, b = np.meshgrid(_A, _B, indexing="ij")
    return a.ravel(), b.ravel()


def fit(passed: np.ndarray, turn: np.ndarray, trainee: np.ndarray, trainees: int) -> Fit:
    """Fit the model. passed (n,) 1 or 0; turn (n,) attempt number from 1; trainee (n,) from 0."""
    a, b = grid()
    turns, column = np.unique(turn, return_inverse=True)
    tried, won = np.zeros((trainees, len(turns))), np.zeros((trainees, len(turns)))
    np.add.at(tried, (trainee, column), 1.0)
    np.add.at(won, (trainee, column), passed)
    odds = a[None, :] + np.log2(turns)[:, None] * b[None, :]
    none = np.logaddexp(0, odds)
    likelihood = np.empty((trainees, len(a)), np.float32)
    for some in _parts(trainees):
        log = won[some] @ odds - tried[some] @ none
        likelihood[some] = np.exp(log - log.max(axis=1, keepdims=True))
    mean, sd = np.array([0.0, 0.5]), np.array([1.5, 0.5])
    steps = np.array([_A[1] - _A[0], _B[1] - _B[0]])
    for _ in range(200):
        first, second = _moments(Fit(likelihood, tuple(mean), tuple(sd), 0.0))
        new_mean = first.mean(axis=0)
        new_sd = np.maximum(np.sqrt(np.maximum((second - 2 * first * new_mean + new_mean**2).mean(axis=0), 0)), steps)
        done = np.max(np.abs(np.concatenate([new_mean - mean, new_sd - sd]))) < 5e-4
        mean, sd = new_mean, new_sd
        if done:
            break
    # Fisher's information of the four parameters from the trainees' own scores.
    scores = np.column_stack([(first - mean) / sd**2, (second - 2 * first * mean + mean**2 - sd**2) / sd**3])
    spread = np.linalg.pinv(scores.T @ scores)
    return Fit(likelihood, (float(mean[0]), float(mean[1])), (float(sd[0]), float(sd[1])),
               float(np.sqrt(max(spread[1, 1], 0))))


def _moments(found: Fit) -> tuple[np.ndarray, np.ndarray]:
    """(trainees, 2) each trainee's mean of (a, b), and of their squares."""
    points = np.vstack(grid())
    both = np.vstack([points, points**2]).T
    means = np.vstack([found.posterior(some) @ both for some in _parts(len(found.likelihood))])
    return means[:, :2], means[:, 2:]


def _parts(trainees: int) -> list[slice]:
    return [slice(k, k + _AT_ONCE) for k in range(0, trainees, _AT_ONCE)]


def _prior(mean: np.ndarray, sd: np.ndarray) -> np.ndarray:
    return np.exp(-0.5 * np.sum(((np.column_stack(grid()) - mean) / sd) ** 2, axis=1)) + 1e-300


def learning(school: School) -> Learning | None:
    """All trainees with a code; None below ten of them with a decided attempt."""
    code, names = school.codes("trainee")
    passed = 1.0 - school.failed
    use = (code >= 0) & np.isfinite(passed)
    if len(np.unique(code[use])) < _LEAST_TRAINEES:
        return None
    found = fit(passed[use], school.turn[use], code[use], len(names))
    order = np.argsort(code, kind="stable")
    edges = np.searchsorted(code[order], np.arange(len(names) + 1))
    rows = [order[a:b] for a, b in pairwise(edges)]
    learners = []
    for some in _parts(len(names)):
        learners += _learners(names[some], rows[some], school.turn, passed, found.posterior(some))
    gain, half = found.mean[1], WIDE * found.se_gain
    return Learning(tuple(learners), found.mean[0], gain, gain - half, gain + half, *found.sd)


def _learners(names: list[str], rows: list[np.ndarray], turn: np.ndarray, passed: np.ndarray,
              posterior: np.ndarray) -> list[Learner]:
    a, b = grid()
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        crossing = np.where(b > 1e-9, np.exp2(np.clip((logit(STEADY) - a) / b, 0, 20)), np.inf)
    needed = np.where(a >= logit(STEADY), 1.0, np.minimum(np.ceil(crossing), NEVER))
    by_needed = np.argsort(needed, kind="stable")
    needs = needed[by_needed][_quantiles(posterior[:, by_needed])]
    done = np.array([turn[r[-1]] for r in rows])
    curves = np.stack([_chances(posterior, k)[0] for k in _AT], axis=1)
    ready, now = np.empty(len(names)), np.empty((len(names), 3))
    for n in np.unique(done):
        now[done == n], ready[done == n] = _chances(posterior[done == n], n + 1)
    out = []
    for i, name in enumerate(names):
        before = int(np.searchsorted(_AT, done[i] + 1))
        at, chance = np.r_[_AT[:before], done[i] + 1], np.vstack([curves[i, :before], now[i]])
        out.append(Learner(name, float(ready[i]), float(now[i, 0]), float(now[i, 2]), int(needs[i, 1]),
                           int(needs[i, 0]), int(needs[i, 2]), at, chance, rows[i], turn[rows[i]], passed[rows[i]]))
    return out


def _chances(posterior: np.ndarray, attempt: int) -> tuple[np.ndarray, np.ndarray]:
    """((trainees, 3) 2.5 %, 50 % and 97.5 % points, (trainees,) mean) of the chance of passing that attempt."""
    a, b = grid()
    chance = expit(a + b * np.log2(attempt))
    order = np.argsort(chance, kind="stable")
    return chance[order][_quantiles(posterior[:, order])], posterior @ chance


def _quantiles(weights: np.ndarray) -> np.ndarray:
    """(trainees, 3) index of the 2.5 %, 50 % and 97.5 % points of weights in order."""
    total = np.cumsum(weights, axis=1)
    return np.column_stack([np.argmax(total >= p, axis=1) for p in (0.025, 0.5, 0.975)])
