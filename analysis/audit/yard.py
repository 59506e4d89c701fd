"""Where on the yard: tyre clearance and faults of many attempts laid on one plan."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.audit.measures import CELL_M

NEAR_M = 0.20  # 'near a line' on the map


Square = tuple[int, int]  # (ix, iy): from ix, iy to ix + 1, iy + 1, in CELL_M


@dataclass(frozen=True)
class Yard:
    """Squares of CELL_M from (ix0, iy0). came, over (nx, ny): how many attempts came over each square, and went over a
    line there; least_m (nx, ny) the least clearance, NaN where no tyre came. near, faults, lost: by square, the
    attempts (row numbers) that came near a line or over it there, had a fault there, and lost the bay there."""

    ix0: int
    iy0: int
    came: np.ndarray
    over: np.ndarray
    least_m: np.ndarray
    near: Mapping[Square, Sequence[int]]
    faults: Mapping[Square, Sequence[int]]
    lost: Mapping[Square, Sequence[int]]


def lay(grids: Iterable[tuple[int, int, int, np.ndarray]], faults: Iterable[tuple[int, float, float]],
        lost: Iterable[tuple[int, float, float]]) -> Yard | None:
    """grids: (row number, ix0, iy0, least clearance in m (nx, ny) with NaN where no tyre came) of each attempt; faults,
    lost: (row number, x_m, y_m). None when no grid was given. One attempt counts once a square."""
    laid = _Laid()
    near: dict[Square, list[int]] = defaultdict(list)
    for row, ix0, iy0, least in grids:
        laid.make_room(ix0, iy0, *least.shape)
        i, j = ix0 - laid.ix0, iy0 - laid.iy0
        part = (slice(i, i + least.shape[0]), slice(j, j + least.shape[1]))
        laid.came[part] += np.isfinite(least)
        laid.over[part] += np.nan_to_num(least, nan=1.0) < 0
        laid.least_m[part] = np.fmin(laid.least_m[part], least)
        for a, b in np.argwhere(np.nan_to_num(least, nan=1.0) < NEAR_M).tolist():
            near[ix0 + a, iy0 + b].append(row)
    if not laid.came.size:
        return None
    return Yard(laid.ix0, laid.iy0, laid.came, laid.over, laid.least_m, dict(near), _by_square(faults),
                _by_square(lost))


def _by_square(places: Iterable[tuple[int, float, float]]) -> dict[Square, list[int]]:
    out: dict[Square, list[int]] = {}
    for row, x_m, y_m in places:
        rows = out.setdefault((int(np.floor(x_m / CELL_M)), int(np.floor(y_m / CELL_M))), [])
        if row not in rows[-1:]:
            rows.append(row)
    return out


class _Laid:
    """Counts over squares that grow with what is laid on them."""

    def __init__(self) -> None:
        self.ix0 = self.iy0 = 0
        self.came, self.over = np.zeros((0, 0), int), np.zeros((0, 0), int)
        self.least_m = np.zeros((0, 0))

    def make_room(self, ix0: int, iy0: int, nx: int, ny: int) -> None:
        if not self.came.size:
            low, high = (ix0, iy0), (ix0 + nx, iy0 + ny)
        else:
            sx, sy = self.came.shape
            low = min(ix0, self.ix0), min(iy0, self.iy0)
            high = max(ix0 + nx, self.ix0 + sx), max(iy0 + ny, self.iy0 + sy)
        if self.came.shape == (high[0] - low[0], high[1] - low[1]):
            return
        before = [(self.ix0 - low[0], high[0] - self.ix0 - self.came.shape[0]),
                  (self.iy0 - low[1], high[1] - self.iy0 - self.came.shape[1])]
        if not self.came.size:
            before = [(0, nx), (0, ny)]
        self.came, self.over = np.pad(self.came, before), np.pad(self.over, before)
        self.least_m = np.pad(self.least_m, before, constant_values=np.nan)
        self.ix0, self.iy0 = low
