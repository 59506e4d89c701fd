"""What one attempt contributes to the audit: a few figures, and where its tyres came near the lines.

Figures come from the record (attempt.json's mapping) and the track's columns alone, so that an attempt measured
long ago can be audited without its clip. A figure that cannot be had is None, never a guess.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.room.nouns import GONE, LOST, UNSURE


@dataclass(frozen=True)
class Measure:
    """A figure of one attempt. role: 'early' (before and as the reverse begins), 'setout' (how the course was laid),
    'outcome'. low and high say in plain words what a small and a large value mean."""

    name: str
    role: str
    unit: str
    title: str
    low: str
    high: str


MEASURES = (
    Measure("early_lateral_m", "early", "m", "Place across the yard at the end of the drive forward",
            "further from the bay's side", "further towards the bay's side"),
    Measure("early_ahead_m", "early", "m", "Front axle beyond the forward pair at the end of the drive forward",
            "stopped earlier", "drove further"),
    Measure("early_heading_deg", "early", "deg", "Heading at the end of the drive forward",
            "nose away from the bay's side", "nose towards the bay's side"),
    Measure("early_turn_in_m", "early", "m", "Rear axle before the pivot cone when the steering began",
            "steered later", "steered earlier"),
    Measure("early_speed_mps", "early", "m/s", "Speed over the first 5 m of the reverse", "slower", "faster"),
    Measure("early_room_m", "early", "m", "Room left where the drive forward ended", "less room", "more room"),
    Measure("setout_pivot_m", "setout", "m", "Pivot cone off plan, across", "further from the bay's side",
            "further towards the bay's side"),
    Measure("setout_bay_width_m", "setout", "m", "Bay's mouth wider than planned", "narrower", "wider"),
    Measure("setout_pair_m", "setout", "m", "Forward pair off plan, across", "further from the bay's side",
            "further towards the bay's side"),
    Measure("out_tyre_m", "outcome", "m", "Least distance of a tyre to a side line", "nearer the line",
            "more room to the line"),
    Measure("out_pivot_m", "outcome", "m", "Least distance of the body to the pivot cone", "nearer the cone",
            "more room to the cone"),
)
NAMES = tuple(m.name for m in MEASURES)
BY_NAME = {m.name: m for m in MEASURES}

LEGS = ("forward", "reverse", "shunt", "later", "end")
LEG_WORDS = {"forward": "Drive forward", "reverse": "First reverse", "shunt": "Shunt", "later": "Reverse after a shunt",
             "end": "Standing in the bay"}
ROOM_LOST = "room_lost"  # the bay out of reach without a shunt: told of beside the kinds that rules know
_OF_THE_WHOLE = {"shunt_count": "shunt", "stopping_box": "end", "barrier": "end", "final_heading": "end"}

_TURNED_RAD = math.radians(5.0)  # the steering has begun
_FIRST_M = 5.0  # the first metres of the reverse, before the steering shows
CELL_M = 1.0  # finer cells hold too few passes to compare
FARTHEST_M = 1000.0  # no yard reaches so far from its bay; a plan laid out to a damaged track would fill the memory


@dataclass(frozen=True)
class Grid:
    """Least clearance of a tyre (m) that came over each square of the yard; NaN where none came.

    Squares are CELL_M wide; least_m (nx, ny); the square (i, j) begins at ((ix0 + i), (iy0 + j)) * CELL_M.
    """

    ix0: int
    iy0: int
    least_m: np.ndarray


def leg_of(record: Mapping[str, Any], finding: Mapping[str, Any]) -> str:
    """In which leg of the manoeuvre a finding lies: one of LEGS."""
    if finding["kind"] in _OF_THE_WHOLE:
        return _OF_THE_WHOLE[finding["kind"]]
    reversed_before, now = False, "forward"
    legs = record["legs"]
    if legs and finding["t_start_s"] > legs[-1]["t_end_s"]:
        return "end"
    for leg in legs:
        if leg["t_start_s"] > finding["t_start_s"]:
            break
        if leg["direction"] < 0:
            now = "later" if reversed_before else "reverse"
            reversed_before = True
        else:
            now = "shunt" if reversed_before else "forward"
    return now


def rooms_lost(record: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Where the bay came out of reach without a (further) shunt, as findings of kind ROOM_LOST that count nothing:
    verdict 'fault' where it surely did, 'too close to call' where that is unsure. None where room was not computed."""
    verdicts = {LOST: "fault", GONE: "fault", UNSURE: "too close to call"}
    return [{"kind": ROOM_LOST, "where": "", "verdict": verdicts[leg["verdict"]], "severity": "note", "counts": False,
             "t_start_s": leg["t_s"], "t_end_s": leg["t_s"], "value": None, "sd": None, "unit": "m", "limit": None,
             "at_m": leg["at_m"], "sentence": ""}
            for leg in (record.get("room") or {}).get("legs", []) if leg["verdict"] in verdicts]


def bay_side(record: Mapping[str, Any]) -> float | None:
    """+1 when the bay lies to the left (course +y) of the forward pair, -1 to its right; None when unknown."""
    planned = {m["name"]: m["nominal_y_m"] for m in record["marks"]}
    pair = [planned[n] for n in ("forward_left", "forward_right") if n in planned]
    if not pair or abs(np.mean(pair)) < 0.5:
        return None
    return -math.copysign(1.0, float(np.mean(pair)))


