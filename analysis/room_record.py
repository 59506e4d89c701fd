"""Room left as plain records, for attempt.json."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from analysis.room.nouns import LegRoom, Loss, PlannedRun, RoomAlong, ShuntRoom, StopMap

_RUN_STEP_M = 0.5  # planned runs are listed about so densely


def room_to_json(room: RoomAlong | None) -> dict[str, Any] | None:
    """The mapping under 'room' in attempt.json: None where room left was not computed. Lengths in metres."""
    if room is None:
        return None
    return {
        "t_s": _numbers(room.t_s), "room_m": [_numbers(r) for r in room.room_m],
        "sd_m": [_numbers(s) for s in room.sd_m], "grid_sd_m": _number(room.grid_sd_m),
        "legs": [_leg(leg) for leg in room.legs], "shunts": [_shunt(s) for s in room.shunts],
        "stop": _stop(room.stop_map), "reference": _run(room.reference), "ideal": _run(room.ideal),
        "heading_beside": None if room.heading_beside is None else {
            "x_m": _numbers(room.heading_beside.x_m), "attempt_deg": _degrees(room.heading_beside.attempt_rad),
            "reference_deg": _degrees(room.heading_beside.reference_rad),
            "sd_deg": _degrees(room.heading_beside.sd_rad)},
    }


def _leg(leg: LegRoom) -> dict[str, Any]:
    moment, saving = leg.moment, leg.saving
    return {
        "leg": leg.index, "verdict": moment.verdict, "t_s": _number(moment.t_s),
        "t_from_s": _number(moment.t_from_s), "t_to_s": _number(moment.t_to_s), "at_m": _numbers(moment.at_m),
        "saving": None if saving is None else {
            "t_s": _number(saving.t_s), "at_m": _numbers(saving.at_m), "wheel_deg": _angle(saving.wheel_rad),
            "distance_m": _number(saving.distance_m), "used_deg": _angle(saving.used_rad)},
        "largest_loss": _loss(leg.largest_loss)}


def _loss(loss: Loss | None) -> dict[str, Any] | None:
    if loss is None:
        return None
    return {"t_start_s": _number(loss.t_start_s), "t_end_s": _number(loss.t_end_s), "at_m": _numbers(loss.at_m),
            "distance_m": _number(loss.distance_m), "lost_m": _number(loss.lost_m), "sd_m": _number(loss.sd_m),
            "wheel_used_deg": _angle(loss.wheel_used_rad), "sd_wheel_used_deg": _angle(loss.sd_wheel_used_rad),
            "wheel_wanted_deg": _angle(loss.wheel_wanted_rad)}


def _shunt(s: ShuntRoom) -> dict[str, Any]:
    return {"leg": s.index, "t_start_s": _number(s.t_start_s), "t_end_s": _number(s.t_end_s), "needed": s.needed,
            "distance_m": _number(s.distance_m), "room_before_m": _number(s.room_before_m),
            "sd_before_m": _number(s.sd_before_m), "room_after_m": _number(s.room_after_m),
            "sd_after_m": _number(s.sd_after_m), "better_m": _number(s.better_m),
            "better_distance_m": _number(s.better_distance_m)}


def _stop(stop: StopMap | None) -> dict[str, Any] | None:
    if stop is None:
        return None
    return {"here_m": _numbers(stop.here_m), "room_here_m": _number(stop.room_here_m),
            "sd_here_m": _number(stop.sd_here_m), "best_m": _numbers(stop.best_m),
            "room_best_m": _number(stop.room_best_m), "gain_left_m": _number(stop.gain_left_m),
            "gain_right_m": _number(stop.gain_right_m), "gain_ahead_m": _number(stop.gain_ahead_m),
            "gain_back_m": _number(stop.gain_back_m)}


def _run(run: PlannedRun | None) -> dict[str, Any] | None:
    if run is None:
        return None
    step = np.concatenate([[True], np.diff(np.floor(run.distance_m / _RUN_STEP_M)) > 0])
    step[-1] = True
    return {"room_m": _number(run.room_m), "reaches": run.reaches, "shunts": run.shunts, "x_m": _numbers(run.x_m[step]),
            "y_m": _numbers(run.y_m[step]), "heading_deg": _degrees(run.heading_rad[step]),
            "wheel_deg": _degrees(run.wheel_rad[step])}


def _number(value: float) -> float | None:
    return round(float(value), 4) if math.isfinite(value) else None


def _angle(value_rad: float) -> float | None:
    return _number(math.degrees(value_rad))


def _numbers(values: Any) -> list[float | None]:
    return [_number(v) for v in values]


def _degrees(values_rad: np.ndarray) -> list[float | None]:
    return _numbers(np.degrees(values_rad))
