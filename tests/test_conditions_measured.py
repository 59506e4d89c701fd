"""Each condition of a real yard, from a drawn clip to a judged result: right within what is stated, its gaps said, or
one line in place of a result.

A row is a clip: a whole run drawn on the spot, with a small picture and few of them, measured without its truth and
then held against it. Conditions that have nothing to do with each other share a clip. How far each can go before it
breaks a usual clip is the sweep's to say (bench/sweep.py).
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from bench.sweep import ATTEMPT, Cell, measured

from sample_clips.conditions import Conditions

SMALL = {"width_px": 960, "pictures_per_s": 3}  # 4.2 cm a pixel
LARGER = {"width_px": 1280, "pictures_per_s": 3}  # 3.1 cm a pixel
USUAL = {"width_px": 1920, "pictures_per_s": 3}  # 2.1 cm a pixel
MEDIAN_M, P95_M = 0.05, 0.08  # a pixel of the small picture and a bit, where 3-4 cm of doubt are stated; two pixels
HEADING_DEG_P95, CLEARANCE_M_P95 = 0.3, 0.06
MOST_SDS = 3.0  # of what is stated, in the plane: a right statement is this far off once in 90 clips
PLACED = 0.96
GAPS = "looks at the clip gave no position; they are shown as gaps."


@dataclass(frozen=True)
class Row:
    """said: what the program has to note, besides gaps; placed: the share of looks that must have a position, at least
    and at most; verdict: on a run in which the driver does nothing wrong; sheet: what is found wrong in the data sheet.
    """

    cell: Cell
    said: str = ""
    placed: tuple[float, float] = (PLACED, 1.0)
    verdict: str = "ok"
    sheet: str = ""


def clip(name: str, seed: int, size: Mapping[str, int] = SMALL, **conditions: Any) -> Cell:
    return Cell(name, "", Conditions(**size, **conditions), seed)


SWAYING = clip("sway of 4 m and 6 deg, gusts", 101, sway=2.0)
MEASURED = (
    Row(SWAYING),
    Row(clip("slow climb, slow turn", 102, LARGER, climb_m=5.0, turn_deg=20.0)),
    Row(clip("vibration, rolling shutter", 103, LARGER, vibration_deg=0.05, readout_s=0.03)),
    Row(clip("tilt of 25 deg through a bent lens", 104, LARGER, tilt_deg=25.0, bend_k1=-0.3)),
    Row(clip("lens bent the other way, mirrored bay, second vehicle passing", 116, bend_k1=0.1, bay_on_left=False,
             second="passing")),
    Row(clip("cones 0.5 m off, other painted lines", 328, mark_error_m=0.5, other_paint=True)),
    Row(clip("cone missing, cone fallen, other orange things, brightness step", 106, missing=("mouth_right",),
             fallen=("back_left",), orange=True, step=0.4),
        said="Not seen, so taken from the course file: mouth_right. "
             "Lying on the ground, so taken as standing where the course file says: back_left."),
    Row(clip("pivot cone hidden by the vehicle at the start", 707, hidden_at_start=True)),
    Row(clip("faded lines", 108, wear=0.9)),
    Row(clip("5.3 m van", 711, vehicle="van", altitude_m=26.0)),
    Row(clip("14 m coach", 110, vehicle="coach")),
    Row(clip("white on white, people near", 111, colours="white on white", people_near=True)),
    Row(clip("black on wet", 112, LARGER, colours="black on wet", sun=0.0)),
    Row(clip("hard low shadow, second vehicle parked", 113, sun=1.0, sun_height_deg=18.0, second="parked")),
    Row(clip("tree shadow", 114, USUAL, sun=0.9, tree_shade=0.8)),
    Row(clip("cloud shadow, white-balance step", 115, sun=0.9, cloud_shade=0.5, white_step=0.15), placed=(0.9, 1.0)),
    Row(clip("headlamps, long wait before and after", 117, headlamps=True, sun=0.0, wait_start_s=20.0,
             wait_end_s=20.0)),
    Row(clip("partly out of the picture", 119, cut_off_m=6.5),
        said="Not seen, so taken from the course file: forward_left, forward_right."),
    Row(clip("hidden for 2 s", 120, covered_s=2.0), placed=(0.8, 0.92), verdict="not seen"),
)
WRONG_SHEET = tuple(
    Row(Cell("data sheet", what, SWAYING.conditions, SWAYING.seed, wrong, SWAYING.name), sheet=found)
    for what, wrong, found in (("wheelbase 0.5 m too long", {"wheelbase_m": 0.5}, "rear axle"),
                               ("length 0.5 m too long", {"length_m": 0.5}, "length"),
                               ("height 0.4 m too high", {"height_m": 0.4}, "height")))
REFUSED = (
    Row(clip("yard out of the picture", 121, cut_off_m=40.0), said="refused: no cones found in the picture"),
)


def of(rows: tuple[Row, ...]) -> pytest.MarkDecorator:
    """The test for each row."""
    return pytest.mark.parametrize("row", [pytest.param(r, id=f"{r.cell.switch} {r.cell.level}".strip())
                                           for r in rows])


@dataclass(frozen=True)
class Came:
    """What came of a row: the sweep's figures, and the attempt's record where there is a result."""

    figures: Mapping[str, Any]
    record: Mapping[str, Any] | None


def come_of(cells: tuple[Cell, ...], folder: Path) -> dict[str, Came]:
    """By name, of all cells that share a clip."""
    out = {}
    for cell in cells:
        figures, record = measured(cell, folder), folder / cell.name / ATTEMPT[1]
        out[cell.name] = Came(figures, json.loads(record.read_text()) if record.exists() else None)
    shutil.rmtree(folder / cells[0].clip)
    return out


@pytest.fixture(scope="module")
def came(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Callable[[Row], Came]:
    """Draws and measures the clips of the tests that are run, each once."""
    folder = tmp_path_factory.mktemp("conditions")
    clips: dict[str, dict[str, Cell]] = {}
    for item in request.session.items:
        if isinstance(item, pytest.Function) and item.module is request.module and hasattr(item, "callspec"):
            cell = item.callspec.params["row"].cell
            clips.setdefault(cell.clip, {})[cell.name] = cell
    known: dict[str, Came] = {}

    def of_row(row: Row) -> Came:
        if row.cell.name not in known:
            known.update(come_of(tuple(clips[row.cell.clip].values()), folder))
        return known[row.cell.name]
    return of_row


def judged(result: Came) -> tuple[Mapping[str, Any], Mapping[str, Any]]:
    """Figures and record of what must have a result."""
    assert result.record is not None, result.figures["said"]
    return result.figures, result.record


@of(MEASURED)
def test_place_heading_and_room_are_right(row: Row, came: Callable[[Row], Came]) -> None:
    figures, _ = judged(came(row))
    least, most = row.placed
    assert least <= figures["share_placed"] <= most, figures
    assert figures["position_m_median"] < MEDIAN_M, figures
    assert figures["position_m_p95"] < P95_M, figures
    assert figures["heading_deg_p95"] < HEADING_DEG_P95, figures
    assert figures["clearance_m_p95"] < CLEARANCE_M_P95, figures


@of(MEASURED)
def test_the_doubt_stated_covers_the_error(row: Row, came: Callable[[Row], Came]) -> None:
    figures, _ = judged(came(row))
    assert figures["position_sds_median"] < MOST_SDS


@of(MEASURED)
def test_stops_and_changes_of_direction_are_found_and_none_invented(row: Row, came: Callable[[Row], Came]) -> None:
    figures, _ = judged(came(row))
    assert [figures[f"stops_{how}"] for how in ("found", "missed", "invented")] == [3, 0, 0]
    assert [figures[f"direction_changes_{how}"] for how in ("found", "missed", "invented")] == [1, 0, 0]


@of(MEASURED)
def test_the_run_is_judged_as_it_was_driven(row: Row, came: Callable[[Row], Came]) -> None:
    """Nobody touches or crosses anything; what was not seen is not called."""
    _, record = judged(came(row))
    assert record["verdict"] == row.verdict


@of(MEASURED)
def test_what_the_clip_leaves_open_is_said_and_nothing_else(row: Row, came: Callable[[Row], Came]) -> None:
    figures, _ = judged(came(row))
    gaps, said = "", figures["said"]
    if GAPS in said:
        gaps, said = (part.strip() for part in said.split(GAPS))
    assert said == row.said
    missing, looks = (int(n) for n in gaps.split(" of ")) if gaps else (0, 1)
    least, most = row.placed
    assert least <= 1 - missing / looks <= most


@of((*MEASURED, *WRONG_SHEET))
def test_a_data_sheet_is_told_to_be_wrong_where_it_is(row: Row, came: Callable[[Row], Came]) -> None:
    _, record = judged(came(row))
    found = [f["where"] for f in record["findings"] if f["kind"] == "data_sheet" and f["verdict"] == "fault"]
    assert found == ([row.sheet] if row.sheet else [])


@of(REFUSED)
def test_what_cannot_be_measured_is_refused_in_one_line(row: Row, came: Callable[[Row], Came]) -> None:
    result = came(row)
    assert result.record is None
    assert result.figures["said"] == row.said
