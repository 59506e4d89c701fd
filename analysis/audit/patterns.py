"""Which early deviation goes with which later fault.

Every early measure (as it is, and as its distance from the usual) and every early fault is tried against every later
fault. A driver who is poor at both must not make a pattern, so each is compared within trainees, and for the same
experience, vehicle, course and instructor: a linear probability model on what remains after those are taken out
(Frisch and Waugh), tested by a score statistic that allows for one trainee's attempts being alike (cluster-robust).
Many pairs are tried, so those told are chosen by Benjamini and Hochberg's procedure: of what is told, at most `RATE`
is expected to be chance. Intervals of what was chosen are widened to match (Benjamini and Yekutieli 2005).

A pattern is not a cause. Attempts where the later fault is undecided count as without it, which can only hide a
pattern. Weak below about 200 attempts or 20 trainees.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import qr
from scipy.stats import norm
from scipy.stats import t as student
from statsmodels.stats.multitest import multipletests

from analysis.audit.measures import MEASURES
from analysis.audit.rates import Rate, rates_by
from analysis.audit.school import School

RATE = 0.05  # share of false patterns among those told (Benjamini and Hochberg 1995)
_LEAST = 20  # attempts with the fault, and without, and with the measure
_EARLY, _LATE = ("forward", "reverse"), ("shunt", "later", "end")
_AFTER_FORWARD = ("reverse", "shunt", "later", "end")


@dataclass(frozen=True)
class Pattern:
    """One pair that was told. early: a measure's name, or a kind of fault; shape: 'signed', 'far' (distance from the
    usual, `usual`) or 'fault'. effect: change of the later fault's share (as a fraction) for one `step` of the early
    measure (its sd; for a fault: having it), with an interval low to high; p the single test's, q after correction.
    parts: the plain rates in the lower, middle and upper third (without and with the early fault), whose `bounds`
    are given; with as many attempts each as there are.
    """

    early: str
    shape: str
    later: str
    effect: float
    low: float
    high: float
    step: float
    usual: float
    p: float
    q: float
    bounds: tuple[float, ...]
    parts: tuple[Rate, ...]


@dataclass(frozen=True)
class Patterns:
    """Those told, strongest evidence first; and how many pairs were tried."""

    told: tuple[Pattern, ...]
    tried: int


@dataclass(frozen=True)
class _Try:
    early: str
    shape: str
    later: str
    x: np.ndarray
    y: np.ndarray
    slope: float
    se: float
    score: float
    step: float
    usual: float
    freedom: int


def patterns(school: School) -> Patterns:
    """All patterns of the school, at a false discovery rate of RATE."""
    tries = [*_from_measures(school), *_from_faults(school)]
    if not tries:
        return Patterns((), 0)
    p = 2 * norm.sf(np.abs([t.score for t in tries]))
    chosen, q, _, _ = multipletests(p, RATE, "fdr_bh")
    level = RATE * max(int(chosen.sum()), 1) / len(tries)
    told = [_pattern(school, t, float(p[i]), float(q[i]), level) for i, t in enumerate(tries) if chosen[i]]
    return Patterns(tuple(sorted(told, key=lambda t: t.p)), len(tries))


def _from_measures(school: School) -> list[_Try]:
    laters = _laters(school, _AFTER_FORWARD)
    out: list[_Try] = []
    for m in MEASURES:
        if m.role == "outcome":
            continue
        x = school.attempts[m.name].to_numpy(float)
        known = np.isfinite(x)
        if known.sum() < 2 * _LEAST or np.nanstd(x) == 0:
            continue
        usual = float(np.median(x[known]))
        out += _tries(school, known, [(m.name, "signed", x, usual), (m.name, "far", np.abs(x - usual), usual)], laters)
    return out


def _from_faults(school: School) -> list[_Try]:
    everywhere = np.ones(len(school), bool)
    earlies = [(kind, "fault", x, 0.0) for kind in school.kinds
               if (x := _sure(school, kind, _EARLY)).sum() >= _LEAST and (1 - x).sum() >= _LEAST]
    return _tries(school, everywhere, earlies, _laters(school, _LATE))


def _laters(school: School, legs: tuple[str, ...]) -> dict[str, np.ndarray]:
    return {kind: _sure(school, kind, legs) for kind in school.kinds}


def _sure(school: School, kind: str, legs: tuple[str, ...]) -> np.ndarray:
    return np.nan_to_num(school.had(kind, legs))


def _tries(school: School, known: np.ndarray, earlies: Sequence[tuple[str, str, np.ndarray, float]],
           laters: dict[str, np.ndarray]) -> list[_Try]:
    kinds = [k for k, y in laters.items() if min(y[known].sum(), (1 - y[known]).sum()) >= _LEAST]
    if not kinds or not earlies:
        return []
    _, cluster = np.unique(school.cluster[known], return_inverse=True)
    clean = _Within(school, known, cluster)
    late = clean(np.column_stack([laters[k][known] for k in kinds]))
    early = clean(np.column_stack([x[known] for _, _, x, _ in earlies]))
    slope, se, score = slopes(early, late, cluster, clean.groups)
    out = []
    for i, (name, shape, x, usual) in enumerate(earlies):
        step = 1.0 if shape == "fault" else float(np.std(x[known]))
        out += [_Try(name, shape, kind, x, laters[kind], float(slope[i, j]), float(se[i, j]), float(score[i, j]),
                     step, usual, clean.groups - 1) for j, kind in enumerate(kinds) if kind != name and se[i, j] > 0]
    return out


def slopes(x: np.ndarray, y: np.ndarray, cluster: np.ndarray,
           groups: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(slope, se, score), each (a, b), of every column of y (n, b) on every column of x (n, a), one at a time, through
    the origin. se is cluster-robust (CR1: with the factor groups / (groups - 1)). score is the cluster-robust score
    statistic of 'no slope': its variance is taken as if there were none, which keeps its promise where few attempts
    have the fault, as slope / se does not."""
    power = np.maximum(np.sum(x**2, axis=0), 1e-12)
    slope = (x.T @ y) / power[:, None]
    se, score = np.empty_like(slope), np.empty_like(slope)
    for i in range(x.shape[1]):
        without = _sums(x[:, [i]] * y, cluster, groups)
        within = without - np.bincount(cluster, x[:, i] ** 2, groups)[:, None] * slope[i]
        se[i] = np.sqrt(np.sum(within**2, axis=0) * groups / max(groups - 1, 1)) / power[i]
        score[i] = without.sum(axis=0) / np.maximum(np.sqrt(np.sum(without**2, axis=0)), 1e-12)
    return slope, se, score


