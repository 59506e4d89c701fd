"""Is it changing? Shewhart's p-chart and the exponentially weighted moving average, with signals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import binom, norm

from analysis.audit.rates import Rate, rates_by

THREE_SD = 3.0  # Shewhart's limits (ISO 7870-2; from memory)
WEIGHT = 0.2  # of the newest period in the moving average; from memory a common choice
_NORMAL_FROM = 5.0  # n p (1 - p) at and above which the binomial is near enough to the normal


@dataclass(frozen=True)
class Point:
    """One period of a chart. expected: the share usual for attempts like these; low, high: three-sd limits about it;
    average and its limits: the EWMA, of what the share was above or below the expected, about the centre.

    signal: '' or 'above', 'below' (the share is outside its limits), 'rising', 'falling' (the average is).
    """

    start: pd.Timestamp
    name: str
    rate: Rate
    expected: float
    low: float
    high: float
    average: float
    average_low: float
    average_high: float
    signal: str


@dataclass(frozen=True)
class Chart:
    """Periods in order (those without attempts left out), and the centre: the share over all of them."""

    centre: float
    points: tuple[Point, ...]

    @property
    def signals(self) -> tuple[Point, ...]:
        return tuple(p for p in self.points if p.signal)


def share_limits(centre: float, n: np.ndarray, sds: float) -> tuple[np.ndarray, np.ndarray]:
    """Limits of a share about its centre for n trials: centre ± sds sqrt(p (1 - p) / n), within 0 to 1.

    For few trials (n p (1 - p) < 5) the binomial's own quantiles: whole numbers of trials, not interpolated, so that
    what lies outside is never more likely than it would be for many trials.
    """
    n = np.asarray(n, float)
    half = sds * np.sqrt(centre * (1 - centre) / np.maximum(n, 1e-9))
    low, high = centre - half, centre + half
    few = n * centre * (1 - centre) < _NORMAL_FROM
    if np.any(few) and 0 < centre < 1:
        trials = np.maximum(np.round(n[few]), 1)
        low[few] = binom.ppf(norm.cdf(-sds), trials, centre) / trials
        high[few] = binom.ppf(norm.cdf(sds), trials, centre) / trials
    return np.clip(low, 0, 1), np.clip(high, 0, 1)


def ewma(values: np.ndarray, sds: np.ndarray, centre: float, weight: float = WEIGHT,
         width: float = THREE_SD) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(average, low limit, high limit), each (n,), of independent values with their own sds, begun at the centre.

    z_i = weight x_i + (1 - weight) z_(i-1) (Roberts 1959; NIST handbook 6.3.2.4); the limits use each z's own
    variance, which tends to weight / (2 - weight) sd² when all sds are alike.
    """
    average, variance = np.empty(len(values)), np.empty(len(values))
    z, v = centre, 0.0
    for i, (x, sd) in enumerate(zip(values, sds, strict=True)):
        z = weight * x + (1 - weight) * z
        v = weight**2 * sd**2 + (1 - weight) ** 2 * v
        average[i], variance[i] = z, v
    half = width * np.sqrt(variance)
    return average, centre - half, centre + half


def periods(days: pd.Series) -> tuple[np.ndarray, list[pd.Timestamp], list[str]]:
    """((n,) period number, starts, names): months, or weeks where there are fewer than eight months."""
    months = days.dt.to_period("M")
    by = months if months.nunique() >= 8 else days.dt.to_period("W")
    numbers, found = pd.factorize(by, sort=True)
    month = by is months
    return (numbers, [p.start_time for p in found],
            [p.strftime("%Y-%m") if month else p.start_time.strftime("week of %Y-%m-%d") for p in found])


def usual(y: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """(n,) the share of y over all attempts that were as manieth for their trainee (1, 2, 3-4, 5-8, ...): what is to
    be expected of each attempt, so that an intake of beginners is no signal."""
    practice = np.ceil(np.log2(turn)).astype(int)
    known = np.isfinite(y)
    n = np.bincount(practice[known], minlength=practice.max(initial=0) + 1)
    k = np.bincount(practice[known], y[known], minlength=len(n))
    return (k / np.maximum(n, 1))[practice]


def chart(y: np.ndarray, days: pd.Series, cluster: np.ndarray, expected: np.ndarray | None = None) -> Chart:
    """The chart of outcome y (n,; NaN left out) over the days of the attempts.

    expected (n,): the chance usual for each attempt; None: the share over all. Limits assume that what a period's
    attempts are worth (`Rate.n_effective`) is independent of the other periods'. Weak with fewer than about ten
    periods: the centre is then itself uncertain.
    """
    number, starts, names = periods(days)
    rates = rates_by(y, number, len(names), cluster)
    some = [i for i, r in enumerate(rates) if r.n > 0]
    if not some:
        return Chart(float("nan"), ())
    worth = np.array([rates[i].n_effective for i in some])
    share = np.array([rates[i].share for i in some])
    centre = sum(rates[i].k for i in some) / sum(rates[i].n for i in some)
    like = np.full(len(some), centre)
    if expected is not None:
        known = np.isfinite(y)
        like = (np.bincount(number[known], expected[known], len(names)) / np.bincount(
            number[known], minlength=len(names)).clip(1))[some]
    limits = [share_limits(p, worth[[j]], THREE_SD) for j, p in enumerate(like)]
    low, high = np.array([lo[0] for lo, _ in limits]), np.array([hi[0] for _, hi in limits])
    average, average_low, average_high = ewma(share - like + centre, np.sqrt(like * (1 - like) / worth), centre)
    points = []
    for j, i in enumerate(some):
        signal = ("above" if share[j] > high[j] else "below" if share[j] < low[j] else
                  "rising" if average[j] > average_high[j] else "falling" if average[j] < average_low[j] else "")
        points.append(Point(starts[i], names[i], rates[i], float(like[j]), float(low[j]), float(high[j]),
                            float(average[j]), float(max(average_low[j], 0)), float(min(average_high[j], 1)), signal))
    return Chart(centre, tuple(points))