def measures(record: Mapping[str, Any], track: Mapping[str, np.ndarray] | None) -> dict[str, float | None]:
    """All of MEASURES by name. track: the columns of track.parquet, or None when there is no track."""
    out: dict[str, float | None] = dict.fromkeys(NAMES)
    side = bay_side(record)
    marks = {m["name"]: m for m in record["marks"]}
    tyre = [f["value"] for f in record["findings"] if f["kind"] == "tyre_over_line" and f["value"] is not None]
    out["out_tyre_m"] = min(tyre, default=None)
    stop = (record.get("room") or {}).get("stop") or {}
    out["early_room_m"] = stop.get("room_here_m")
    if side is not None:
        out |= _setting_out(marks, side)
        if track is not None:
            out |= _early(record, track, marks, side)
    if track is not None and "mark_pivot_m" in track:
        reverse = _during(track["t_s"], record, -1)
        near = track["mark_pivot_m"][reverse]
        out["out_pivot_m"] = float(np.nanmin(near)) if np.isfinite(near).any() else None
    return {k: (float(v) if v is not None and math.isfinite(v) else None) for k, v in out.items()}


def _setting_out(marks: Mapping[str, Any], side: float) -> dict[str, float | None]:
    def off(name: str) -> float | None:
        return marks[name]["y_m"] - marks[name]["nominal_y_m"] if name in marks else None

    pivot, left, right = off("pivot"), off("mouth_left"), off("mouth_right")
    pair = [o for o in (off("forward_left"), off("forward_right")) if o is not None]
    return {"setout_pivot_m": None if pivot is None else side * pivot,
            "setout_bay_width_m": None if left is None or right is None else left - right,
            "setout_pair_m": side * float(np.mean(pair)) if len(pair) == 2 else None}


def _early(record: Mapping[str, Any], track: Mapping[str, np.ndarray], marks: Mapping[str, Any],
           side: float) -> dict[str, float | None]:
    out: dict[str, float | None] = {}
    reverse = next((leg for leg in record["legs"] if leg["direction"] < 0), None)
    if reverse is None:
        return out
    t, wheelbase = track["t_s"], record["vehicle"]["wheelbase_m"]
    start = int(np.searchsorted(t, reverse["t_start_s"]))
    pair = [marks[n] for n in ("forward_left", "forward_right") if n in marks]
    if start < len(t) and len(pair) == 2 and np.isfinite(track["x_m"][start]):
        h = track["heading_rad"][start]
        front = np.array([track["x_m"][start] + wheelbase * math.cos(h), track["y_m"][start] + wheelbase * math.sin(h)])
        middle = np.array([np.mean([m["x_m"] for m in pair]), np.mean([m["y_m"] for m in pair])])
        out |= {"early_lateral_m": side * (front[1] - middle[1]), "early_ahead_m": front[0] - middle[0],
                "early_heading_deg": side * math.degrees(h)}
    inside = (t >= reverse["t_start_s"]) & (t <= reverse["t_end_s"]) & np.isfinite(track["x_m"])
    if np.count_nonzero(inside) < 3:
        return out
    x, y = track["x_m"][inside], track["y_m"][inside]
    turned = np.flatnonzero(np.abs(track["road_wheel_rad"][inside]) > _TURNED_RAD)
    if len(turned) and "pivot" in marks:
        out["early_turn_in_m"] = x[turned[0]] - marks["pivot"]["x_m"]
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    if gone[-1] >= _FIRST_M:
        out["early_speed_mps"] = _FIRST_M / max(float(np.interp(_FIRST_M, gone, t[inside])) - t[inside][0], 1e-3)
    return out


def tyre_grid(record: Mapping[str, Any], track: Mapping[str, np.ndarray]) -> Grid | None:
    """Where on the yard the tyres came how near a side line.

    The clearance is the measured one; it is laid where the vehicle's corner furthest to that side stood (axles at 0
    and the wheelbase, half the body's width out: a decimetre too far out for narrow axles, well below a square's
    size). Side lines run along the course. None when no clearance was measured.
    """
    half, wheelbase = record["vehicle"]["width_m"] / 2, record["vehicle"]["wheelbase_m"]
    c, s = np.cos(track["heading_rad"]), np.sin(track["heading_rad"])
    corners = [(ax, ay) for ax in (0.0, wheelbase) for ay in (half, -half)]
    px = np.array([track["x_m"] + c * ax - s * ay for ax, ay in corners])
    py = np.array([track["y_m"] + s * ax + c * ay for ax, ay in corners])
    places, values = [], []
    for column, side in (("tyre_left_m", 1.0), ("tyre_right_m", -1.0)):
        if column not in track:
            continue
        near = np.maximum(np.abs(px), np.abs(py)).max(axis=0) < FARTHEST_M  # not so where a place is not known
        known = np.flatnonzero(near & np.isfinite(track[column]))
        outermost = np.argmax(side * py[:, known], axis=0), known
        places.append(np.column_stack([px[outermost], py[outermost]]))
        values.append(track[column][known])
    if not any(map(len, places)):
        return None
    cells = np.floor(np.vstack(places) / CELL_M).astype(int)
    low = cells.min(axis=0)
    shape = cells.max(axis=0) - low + 1
    if np.prod(shape) > 100_000:
        return None  # a track this far off the yard is not to be trusted
    least = np.full(shape, np.inf)
    np.minimum.at(least, tuple((cells - low).T), np.concatenate(values))
    return Grid(int(low[0]), int(low[1]), np.where(np.isfinite(least), least, np.nan))


def _during(t_s: np.ndarray, record: Mapping[str, Any], direction: int) -> np.ndarray:
    inside = [(t_s >= leg["t_start_s"]) & (t_s <= leg["t_end_s"]) for leg in record["legs"]
              if leg["direction"] == direction]
    return np.any(inside, axis=0) if inside else np.zeros(len(t_s), bool)
