"""Room left: time, the grid's error, whether promised room can be driven, and whether none means none.

Three vehicles on the layout by the usual proportions. From random states with positive room the run read from the
field is checked with exact geometry; from states with clearly negative room a search that knows nothing of it looks for
a way in (tests/bench/room_search.py). How often that search finds a way where there is room says what its silence is
worth. The stories are told on the truth of the bundled clips and compared with what their scenarios made happen.
"""

from __future__ import annotations

import json
import math
import tempfile
import time
from collections.abc import Callable, Generator, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.course import Course
from analysis.judge import judge
from analysis.layouts import course_for
from analysis.room.along import room_along
from analysis.room.build import room_field
from analysis.room.field import CAP_M, Fineness, RoomField
from analysis.room.nouns import KEPT, Limits, RoomAlong
from analysis.room.runs import best_run, best_stop
from analysis.room.solids import clearances_m
from analysis.track import Track
from analysis.vehicle import Vehicle, vehicle_from_table
from bench.clips import REPO
from bench.goals import Goal, Row
from bench.room_search import finds_way
from cli.files import read_course, read_rules, read_vehicle
from cli.room_cache import cached_field
from sample_clips.scenario import BUS, LORRY

SUITE = "room"
TRIED = 300  # states of each kind over the three vehicles
CLEARLY_M = 0.10  # room below minus this is clearly none
SHORTFALL_M = 0.05

COACH_10 = {"schema": 1, "name": "10.5 m coach", "length_m": 10.5, "width_m": 2.5, "height_m": 3.4, "wheelbase_m": 5.3,
            "front_overhang_m": 2.4, "max_wheel_angle_deg": 44.0, "wheel_rate_deg_s": 22.0, "creep_speed_mps": 1.1}
HALF = Fineness(y_m=0.04, heading_rad=math.radians(0.375), wheels=29, step_m=0.8, parts=4)


def vehicles() -> tuple[Vehicle, ...]:
    return tuple(vehicle_from_table(v) for v in (LORRY, COACH_10, BUS))


def row(case: str, metric: str, value: float, unit: str, goal: Goal | None = None) -> Row:
    return Row(SUITE, case, metric, round(float(value), 5), unit, goal.text() if goal else None,
               goal.met(float(value)) if goal else None, None)


