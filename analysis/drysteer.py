"""Turning the wheel at a standstill, inferred from the path before and after each stop.

Nothing of it is seen from above. The smoother, run with the wheel's link across every standstill cut, gives the
wheel angle with which the vehicle came to rest and that with which it left, each from the data on its own side
and each allowing for what may have been steered while rolling. Their difference was turned standing.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.stats import norm

from analysis.attempt import DryTurn, Stop
from analysis.chain import Covariance
from analysis.driving import DRIVER, standing_reach_rad
from analysis.smoother import WHEEL, Smoothed, nominal_covariance, runs, smooth
from analysis.vehicle import Vehicle

_HELD_SHARE = 0.7  # how often the wheel is simply held at a stop; common practice, no published source


def dry_turns(run: Smoothed, stops: tuple[Stop, ...], vehicle: Vehicle, tolerance_rad: float) -> tuple[DryTurn, ...]:
    """One for each stop 'between'.

    Weak when the driver turns the wheel fast in the first half second of rolling (it looks like a turn
    at the standstill, or hides one), and when the stop is so short that its edges are uncertain.
    """
    levels = replace(run.levels, rate_radps=DRIVER.near_stop * run.levels.rate_radps)
    cut = smooth(run.nodes, vehicle, run.standing, levels, run.state, run.weight, cut=True, robust=False)
    ideal = nominal_covariance(cut, vehicle, cut=True)
    t = run.nodes.t_s
    out = []
    for stop in stops:
        if stop.kind != "between":
            continue
        first, last = _held_nodes(run, stop)
        before, after = cut.state[first, WHEEL], cut.state[last, WHEEL]
        sd_before, sd_after, sd = _spread(cut.covariance, first, last)
        reach = standing_reach_rad(vehicle, float(t[last] - t[first] + stop.sd_start_s + stop.sd_end_s))
        angle, sd_angle = _with_prior(after - before, sd, reach)
        bound = _with_prior(after - before, _spread(ideal, first, last)[2], reach)[1]
        out.append(DryTurn(stop.t_start_s, stop.t_end_s, float(before), sd_before, float(after), sd_after, angle,
                           sd_angle, _probability(after - before, sd, reach, tolerance_rad), bound))
    return tuple(out)


def wheel_at_start(run: Smoothed, stops: tuple[Stop, ...]) -> tuple[float, float] | None:
    """Wheel angle and its sd (rad) with which the vehicle first moved off, None when the clip begins in motion."""
    if not stops or stops[0].kind != "start" or not run.standing[0]:
        return None
    last = runs(run.standing)[0][1]
    return float(run.state[last, WHEEL]), float(np.sqrt(run.covariance.marginal[last, WHEEL, WHEEL]))


def _held_nodes(run: Smoothed, stop: Stop) -> tuple[int, int]:
    """First and last node of the held run that this stop is."""
    t = run.nodes.t_s
    overlap = [(min(t[b], stop.t_end_s) - max(t[a], stop.t_start_s), a, b) for a, b in runs(run.standing)]
    _, first, last = max(overlap)
    return first, last


def _spread(covariance: Covariance, first: int, last: int) -> tuple[float, float, float]:
    """The sds (rad) of the wheel before, after, and of the difference."""
    before = covariance.marginal[first, WHEEL, WHEEL]
    after = covariance.marginal[last, WHEEL, WHEEL]
    both = covariance.between(last, first)[WHEEL, WHEEL]
    return float(np.sqrt(before)), float(np.sqrt(after)), float(np.sqrt(before + after - 2 * both))


def _with_prior(angle: float, sd: float, reach: float) -> tuple[float, float]:
    """The turn and its sd, given what can be turned in the time: zero within `reach` (one sd)."""
    share = reach**2 / (reach**2 + sd**2)
    return float(angle * share), float(sd * np.sqrt(share))


def _probability(angle: float, sd: float, reach: float, tolerance: float) -> float:
    """The probability that more than `tolerance` was turned: either the wheel was held, or turned within reach."""
    held = _HELD_SHARE * norm.pdf(angle, 0, sd)
    turned = (1 - _HELD_SHARE) * norm.pdf(angle, 0, np.hypot(sd, reach))
    share = turned / (held + turned) if held + turned > 0 else 1.0
    mean, spread = _with_prior(angle, sd, reach)
    return float(share * (norm.sf(tolerance, mean, spread) + norm.cdf(-tolerance, mean, spread)))
