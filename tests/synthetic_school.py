"""A made-up school: attempt records with planted patterns, and planted non-patterns that look like them.

Planted (cause, effect): see PATTERNS. Non-patterns: poor trainees are both faster and more often at fault, but speed
does nothing to a fault; everybody steers earlier as they gain practice, but that does nothing either. One instructor
teaches worse than the rest, one vehicle leaves less room, dry steering becomes more frequent from a given month on;
poor trainees drive mostly one vehicle that is no worse than others. Nothing here is used by the program.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from analysis.audit.measures import NAMES, Grid
from analysis.audit.school import School
from cli.library.database import attempts, findings, grids, meta
from cli.library.digest import grid_row
from cli.library.library import Library

PATTERNS = {("early_lateral_m", "mark_close"), ("early_heading_deg", "tyre_over_line"), ("mark_close", "shunt_count"),
            ("setout_pivot_m", "mark_touched"), ("early_lateral_m", "shunt_count")}  # the last through mark_close
LEG = {"mark_close": "reverse", "tyre_over_line": "reverse", "mark_touched": "later", "shunt_count": "shunt",
       "dry_steering": "later", "stopping_box": "end", "final_heading": "end"}
COUNTS = {"tyre_over_line", "mark_touched", "shunt_count", "dry_steering", "stopping_box"}
BASE = {"mark_close": -1.4, "tyre_over_line": -2.0, "mark_touched": -2.6, "shunt_count": -2.2, "dry_steering": -2.2,
        "stopping_box": -1.9, "final_heading": -1.8}
BAD_INSTRUCTOR, TIGHT_VEHICLE, CHANGE = "I3", "V2", 0.7  # the change: at this share of the time
START = date(2024, 1, 8)


@dataclass(frozen=True)
class Made:
    """The school, and what nobody but the test may know: each trainee's log-odds of passing at the next attempt."""

    school: School
    next_pass: dict[str, float]


def _chance(x: np.ndarray) -> np.ndarray:
    return 1 / (1 + np.exp(-x))


