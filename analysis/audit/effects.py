"""Vehicle, course and setting out, apart from the driver: a linear mixed model, where the data allow one.

    figure = average + vehicle + course + instructor + setting out + experience + trainee's own + rest

with the trainee's own part random, and each trainee's mix of vehicles, courses and experience beside it (Mundlak
1978), so that a vehicle is not blamed for who drives it. Vehicle, course and instructor are told as differences from
the average of theirs. Only when enough trainees were met with more than one vehicle can
the two be told apart; otherwise the reason is told instead.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from scipy.stats import norm
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.stats.multitest import multipletests
from statsmodels.tools.sm_exceptions import ConvergenceWarning

from analysis.audit.measures import MEASURES
from analysis.audit.school import School
from analysis.wording import WIDE

_LEAST_ATTEMPTS, _LEAST_TRAINEES, _LEAST_OF_A_KIND, _LEAST_MIXED = 60, 10, 10, 3
"""Below these the model has too little to tell effects from trainees (own choice)."""
_LATEST = 5_000  # attempts used at most: a vehicle's effect is then known to a centimetre


@dataclass(frozen=True)
class Effect:
    """One part: group ('vehicle', …, 'setout', 'experience'), name, estimate and 95 % interval in the figure's unit.
    For 'setout' per 10 cm, for 'experience' per doubling of the number of attempts. clear: different from none, with at
    most one in twenty of those called so by chance (Benjamini and Hochberg over the model). rows: its attempts."""

    group: str
    name: str
    estimate: float
    low: float
    high: float
    clear: bool
    rows: np.ndarray


@dataclass(frozen=True)
class Effects:
    """Of one outcome measure. sd_trainee, sd_rest: how much trainees, and attempts of one trainee, differ.
    not_told: the groups that could not be told apart from the drivers, and why."""

    measure: str
    n: int
    effects: tuple[Effect, ...]
    sd_trainee: float
    sd_rest: float
    not_told: tuple[tuple[str, str], ...]


def effects(school: School, measure: str) -> Effects | None:
    """The mixed model of one outcome measure; None when there are too few attempts or trainees."""
    y_all = school.attempts[measure].to_numpy(float)
    rows = np.flatnonzero(np.isfinite(y_all) & (school.codes("trainee")[0] >= 0))[-_LATEST:]
    counts = np.unique(school.cluster[rows], return_counts=True)[1]
    if len(rows) < _LEAST_ATTEMPTS or np.sum(counts > 1) < _LEAST_TRAINEES:
        return None
    columns: list[np.ndarray] = [np.ones(len(rows)), np.log2(school.turn[rows])]
    told: list[tuple[str, str, np.ndarray, np.ndarray]] = [("experience", "", _unit(1), rows)]
    not_told = []
    for dimension in ("vehicle", "course", "instructor"):
        code, names = school.codes(dimension)
        levels = _levels(code[rows])
        if len(levels) < 2:
            not_told.append((dimension, "there is only one with ten attempts or more"))
            continue
        if not _mixed(code[rows], levels, school.cluster[rows]):
            not_told.append((dimension, "too few trainees were met with more than one, so it cannot be told from who "
                                        "drove"))
            continue
        first = len(columns)
        columns += _coded(code[rows], levels)
        told += [(dimension, names[level], _contrast(j, len(levels), first), rows[code[rows] == level])
                 for j, level in enumerate(levels)]
    setout = len(columns)
    for m in MEASURES:
        if m.role == "setout":
            x = school.attempts[m.name].to_numpy(float)[rows]
            if np.isfinite(x).mean() > 0.9 and np.nanstd(x) > 0.01:
                told.append(("setout", m.name, _unit(len(columns)), rows))
                columns.append(np.nan_to_num(x - np.nanmedian(x)) / 0.1)
    x = np.column_stack(columns)
    own = [_means(c, school.cluster[rows]) for c in columns[1:setout]]
    return _fitted(measure, y_all[rows], np.column_stack([x, *own]), school.cluster[rows], told, not_told)


def _means(column: np.ndarray, trainee: np.ndarray) -> np.ndarray:
    """Each attempt's trainee's mean of a column."""
    _, code, count = np.unique(trainee, return_inverse=True, return_counts=True)
    return (np.bincount(code, column) / count)[code]


def _fitted(measure: str, y: np.ndarray, x: np.ndarray, trainee: np.ndarray,
            told: list[tuple[str, str, np.ndarray, np.ndarray]], not_told: list[tuple[str, str]]) -> Effects | None:
    if np.linalg.matrix_rank(x) < x.shape[1]:
        return None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # a trainee spread of zero is an answer here
        result = MixedLM(y, x, groups=trainee).fit(reml=True)
    estimate, spread = np.asarray(result.fe_params), np.asarray(result.cov_params())[:x.shape[1], :x.shape[1]]
    weights = np.zeros((len(told), x.shape[1]))
    for i, (_, _, w, _) in enumerate(told):
        weights[i, :len(w)] = w
    middle = weights @ estimate
    sd = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", weights, spread, weights), 1e-18))
    clear = multipletests(2 * norm.sf(np.abs(middle / sd)), 0.05, "fdr_bh")[0]
    low, high = middle - WIDE * sd, middle + WIDE * sd
    out = [Effect(group, name, float(middle[i]), float(low[i]), float(high[i]), bool(clear[i]), rows)
           for i, (group, name, _, rows) in enumerate(told)]
    return Effects(measure, len(y), tuple(out), float(np.sqrt(max(result.cov_re[0, 0], 0))),
                   float(np.sqrt(result.scale)), tuple(not_told))


def _levels(code: np.ndarray) -> list[int]:
    values, counts = np.unique(code[code >= 0], return_counts=True)
    return [int(v) for v, n in zip(values, counts, strict=True) if n >= _LEAST_OF_A_KIND]


def _mixed(code: np.ndarray, levels: list[int], trainee: np.ndarray) -> bool:
    """Whether every level is linked to the others by trainees met with more than one of them."""
    kept = np.isin(code, levels)
    pairs = np.unique(np.column_stack([trainee[kept], code[kept]]), axis=0)
    who, many = np.unique(pairs[:, 0], return_counts=True)
    linked = pairs[np.isin(pairs[:, 0], who[many > 1])]
    return all(np.sum(linked[:, 1] == level) >= _LEAST_MIXED for level in levels)


def _coded(code: np.ndarray, levels: list[int]) -> list[np.ndarray]:
    """Sum coding: a column for each level but the last, which is minus the others; rare levels count as average."""
    last = (code == levels[-1]).astype(float)
    return [(code == level).astype(float) - last for level in levels[:-1]]


def _contrast(j: int, levels: int, first: int) -> np.ndarray:
    if j < levels - 1:
        return _unit(first + j)
    return np.concatenate([np.zeros(first), -np.ones(levels - 1)])


def _unit(at: int) -> np.ndarray:
    out = np.zeros(at + 1)
    out[at] = 1.0
    return out