def _sums(columns: np.ndarray, cluster: np.ndarray, groups: int) -> np.ndarray:
    return np.column_stack([np.bincount(cluster, c, groups) for c in columns.T])


class _Within:
    """Takes out of columns what trainee, experience, vehicle, course and instructor explain of them."""

    def __init__(self, school: School, known: np.ndarray, cluster: np.ndarray) -> None:
        self._cluster, self.groups = cluster, int(cluster.max()) + 1
        self._size = np.bincount(cluster, minlength=self.groups)
        columns = [np.log2(school.turn[known])]
        for dimension in ("vehicle", "course", "instructor"):
            code = school.codes(dimension)[0][known]
            for value, n in zip(*np.unique(code, return_counts=True), strict=True):
                if 5 <= n < len(code):
                    columns.append((code == value).astype(float))
        # Pivoting puts what is no new direction (the last of a group's columns, an instructor all of whose trainees
        # are his alone) at the end, where it can be cut off.
        basis, triangle, _ = qr(self._demeaned(np.column_stack(columns)), mode="economic", pivoting=True)
        self._basis = basis[:, np.abs(np.diag(triangle)) > 1e-8 * max(abs(triangle[0, 0]), 1e-300)]

    def __call__(self, columns: np.ndarray) -> np.ndarray:
        d = self._demeaned(columns)
        return d - self._basis @ (self._basis.T @ d)

    def _demeaned(self, columns: np.ndarray) -> np.ndarray:
        means = np.column_stack([np.bincount(self._cluster, c, self.groups) for c in columns.T]) / self._size[:, None]
        return columns - means[self._cluster]


def _pattern(school: School, t: _Try, p: float, q: float, level: float) -> Pattern:
    half = float(student.isf(level / 2, t.freedom)) * t.se
    known = np.isfinite(t.x)
    bounds = () if t.shape == "fault" else tuple(float(b) for b in np.quantile(t.x[known], [1 / 3, 2 / 3]))
    part = (t.x > 0).astype(int) if t.shape == "fault" else np.digitize(t.x, bounds)
    parts = rates_by(t.y, np.where(known, part, -1), 2 if t.shape == "fault" else 3, school.cluster)
    return Pattern(t.early, t.shape, t.later, t.slope * t.step, (t.slope - half) * t.step, (t.slope + half) * t.step,
                   t.step, t.usual, p, q, bounds, tuple(parts))
