"""A tape survey: places of marks from the distances between them, by least squares, and which distance is wrong.

The network is free: the distances fix its shape, and it is laid onto the planned places so that most marks lie where
they were planned (a robust rigid fit), for a tape knows nothing of the course frame. Weak where a mark hangs on two
distances only (a wrong one moves the mark and leaves no trace), and where all marks lie along one line.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from analysis.trouble import Trouble

TAPE_SD_M = 0.01  # reading and holding a tape on a mark; common practice, no published source
TAPE_SD_SHARE = 0.0005  # its sag and stretch, as a share of the distance; common practice, no published source
SUSPECT_SDS = 3.29  # a residual beyond this many of its own sds is suspect: one in a thousand (Baarda's usual test)
LIKELY = 0.3  # distances with a misfit of at least this share of the largest are tried as the wrong one


@dataclass(frozen=True)
class Taped:
    """One distance as read off the tape, between two named marks."""

    a: str
    b: str
    distance_m: float

    @property
    def sd_m(self) -> float:
        return math.hypot(TAPE_SD_M, TAPE_SD_SHARE * self.distance_m)

    def __str__(self) -> str:
        return f"{self.a} to {self.b}"


@dataclass(frozen=True)
class TapeSurvey:
    """points_m and sd_m (root of the mean of both axes' variances) by name. residuals_m: adjusted less read, a
    distance. checked: for each distance the share (0..1) of an error in it that the others would show. suspects:
    indices of the distances that may be wrong, worst first, empty when all agree; gap_m: how far the worst is off.
    """

    points_m: dict[str, tuple[float, float]]
    sd_m: dict[str, float]
    residuals_m: tuple[float, ...]
    checked: tuple[float, ...]
    suspects: tuple[int, ...]
    gap_m: float


def solve(taped: Sequence[Taped], planned_m: Mapping[str, tuple[float, float]]) -> TapeSurvey:
    """Adjust the distances. Raises Trouble when they do not fix every mark that they name."""
    names = sorted({t.a for t in taped} | {t.b for t in taped})
    index = {n: i for i, n in enumerate(names)}
    ends = np.array([[index[t.a], index[t.b]] for t in taped])
    read, sd = np.array([t.distance_m for t in taped]), np.array([t.sd_m for t in taped])
    start = np.array([planned_m[n] for n in names], float)
    _check_fixed(_design(start, ends), start, names)
    points = _adjusted(start, ends, read, sd)
    design = _design(points, ends) / sd[:, None]
    inverse = np.linalg.pinv(design.T @ design, rcond=1e-9, hermitian=True)
    checked = np.clip(1 - np.einsum("ij,jk,ik->i", design, inverse, design), 0, 1)
    suspects, gap_m = _suspects(points, ends, read, sd, checked)
    placed = _laid_on(points, start)
    variances = np.diag(inverse).reshape(-1, 2).mean(axis=1)
    return TapeSurvey({n: (float(x), float(y)) for n, (x, y) in zip(names, placed, strict=True)},
                      dict(zip(names, np.sqrt(variances).tolist(), strict=True)),
                      tuple((_lengths(points, ends) - read).tolist()), tuple(checked.tolist()), suspects, gap_m)


def _adjusted(start: np.ndarray, ends: np.ndarray, read: np.ndarray, sd: np.ndarray) -> np.ndarray:
    """(n, 2) places. A wrong distance must not fold the network over: at first large misfits are held back."""
    def misfit(flat: np.ndarray) -> np.ndarray:
        return (_lengths(flat.reshape(-1, 2), ends) - read) / sd

    rough = least_squares(misfit, start.ravel(), loss="soft_l1", f_scale=3.0).x
    return least_squares(misfit, rough).x.reshape(-1, 2)


def _suspects(points: np.ndarray, ends: np.ndarray, read: np.ndarray, sd: np.ndarray,
              checked: np.ndarray) -> tuple[tuple[int, ...], float]:
    """The distances without which the others agree best, worst first, and how far the first is off; none when no
    misfit is too large for what the others show of it.

    Each is left out in turn, for a large error bends the network and so shows in its neighbours too."""
    misfits = np.abs(_lengths(points, ends) - read) / sd
    of_own_sds = np.where(checked > 1e-6, misfits / np.sqrt(np.maximum(checked, 1e-6)), 0.0)
    if of_own_sds.max() <= SUSPECT_SDS:
        return (), 0.0
    left: dict[int, tuple[float, float]] = {}
    for k in np.flatnonzero(of_own_sds > LIKELY * of_own_sds.max()):
        others = np.arange(len(read)) != k
        without = _adjusted(points, ends[others], read[others], sd[others])
        rest = float((((_lengths(without, ends[others]) - read[others]) / sd[others]) ** 2).sum())
        left[int(k)] = rest, float(abs(_lengths(without, ends[k:k + 1])[0] - read[k]))
    order = sorted(left, key=lambda k: left[k][0])
    least = left[order[0]][0]
    return tuple(k for k in order if left[k][0] <= least + SUSPECT_SDS**2), left[order[0]][1]


def _lengths(points: np.ndarray, ends: np.ndarray) -> np.ndarray:
    return np.hypot(*(points[ends[:, 1]] - points[ends[:, 0]]).T)


def _design(points: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """(m, 2n) derivative of each distance with respect to all coordinates."""
    design = np.zeros((len(ends), points.size))
    along = points[ends[:, 1]] - points[ends[:, 0]]
    along /= np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    for k, (a, b) in enumerate(ends):
        design[k, 2 * a:2 * a + 2] = -along[k]
        design[k, 2 * b:2 * b + 2] = along[k]
    return design


def _check_fixed(design: np.ndarray, points: np.ndarray, names: Sequence[str]) -> None:
    """Every mark must be held by the distances: what may move freely is the whole network, and nothing else."""
    _, size, right = np.linalg.svd(design)
    free = right[int((size > 1e-6 * size[0]).sum()):].reshape(-1, len(points), 2)
    missing = len(free) - 3
    if missing <= 0:
        return
    # Two marks are fixed to each other if no free motion changes their distance; the largest such group is at rest.
    apart = points[None] - points[:, None]
    change = np.einsum("ijk,fijk->fij", apart, free[:, None] - free[:, :, None])
    fixed = np.abs(change).max(axis=0) < 1e-6 * max(float(np.abs(apart).max()), 1.0)
    group: list[int] = []
    for i in np.argsort(-fixed.sum(axis=1), kind="stable"):
        if all(fixed[i, j] for j in group):
            group.append(int(i))
    loose = [n for i, n in enumerate(names) if i not in group]
    raise Trouble(f"{missing} more {'distance is' if missing == 1 else 'distances are'} needed: {', '.join(loose)} can "
                  "still move",
                  remedy="measure from each to two others that are far apart, and not in one line with it")


def _laid_on(points: np.ndarray, planned: np.ndarray) -> np.ndarray:
    """The network turned and shifted onto the planned places; marks far off pull little."""
    def placed(q: np.ndarray) -> np.ndarray:
        c, s = math.cos(q[0]), math.sin(q[0])
        centred = points - points.mean(axis=0)
        return centred @ np.array([[c, s], [-s, c]]) + points.mean(axis=0) + q[1:]

    q = least_squares(lambda q: (placed(q) - planned).ravel(), np.zeros(3), loss="cauchy", f_scale=0.1,
                      x_scale=[0.01, 1.0, 1.0]).x
    return placed(q)
