"""Each figure's suite, unit, goal and how it is pooled over clips; the rows of build/bench.json."""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

ALL = "all"


@dataclass(frozen=True)
class Goal:
    """sign '≤', '≥' or '=' and one number, or '…' and a range. A goal may be for all clips together only."""

    sign: str
    limit: float
    upper: float = 0.0
    only_all: bool = False

    def text(self) -> str:
        return f"{self.limit:g}{self.sign}{self.upper:g}" if self.sign == "…" else f"{self.sign} {self.limit:g}"

    def met(self, value: float) -> bool:
        if self.sign == "…":
            return self.limit <= value <= self.upper
        compare = {"≤": operator.le, "≥": operator.ge, "=": operator.eq}[self.sign]
        return bool(compare(value, self.limit))


@dataclass(frozen=True)
class Figure:
    suite: str
    unit: str
    goal: Goal | None
    pool: Callable[[Sequence[float]], float]


def _at_most(limit: float) -> Goal:
    return Goal("≤", limit)


_NONE, _COVERED = Goal("=", 0), Goal("…", 0.93, 0.97, only_all=True)

FIGURES: Mapping[str, Figure] = {
    "position_m_median": Figure("pose", "m", _at_most(0.02), max),
    "position_m_p95": Figure("pose", "m", _at_most(0.05), max),
    "heading_deg_median": Figure("pose", "deg", None, max),
    "heading_deg_p95": Figure("pose", "deg", _at_most(0.2), max),
    "clearance_m_median": Figure("pose", "m", None, max),
    "clearance_m_p95": Figure("pose", "m", _at_most(0.05), max),
    "share_placed": Figure("pose", "1", None, min),
    "articulation_deg_p95": Figure("pose", "deg", _at_most(1.0), max),
    "mark_m_median": Figure("survey", "m", None, max),
    "mark_m_max": Figure("survey", "m", None, max),
    "coverage_position": Figure("intervals", "1", _COVERED, np.mean),
    "coverage_heading": Figure("intervals", "1", _COVERED, np.mean),
    "coverage_clearance": Figure("intervals", "1", _COVERED, np.mean),
    "coverage_articulation": Figure("intervals", "1", None, np.mean),
    **{f"{what}_{how}": Figure("events", "1", None if how == "found" else _NONE, sum)
       for what in ("stops", "direction_changes", "shunts") for how in ("found", "missed", "invented")},
    "stops_edge_s_max": Figure("events", "s", _at_most(0.2), max),
    "direction_changes_edge_s_max": Figure("events", "s", _at_most(0.2), max),
    "dry_found": Figure("dry steering", "1", None, sum),
    "dry_missed": Figure("dry steering", "1", None, sum),
    "dry_invented": Figure("dry steering", "1", None, sum),
    "dry_recall": Figure("dry steering", "1", Goal("≥", 0.95, only_all=True), np.mean),
    "dry_precision": Figure("dry steering", "1", Goal("≥", 0.95, only_all=True), np.mean),
    "dry_angle_deg_rms": Figure("dry steering", "deg", None, lambda v: float(np.sqrt(np.mean(np.square(v))))),
    "dry_rms_over_bound": Figure("dry steering", "1", Goal("≤", 1.3, only_all=True),
                                 lambda v: float(np.sqrt(np.mean(np.square(v))))),
    "dry_interval_holds_truth": Figure("dry steering", "1", None, np.mean),
    "decode_s": Figure("cost", "s", None, sum),
    "analysis_s": Figure("cost", "s", None, sum),
    "analysis_over_decode": Figure("cost", "1", _at_most(1.5), max),
    "overlay_s": Figure("cost", "s", None, sum),
    "overlay_over_decode": Figure("cost", "1", _at_most(3), max),
    "course_found_s": Figure("cost", "s", _at_most(5), max),
    "vehicle_seen_s": Figure("cost", "s", _at_most(5), max),
    "vehicle_found_s": Figure("cost", "s", _at_most(5), max),
    "analysis_memory_mb": Figure("cost", "MB", _at_most(600), max),
    "overlay_memory_mb": Figure("cost", "MB", _at_most(600), max),
    "analysis_memory_4k_mb": Figure("cost", "MB", _at_most(1200), max),
    "overlay_memory_4k_mb": Figure("cost", "MB", _at_most(1200), max),
    "no_result": Figure("run", "1", _NONE, sum),
}


@dataclass(frozen=True)
class Row:
    """One line of bench.json."""

    suite: str
    clip: str
    metric: str
    value: float
    unit: str
    goal: str | None
    met: bool | None
    baseline: float | None
    tracker: float | None = None

    def record(self) -> dict[str, Any]:
        return asdict(self)


def rows(clip: str, ours: Mapping[str, float], baseline: Mapping[str, float],
         tracker: Mapping[str, float] = MappingProxyType({})) -> list[Row]:
    """The lines of one clip: our figures, with the same of the baseline and of OpenCV's tracker."""
    def figure_of(others: Mapping[str, float], metric: str) -> float | None:
        return round(float(others[metric]), 5) if metric in others else None

    out = []
    for metric, figure in FIGURES.items():
        if metric not in ours:
            continue
        goal = figure.goal if figure.goal and (clip == ALL or not figure.goal.only_all) else None
        value = float(ours[metric])
        out.append(Row(figure.suite, clip, metric, round(value, 5), figure.unit, goal.text() if goal else None,
                       goal.met(value) if goal else None, figure_of(baseline, metric), figure_of(tracker, metric)))
    return out


def pooled(clips: Sequence[Mapping[str, float]]) -> dict[str, float]:
    """One figure for all clips: the worst, the sum, or the mean, as FIGURES says."""
    out = {}
    for metric, figure in FIGURES.items():
        values = [c[metric] for c in clips if metric in c]
        if values:
            out[metric] = float(figure.pool(values))
    big = out.get("dry_found", 0) + out.get("dry_missed", 0)
    if big:
        out["dry_recall"] = out["dry_found"] / big
    if out.get("dry_found", 0) + out.get("dry_invented", 0):
        out["dry_precision"] = out["dry_found"] / (out["dry_found"] + out["dry_invented"])
    return out


def table(rows_of_clip: Sequence[Row]) -> str:
    """Plain text: figure, value, baseline, OpenCV's tracker, goal, met."""
    heads = "".join(f" {head:>10s}" for head in ("value", "baseline", "tracker"))
    lines = [f"{rows_of_clip[0].clip:32s}{heads}  {'unit':4s} {'goal':>10s}  met"]
    for r in rows_of_clip:
        others = ["-" if v is None else f"{v:.4g}" for v in (r.baseline, r.tracker)]
        met = "" if r.met is None else "yes" if r.met else "NO"
        lines.append(f"  {r.metric:30s} {r.value:10.4g} {others[0]:>10s} {others[1]:>10s}  {r.unit:4s} "
                     f"{r.goal or '':>10s}  {met}")
    return "\n".join(lines)
