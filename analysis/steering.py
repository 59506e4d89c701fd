"""How the wheel was used over a whole run: where it first went on, how long from one side to the other, how smoothly;
and steering at a crawl, which wears tyres and surface almost as turning at a standstill does.

Read from the smoothed wheel angle, so weak within about a metre of a stop, where it is known to a few degrees at best
(the standard deviations say so).
"""

from __future__ import annotations

import math

import numpy as np

from analysis.attempt import CrawlTurn, Leg, Motion, Steering
from analysis.course import Course
from analysis.nodes import SPEED, WHEEL, Smoothed
from analysis.vehicle import Vehicle

ON_RAD = math.radians(5.0)  # further from straight ahead than this is 'on'; common practice, no published source
_CRAWL_OVER_M = 1.0  # the metre that the rule speaks of


def steering_of(run: Smoothed, motion: Motion, legs: tuple[Leg, ...], seen: np.ndarray, vehicle: Vehicle,
                course: Course) -> Steering:
    """The figures of the reverse, and the fastest steering per metre of every leg.

    `seen` (n,) is False inside long gaps; figures are not read there."""
    t, wheel, sd = motion.t_s, motion.wheel_rad, motion.sd(4)
    rolled = rolled_m(motion)
    crawls = tuple(c for leg in legs if (c := _crawl(run, leg)))
    back = [leg for leg in legs if leg.direction < 0]
    reverse = np.zeros(len(t), bool)
    for leg in back:
        reverse |= (t >= leg.t_start_s) & (t <= leg.t_end_s)
    rows = np.flatnonzero(reverse & seen)
    if len(rows) < 2:
        return Steering(crawls=crawls)
    k = rows[int(np.argmax(np.abs(wheel[rows])))]
    figures: dict[str, float | int] = {
        "largest_rad": float(wheel[k]), "sd_largest_rad": float(sd[k]), "largest_s": float(t[k])}
    figures |= _turns(motion, rolled, rows, sd, vehicle, course)
    parts = np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1)  # what was turned between two legs is not theirs
    distance = sum(float(rolled[part[-1]] - rolled[part[0]]) for part in parts)
    if distance > 1.0:
        swings = [_swings(wheel[part]) for part in parts]
        figures |= {"turned_per_m_rad": sum(float(np.sum(s)) for s in swings) / distance,
                    "corrections": sum(max(len(s) - 1, 0) for s in swings)}
    return Steering(**figures, crawls=crawls)  # type: ignore[arg-type]


def rolled_m(motion: Motion) -> np.ndarray:
    """(n,) distance rolled since the beginning, whichever way."""
    v = np.abs(motion.speed_mps)
    return np.concatenate([[0.0], np.cumsum(np.diff(motion.t_s) * (v[1:] + v[:-1]) / 2)])


def _turns(motion: Motion, rolled: np.ndarray, rows: np.ndarray, sd: np.ndarray, vehicle: Vehicle,
           course: Course) -> dict[str, float]:
    """The first turn of the wheel while reversing, the second, the other way, and from the most of one to the other."""
    t, wheel = motion.t_s, motion.wheel_rad
    on = rows[np.abs(wheel[rows]) > ON_RAD]
    if not len(on):
        return {}
    first = int(on[0])
    out = {"wheel_on_s": float(t[first]), "wheel_on_after_m": float(rolled[first] - rolled[rows[0]])}
    if first > rows[0]:  # else it stood so before the vehicle moved
        out["sd_wheel_on_s"] = _sd_s(motion, sd, first)
    pivot = [m for m in course.marks if m.name == "pivot"]
    if pivot and vehicle.trailer is None:  # whose rear end is not the vehicle's own
        out["wheel_on_beyond_pivot_m"] = float(motion.x_m[first] + vehicle.x_rear_m - pivot[0].x_m)
    side = float(np.sign(wheel[first]))
    other = rows[(rows > first) & (side * wheel[rows] < -ON_RAD)]
    if not len(other):
        return out
    straight = int(rows[(rows >= first) & (rows <= other[0]) & (side * wheel[rows] > 0)][-1])
    out |= {"second_turn_s": float(t[straight]), "sd_second_turn_s": _sd_s(motion, sd, straight),
            "second_turn_after_m": float(rolled[straight] - rolled[first]),
            "second_turn_heading_rad": math.remainder(float(motion.heading_rad[straight]), 2 * math.pi)}
    before, after = rows[(rows >= first) & (rows <= straight)], rows[rows > straight]
    most = int(before[np.argmax(side * wheel[before])])
    least = int(after[np.argmin(side * wheel[after])])
    return out | {"lock_to_lock_s": float(t[least] - t[most]), "lock_to_lock_m": float(rolled[least] - rolled[most]),
                  "lock_to_lock_rad": float(abs(wheel[least] - wheel[most]))}


def _sd_s(motion: Motion, sd: np.ndarray, k: int) -> float:
    """How well the time is known at which the wheel passed the angle that it has at k."""
    t = motion.t_s
    a, b = max(k - 2, 0), min(k + 2, len(t) - 1)
    rate = abs(motion.wheel_rad[b] - motion.wheel_rad[a]) / (t[b] - t[a])
    return float(np.hypot(min(sd[k] / max(rate, 1e-9), t[-1] - t[0]), (t[b] - t[a]) / (b - a) / math.sqrt(12)))


def _swings(wheel: np.ndarray) -> list[float]:
    """How far (rad) the wheel was turned in one sense and then in the other, in order; to and fro of less than `ON_RAD`
    aside, which is as much the measurement's as the driver's."""
    low = high = float(wheel[0])
    start, sense = low, 0
    out = []
    for w in wheel:
        low, high = min(low, float(w)), max(high, float(w))
        if sense >= 0 and high - w > ON_RAD:
            if sense:
                out.append(high - start)
            start, sense, low = high, -1, float(w)
        elif sense <= 0 and w - low > ON_RAD:
            if sense:
                out.append(start - low)
            start, sense, high = low, 1, float(w)
    if sense:
        out.append(high - start if sense > 0 else start - low)
    return out


def _crawl(run: Smoothed, leg: Leg) -> CrawlTurn | None:
    """The metre of the leg over which the wheel was turned furthest; None when the leg is shorter."""
    t, v = run.nodes.t_s, np.abs(run.state[:, SPEED])
    inside = np.flatnonzero((t >= leg.t_start_s) & (t <= leg.t_end_s) & ~run.standing)
    if len(inside) < 3:
        return None
    a, b = int(inside[0]), int(inside[-1])
    s = np.concatenate([[0.0], np.cumsum(np.diff(t[a:b + 1]) * (v[a + 1:b + 1] + v[a:b]) / 2)])
    ends = np.searchsorted(s, s + _CRAWL_OVER_M)
    starts = np.flatnonzero(ends < len(s))
    if not len(starts):
        return None
    wheel = run.state[a:b + 1, WHEEL]
    turned = wheel[ends[starts]] - wheel[starts]
    k = int(np.argmax(np.abs(turned)))
    first, last = a + int(starts[k]), a + int(ends[starts[k]])
    cov = run.covariance
    var = (cov.marginal[first, WHEEL, WHEEL] + cov.marginal[last, WHEEL, WHEEL]
           - 2 * cov.between(last, first)[WHEEL, WHEEL])
    length = float(s[last - a] - s[first - a])
    return CrawlTurn(float(t[first]), float(t[last]), float(turned[k]) / length, float(np.sqrt(max(var, 0.0))) / length)