def make_school(seed: int, n: int = 10_000, *, trainees: int | None = None, planted: bool = True,
                months: int = 36) -> Made:
    """n attempts; without `planted`, the same school with nothing to be found in it but skill and practice."""
    rng = np.random.default_rng(seed)
    trainees = trainees or max(n // 20, 12)
    on = 1.0 if planted else 0.0
    who = np.sort(rng.integers(0, trainees, n))
    turn = np.arange(n) - np.searchsorted(who, who) + 1
    days = 30 * months
    begin, pace = rng.uniform(0, 0.8 * days, trainees), rng.uniform(3, 12, trainees)
    when = np.minimum(begin[who] + pace[who] * (turn - 1), days - 1)
    skill, gain = rng.normal(0, 0.8, trainees), rng.normal(0.35, 0.12, trainees)
    teacher = rng.choice(8, trainees, p=[0.26, 0.2, 0.15, 0.13, 0.1, 0.08, 0.05, 0.03])
    poor = skill < -0.3
    home = np.where(poor, 0, rng.integers(0, 5, trainees))
    vehicle = np.where(rng.random(n) < 0.7, home[who], rng.integers(0, 5, n))
    course = rng.integers(0, 2, n)

    practice = np.log2(turn)
    able = skill[who] + gain[who] * practice
    x = {"early_lateral_m": rng.normal(0, 0.35, n) - 0.1 * skill[who],
         "early_ahead_m": rng.normal(0.6, 0.5, n),
         "early_heading_deg": rng.normal(0.4, 1.6, n),
         "early_turn_in_m": rng.normal(6, 1.0, n) + 0.6 * practice,  # a habit that grows, harmless
         "early_speed_mps": rng.normal(1.2, 0.2, n) - 0.15 * skill[who],  # of poor trainees, harmless
         "early_room_m": rng.normal(0.3, 0.15, n),
         "setout_pivot_m": rng.normal(0, 0.12, n), "setout_bay_width_m": rng.normal(0.02, 0.08, n),
         "setout_pair_m": rng.normal(0, 0.1, n)}
    bad = 0.9 * on * (teacher[who] == 2)
    had: dict[str, np.ndarray] = {}

    def happens(kind: str, more: np.ndarray | float = 0.0) -> None:
        had[kind] = rng.random(n) < _chance(BASE[kind] - 0.9 * able + bad + more)
    happens("mark_close", on * 2.0 * (np.abs(x["early_lateral_m"]) - 0.28) / 0.35)
    happens("tyre_over_line", on * 0.5 * (x["early_heading_deg"] - 0.4) / 1.6)
    happens("mark_touched", on * 0.6 * x["setout_pivot_m"] / 0.12)
    happens("shunt_count", on * 1.6 * had["mark_close"])
    happens("dry_steering", on * 1.2 * (when > CHANGE * days))
    happens("stopping_box")
    happens("final_heading")
    x["out_tyre_m"] = 0.55 + 0.08 * able - 0.15 * on * (vehicle == 1) + rng.normal(0, 0.2, n)
    x["out_pivot_m"] = 0.6 + 0.05 * able - 0.8 * on * x["setout_pivot_m"] + rng.normal(0, 0.2, n)

    close = {k: (rng.random(n) < 0.03) & ~had[k] for k in ("tyre_over_line", "mark_touched")}
    failed = np.any([had[k] for k in COUNTS], axis=0)
    unsure = ~failed & np.any(list(close.values()), axis=0)
    verdict = np.where(failed, "fault", np.where(unsure, "too close to call", "ok"))
    order = np.argsort(np.floor(when), kind="stable")
    frame = pd.DataFrame({
        "id": [f"a{i:07d}" for i in range(n)],
        "day": pd.to_datetime(START) + pd.to_timedelta(np.floor(when)[order], unit="D"),
        "trainee": [f"T{k:05d}" for k in who[order]], "instructor": [f"I{k + 1}" for k in teacher[who][order]],
        "vehicle": [f"V{k + 1}" for k in vehicle[order]], "course": [f"yard {'AB'[k]}" for k in course[order]],
        "verdict": verdict[order], "tool_verdict": verdict[order], "shunts": had["shunt_count"][order].astype(int) * 3,
        "legs": np.where(had["shunt_count"][order], "forward,reverse,shunt,later,end", "forward,reverse,end")}
        | {name: x[name][order] for name in NAMES})
    frame["turn"] = frame.groupby("trainee").cumcount() + 1
    place = np.empty(n, int)
    place[order] = np.arange(n)
    rows = [pd.DataFrame({"attempt": place[hit], "kind": k, "leg": LEG[k], "verdict": v, "counts":
                          (k in COUNTS) & (v == "fault"), "x_m": 20 + rng.normal(0, 8, hit.sum()),
                          "y_m": -3 + rng.normal(0, 2, hit.sum())})
            for k in had for v, hit in (("fault", had[k]), ("too close to call", close.get(k, np.zeros(n, bool))))]
    told = pd.concat(rows, ignore_index=True).sort_values(["attempt", "kind"], kind="stable", ignore_index=True)
    told["tool_verdict"] = told["verdict"]
    judged, wrong = rng.random(len(told)) < 0.1, rng.random(len(told)) < 0.1
    told["people_verdict"] = np.where(judged, np.where(wrong, "ok", told["tool_verdict"]), None)
    turns = np.bincount(who, minlength=trainees)
    lost = np.ones(trainees)
    for k in COUNTS:
        b = 0.9 * on * (teacher == 2)
        lost *= 1 - _chance(BASE[k] - 0.9 * (skill + gain * np.log2(turns + 1)) + b)
    return Made(School(frame, told), {f"T{k:05d}": float(lost[k]) for k in range(trainees)})


def fill(library: Library, school: School, *, grid_of: Grid | None = None) -> None:
    """Put a made-up school into an index directly, as if its folders had been read."""
    a = school.attempts.reset_index(drop=True)
    rows = a.drop(columns=["day", "turn"]).assign(
        n=np.arange(1, len(a) + 1), state="made up", run_on=a["day"].dt.date, rules="usual", weather="", notes="",
        people_verdict=None, faults=np.bincount(school.findings.loc[school.findings["counts"], "attempt"],
                                                minlength=len(a)), duration_s=120.0, corrections=0, program="0",
        summary="made up")
    told = school.findings.assign(attempt=school.findings["attempt"] + 1, place="", t_start_s=1.0, t_end_s=2.0,
                                  value=None, sd=None, unit="1", limit_value=None, sentence="made up")
    with library.engine.begin() as c:
        for table, frame in ((attempts, rows), (findings, told)):
            for k in range(0, len(frame), 20_000):
                part = frame.iloc[k:k + 20_000].astype(object)
                c.execute(table.insert(), part.where(part.notna(), None).to_dict("records"))
        if grid_of is not None:
            one = grid_row(grid_of)
            for k in range(0, len(a), 20_000):
                c.execute(grids.insert(), [{**one, "attempt": i + 1} for i in range(k, min(k + 20_000, len(a)))])
        c.execute(meta.update().where(meta.c.key == "revision").values(value="1"))
