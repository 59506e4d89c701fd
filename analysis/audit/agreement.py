"""Where instructors judged the tool's findings: how far they agree, beyond what chance would give."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from statsmodels.stats.inter_rater import cohens_kappa

from analysis.attempt import VERDICTS

_LEAST = 10  # with fewer pairs kappa hardly has an interval


@dataclass(frozen=True)
class Agreement:
    """table (4, 4): the tool's verdict by row, the person's by column, in the order of VERDICTS. kappa, low, high:
    Cohen's kappa with its 95 % interval (large-sample variance of Fleiss, Cohen and Everitt 1969); None below ten
    judged findings or when one side used a single verdict. attempts: by (row, column) of the table, the attempts (row
    numbers) behind it.
    """

    kind: str
    table: np.ndarray
    kappa: float | None
    low: float | None
    high: float | None
    attempts: Mapping[tuple[int, int], np.ndarray]

    @property
    def overruled(self) -> np.ndarray:
        """The attempts with a finding on which tool and person differ."""
        apart = [rows for (i, j), rows in self.attempts.items() if i != j]
        return np.unique(np.concatenate(apart)) if apart else np.empty(0, int)

    @property
    def n(self) -> int:
        return int(self.table.sum())


def kappa(table: np.ndarray) -> tuple[float, float, float] | None:
    """(kappa, low, high) of a square table of counts; None when either side used one verdict only."""
    if min(np.count_nonzero(table.sum(axis=0)), np.count_nonzero(table.sum(axis=1))) < 2:
        return None
    used = (table.sum(axis=0) + table.sum(axis=1)) > 0
    result = cohens_kappa(table[np.ix_(used, used)])
    return float(result.kappa), float(max(result.kappa_low, -1)), float(min(result.kappa_upp, 1))


def agreement(findings: pd.DataFrame) -> list[Agreement]:
    """Over all judged findings first (kind ''), then by kind, most judged first.

    Only what somebody looked at is in it: where instructors look mostly at faults, it speaks of those.
    """
    judged = findings[findings["people_verdict"].notna() & findings["tool_verdict"].notna()]
    kinds = list(judged["kind"].value_counts().sort_index().sort_values(ascending=False, kind="stable").index)
    return [_of("", judged), *(_of(k, judged[judged["kind"] == k]) for k in kinds)] if len(judged) else []


def _of(kind: str, judged: pd.DataFrame) -> Agreement:
    tool = pd.Categorical(judged["tool_verdict"], VERDICTS).codes
    person = pd.Categorical(judged["people_verdict"], VERDICTS).codes
    table = np.zeros((len(VERDICTS), len(VERDICTS)), int)
    np.add.at(table, (tool, person), 1)
    attempt = judged["attempt"].to_numpy()
    behind = {(i, j): np.unique(attempt[(tool == i) & (person == j)]) for i, j in np.argwhere(table).tolist()}
    middle, low, high = (kappa(table) if table.sum() >= _LEAST else None) or (None, None, None)
    return Agreement(kind, table, middle, low, high, behind)
