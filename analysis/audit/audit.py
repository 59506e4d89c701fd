"""The whole audit of a school, in one record: what the pages and the monthly report show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analysis.audit.agreement import Agreement, agreement
from analysis.audit.control import Chart, chart, usual
from analysis.audit.effects import Effects, effects
from analysis.audit.funnel import Funnel, funnel
from analysis.audit.learning import Learning, learning
from analysis.audit.measures import LEGS, MEASURES
from analysis.audit.patterns import Patterns, patterns
from analysis.audit.rates import Rate, icc, rate, rates_by
from analysis.audit.school import School
from analysis.audit.yard import Yard

GROUPED = ("instructor", "vehicle", "course")


@dataclass(frozen=True)
class Audit:
    """Everything found in a school. The key '' stands for 'any counting fault' wherever kinds are keys.

    overall: by kind; grouped: by dimension, then group, then kind (for 'trainee' as the trainee's own rate, whose
    attempts are then taken as independent); legs: by kind, then leg, of the attempts that had the leg; yards: by
    course; undecided: attempts whose verdict is not sure.
    """

    school: School
    overall: Mapping[str, Rate]
    grouped: Mapping[str, Mapping[str, Mapping[str, Rate]]]
    legs: Mapping[str, Mapping[str, Rate]]
    charts: Mapping[str, Chart]
    funnels: Mapping[str, Funnel]
    learning: Learning | None
    patterns: Patterns
    effects: tuple[Effects, ...]
    agreement: tuple[Agreement, ...]
    yards: Mapping[str, Yard]
    undecided: np.ndarray


def audit(school: School, yards: Mapping[str, Yard]) -> Audit:
    """Carry out the audit. `yards`: what was laid on each course's plan."""
    outcomes = {"": school.failed} | {kind: school.had(kind) for kind in school.kinds}
    alike = {kind: icc(y, school.cluster) for kind, y in outcomes.items()}
    grouped: dict[str, dict[str, dict[str, Rate]]] = {}
    for dimension in (*GROUPED, "trainee"):
        code, names = school.codes(dimension)
        found = {kind: rates_by(y, code, len(names), school.cluster, 0.0 if dimension == "trainee" else alike[kind])
                 for kind, y in outcomes.items()}
        grouped[dimension] = {name: {kind: found[kind][i] for kind in outcomes} for i, name in enumerate(names)}
    return Audit(
        school, {kind: rate(y, school.cluster, alike[kind]) for kind, y in outcomes.items()}, grouped, _legs(school),
        {kind: chart(y, school.attempts["day"], school.cluster, usual(y, school.turn)) for kind, y in outcomes.items()}
        if len(school) else {},
        {d: funnel(school.failed, *school.codes(d), school.cluster) for d in GROUPED}, learning(school),
        patterns(school), tuple(e for m in MEASURES if m.role == "outcome" and (e := effects(school, m.name))),
        tuple(agreement(school.findings)), yards, np.flatnonzero(np.isnan(school.failed)))


def _legs(school: School) -> dict[str, dict[str, Rate]]:
    """For each kind, how often it began in each leg, of the attempts that had that leg."""
    out: dict[str, dict[str, Rate]] = {}
    had_leg = {leg: school.attempts["legs"].str.contains(leg, regex=False).to_numpy(bool) for leg in LEGS}
    for kind in school.kinds:
        for leg in LEGS:
            y = np.where(had_leg[leg], school.had(kind, (leg,)), np.nan)
            found = rate(y, school.cluster)
            if found.k:
                out.setdefault(kind, {})[leg] = found
    return out