def room_rows(tried: int = TRIED) -> Iterator[Row]:
    for v in vehicles():
        course = course_for(v)
        field = yield from _costs(v, course)
        yield from _grid_error(v, course, field)
        yield from _driven(v, field, tried // 3)
    yield from _stories()


def _seconds(do: Callable[[], RoomField]) -> tuple[float, RoomField]:
    began = time.perf_counter()
    out = do()
    return time.perf_counter() - began, out


def _costs(v: Vehicle, course: Course) -> Generator[Row, None, RoomField]:
    with tempfile.TemporaryDirectory() as folder:
        cached_field(v, course_for(v, wanted={"yard_width_m": 12.0}), shunts=0, folder=Path(folder))  # compiles
        cold_s, field = _seconds(lambda: cached_field(v, course, folder=Path(folder)))
        cached_s, _ = _seconds(lambda: cached_field(v, course, folder=Path(folder)))
    pose = best_stop(field)
    yield row(v.name, "room_at_start_m", field.room_m(*(np.array([p]) for p in pose))[0], "m")
    yield row(v.name, "room_proved_m", best_run(field, pose).room_m, "m")
    yield row(v.name, "cold_s", cold_s, "s", Goal("≤", 20))
    yield row(v.name, "cached_s", cached_s, "s", Goal("≤", 0.5))
    yield row(v.name, "stated_grid_sd_m", field.grid_sd_m, "m", Goal("≤", 0.03))
    return field


def states_of_interest(field: RoomField, n: int, seed: int) -> np.ndarray:
    """(n, 4) random states all over the way from the pair to the bay."""
    rng = np.random.default_rng(seed)
    g = field.grid
    x = rng.uniform(g.x_m[2], g.x_m[-1] - 2.0, n)
    heading = rng.uniform(-0.8, 0.8, n) * np.clip((x - g.x_m[0]) / 15.0, 0.0, 1.0)
    return np.column_stack([x, rng.uniform(g.y_m[0], g.y_m[-1], n), heading,
                            rng.uniform(-0.6, 0.6, n) * field.limits.max_wheel_rad])


def _grid_error(v: Vehicle, course: Course, field: RoomField) -> Iterator[Row]:
    """The answer with cells of half the size in y, heading and wheel: how far it moves."""
    half = room_field(v, course, shunts=0, fine=HALF)
    states = states_of_interest(field, 3000, 11)
    coarse, fine = field.room_m(*states.T), half.room_m(*states.T)
    open_way = clearances_m(field.numbers, states, CAP_M)
    use = (fine > 0) & (fine < open_way - 0.02)
    moved = np.abs(fine - coarse)[use]
    start = [np.array([p]) for p in best_stop(field)]
    yield row(v.name, "halved_cells_move_start_m", abs(half.room_m(*start)[0] - field.room_m(*start)[0]), "m",
              Goal("≤", 0.03))
    yield row(v.name, "halved_cells_move_median_m", np.median(moved), "m", Goal("≤", 0.03))
    yield row(v.name, "halved_cells_move_p95_m", np.percentile(moved, 95), "m")


def _driven(v: Vehicle, field: RoomField, n: int) -> Iterator[Row]:
    states = states_of_interest(field, 40 * n, 12)
    room = field.room_m(*states.T)
    open_way = clearances_m(field.numbers, states, CAP_M)
    some = np.flatnonzero(room > 0)[:n]
    kept = []
    for k in some:
        run = best_run(field, tuple(states[k, :3]), states[k, 3])
        kept.append(run.reaches and run.room_m >= room[k] - SHORTFALL_M)
    yield row(v.name, "runs_that_keep_their_room", np.mean(kept), "1", Goal("≥", 0.98))
    none = np.flatnonzero((room < -CLEARLY_M) & (open_way > 0))[:n]
    yield row(v.name, "no_way_where_no_room", 1 - np.mean([_way(v, field, states[k], 0.0) for k in none]), "1",
              Goal("≥", 0.98))
    much = np.flatnonzero(room > CLEARLY_M)[:n // 4]
    yield row(v.name, "way_where_room", np.mean([_way(v, field, states[k], 0.0) for k in much]), "1")


def _way(v: Vehicle, field: RoomField, state: np.ndarray, least_m: float) -> bool:
    return finds_way(v, field.course, field.numbers, field.limits, state, least_m)


def story_of(clip: str) -> RoomAlong:
    """Room left along a bundled clip's true motion, on the course as it truly stood."""
    folder = REPO / "sample_clips" / clip
    v, course = read_vehicle(folder / "vehicle.toml"), read_course(folder / "course.toml")
    truth = json.loads((folder / "truth" / "truth.json").read_text())
    table = pd.read_csv(folder / "truth" / "track.csv", comment="#").iloc[::3]
    cones = {c["name"]: c for c in truth["course"]["cones"]}
    marks = tuple(replace(m, x_m=cones[m.name]["x_m"], y_m=cones[m.name]["y_m"]) for m in course.marks)
    n = len(table)
    cov = np.tile(np.diag([0.01**2, 0.01**2, 0.001**2]), (n, 1, 1))
    track = Track(table.t_s.to_numpy(), np.ones(n, bool), table.x_m.to_numpy(), table.y_m.to_numpy(),
                  np.unwrap(table.heading_rad.to_numpy()), cov, np.zeros((3, 3)))
    attempt = judge(track, v, replace(course, marks=marks), read_rules(None))
    limits = Limits.of(v, attempt.rules.final_heading_limit_rad)
    field = room_field(v, attempt.surveyed, limits)
    return room_along(attempt, field, room_field(v, attempt.surveyed, limits.ordinary(), shunts=0))


def _stories() -> Iterator[Row]:
    """What the scenarios made happen: a clean run; a body 3 cm beyond the pivot's axis (its cone is 0.18 m in radius);
    a tyre 0.16 m over a side line during a run with two shunts."""
    clean, touch, over = (story_of(clip) for clip in ("bus_clean", "coach_short", "lorry_dry_steer"))
    yield row("bus_clean", "kept", float(all(leg.moment.verdict == KEPT for leg in clean.legs)), "1", Goal("=", 1))
    yield row("coach_short", "lost_in_reverse", float(touch.legs[0].moment.verdict == "lost"), "1", Goal("=", 1))
    yield row("coach_short", "kept_at_end_m", touch.legs[0].kept_m[-1], "m", Goal("…", -0.24, -0.18))
    yield row("lorry_dry_steer", "least_kept_m", min(leg.kept_m[-1] for leg in over.legs), "m",
              Goal("…", -0.19, -0.13))
