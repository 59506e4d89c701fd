"""How far a result lies from the truth. The only part of the benchmark that reads truth files."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

Span = tuple[float, float]

DIRECTION_CHANGE_WITHIN_S = 1.0
BIG_TURN_DEG, TOLERATED_TURN_DEG = 20.0, 10.0
"""A turn at a standstill must be found from the first on; a report of one below the second is invented."""
Z95 = 1.96


@dataclass(frozen=True)
class Truth:
    """track: truth file rows (t_s, x_m, y_m, heading_rad, tyre_clear_left_m, ...); record: truth.json."""

    track: pd.DataFrame
    record: Mapping[str, Any]

    @classmethod
    def read(cls, truth_csv: Path, truth_json: Path) -> Truth:
        return cls(pd.read_csv(truth_csv), json.loads(truth_json.read_text()))

    def spans(self, kind: str) -> list[Span]:
        return [(e["t0_s"], e["t1_s"]) for e in self.record["events"][kind]]


@dataclass(frozen=True)
class Result:
    """An attempt folder as its files tell it; the baseline writes the same names, without sds."""

    track: pd.DataFrame
    record: Mapping[str, Any]

    @classmethod
    def read(cls, folder: Path) -> Result:
        return cls(pd.read_parquet(folder / "track.parquet"), json.loads((folder / "attempt.json").read_text()))


@dataclass(frozen=True)
class Found:
    """Events matched to the truth. edges_s: errors of the matched ones' edges."""

    right: int
    missed: int
    invented: int
    edges_s: np.ndarray


def scores(result: Result, truth: Truth) -> dict[str, float]:
    """All figures of one clip by metric name; a figure that does not exist (no interval, no event) is left out."""
    out = pose_scores(result.track, truth.track)
    out |= event_scores(result.record, truth)
    out |= mark_scores(result.record, truth.record)
    return {k: v for k, v in out.items() if np.isfinite(v)}


def pose_scores(track: pd.DataFrame, truth: pd.DataFrame) -> dict[str, float]:
    t = track.t_s.to_numpy()
    true = {c: np.interp(t, truth.t_s, np.unwrap(truth[c]) if c == "heading_rad" else truth[c])
            for c in ("x_m", "y_m", "heading_rad", "tyre_clear_left_m", "tyre_clear_right_m")}
    seen = track.x_m.notna().to_numpy()
    if not seen.any():
        return {"share_placed": 0.0}
    dx, dy = track.x_m - true["x_m"], track.y_m - true["y_m"]
    turn = (track.heading_rad - true["heading_rad"] + np.pi) % (2 * np.pi) - np.pi
    clear = {s: track[f"tyre_{s}_m"] - true[f"tyre_clear_{s}_m"] for s in ("left", "right")}
    position = np.hypot(dx, dy)[seen]
    heading_deg = np.degrees(np.abs(turn[seen]))
    clearance = np.abs(np.concatenate([c[seen] for c in clear.values()]))
    out = {"share_placed": float(seen.mean())}
    for name, error in (("position_m", position), ("heading_deg", heading_deg), ("clearance_m", clearance)):
        out[f"{name}_median"] = float(np.median(error))
        out[f"{name}_p95"] = float(np.percentile(error, 95))
    if "sd_x_m" in track:
        out["position_sds_median"] = float(np.median(np.hypot(dx / track.sd_x_m, dy / track.sd_y_m)[seen]))
        out["coverage_position"] = _coverage([(dx, track.sd_x_m), (dy, track.sd_y_m)])
        out["coverage_heading"] = _coverage([(turn, track.sd_heading_rad)])
        out["coverage_clearance"] = _coverage([(c, track[f"sd_tyre_{s}_m"]) for s, c in clear.items()])
    if "articulation_rad" in track and "articulation_rad" in truth:
        bend = track.articulation_rad - np.interp(t, truth.t_s, truth.articulation_rad)
        out["articulation_deg_p95"] = float(np.degrees(np.nanpercentile(np.abs(bend), 95)))
        out["coverage_articulation"] = _coverage([(bend, track.sd_articulation_rad)])
        # The truth's clearances are of the towing vehicle alone, the attempt's of both bodies.
        out = {name: value for name, value in out.items() if "clearance" not in name}
    return out


def _coverage(pairs: Sequence[tuple[pd.Series, pd.Series]]) -> float:
    error, sd = (np.concatenate([np.asarray(p[k], float) for p in pairs]) for k in (0, 1))
    known = np.isfinite(error) & np.isfinite(sd)
    return float(np.mean(np.abs(error[known]) <= Z95 * sd[known]))


