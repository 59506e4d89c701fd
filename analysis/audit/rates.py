"""How often: shares with Wilson intervals that allow for one trainee's attempts being alike.

Ten attempts by one trainee say less than ten by ten trainees. How much less is measured by the intraclass
correlation; the interval is Wilson's, at the number of attempts divided by Kish's design effect 1 + (m - 1) icc.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from statsmodels.stats.proportion import proportion_confint


@dataclass(frozen=True)
class Rate:
    """k of n. low, high: 95 % interval of the share. n_effective: what the n attempts are worth if independent.
    rows: the attempts counted in k."""

    k: int
    n: int
    n_effective: float
    low: float
    high: float
    rows: np.ndarray

    @property
    def share(self) -> float:
        return self.k / self.n if self.n else float("nan")


def wilson(share: np.ndarray, n: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """95 % score interval (Wilson 1927) of a share observed in n independent trials; n may be a fraction."""
    low, high = proportion_confint(np.asarray(share) * n, n, method="wilson")
    return np.clip(low, 0, 1), np.clip(high, 0, 1)


def icc(y: np.ndarray, cluster: np.ndarray) -> float:
    """Intraclass correlation of a 0/1 outcome (n,) within clusters: the analysis-of-variance estimator, not below 0.

    0 when it cannot be known: no cluster with two trials, or all alike.
    """
    y, cluster = y[np.isfinite(y)], cluster[np.isfinite(y)]
    _, code, size = np.unique(cluster, return_inverse=True, return_counts=True)
    groups, n = len(size), len(y)
    if groups < 2 or n <= groups:
        return 0.0
    mean = np.bincount(code, y) / size
    between = np.sum(size * (mean - y.mean()) ** 2) / (groups - 1)
    within = np.sum((y - mean[code]) ** 2) / (n - groups)
    usual = (n - np.sum(size**2) / n) / (groups - 1)
    if between + (usual - 1) * within == 0:
        return 0.0
    return float(np.clip((between - within) / (between + (usual - 1) * within), 0.0, 1.0))


def effective_n(group: np.ndarray, groups: int, cluster: np.ndarray, correlation: float) -> np.ndarray:
    """(groups,) what each group's attempts are worth, given the icc. group (n,) from 0; below 0: in none."""
    inside = group >= 0
    pairs, counts = np.unique(np.column_stack([group[inside], cluster[inside]]), axis=0, return_counts=True)
    n, squares = np.bincount(group[inside], minlength=groups), np.zeros(groups)
    np.add.at(squares, pairs[:, 0].astype(int), counts.astype(float) ** 2)
    effect = 1 + (squares / np.maximum(n, 1) - 1) * correlation
    return n / np.maximum(effect, 1.0)


def rates_by(y: np.ndarray, group: np.ndarray, groups: int, cluster: np.ndarray,
             correlation: float | None = None) -> list[Rate]:
    """The rate of outcome y (n,; NaN left out) in each group. correlation: the icc, measured from y where None."""
    known = np.isfinite(y)
    correlation = icc(y, cluster) if correlation is None else correlation
    group = np.where(known, group, -1)
    n = np.bincount(group[group >= 0], minlength=groups)
    hit = known & (y > 0) & (group >= 0)
    k = np.bincount(group[hit], minlength=groups)
    worth = effective_n(group, groups, cluster, correlation)
    with np.errstate(invalid="ignore", divide="ignore"):
        low, high = wilson(np.where(n > 0, k / np.maximum(n, 1), 0.0), np.maximum(worth, 1e-9))
    order = np.flatnonzero(hit)[np.argsort(group[hit], kind="stable")]
    parts = np.split(order, np.cumsum(k)[:-1])
    return [Rate(int(k[g]), int(n[g]), float(worth[g]), float(low[g]) if n[g] else 0.0,
                 float(high[g]) if n[g] else 1.0, parts[g]) for g in range(groups)]


def rate(y: np.ndarray, cluster: np.ndarray, correlation: float | None = None) -> Rate:
    """The rate over all attempts."""
    return rates_by(y, np.zeros(len(y), int), 1, cluster, correlation)[0]
