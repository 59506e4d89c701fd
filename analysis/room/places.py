"""Room left over the places where the drive forward could have ended."""

from __future__ import annotations

import numpy as np

from analysis.room.field import RoomField, states_of
from analysis.room.nouns import StopMap
from analysis.room.solids import clearances_m

ALONG_M, ACROSS_M, CELL_M = 2.0, 2.5, 0.25
"""The places compared: about a lane to either side, as fine as a learner can aim."""
MOVE_M = 0.5  # a difference a learner can see from the seat
_AS_GOOD_M = 0.01  # differences below a centimetre do not matter


def stop_map(field: RoomField, state: np.ndarray, sd_here_m: float = 0.0) -> StopMap:
    """The map about the state (4,) where the drive forward ended, at its heading and with the wheel straight."""
    x0, y0, heading = (float(v) for v in state[:3])
    x = x0 + np.arange(-ALONG_M, ALONG_M + CELL_M / 2, CELL_M)
    y = y0 + np.arange(-ACROSS_M, ACROSS_M + CELL_M / 2, CELL_M)
    grid_x, grid_y = np.meshgrid(x, y, indexing="ij")

    def room(at_x: np.ndarray, at_y: np.ndarray) -> np.ndarray:
        states = states_of(at_x.ravel(), at_y.ravel(), np.full(at_x.size, heading))
        value = field.room_m(*states.T)
        blocked = clearances_m(field.numbers, states) < 0
        return np.where(blocked, np.nan, value).reshape(at_x.shape)

    over = room(grid_x, grid_y)
    here = float(field.room_m(np.array([x0]), np.array([y0]), np.array([heading]))[0])
    good = over >= np.nanmax(over) - _AS_GOOD_M if np.isfinite(over).any() else over > 0
    away = np.where(good, np.hypot(grid_x - x0, grid_y - y0), np.inf)
    i, j = np.unravel_index(int(np.argmin(away)), away.shape)
    moved = np.array([[0, MOVE_M], [0, -MOVE_M], [MOVE_M, 0], [-MOVE_M, 0]])
    gains = room(x0 + moved[:, 0], y0 + moved[:, 1]) - here
    return StopMap(x, y, heading, over, (x0, y0), here, sd_here_m, (float(x[i]), float(y[j])),
                   float(over[i, j]), *(float(g) for g in gains))
