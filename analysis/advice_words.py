"""What a rule of advice says, and the words it uses for places, wheel angles and stretches of a run."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.attempt import Attempt, Leg

_STRAIGHT_RAD = math.radians(2.0)  # a wheel within this is held straight by any driver
Sooner = tuple[float, tuple[float, float]]  # a time (s) and a place on the ground (m)


@dataclass(frozen=True)
class Spoken:
    """What a rule says: what happened, what would have been better (None: that is not known), the drill for it, and
    the evidence: the time to look at, the span and place it belongs to, and the finding it rests on. `sooner`: when and
    where the better thing should have been done, if that was at another time."""

    what: str
    instead: str | None
    drill: str
    t_s: float
    span_s: tuple[float, float]
    at_m: tuple[float, float] | None
    finding: int | None = None
    sooner: Sooner | None = None


def wheel_words(attempt: Attempt, wheel_rad: float) -> str:
    """'about half lock to the left (21°)', of the vehicle's own lock."""
    if abs(wheel_rad) < _STRAIGHT_RAD:
        return "nearly straight"
    share = abs(wheel_rad) / attempt.vehicle.max_wheel_rad
    much = next(word for limit, word in ((0.18, "a little"), (0.29, "about a quarter lock"),
                                         (0.42, "about a third lock"), (0.58, "about half lock"),
                                         (0.71, "about two thirds lock"), (0.88, "about three quarters lock"),
                                         (math.inf, "full lock")) if share < limit)
    return f"{much} to the {'left' if wheel_rad > 0 else 'right'} ({abs(math.degrees(wheel_rad)):.0f}°)"


def place_words(attempt: Attempt, t_s: float) -> str:
    """Where the rear of the vehicle was, by the nearest landmark along the course."""
    k = index_at(attempt, t_s)
    m, course = attempt.motion, attempt.surveyed
    rear_x = float(m.x_m[k] + attempt.vehicle.x_rear_m * math.cos(m.heading_rad[k]))
    landmarks = {"the mouth of the bay": course.bay.x_max_m}
    if course.has_mark("pivot"):
        landmarks["the pivot cone"] = course.mark("pivot").x_m
    name = min(landmarks, key=lambda n: abs(rear_x - landmarks[n]))
    off = rear_x - landmarks[name]
    if abs(off) < 0.5:
        return f"with the rear level with {name}"
    return f"with the rear {abs(off):.0f} m {'before' if off > 0 else 'past'} {name}"


def index_at(attempt: Attempt, t_s: float) -> int:
    return int(np.argmin(np.abs(attempt.motion.t_s - t_s)))


def place_m(attempt: Attempt, t_s: float) -> tuple[float, float]:
    k = index_at(attempt, t_s)
    return float(attempt.motion.x_m[k]), float(attempt.motion.y_m[k])


def leg_at(attempt: Attempt, t_s: float) -> Leg | None:
    return next((leg for leg in attempt.legs if leg.t_start_s <= t_s <= leg.t_end_s), None)


def rolled_m(attempt: Attempt, from_s: float, to_s: float) -> float:
    """Distance rolled between two times (m)."""
    m = attempt.motion
    inside = (m.t_s >= from_s) & (m.t_s <= to_s)
    return float(np.trapezoid(np.abs(m.speed_mps[inside]), m.t_s[inside]))


def wheel_before_rad(attempt: Attempt, t_s: float, metres: float) -> float:
    """The wheel angle, averaged over the last metres rolled before a time."""
    m = attempt.motion
    rolled = np.concatenate([[0.0], np.cumsum(np.abs(m.speed_mps[1:]) * np.diff(m.t_s))])
    k = index_at(attempt, t_s)
    return float(np.mean(m.wheel_rad[(rolled >= rolled[k] - metres) & (m.t_s <= m.t_s[k])]))
