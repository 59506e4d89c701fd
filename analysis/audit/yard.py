"""Where on the yard: tyre clearance and faults of many attempts laid on one plan."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from analysis.audit.measures import CELL_M

NEAR_M = 0.20  # 'near a line' on the map


@dataclass(frozen=True)
class Yard:
    """Squares of CELL_M from (ix0, iy0): how many attempts came over each square (came), came near a line or over it
    there (near), went over it (over), had a fault there (faults), each (nx, ny); least_m the least clearance, NaN
    where no tyre came."""

    ix0: int
    iy0: int
    came: np.ndarray
    near: np.ndarray
    over: np.ndarray
    faults: np.ndarray
    least_m: np.ndarray


def lay(grids: Iterable[tuple[int, int, np.ndarray]], places_m: np.ndarray) -> Yard | None:
    """grids: (ix0, iy0, least clearance in m (nx, ny) with NaN where no tyre came) of each attempt; places_m (k, 2)
    where faults lie. None when no grid was given. One attempt counts once a square."""
    yard: Yard | None = None
    for ix0, iy0, least in grids:
        yard = _room_for(yard, ix0, iy0, *least.shape)
        i, j = ix0 - yard.ix0, iy0 - yard.iy0
        part = (slice(i, i + least.shape[0]), slice(j, j + least.shape[1]))
        came = np.isfinite(least)
        yard.came[part] += came
        yard.near[part] += came & (np.where(came, least, 1.0) < NEAR_M)
        yard.over[part] += came & (np.where(came, least, 1.0) < 0)
        yard.least_m[part] = np.fmin(yard.least_m[part], least)
    if yard is not None and len(places_m):
        cells = np.floor(places_m / CELL_M).astype(int) - [yard.ix0, yard.iy0]
        inside = np.all((cells >= 0) & (cells < yard.came.shape), axis=1)
        np.add.at(yard.faults, tuple(cells[inside].T), 1)
    return yard


def _room_for(yard: Yard | None, ix0: int, iy0: int, nx: int, ny: int) -> Yard:
    if yard is None:
        low, high = (ix0, iy0), (ix0 + nx, iy0 + ny)
    else:
        sx, sy = yard.came.shape
        low = min(ix0, yard.ix0), min(iy0, yard.iy0)
        high = max(ix0 + nx, yard.ix0 + sx), max(iy0 + ny, yard.iy0 + sy)
        if low == (yard.ix0, yard.iy0) and high == (yard.ix0 + sx, yard.iy0 + sy):
            return yard
    shape = high[0] - low[0], high[1] - low[1]
    came, near, over, faults = (np.zeros(shape, int) for _ in range(4))
    fresh = Yard(low[0], low[1], came, near, over, faults, np.full(shape, np.nan))
    if yard is not None:
        i, j = yard.ix0 - low[0], yard.iy0 - low[1]
        part = (slice(i, i + yard.came.shape[0]), slice(j, j + yard.came.shape[1]))
        for name in ("came", "near", "over", "faults", "least_m"):
            getattr(fresh, name)[part] = getattr(yard, name)
    return fresh
