"""Stops, direction changes, legs and shunts, read from the smoothed motion."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from analysis.attempt import Leg, Motion, Stop
from analysis.nodes import runs

_LEAST_LEG_M = 0.03  # less is rocking on the springs
_SURELY_ROLLING = 0.01  # probability of standing below which no edge lies further out: what is there is another stop


def stops_of(motion: Motion, stop_min_s: float) -> tuple[Stop, ...]:
    """Standstills of at least `stop_min_s`; edges are the means of where they may be, with their sds.

    'start' is a standstill that the clip begins with, 'final' one that it ends with, all others 'between'.
    """
    out = []
    t = motion.t_s
    for first, last in runs(motion.standing > 0.5):
        if t[first] - t[0] < stop_min_s:
            first = 0  # too short a movement to have been seen
        if t[-1] - t[last] < stop_min_s:
            last = len(t) - 1
        peak = first + int(np.argmax(motion.standing[first:last + 1]))
        end, sd_end = _edge(t[peak:], motion.standing[peak:]) if last < len(t) - 1 else (float(t[-1]), 0.0)
        start, sd_start = _edge(-t[peak::-1], motion.standing[peak::-1]) if first else (-float(t[0]), 0.0)
        start = -start
        if end - start < stop_min_s:
            continue
        kind = "start" if first == 0 else "final" if last == len(t) - 1 else "between"
        out.append(Stop(float(start), float(end), sd_start, sd_end, kind))
    return tuple(out)


def _edge(t: np.ndarray, standing: np.ndarray) -> tuple[float, float]:
    """When standing ends, with its sd, from the probability of standing at times going outward from its peak.

    Seen from outside, the probability rises to its peak as the share of possible edges that lie further out;
    a dip inside the standstill is doubt about something else.
    """
    below = int(np.argmax(standing < 0.5))
    again = np.flatnonzero(standing[below:] > 0.5)
    beyond = below + int(again[0]) if len(again) else len(t)
    rolling = np.flatnonzero(standing[below:beyond] < _SURELY_ROLLING)
    upto = below + int(rolling[0] if len(rolling) else np.argmin(standing[below:beyond]))
    still = np.maximum.accumulate(standing[upto::-1])[::-1]
    # The central 95 %: a percent of doubt spread over a long standstill says nothing of where its edge lies.
    share = -np.diff(np.clip(still / still[0], 0.025, 0.975))
    share = share / share.sum()
    middle, width = (t[1:upto + 1] + t[:upto]) / 2, np.diff(t[:upto + 1])
    mean = float(share @ middle)
    return mean, float(np.sqrt(share @ ((middle - mean)**2 + width**2 / 12)))


def legs_of(motion: Motion, stops: tuple[Stop, ...]) -> tuple[Leg, ...]:
    """Motion between direction changes. A roll-back too short to tell from the measurement error is no leg.

    A leg that ends in a stop ends when the stop begins; one that turns without a stop ends at speed zero.
    """
    t, v = motion.t_s, motion.speed_mps
    travelled = np.concatenate([[0.0], np.cumsum(np.diff(t) * (v[1:] + v[:-1]) / 2)])
    heading = np.column_stack([np.cos(motion.heading_rad), np.sin(motion.heading_rad)])
    along_var = np.einsum("ni,nij,nj->n", heading, motion.cov[:, :2, :2], heading)
    least = max(_LEAST_LEG_M, 4 * float(np.sqrt(np.median(along_var))))
    turns = _turning_points(travelled, least)
    legs = []
    for a, b in pairwise(turns):
        direction = 1 if travelled[b] > travelled[a] else -1
        t_a, t_b = _leave(stops, t[a]), _arrive(stops, t[b])
        if t_b > t_a:
            legs.append(Leg(t_a, t_b, direction, float(abs(travelled[b] - travelled[a]))))
    return tuple(legs)


def _turning_points(s: np.ndarray, least: float) -> list[int]:
    """Indices at which `s` turns, its two ends included; back-and-forth of less than `least` is passed over."""
    turns, low, high, direction = [0], 0, 0, 0
    for k in range(1, len(s)):
        if s[k] > s[high]:
            high = k
        if s[k] < s[low]:
            low = k
        if direction >= 0 and s[high] - s[k] > least:
            if direction > 0:
                turns.append(high)
            direction, low = -1, k
        elif direction <= 0 and s[k] - s[low] > least:
            if direction < 0:
                turns.append(low)
            direction, high = 1, k
    if direction:
        turns.append(high if direction > 0 else low)
    return turns


_NEAR_S = 0.5  # an edge may be this much off


def _leave(stops: tuple[Stop, ...], t: float) -> float:
    """When motion begins after a turning point: at the end of the stop there, if there is one."""
    near = [s.t_end_s for s in stops if s.t_start_s - _NEAR_S <= t <= s.t_end_s + _NEAR_S]
    return float(near[0] if near else t)


def _arrive(stops: tuple[Stop, ...], t: float) -> float:
    """When motion ends at a turning point: at the beginning of the stop there, if there is one."""
    near = [s.t_start_s for s in stops if s.t_start_s - _NEAR_S <= t <= s.t_end_s + _NEAR_S]
    return float(near[0] if near else t)


def shunts_of(legs: tuple[Leg, ...], min_forward_m: float) -> tuple[Leg, ...]:
    """Pull-forwards: forward legs of at least `min_forward_m` between two reverse ones."""
    return tuple(leg for before, leg, after in zip(legs, legs[1:], legs[2:], strict=False)
                 if before.direction < 0 < leg.direction and after.direction < 0 and leg.distance_m >= min_forward_m)