def event_scores(record: Mapping[str, Any], truth: Truth) -> dict[str, float]:
    clip_end_s = float(truth.track.t_s.iloc[-1])
    stops = match_spans([(s["t_start_s"], s["t_end_s"]) for s in record["stops"]], truth.spans("stops"), clip_end_s)
    turns = match_instants(direction_changes(record["legs"]), truth.record["events"]["direction_changes"],
                           DIRECTION_CHANGE_WITHIN_S)
    out: dict[str, float] = {}
    for name, found in (("stops", stops), ("direction_changes", turns)):
        out |= {f"{name}_found": found.right, f"{name}_missed": found.missed, f"{name}_invented": found.invented}
        if len(found.edges_s):
            out[f"{name}_edge_s_max"] = float(np.abs(found.edges_s).max())
    shunts, true_shunts = int(record["shunts"]), len(truth.spans("shunts"))
    out |= {"shunts_found": min(shunts, true_shunts), "shunts_missed": max(0, true_shunts - shunts),
            "shunts_invented": max(0, shunts - true_shunts)}
    return out | dry_scores(record["dry_steering"], truth.record["events"]["dry_steering"])


def dry_scores(reported: Sequence[Mapping[str, float]], true: Sequence[Mapping[str, float]]) -> dict[str, float]:
    """Turns at a standstill: found are the big ones that a report overlaps and agrees in sign with."""
    matched = {i: r for i, e in enumerate(true) for r in reported
               if r["t_start_s"] < e["t1_s"] and r["t_end_s"] > e["t0_s"] and r["angle_deg"] * e["angle_deg"] > 0}
    big = {i for i, e in enumerate(true) if abs(e["angle_deg"]) >= BIG_TURN_DEG}
    real = [r for i, r in matched.items() if abs(true[i]["angle_deg"]) >= TOLERATED_TURN_DEG]
    out: dict[str, float] = {"dry_found": len(big & set(matched)), "dry_missed": len(big - set(matched)),
                             "dry_invented": len(reported) - len(real)}
    pairs = [(matched[i], true[i]["angle_deg"]) for i in sorted(big & set(matched))]
    if pairs:
        error = np.array([r["angle_deg"] - angle for r, angle in pairs])
        out["dry_angle_deg_rms"] = float(np.sqrt(np.mean(error**2)))
        out["dry_interval_holds_truth"] = float(np.mean(
            [abs(e) <= Z95 * r["sd_deg"] for e, (r, _) in zip(error, pairs, strict=True)]))
        if all("bound_deg" in r for r, _ in pairs):
            out["dry_rms_over_bound"] = out["dry_angle_deg_rms"] / float(
                np.sqrt(np.mean([r["bound_deg"] ** 2 for r, _ in pairs])))
    return out


def mark_scores(record: Mapping[str, Any], truth: Mapping[str, Any]) -> dict[str, float]:
    """How far the surveyed marks lie from where they were really set out; a mark knocked over has no one place."""
    moved = {c["cone"] for c in truth["events"].get("contacts", [])}
    true = {c["name"]: (c["x_m"], c["y_m"]) for c in truth["course"]["cones"] if c["name"] not in moved}
    error = [np.hypot(m["x_m"] - true[m["name"]][0], m["y_m"] - true[m["name"]][1]) for m in record["marks"]
             if m["name"] in true]
    return {"mark_m_median": float(np.median(error)), "mark_m_max": float(np.max(error))} if error else {}


def direction_changes(legs: Sequence[Mapping[str, float]]) -> list[float]:
    """Starts of the legs that run the other way than the leg before."""
    return [b["t_start_s"] for a, b in pairwise(legs) if a["direction"] != b["direction"]]


def match_spans(found: Sequence[Span], true: Sequence[Span], clip_end_s: float) -> Found:
    """One found span for each true one, by overlap. Edges at the clip's own ends are not judged."""
    edges: list[float] = []
    used: set[int] = set()
    for a, b in true:
        overlaps = [(min(b, d) - max(a, c), i) for i, (c, d) in enumerate(found) if i not in used]
        share, i = max(overlaps, default=(0.0, -1))
        if share <= 0:
            continue
        used.add(i)
        if a > 0.1:
            edges.append(found[i][0] - a)
        if b < clip_end_s - 0.1:
            edges.append(found[i][1] - b)
    return Found(len(used), len(true) - len(used), len(found) - len(used), np.array(edges))


def match_instants(found: Sequence[float], true: Sequence[float], within_s: float) -> Found:
    edges: list[float] = []
    used: set[int] = set()
    for t in true:
        near = [(abs(f - t), i) for i, f in enumerate(found) if i not in used and abs(f - t) <= within_s]
        if near:
            _, i = min(near)
            used.add(i)
            edges.append(found[i] - t)
    return Found(len(used), len(true) - len(used), len(found) - len(used), np.array(edges))
