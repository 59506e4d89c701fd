"""From an attempt's files to its rows in the index."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import numpy as np

from analysis.audit.measures import LEGS, Grid, leg_of, measures, rooms_lost, tyre_grid
from analysis.trouble import Trouble
from cli.library.database import NEVER
from cli.library.people import ABOUT, CORRECTIONS, About, effective, parse_about, parse_corrections
from cli.library.storage import Storage
from cli.records import read_track, record_of
from cli.store import PEOPLE, RECORD, TRACK


@dataclass(frozen=True)
class Digest:
    """The rows of one attempt: for `attempts`, for `findings`, and for `grids` (None without a track)."""

    attempt: dict[str, Any]
    findings: list[dict[str, Any]]
    grid: dict[str, Any] | None


def digest(storage: Storage, attempt: str) -> Digest:
    """Read an attempt folder. Raises Trouble naming the file that is not what it should be."""
    state = storage.state(attempt)
    try:
        record = record_of(storage.read(attempt, RECORD) or b"")
        about = parse_about(storage.read(attempt, f"{PEOPLE}/{ABOUT}") or b"{}")
        raw = storage.read(attempt, f"{PEOPLE}/{CORRECTIONS}") or b""
        track = storage.read(attempt, TRACK)
        return _rows(attempt, state, record, about, raw, read_track(track) if track is not None else None)
    except Trouble as e:
        raise e.at(attempt) from None
    except (KeyError, TypeError, ValueError, IndexError) as e:
        raise Trouble(f"its record and its track do not belong together ({type(e).__name__}: {e})", where=attempt,
                      remedy="analyse the clip again, or move the folder out of the library") from None


def _rows(attempt: str, state: str, record: Mapping[str, Any], about: About, corrections_raw: bytes,
          track: Mapping[str, np.ndarray] | None) -> Digest:
    corrections = parse_corrections(corrections_raw)
    after = effective(record, corrections)
    rooms = [{**f, "tool_verdict": f["verdict"], "people_verdict": None} for f in rooms_lost(record)]
    findings = [_finding(record, f) for f in (*after.findings, *rooms)]
    row = {
        "id": attempt, "state": state, "run_on": about.run_on or _day(record),
        "trainee": about.trainee or record.get("trainee"), "instructor": about.instructor or record.get("instructor"),
        "vehicle": record["vehicle"]["name"], "course": record["course"]["name"], "rules": record["rules"]["name"],
        "weather": about.weather, "notes": about.notes, "tool_verdict": record["verdict"],
        "people_verdict": after.people_verdict, "verdict": after.verdict, "faults": sum(f["counts"] for f in findings),
        "shunts": record["shunts"], "duration_s": record["t_end_s"] - record["t_start_s"],
        "corrections": len(corrections), "legs": _legs(record), "program": _program(record),
        "summary": record["summary"], **measures(record, track)}
    grid = tyre_grid(record, track) if track is not None else None
    return Digest({k: _clean(v) for k, v in row.items()}, findings, grid_row(grid) if grid else None)


def grid_row(grid: Grid) -> dict[str, Any]:
    mm = np.where(np.isfinite(grid.least_m), np.clip(np.round(grid.least_m * 1000), NEVER + 1, 32767), NEVER)
    nx, ny = grid.least_m.shape
    return {"ix0": grid.ix0, "iy0": grid.iy0, "nx": nx, "ny": ny, "least_mm": mm.astype("<i2").tobytes()}


def _finding(record: Mapping[str, Any], f: Mapping[str, Any]) -> dict[str, Any]:
    at = f["at_m"] or (None, None)
    return {"kind": _clean(f["kind"]), "place": _clean(f["where"]), "leg": leg_of(record, f), "verdict": f["verdict"],
            "tool_verdict": f["tool_verdict"], "people_verdict": f["people_verdict"], "counts": f["counts"],
            "t_start_s": f["t_start_s"], "t_end_s": f["t_end_s"], "value": f["value"], "sd": f["sd"],
            "unit": f["unit"], "limit_value": f["limit"], "x_m": at[0], "y_m": at[1], "sentence": _clean(f["sentence"])}


def _legs(record: Mapping[str, Any]) -> str:
    had = {leg_of(record, {"kind": "", "t_start_s": leg["t_start_s"]}) for leg in record["legs"]} | {"end"}
    return ",".join(leg for leg in LEGS if leg in had)


def _day(record: Mapping[str, Any]) -> date:
    return datetime.fromisoformat(record["made_at"]).date()


def _program(record: Mapping[str, Any]) -> str:
    return str(record.get("program", {}).get("version", ""))


def _clean(value: Any) -> Any:
    """PostgreSQL keeps no NUL characters in text."""
    return value.replace("\0", "") if isinstance(value, str) else value
