"""`python -m bench --sweep [CONDITION …]`: each condition alone, level by level, and all together: where does it break?

Every cell is a short clip drawn under one set of conditions (sample_clips/conditions.py), measured and scored. Clips
and scores stay in build/sweep and are not made again; `--again` measures anew. Written: build/sweep.md and .csv.
"""

from __future__ import annotations

import csv
import json
import tomllib
import traceback
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from analysis.course import course_from_table
from analysis.judge import judge
from analysis.record import attempt_to_json, track_frame
from analysis.trouble import Trouble
from analysis.vehicle import vehicle_from_table
from bench.clips import REPO
from bench.goals import FIGURES
from bench.score import Result, Truth, scores
from cli import files
from sample_clips.conditions import Conditions, scenario
from sample_clips.make import make
from sample_clips.tables import vehicle_text
from vision.measure import measure
from vision.steady import one_thread_each

FOLDER = REPO / "build" / "sweep"
FIRST_SEED = 100
ALL_ON = {25.0: (201, 204, 207, 210), 35.0: (214, 220, 226, 232), 45.0: (200, 215, 218, 227)}  # seeds by metres up
SHAPED = 795  # a seed that draws nearly the most that a body may differ from a box
MIXED = (801, 804, 805, 807, 809, 811, 812, 816, 818, 819, 823, 824, 828, 829, 830, 831, 832, 834, 838, 842, 843, 844,
         845, 846)
"""The first 24 seeds from 800 whose yard can be driven (the search for a run comes to less than 6)."""
COARSE_MIXED = (900, 902, 904, 907, 909, 912, 915, 917, 919, 928)
"""Of such seeds from 900 to 931, vans aside, those with the larger vehicles, the harder colours or moving shadows."""
TAPE_SD_M = {"length_m": 0.02, "width_m": 0.02, "height_m": 0.02, "wheelbase_m": 0.01, "front_overhang_m": 0.01,
             "track_front_m": 0.01, "track_rear_m": 0.01}
"""How far off a data sheet's sizes are that were measured with a tape, of a body whose ends are round and whose roof is
a little narrower than it (one sd; common practice, no published source)."""
STATED_TAPE_SD_M = 0.015  # what such a sheet says of itself
GOALS = ("position_m_median", "position_m_p95", "heading_deg_p95", "clearance_m_p95")
ATTEMPT = ("track.parquet", "attempt.json")
COVERAGES = ("coverage_position", "coverage_heading", "coverage_clearance")


@dataclass(frozen=True)
class Cell:
    """One clip: what is switched on, at which level; `sheet` is what the data sheet says wrongly (key, by how much) of
    the vehicle in another cell's clip.

    Each has a yard of its own: errors of one yard's setting out are the same in every picture, so cells that shared it
    would say nothing of how often an interval holds.
    """

    switch: str
    level: str
    conditions: Conditions
    seed: int = 0
    sheet: Mapping[str, float] = field(default_factory=dict)
    clip_of: str = "plain_-"
    size_sd_m: float | None = None  # what the sheet says of its own error; None where it says nothing

    @property
    def name(self) -> str:
        return f"{self.switch}_{self.level}".replace(" ", "_").replace("/", "-")

    @property
    def clip(self) -> str:
        """The folder of its pictures; a wrong data sheet needs none of its own."""
        return self.clip_of if self.sheet else self.name


def _levels(switch: str, levels: Mapping[str, Mapping[str, Any]], seed: int = 0) -> list[Cell]:
    return [Cell(switch, level, Conditions(**values), seed) for level, values in levels.items()]


def _numbered(cells: Sequence[Cell]) -> tuple[Cell, ...]:
    """A seed for each by its place, but where that yard cannot be driven and another is named."""
    return tuple(c if c.seed else replace(c, seed=FIRST_SEED + i) for i, c in enumerate(cells))


