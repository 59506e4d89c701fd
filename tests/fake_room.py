"""Made-up room left for the hand-made attempt: nothing is computed here.

The room falls evenly from 0.40 m at 0.5 s to -0.50 m at 5 s, so that it is gone at 2.5 s.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from analysis.attempt import Attempt
from analysis.room.nouns import (
    LOST,
    HeadingBeside,
    LegRoom,
    Loss,
    LostMoment,
    PlannedRun,
    RoomAlong,
    Saving,
    ShuntRoom,
    StopMap,
)


def planned(x_m: np.ndarray, y_m: np.ndarray, heading_rad: np.ndarray, room_m: float = 0.3) -> PlannedRun:
    n = len(x_m)
    rolled = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x_m), np.diff(y_m)))])
    return PlannedRun(x_m, y_m, heading_rad, np.zeros(n), -np.ones(n, int), rolled, np.full(n, room_m), room_m, True)


def moment(verdict: str = LOST, t_s: float = 2.5) -> LostMoment:
    return LostMoment(verdict, t_s, t_s - 0.3, t_s + 0.4, (23.4, -2.1))


def loss(**changes: Any) -> Loss:
    values = {"t_start_s": 1.0, "t_end_s": 3.0, "at_m": (25.0, -2.0), "distance_m": 3.2, "lost_m": 0.40, "sd_m": 0.04,
              "room_before_m": 0.30, "room_after_m": -0.10, "wheel_used_rad": math.radians(-4),
              "sd_wheel_used_rad": math.radians(1.5), "wheel_wanted_rad": math.radians(20)} | changes
    return Loss(**values)


def shunt(**changes: Any) -> ShuntRoom:
    values = {"index": 0, "t_start_s": 6.0, "t_end_s": 9.0, "needed": "yes", "room_before_m": -0.30,
              "sd_before_m": 0.04, "room_after_m": 0.20, "sd_after_m": 0.05, "better_m": 0.35,
              "better_distance_m": 4.0, "distance_m": 2.5} | changes
    return ShuntRoom(**values)


def stop_map(**changes: Any) -> StopMap:
    x_m, y_m = np.linspace(24, 28, 9), np.linspace(-4, 0, 9)
    room_m = 0.5 - 0.1 * np.hypot(*np.meshgrid(x_m - 26, y_m + 1.5, indexing="ij"))
    room_m[:2, :2] = np.nan
    values = {"x_m": x_m, "y_m": y_m, "heading_rad": 0.0, "room_m": room_m, "here_m": (26.0, -2.0),
              "room_here_m": 0.45, "sd_here_m": 0.02, "best_m": (26.0, -1.5), "room_best_m": 0.5, "gain_left_m": 0.05,
              "gain_right_m": -0.05, "gain_ahead_m": -0.05, "gain_back_m": -0.05} | changes
    return StopMap(**values)


def make_room(attempt: Attempt, *, lost: LostMoment | None = None, saving: bool = True, largest: Loss | None = None,
              shunts: tuple[ShuntRoom, ...] = (), stop: StopMap | None = None) -> RoomAlong:
    m = attempt.motion
    t = m.t_s[::4]
    left = np.interp(t, [0.5, 5.0], [0.40, -0.50])
    room = np.array([left, np.minimum(left + 0.3, 0.5), np.minimum(left + 0.6, 0.6)])
    x = np.arange(26.0, 3.0, -0.25)
    y = -2.0 + 2.0 / (1 + np.exp((x - 17) / 2))
    reference = planned(x, y, np.arctan(np.gradient(y, x)))
    steering = Saving(1.5, (25.0, -2.0), math.radians(21), 3.0, math.radians(-2), reference) if saving else None
    leg = LegRoom(0, t, np.minimum.accumulate(left), np.full(len(t), 0.03), lost or moment(), steering, largest)
    beside = HeadingBeside(x, np.interp(x, m.x_m[::-1], m.heading_rad[::-1]), reference.heading_rad,
                           np.full(len(x), 0.002))
    return RoomAlong(t, room, np.full(room.shape, 0.03), 0.01, (leg,), shunts, stop, reference, reference, beside)
