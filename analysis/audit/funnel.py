"""Do groups differ by more than chance? A funnel plot: no league table, and a small group is not blamed for luck.

Spiegelhalter 2005, Statistics in Medicine 24:1185-1202. Attempts are counted at what they are worth when one
trainee's are alike. Not adjusted for whom a group teaches or where it drives: that is what `effects` is for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from analysis.audit.control import share_limits
from analysis.audit.rates import Rate, rates_by

WARNING_SD, ALARM_SD = float(norm.ppf(0.975)), float(norm.ppf(0.999))  # 95 % and 99.8 % of groups lie within


@dataclass(frozen=True)
class Place:
    """One group: its rate, and where it lies: 'inside', 'high' or 'low' (beyond 95 %), 'very high' or 'very low'
    (beyond 99.8 %)."""

    name: str
    rate: Rate
    place: str


@dataclass(frozen=True)
class Funnel:
    """The groups, the share over all, and the limits over a range of worths: n (m,), each limit (m,)."""

    centre: float
    places: tuple[Place, ...]
    n: np.ndarray
    warning: tuple[np.ndarray, np.ndarray]
    alarm: tuple[np.ndarray, np.ndarray]


def funnel(y: np.ndarray, group: np.ndarray, names: list[str], cluster: np.ndarray) -> Funnel:
    """The funnel of outcome y (n,; NaN left out) over groups (n,; below 0: in none)."""
    rates = rates_by(y, group, len(names), cluster)
    total = sum(r.n for r in rates)
    centre = sum(r.k for r in rates) / total if total else float("nan")
    worth = np.array([r.n_effective for r in rates])
    inner, outer = share_limits(centre, worth, WARNING_SD), share_limits(centre, worth, ALARM_SD)
    places = []
    for i, (name, r) in enumerate(zip(names, rates, strict=True)):
        if r.n == 0:
            continue
        place = ("very high" if r.share > outer[1][i] else "very low" if r.share < outer[0][i] else
                 "high" if r.share > inner[1][i] else "low" if r.share < inner[0][i] else "inside")
        places.append(Place(name, r, place))
    n = np.geomspace(2, max(float(worth.max(initial=2)) * 1.15, 10), 80)
    return Funnel(centre, tuple(places), n, share_limits(centre, n, WARNING_SD), share_limits(centre, n, ALARM_SD))
