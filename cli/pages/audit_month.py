"""What the one-page report of a month says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from analysis.audit.audit import Audit
from analysis.audit.control import Chart
from analysis.audit.learning import Learner
from analysis.audit.rates import Rate, rate
from cli.pages import audit_words as told

_MONTHS = 12  # reports written, the latest
_SHOWN = 24  # periods on the report's chart
_TRAINEES = 6


@dataclass(frozen=True)
class Month:
    """attempts, trainees: how many. now, before: rates by kind ('' for any) in the month, and in the twelve before.
    chart: the periods up to this one. nearly: trainees met in the month who are nearest to a steady pass; far: those
    with three attempts or more who are furthest. signals: sentences about this month. rows: its attempts."""

    name: str
    attempts: int
    trainees: int
    now: Mapping[str, Rate]
    before: Mapping[str, Rate]
    chart: Chart
    nearly: tuple[Learner, ...]
    far: tuple[Learner, ...]
    signals: tuple[str, ...]
    rows: np.ndarray


def months_of(audit: Audit) -> list[Month]:
    """The latest months that have attempts, newest first."""
    number = audit.school.attempts["day"].dt.year * 12 + audit.school.attempts["day"].dt.month - 1
    return [_month(audit, int(m), number.to_numpy()) for m in sorted(number.unique(), reverse=True)[:_MONTHS]]


def _month(audit: Audit, m: int, number: np.ndarray) -> Month:
    school, name = audit.school, f"{m // 12}-{m % 12 + 1:02d}"
    inside, earlier = number == m, (number < m) & (number >= m - 12)
    outcomes = {"": school.failed} | {k: school.had(k) for k in school.kinds}
    now, before = ({k: rate(np.where(part, y, np.nan), school.cluster) for k, y in outcomes.items()}
                   for part in (inside, earlier))
    rows = np.flatnonzero(inside)
    met = set(school.attempts["trainee"].iloc[rows].dropna())
    learners = [k for k in audit.learning.learners if k.name in met] if audit.learning else []
    by_ready = sorted(learners, key=lambda k: (-k.ready, k.name))
    end = f"{(m + 1) // 12}-{(m + 1) % 12 + 1:02d}-01"
    chart = audit.charts[""]
    points = tuple(p for p in chart.points if p.start.strftime("%Y-%m-%d") < end)[-_SHOWN:]
    signals = [s for key, c in audit.charts.items() for s, at in told.signals(c, told.kind(key))
               if any(p.start.strftime("%Y-%m") == name for p in at)]
    nearly = tuple(by_ready[:_TRAINEES])
    far = tuple(k for k in by_ready[::-1] if len(k.rows) >= 3 and k not in nearly)[:_TRAINEES]
    return Month(name, len(rows), len(met), now, before, replace(chart, points=points), nearly, far,
                 tuple(signals[:4]), rows)
