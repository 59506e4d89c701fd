"""An attempt as plain records: the mapping behind attempt.json and the table behind track.parquet."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from analysis.attempt import (
    AHEAD,
    HIDDEN,
    MAIN,
    WIDE_ANGLE,
    Advice,
    Attempt,
    AxleCheck,
    DryTurn,
    Finding,
    Mirrors,
    SensorUse,
    Steering,
    Stop,
    TrailerCheck,
    TrailerMotion,
)
from analysis.motion import bridged
from analysis.room_record import room_to_json
from analysis.vehicle import Vehicle

SCHEMA_VERSION = 1  # of attempt.json; raised when the meaning of a field changes
_REPORTED = 0.5  # a turn at a standstill is listed when it is more likely than not


def attempt_to_json(attempt: Attempt) -> dict[str, Any]:
    """The record that attempt.json holds; its schema is cli/attempt.schema.json. Only finite numbers and None."""
    turns = {(d.t_start_s, d.t_end_s): d for d in attempt.dry_turns}
    return {
        "schema_version": SCHEMA_VERSION,
        "verdict": attempt.verdict,
        "summary": summary_of(attempt),
        "vehicle": {"name": attempt.vehicle.name, "length_m": attempt.vehicle.length_m,
                    "width_m": attempt.vehicle.width_m, "wheelbase_m": attempt.vehicle.wheelbase_m,
                    "overall_length_m": _number(attempt.vehicle.overall_length_m),
                    "trailer": _trailer(attempt.vehicle)},
        "course": {"name": attempt.course.name},
        "rules": {"name": attempt.rules.name, "source": attempt.rules.source,
                  "tyre_reading": attempt.rules.tyre_reading, "points_allowed": attempt.rules.points_allowed},
        "points": attempt.points("fault") if attempt.rules.points_allowed is not None else None,
        "t_start_s": _number(attempt.track.t_s[0]),
        "t_end_s": _number(attempt.track.t_s[-1]),
        "frames": len(attempt.track.t_s),
        "frames_measured": int(np.sum(attempt.track.measured)),
        "stops": [_stop(s, turns.get((s.t_start_s, s.t_end_s))) for s in attempt.stops],
        "legs": [{"t_start_s": _number(leg.t_start_s), "t_end_s": _number(leg.t_end_s),
                  "direction": leg.direction,
                  "distance_m": _number(leg.distance_m)} for leg in attempt.legs],
        "shunts": attempt.shunts,
        "dry_steering": [_dry_turn(d) for d in attempt.dry_turns if d.probability >= _REPORTED],
        "steering": _steering(attempt.steering),
        "axle_check": _axle(attempt.axle),
        "sheet_checks": [{"what": c.what, "entered_m": _number(c.entered_m), "seen_m": _number(c.seen_m),
                          "sd_m": _number(c.sd_m)} for c in attempt.sheet],
        "articulation": _articulation(attempt.trailer, attempt.trailer_check, bridged(attempt.track)),
        "sensors": _sensors(attempt.sensors),
        "findings": [_finding(f) for f in attempt.findings],
        "marks": [{"name": m.name, "x_m": _number(m.x_m), "y_m": _number(m.y_m), "sd_m": _number(m.sd_m),
                   "frame_sd_m": _number(m.frame_sd_m), "nominal_x_m": _number(m.nominal_x_m),
                   "nominal_y_m": _number(m.nominal_y_m)}
                  for m in attempt.track.marks],
        "mark_events": [{"name": e.name, "t_s": _number(e.t_s), "moved_m": _number(e.moved_m),
                         "sd_m": _number(e.sd_m)} for e in attempt.track.mark_events],
        "lines": [{"name": ln.name, "x0_m": _number(ln.x0_m), "y0_m": _number(ln.y0_m), "x1_m": _number(ln.x1_m),
                   "y1_m": _number(ln.y1_m), "sd_m": _number(ln.sd_m),
                   "frame_sd_m": _number(ln.frame_sd_m)} for ln in attempt.track.lines],
        "final": _final(attempt),
        "advice": _advice(attempt.advice),
        "mirrors": _mirrors(attempt.mirrors, attempt.motion.t_s),
        "room": room_to_json(attempt.room),
        "notes": list(attempt.track.notes),
    }


def summary_of(attempt: Attempt) -> str:
    """Two or three plain sentences: what counts, or that nothing does."""
    counting = [f for f in attempt.findings if f.severity == "fault"]
    faults = [f.sentence for f in counting if f.verdict == "fault"]
    doubts = [f.sentence for f in counting if f.verdict == "too close to call"]
    unseen = [f.sentence for f in counting if f.verdict == "not seen"]
    parts = []
    if faults:
        parts.append(f"{len(faults)} {'fault' if len(faults) == 1 else 'faults'} under '{attempt.rules.name}': "
                     + " ".join(faults))
    if doubts:
        parts.append("Too close to call: " + " ".join(doubts))
    if unseen:
        parts.append("Not seen: " + " ".join(unseen))
    if attempt.rules.points_allowed is not None:
        parts.append(f"{attempt.points('fault')} points, {attempt.rules.points_allowed} allowed.")
    return " ".join(parts) or f"No faults found under '{attempt.rules.name}'."


def track_frame(attempt: Attempt) -> pd.DataFrame:
    """One row a sampled frame: the columns of track.parquet, clearances included.

    Inside a gap longer than a second everything but t_s and measured is empty. Units end the column names
    and stand in `attrs['units']`.
    """
    m = attempt.motion
    sd = np.column_stack([m.sd(k) for k in range(5)])
    columns: dict[str, np.ndarray] = {
        "x_m": m.x_m, "y_m": m.y_m, "heading_rad": m.heading_rad, "speed_mps": m.speed_mps,
        "road_wheel_rad": m.wheel_rad, "sd_x_m": sd[:, 0], "sd_y_m": sd[:, 1],
        "rho_xy": m.in_course_cov()[:, 0, 1] / (sd[:, 0] * sd[:, 1]),
        "sd_heading_rad": sd[:, 2], "sd_speed_mps": sd[:, 3],
        "sd_road_wheel_rad": sd[:, 4], "standing": m.standing}
    if attempt.trailer:
        towed, body = attempt.trailer, attempt.trailer.body
        columns |= {"articulation_rad": towed.angle_rad, "sd_articulation_rad": towed.sd_rad, "trailer_x_m": body.x_m,
                    "trailer_y_m": body.y_m, "trailer_heading_rad": body.heading_rad, "sd_trailer_x_m": body.sd(0),
                    "sd_trailer_y_m": body.sd(1), "sd_trailer_heading_rad": body.sd(2)}
    series = [*attempt.line_clearance.items(), *((f"mark_{n}", s) for n, s in attempt.mark_clearance.items())]
    if attempt.barrier_clearance:
        series.append(("barrier", attempt.barrier_clearance))
    for name, s in series:
        columns[f"{name}_m"] = np.where(np.isfinite(s.value_m), s.value_m, np.nan)
        columns[f"sd_{name}_m"] = s.sd_m
    hidden = ~bridged(attempt.track)
    frame = pd.DataFrame({"t_s": m.t_s, "measured": attempt.track.measured}
                         | {k: np.where(hidden, np.nan, v) for k, v in columns.items()})
    frame.attrs["units"] = {c: _unit(c) for c in frame.columns}
    return frame


def _unit(column: str) -> str:
    for ending, unit in (("_mps", "m/s"), ("_rad", "rad"), ("_m", "m"), ("_s", "s")):
        if column.endswith(ending):
            return unit
    return "1"


def _stop(stop: Stop, turn: DryTurn | None) -> dict[str, Any]:
    return {"t_start_s": _number(stop.t_start_s), "t_end_s": _number(stop.t_end_s),
            "sd_start_s": _number(stop.sd_start_s), "sd_end_s": _number(stop.sd_end_s), "kind": stop.kind,
            "wheel_turned_deg": _degrees(turn.angle_rad) if turn else None,
            "wheel_turned_sd_deg": _degrees(turn.sd_rad) if turn else None,
            "wheel_turned_probability": _number(turn.probability) if turn else None}


def _dry_turn(d: DryTurn) -> dict[str, Any]:
    return {"t_start_s": _number(d.t_start_s), "t_end_s": _number(d.t_end_s), "angle_deg": _degrees(d.angle_rad),
            "sd_deg": _degrees(d.sd_rad), "probability": _number(d.probability),
            "wheel_before_deg": _degrees(d.wheel_before_rad), "sd_before_deg": _degrees(d.sd_before_rad),
            "wheel_after_deg": _degrees(d.wheel_after_rad), "sd_after_deg": _degrees(d.sd_after_rad),
            "bound_deg": _degrees(d.bound_rad)}


def _steering(s: Steering) -> dict[str, Any]:
    return {"wheel_on_s": _number(s.wheel_on_s), "sd_wheel_on_s": _number(s.sd_wheel_on_s),
            "wheel_on_after_m": _number(s.wheel_on_after_m),
            "wheel_on_beyond_pivot_m": _number(s.wheel_on_beyond_pivot_m),
            "second_turn_s": _number(s.second_turn_s), "sd_second_turn_s": _number(s.sd_second_turn_s),
            "second_turn_after_m": _number(s.second_turn_after_m),
            "second_turn_heading_deg": _degrees(s.second_turn_heading_rad),
            "lock_to_lock_s": _number(s.lock_to_lock_s), "lock_to_lock_m": _number(s.lock_to_lock_m),
            "lock_to_lock_deg": _degrees(s.lock_to_lock_rad),
            "largest_deg": _degrees(s.largest_rad), "sd_largest_deg": _degrees(s.sd_largest_rad),
            "largest_s": _number(s.largest_s), "turned_deg_per_m": _degrees(s.turned_per_m_rad),
            "corrections": s.corrections,
            "crawl": [{"t_start_s": _number(c.t_start_s), "t_end_s": _number(c.t_end_s),
                       "deg_per_m": _degrees(c.per_m_rad), "sd_deg_per_m": _degrees(c.sd_per_m_rad)}
                      for c in s.crawls]}


def _axle(check: AxleCheck | None) -> dict[str, Any] | None:
    if check is None:
        return None
    return {"offset_m": _number(check.offset_m), "sd_m": _number(check.sd_m),
            "wheelbase_m": _number(check.wheelbase_m), "sd_wheelbase_m": _number(check.sd_wheelbase_m)}


def _trailer(vehicle: Vehicle) -> dict[str, Any] | None:
    t = vehicle.trailer
    if t is None:
        return None
    return {"name": t.name, "kind": t.kind, "length_m": t.length_m, "width_m": t.width_m,
            "hitch_x_m": t.hitch_x_m, "hitch_to_axle_m": t.hitch_to_axle_m,
            "max_articulation_deg": _degrees(t.max_articulation_rad)}


def _articulation(towed: TrailerMotion | None, check: TrailerCheck | None, seen: np.ndarray) -> dict[str, Any] | None:
    if towed is None:
        return None
    k = int(np.argmax(np.where(seen, np.abs(towed.angle_rad), -1.0)))
    return {"largest_deg": _degrees(towed.angle_rad[k]), "sd_largest_deg": _degrees(towed.sd_rad[k]),
            "largest_s": _number(towed.body.t_s[k]), "final_deg": _degrees(towed.angle_rad[-1]),
            "sd_final_deg": _degrees(towed.sd_rad[-1]),
            "hitch_to_axle_m": _number(check.hitch_to_axle_m) if check else None,
            "sd_hitch_to_axle_m": _number(check.sd_m) if check else None}


def _sensors(use: SensorUse | None) -> dict[str, Any] | None:
    if use is None:
        return None
    return {"shift_s": _number(use.shift_s), "sd_shift_s": _number(use.sd_shift_s),
            "correlation": _number(use.correlation), "columns": list(use.columns),
            "steering_ratio": _number(use.steering_ratio), "wheel_zero_deg": _degrees(use.wheel_zero_rad),
            "mean_sd_wheel_without_deg": _degrees(use.mean_sd_wheel_without_rad),
            "mean_sd_wheel_with_deg": _degrees(use.mean_sd_wheel_with_rad)}


def _finding(f: Finding) -> dict[str, Any]:
    return {"kind": f.kind, "where": f.where, "verdict": f.verdict, "severity": f.severity, "counts": f.counts,
            "points": f.points,
            "t_start_s": _number(f.t_start_s), "t_end_s": _number(f.t_end_s), "value": _number(f.value),
            "sd": _number(f.sd), "unit": f.unit, "limit": _number(f.limit),
            "at_m": [_number(f.at_m[0]), _number(f.at_m[1])] if f.at_m else None, "sentence": f.sentence}


def _final(attempt: Attempt) -> dict[str, Any] | None:
    f = attempt.final
    if f is None:
        return None
    return {"rear_x_m": _number(f.rear_x_m), "sd_rear_x_m": _number(f.sd_rear_x_m),
            "lateral_m": _number(f.lateral_m), "sd_lateral_m": _number(f.sd_lateral_m),
            "heading_deg": _degrees(f.heading_rad), "sd_heading_deg": _degrees(f.sd_heading_rad),
            "barrier_m": _number(f.barrier_m), "sd_barrier_m": _number(f.sd_barrier_m)}


def _advice(advice: Advice) -> dict[str, Any]:
    return {"said": [{"rule": s.rule, "sentence": s.sentence, "t_s": _number(s.t_s),
                      "t_start_s": _number(s.t_start_s), "t_end_s": _number(s.t_end_s),
                      "at_m": [_number(s.at_m[0]), _number(s.at_m[1])] if s.at_m else None, "finding": s.finding,
                      "counts": s.counts}
                     for s in advice.said],
            "drill": {"name": advice.drill.name, "title": advice.drill.title, "text": advice.drill.text}
            if advice.drill else None,
            "well": advice.well}


_VIEW_WORDS = {AHEAD: "ahead", HIDDEN: "hidden", WIDE_ANGLE: "wide_angle", MAIN: "main"}


def _mirrors(mirrors: Mirrors, t_s: np.ndarray) -> dict[str, Any]:
    """Each mark's view as spans of time over which side and state stay the same."""
    spans = []
    for view in mirrors.views.values():
        starts = np.flatnonzero(np.diff(view.state, prepend=-1) | np.diff(view.side, prepend=0))
        ends = np.append(starts[1:], len(t_s)) - 1
        spans += [{"mark": view.name, "side": _SIDES[int(view.side[a])], "state": _VIEW_WORDS[int(view.state[a])],
                   "t_start_s": _number(t_s[a]), "t_end_s": _number(t_s[b])} for a, b in zip(starts, ends, strict=True)]
    return {"pivot_side": _SIDES[mirrors.pivot_side], "lined_up_s": _number(mirrors.lined_up_s), "views": spans}


_SIDES = {1: "left", -1: "right", 0: None}


def _number(value: float | None) -> float | None:
    """A finite number, rounded to what can mean anything, or None."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), 6)


def _degrees(value_rad: float | None) -> float | None:
    return None if value_rad is None else _number(math.degrees(value_rad))
