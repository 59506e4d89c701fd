"""The attempts under audit, as plain columns: what every other module of this package works on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class School:
    """attempts: one row each in order of day: id, day (datetime64), trainee, instructor, vehicle, course (text or
    None), turn (the how-manieth attempt of its trainee it is, from 1, those not under audit included), verdict,
    tool_verdict, shunts, legs (text, measures.LEGS with commas), and every measure of measures.NAMES (float, NaN
    where not to be had).

    findings: those whose verdict is not 'ok', plus every one a person judged: attempt (row number in attempts), kind,
    leg, verdict, tool_verdict, people_verdict (None where nobody judged), counts, x_m, y_m.
    """

    attempts: pd.DataFrame
    findings: pd.DataFrame

    def __len__(self) -> int:
        return len(self.attempts)

    @cached_property
    def failed(self) -> np.ndarray:
        """(n,) 1.0 where the attempt had a counting fault, 0.0 where it had none, NaN where that is undecided."""
        verdict = self.attempts["verdict"]
        return np.where(verdict == "fault", 1.0, np.where(verdict == "ok", 0.0, np.nan))

    @cached_property
    def kinds(self) -> tuple[str, ...]:
        """The kinds of finding of which there is at least one fault, most frequent first."""
        told = self.findings.loc[self.findings["verdict"] == "fault", "kind"]
        return tuple(told.value_counts().sort_index().sort_values(ascending=False, kind="stable").index)

    def had(self, kind: str, legs: tuple[str, ...] | None = None) -> np.ndarray:
        """(n,) 1.0 where the attempt has a fault of this kind (in one of these legs), NaN where that is undecided
        (something of the kind too close to call or not seen, and none sure), else 0.0."""
        f = self._of_kind.get(kind)
        out = np.zeros(len(self))
        if f is None:
            return out
        if legs is not None:
            f = f[f["leg"].isin(legs)]
        out[f.loc[~f["verdict"].isin(("ok", "fault")), "attempt"]] = np.nan
        out[f.loc[f["verdict"] == "fault", "attempt"]] = 1.0
        return out

    @cached_property
    def _of_kind(self) -> dict[str, pd.DataFrame]:
        return dict(iter(self.findings.groupby("kind", sort=False)))

    def codes(self, dimension: str) -> tuple[np.ndarray, list[str]]:
        """((n,) group number, -1 where it is not known; the groups' names)."""
        numbers, names = pd.factorize(self.attempts[dimension], sort=True)
        return numbers, [str(n) for n in names]

    @cached_property
    def cluster(self) -> np.ndarray:
        """(n,) a number for each trainee; an attempt without a trainee's code stands for itself."""
        numbers, names = self.codes("trainee")
        alone = numbers < 0
        return np.where(alone, len(names) + np.cumsum(alone) - 1, numbers)

    @property
    def turn(self) -> np.ndarray:
        """(n,) the how-manieth attempt of its trainee this is, from 1."""
        return self.attempts["turn"].to_numpy(int)
