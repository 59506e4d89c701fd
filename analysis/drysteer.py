"""Turning the wheel at a standstill, inferred from the path before and after each stop.

Nothing of it is seen from above. The paths on the two sides of a stop tell with which wheel angle the vehicle came
to rest and with which it left, each allowing for what may have been steered while rolling (edgewheel). Their
difference was turned standing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from analysis.attempt import DryTurn, Stop
from analysis.driving import standing_reach_rad
from analysis.edgewheel import EdgeWheel, wheel_at_edge
from analysis.mixture import density
from analysis.nodes import Smoothed, runs, thinned
from analysis.vehicle import Vehicle

_HELD_SHARE = 0.5  # how often the wheel is simply held at a stop: no opinion beforehand


def dry_turns(run: Smoothed, stops: tuple[Stop, ...], vehicle: Vehicle, tolerance_rad: float) -> tuple[DryTurn, ...]:
    """One for each stop 'between'.

    Weak when the driver turns the wheel fast in the first half second of rolling (it looks like a turn
    at the standstill, or hides one), and when the stop is so short that its edges are uncertain.
    """
    run = thinned(run)
    t = run.nodes.t_s
    out = []
    for stop in stops:
        if stop.kind != "between":
            continue
        first, last = _held_nodes(run, stop)
        before = wheel_at_edge(run, vehicle, first, last, after=False, sd_edge_s=stop.sd_start_s)
        after = wheel_at_edge(run, vehicle, first, last, after=True, sd_edge_s=stop.sd_end_s)
        reach = standing_reach_rad(vehicle, float(t[last] - t[first] + stop.sd_start_s + stop.sd_end_s))
        turn = _Turn.between(before, after)
        angle, sd = turn.with_prior(reach)
        bound = _shrunk(0.0, before.bound_rad2 + after.bound_rad2, reach)[1]
        out.append(DryTurn(stop.t_start_s, stop.t_end_s, before.angle_rad, before.sd_rad, after.angle_rad,
                           after.sd_rad, angle, sd, turn.probability(reach, tolerance_rad), float(np.sqrt(bound))))
    return tuple(out)


def wheel_at_start(run: Smoothed, stops: tuple[Stop, ...], vehicle: Vehicle) -> tuple[float, float] | None:
    """Wheel angle and its sd (rad) with which the vehicle first moved off, None when the clip begins in motion."""
    if not stops or stops[0].kind != "start" or not run.standing[0]:
        return None
    run = thinned(run)
    first, last = runs(run.standing)[0]
    wheel = wheel_at_edge(run, vehicle, first, last, after=True, sd_edge_s=stops[0].sd_end_s)
    return wheel.angle_rad, wheel.sd_rad


def _held_nodes(run: Smoothed, stop: Stop) -> tuple[int, int]:
    """First and last node of the held run that this stop is."""
    t = run.nodes.t_s
    overlap = [(min(t[b], stop.t_end_s) - max(t[a], stop.t_start_s), a, b) for a, b in runs(run.standing)]
    _, first, last = max(overlap)
    return first, last


@dataclass(frozen=True)
class _Turn:
    """What the paths on both sides say of the turn: a mixture of Gaussians, weight, mean and variance (k,)."""

    weight: np.ndarray
    mean: np.ndarray
    var: np.ndarray

    @classmethod
    def between(cls, before: EdgeWheel, after: EdgeWheel) -> _Turn:
        return cls(np.outer(before.weight, after.weight).ravel(),
                   (after.mean_rad[None] - before.mean_rad[:, None]).ravel(),
                   (after.var_rad2[None] + before.var_rad2[:, None]).ravel())

    def with_prior(self, reach: float) -> tuple[float, float]:
        """The turn and its sd, given that it is zero within `reach` (one sd)."""
        mean, var = _shrunk(self.mean, self.var, reach)
        weight = self.weight * density(self.mean, self.var + reach**2)
        weight = weight / weight.sum()
        middle = float(weight @ mean)
        return middle, float(np.sqrt(weight @ (var + (mean - middle)**2)))

    def probability(self, reach: float, tolerance: float) -> float:
        """That more than `tolerance` was turned: either the wheel was held, or turned within reach."""
        held = _HELD_SHARE * self.weight @ density(self.mean, self.var)
        turned = (1 - _HELD_SHARE) * self.weight * density(self.mean, self.var + reach**2)
        mean, var = _shrunk(self.mean, self.var, reach)
        beyond = ndtr((mean - tolerance) / np.sqrt(var)) + ndtr((-tolerance - mean) / np.sqrt(var))
        total = held + np.sum(turned)
        return float(turned @ beyond / total) if total > 0 else 1.0


def _shrunk(mean: np.ndarray | float, var: np.ndarray | float, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """Gaussians times one about zero with sd `reach`."""
    share = reach**2 / (reach**2 + np.asarray(var))
    return np.asarray(mean) * share, np.asarray(var) * share