def _all_on(altitude_m: float, seed: int) -> Conditions:
    """What has to hold together: sway, shadow, drift of brightness, distractors, cones 20 cm off."""
    return Conditions(
        sway=0.6, sun=1.0, sun_height_deg=36.0, drift=0.15, mark_error_m=0.2, orange=seed % 2 == 1, extra_marks=3,
        people_near=True, second="parked", altitude_m=altitude_m, tilt_deg=(6.0, 10.0, 3.0)[seed // 3 % 3],
        bend_k1=(-0.05, -0.02, -0.1)[seed // 3 % 3], bay_on_left=seed % 2 == 0,
        colours=("red", "blue on slabs")[seed % 2])


def _mixed(seed: int) -> Conditions:
    """Whatever the seed draws, all at once: each light and each mishap in some, the camera's and the yard's faults in
    all of them, up to what one would still film."""
    rng = np.random.default_rng([seed, FIRST_SEED])

    def up_to(most: float, least: float = 0.0) -> float:
        return round(float(rng.uniform(least, most)), 3)

    def once_in(n: int) -> bool:
        return bool(rng.integers(n) == 0)

    vehicle = str(rng.choice(["van", "midi", "coach", "lorry"]))
    sun, shade = up_to(1.0), rng.integers(6)
    return Conditions(
        sway=up_to(1.0, 0.1), climb_m=once_in(3) * up_to(5.0), turn_deg=once_in(3) * up_to(20.0),
        vibration_deg=once_in(3) * up_to(0.05), bend_k1=up_to(0.05, -0.2), tilt_deg=up_to(15.0),
        altitude_m=up_to(30.0, 22.0) if vehicle == "van" else up_to(45.0, 27.0), mark_error_m=up_to(0.3),
        missing=("mouth_left",) if once_in(6) else (), fallen=("back_right",) if once_in(6) else (),
        orange=once_in(2), extra_marks=int(rng.integers(4)), wear=up_to(0.8, 0.1), other_paint=once_in(2),
        bay_on_left=once_in(2), sun=sun, sun_height_deg=up_to(65.0, 20.0), drift=up_to(0.2),
        step=once_in(4) * up_to(0.5), white_step=once_in(4) * up_to(0.2),
        cloud_shade=(shade == 0) * up_to(0.9), tree_shade=(shade == 1) * up_to(0.9), noise=up_to(4.0, 0.5),
        contrast=up_to(0.6, -0.5), sharpening=up_to(1.5), vehicle=vehicle,
        colours=str(rng.choice(["red", "blue on slabs", "white on white", "black on wet"])),
        people_near=once_in(2), second=str(rng.choice(["", "parked", "passing"])),
        wait_start_s=up_to(8.0, 1.0), wait_end_s=up_to(8.0, 1.0))


def _by_tape(cell: Cell) -> Cell:
    """The same clip with a data sheet by tape."""
    rng = np.random.default_rng(cell.seed)
    off = {size: round(rng.normal(0, sd_m), 2) for size, sd_m in TAPE_SD_M.items()}
    return replace(cell, switch="sheet by tape", clip_of=cell.name, sheet=off, size_sd_m=STATED_TAPE_SD_M)


_ALL_ON_CELLS = tuple(Cell("all on", f"{h:g} m, seed {s}", _all_on(h, s), s)
                      for h, seeds in ALL_ON.items() for s in seeds)
CELLS = _numbered((
    *_levels("plain", {"-": {}}),
    *_ALL_ON_CELLS,
    *_levels("sway", {"none": {"sway": 0.0}, "2 m, 3 deg": {"sway": 1.0}, "4 m, 6 deg": {"sway": 2.0}}),
    *_levels("tilt", {"12 deg": {"tilt_deg": 12.0}, "18 deg": {"tilt_deg": 18.0}, "25 deg": {"tilt_deg": 25.0}}),
    *_levels("altitude", {"20 m": {"altitude_m": 20.0}, "45 m": {"altitude_m": 45.0}, "60 m": {"altitude_m": 60.0}}),
    *_levels("picture", {"1280": {"width_px": 1280}, "960": {"width_px": 960}, "3840": {"width_px": 3840}}),
    *_levels("lens bend", {"k1 -0.15": {"bend_k1": -0.15}, "k1 -0.3": {"bend_k1": -0.3}, "k1 0.1": {"bend_k1": 0.1}}),
    *_levels("climb", {"5 m": {"climb_m": 5.0}, "12 m": {"climb_m": 12.0}}),
    *_levels("turn", {"10 deg": {"turn_deg": 10.0}, "40 deg": {"turn_deg": 40.0}}),
    *_levels("vibration", {"0.05 deg": {"vibration_deg": 0.05}, "0.2 deg": {"vibration_deg": 0.2}}),
    *_levels("rolling shutter", {"30 ms, 0.05 deg": {"readout_s": 0.03, "vibration_deg": 0.05},
                                 "30 ms, 0.2 deg": {"readout_s": 0.03, "vibration_deg": 0.2}}),
    *_levels("cones off", {"0.2 m": {"mark_error_m": 0.2}}, seed=427),
    *_levels("cones off", {"0.5 m": {"mark_error_m": 0.5}}, seed=328),
    *_levels("cone missing", {"mouth": {"missing": ("mouth_right",)}, "two": {"missing": ("pivot", "back_left")}}),
    *_levels("cone fallen", {"mouth": {"fallen": ("mouth_right",)}}),
    *_levels("cone hidden at start", {"pivot": {"hidden_at_start": True}}, seed=707),
    *_levels("orange things", {"all": {"orange": True}}),
    *_levels("faded lines", {"wear 0.7": {"wear": 0.7}, "wear 0.9": {"wear": 0.9}}),
    *_levels("other paint", {"bays": {"other_paint": True}}),
    *_levels("mirrored", {"bay right": {"bay_on_left": False}}),
    *_levels("shadow", {"overcast": {"sun": 0.0}, "hard": {"sun": 1.0},
                        "hard, low": {"sun": 1.0, "sun_height_deg": 18.0}}),
    *_levels("cloud shadow", {"half": {"sun": 0.9, "cloud_shade": 0.5}, "deep": {"sun": 0.9, "cloud_shade": 0.9}}),
    *_levels("tree shadow", {"deep": {"sun": 0.9, "tree_shade": 0.8}}),
    *_levels("brightness", {"drift 0.25": {"drift": 0.25}, "step 0.4": {"step": 0.4}, "step 1.0": {"step": 1.0}}),
    *_levels("white balance", {"step 0.15": {"white_step": 0.15}, "step 0.4": {"white_step": 0.4}}),
    *_levels("headlamps", {"overcast": {"headlamps": True, "sun": 0.0}}),
    *_levels("vehicle", {"5.3 m van": {"vehicle": "van", "altitude_m": 26.0}}, seed=711),
    *_levels("vehicle", {"14 m coach": {"vehicle": "coach"}, "8.5 m lorry": {"vehicle": "lorry"}}),
    *_levels("colours", {"white on white": {"colours": "white on white"},
                         "black on wet": {"colours": "black on wet", "sun": 0.0}}),
    *_levels("people near", {"three": {"people_near": True}}),
    *_levels("second vehicle", {"parked": {"second": "parked"}, "passing": {"second": "passing"}}),
    *_levels("long wait", {"40 s before": {"wait_start_s": 40.0}, "40 s after": {"wait_end_s": 40.0}}),
    *_levels("out of picture", {"front 2 m": {"cut_off_m": 6.5}, "front 5 m": {"cut_off_m": 9.5}}),
    *_levels("hidden", {"2 s": {"covered_s": 2.0}}),
    *_levels("sharpening", {"1": {"sharpening": 1.0}, "2": {"sharpening": 2.0}}),
    *_levels("contrast", {"flat": {"contrast": -0.6}, "hard": {"contrast": 0.9}}),
    *_levels("noise", {"6 grey levels": {"noise": 6.0}}),
    *_levels("crooked lines", {"0.1 m": {"skew_m": 0.1}}, seed=729),
    *_levels("tree shadow", {"960 px": {"sun": 0.9, "tree_shade": 0.8, "width_px": 960, "pictures_per_s": 3}},
             seed=114),
    *_levels("body", {"walls 3 cm in": {"wall_in_m": 0.03}, "walls 6 cm in": {"wall_in_m": 0.06},
                      "edge 0.25 m round": {"roof_round_m": 0.25}}, seed=SHAPED),
    *(Cell("mixed", f"seed {s}", _mixed(s), s) for s in MIXED),
    *(Cell("mixed, 1280 px", f"seed {s}", replace(_mixed(s), width_px=1280), s) for s in COARSE_MIXED),
    *map(_by_tape, _ALL_ON_CELLS),
    *[Cell("data sheet", level, Conditions(), FIRST_SEED, wrong) for level, wrong in (
        ("wheelbase +0.5 m", {"wheelbase_m": 0.5}), ("length +0.5 m", {"length_m": 0.5}),
        ("height +0.4 m", {"height_m": 0.4}), ("width +0.1 m", {"width_m": 0.1}))],
))


def sheet_text(table: Mapping[str, Any], wrong: Mapping[str, float]) -> str:
    """The vehicle file with some sizes off, as one would fill it in: the body follows the overall sizes."""
    out = dict(table) | {k: table[k] + by for k, by in wrong.items()}
    solids = [dict(s) for s in table["solid"]]
    for s in solids:
        if s["z_max_m"] == table["height_m"]:
            s["z_max_m"] = out["height_m"]
        s["width_m"] += wrong.get("width_m", 0.0)
        front = out["wheelbase_m"] + out["front_overhang_m"] - table["wheelbase_m"] - table["front_overhang_m"]
        s["x_max_m"] += front
        s["x_min_m"] += front - wrong.get("length_m", 0.0)
    return vehicle_text(out | {"solid": solids})


def draw(cell: Cell, into: Path = FOLDER) -> Path:
    """The cell's clip, drawn if it is not there yet; its folder."""
    folder = into / cell.clip
    if not (folder / "truth" / "truth.json").exists():
        make(scenario(cell.conditions, cell.seed, cell.name), folder, preset="veryfast", repeatable=True)
    return folder


def measured(cell: Cell, into: Path = FOLDER) -> dict[str, Any]:
    """The cell's figures, or what was said in place of a result; the attempt's files are then in the cell's folder.

    The estimator is given clip, vehicle and course file; the truth is not read before it has ended."""
    folder = draw(cell, into)
    out = into / cell.name
    out.mkdir(exist_ok=True)
    sheet = (folder / "vehicle.toml").read_text()
    if cell.sheet:
        own = {} if cell.size_sd_m is None else {"size_sd_m": cell.size_sd_m}
        sheet = sheet_text(tomllib.loads(sheet) | own, cell.sheet)
        (out / "vehicle.toml").write_text(sheet)
    said = _judged(folder / "clip.mp4", sheet, (folder / "course.toml").read_text(), out)
    truth = Truth.read(folder / "truth" / "track.csv", folder / "truth" / "truth.json")
    k = truth.record["camera"]["K"][0][0]
    figures: dict[str, Any] = {"cm_per_px": 100 * truth.record["camera"]["nominal_altitude_m"] / k, "said": said}
    return figures | (scores(Result.read(out), truth) if (out / ATTEMPT[1]).exists() else {})


def _judged(clip: Path, sheet: str, course_text: str, out: Path) -> str:
    """Measure and judge the clip into the folder `out`; what the program says of it, or in place of a result."""
    for name in ATTEMPT:
        (out / name).unlink(missing_ok=True)
    vehicle, course = vehicle_from_table(tomllib.loads(sheet)), course_from_table(tomllib.loads(course_text))
    try:
        with one_thread_each():
            attempt = judge(measure([clip], vehicle, course), vehicle, course, files.read_rules(None))
    except Trouble as e:
        return f"refused: {e.what}"
    except Exception as e:  # a defect of the program: to be seen in the table, not to end the sweep
        (out / "defect.txt").write_text(traceback.format_exc())
        return f"DEFECT: {type(e).__name__}: {e}"
    track_frame(attempt).to_parquet(out / ATTEMPT[0])
    (out / ATTEMPT[1]).write_text(json.dumps(attempt_to_json(attempt)))
    return " ".join(attempt.track.notes)


def breaks(figures: Mapping[str, Any]) -> list[str]:
    """Which goals are not met; a refusal meets none."""
    if GOALS[0] not in figures:
        return ["result"]
    return [g for g in GOALS if (goal := FIGURES[g].goal) and not goal.met(figures[g])]


def markdown(results: Sequence[tuple[Cell, Mapping[str, Any]]]) -> str:
    """The table and what it comes to: errors in cm and degrees, coverage of the 95 % intervals in percent, bold where a
    goal is missed."""
    lines = ["| condition | level | cm/px | position median | p95 | heading p95 | clearance p95 | "
             "in interval: position / heading / clearance | placed | said |", "|" + " --- |" * 10]
    lines += [_row(cell, figures) for cell, figures in results]
    return "\n".join(lines) + "\n\n" + _together(results) + "\n"


def _row(cell: Cell, f: Mapping[str, Any]) -> str:
    def figure(metric: str, scale: float, unit: str) -> str:
        if metric not in f:
            return "–"
        text = f"{scale * f[metric]:.{2 if unit == '°' else 1}f} {unit}"
        return f"**{text}**" if metric in breaks(f) else text

    covered = " / ".join(f"{100 * f[c]:.0f}" if c in f else "–" for c in COVERAGES)
    placed = f"{100 * f['share_placed']:.0f} %" if "share_placed" in f else "–"
    return "| " + " | ".join((
        cell.switch, cell.level, f"{f['cm_per_px']:.1f}", figure(GOALS[0], 100, "cm"), figure(GOALS[1], 100, "cm"),
        figure(GOALS[2], 1, "°"), figure(GOALS[3], 100, "cm"), covered, placed, f["said"])) + " |"


def _together(results: Sequence[tuple[Cell, Mapping[str, Any]]]) -> str:
    """How many cells meet all goals, and how often the intervals hold over all of them, each cell counting alike, with
    and without those whose data sheet is wrong by more than a tape."""
    scored = [(cell, f) for cell, f in results if all(c in f for c in COVERAGES)]
    good = sum(not breaks(f) for _, f in results)
    text = f"{len(results)} cells, {len(scored)} with a result, {good} meet every goal."
    if scored:
        text += f" In their 95 % intervals over all of them: {_held([f for _, f in scored])}"
        right = [f for cell, f in scored if cell.switch != "data sheet"]
        text += f"; without wrong data sheets: {_held(right)}." if right else "."
    return text


def _held(figures: Sequence[Mapping[str, Any]]) -> str:
    return ", ".join(f"{name.removeprefix('coverage_')} {100 * sum(f[name] for f in figures) / len(figures):.1f} %"
                     for name in COVERAGES)


def sweep(switches: Sequence[str], again: bool = False, jobs: int = 1) -> list[tuple[Cell, Mapping[str, Any]]]:
    """Measure the cells of the named switches ('-' for a blank; all without a name), `jobs` at a time, and write all
    results so far."""
    switches = [s.replace("-", " ") for s in switches]
    unknown = set(switches) - {c.switch for c in CELLS}
    if unknown:
        raise SystemExit(f"no such condition: {', '.join(sorted(unknown))}; there are: "
                         + ", ".join(dict.fromkeys(c.switch.replace(" ", "-") for c in CELLS)))
    FOLDER.mkdir(parents=True, exist_ok=True)
    wanted = [c for c in CELLS if (not switches or c.switch in switches)
              and (again or not (FOLDER / c.name / "figures.json").exists())]
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        list(pool.map(draw, {c.clip: c for c in wanted}.values()))  # cells that share a clip must not both draw it
        for cell, figures in zip(wanted, pool.map(_kept, wanted), strict=True):
            print(_row(cell, figures), flush=True)
    return write_tables()


def _kept(cell: Cell) -> dict[str, Any]:
    """The cell's figures, written down at once: what is measured stays measured whatever stops the sweep."""
    figures = measured(cell)
    (FOLDER / cell.name / "figures.json").write_text(json.dumps(figures, indent=1))
    return figures


def write_tables() -> list[tuple[Cell, Mapping[str, Any]]]:
    kept = [(c, FOLDER / c.name / "figures.json") for c in CELLS]
    results = [(c, json.loads(path.read_text())) for c, path in kept if path.exists()]
    (FOLDER.parent / "sweep.md").write_text(markdown(results))
    with (FOLDER.parent / "sweep.csv").open("w", newline="") as out:
        table = csv.DictWriter(out, ["condition", "level", "cm_per_px", *FIGURES, "said"], extrasaction="ignore")
        table.writeheader()
        for cell, figures in results:
            table.writerow({"condition": cell.switch, "level": cell.level} | dict(figures))
    return results
