"""A small made-up school of attempt folders with tracks, as an analysis would leave them: geometry planted, not drawn.

Each run drives forward to the pair, ends `lateral` metres off its middle towards the bay and `ahead` metres beyond it,
and reverses in an S into the bay. A run that ends far off comes nearer to the pivot cone, by a plain rule, so that the
pattern in the records follows from the tracks.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from fake_attempt import lorry, make_attempt

from analysis.layouts import course_for
from analysis.record import attempt_to_json
from cli import store

NEAR_M = 0.5


@dataclass(frozen=True)
class Planted:
    """What one run was made with."""

    folder: str
    trainee: str
    lateral_m: float
    ahead_m: float
    pivot_m: float
    least_left_m: float


def write_school(root: Path, seed: int, trainees: int, each: int) -> list[Planted]:
    rng = np.random.default_rng(seed)
    template = attempt_to_json(make_attempt())
    out = []
    for t in range(trainees):
        for k in range(each):
            lateral, ahead = float(rng.normal(0, 0.4)), float(rng.uniform(0.2, 1.0))
            pivot = 0.9 - 0.9 * abs(lateral) + float(rng.normal(0, 0.08))
            planted = Planted(f"t{t:02d}-{k:02d}", f"T{t:02d}", lateral, ahead, pivot, float(rng.uniform(0.05, 1.2)))
            _write(root / planted.folder, planted, template, k)
            out.append(planted)
    return out


def _write(folder: Path, p: Planted, template: dict, k: int) -> None:
    vehicle = lorry()
    course = course_for(vehicle)
    marks = {m.name: m for m in course.marks}
    pair_x = marks["forward_left"].x_m
    pair_y = (marks["forward_left"].y_m + marks["forward_right"].y_m) / 2
    end_x = pair_x + p.ahead_m - vehicle.wheelbase_m  # of the rear axle; heading straight along the course
    t = np.arange(0, 60.01, 0.1)
    reverse = (t > 22) & (t < 58)
    x = np.interp(t, [1, 20, 22, 58], [marks["pivot"].x_m - 4, end_x, end_x, 3.0])
    share = np.clip((x - 8) / (end_x - 12), 0, 1)  # an S across the yard on the way back
    y = np.where(t < 22, pair_y + p.lateral_m, (pair_y + p.lateral_m) * share * share * (3 - 2 * share))
    heading = np.where(reverse, np.arctan(np.gradient(y, t) / np.where(reverse, np.gradient(x, t), 1)), 0.0)
    near = np.exp(-((x - marks["pivot"].x_m) / 3) ** 2)
    left = np.where(reverse, 2.5 - (2.5 - p.least_left_m) * np.exp(-((t - 40) / 4) ** 2), 2.5)
    columns = {"t_s": t, "measured": np.ones(len(t), bool), "x_m": x, "y_m": y, "heading_rad": heading,
               "speed_mps": np.gradient(x, t), "road_wheel_rad": np.where(t > 26, -0.3, 0.0) * reverse,
               "tyre_left_m": left, "tyre_right_m": np.full(len(t), 3.0),
               "mark_pivot_m": np.where(reverse, 4 - (4 - p.pivot_m) * near / near[reverse].max(), 4.0)}
    table = pd.DataFrame(columns)
    table.attrs["units"] = dict.fromkeys(columns, "1")
    at = [marks["pivot"].x_m, marks["pivot"].y_m]
    findings = [{"kind": "mark_close", "where": "pivot", "verdict": "fault" if p.pivot_m < NEAR_M else "ok",
                 "severity": "note", "counts": False, "t_start_s": 35.0, "t_end_s": 35.0, "value": p.pivot_m,
                 "sd": 0.02, "unit": "m", "limit": NEAR_M, "at_m": at, "sentence": "made up"}]
    record = template | {
        "trainee": p.trainee, "instructor": "I1", "made_at": f"2026-03-{1 + k:02d}T09:00:00+00:00",
        "program": {"name": "tailtrace", "version": "0"}, "clips": [], "verdict": "ok", "findings": findings,
        "marks": [{"name": m.name, "x_m": m.x_m, "y_m": m.y_m, "sd_m": 0.01, "nominal_x_m": m.x_m,
                   "nominal_y_m": m.y_m} for m in course.marks],
        "legs": [{"t_start_s": a, "t_end_s": b, "direction": d, "distance_m": 20.0}
                 for a, b, d in ((1.0, 20.0, 1), (22.0, 58.0, -1))], "t_start_s": 0.0, "t_end_s": 60.0}
    with store.replacing(folder) as fresh:
        store.write_track(fresh, table, csv=False)
        store.write_record(fresh, record)
