"""The renderer's conditions: each switch changes what it names, in picture or truth, and leaves the rest alone."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator
from dataclasses import fields, replace
from functools import cache
from typing import Any

import cv2
import numpy as np
import pytest
from bench.sweep import CELLS, breaks, markdown, sheet_text

import sample_clips.film as film_module
from analysis.vehicle import vehicle_from_table
from sample_clips.conditions import VEHICLES, Conditions, scenario
from sample_clips.disturb import Shade, rolled, sharpened
from sample_clips.drive import find_run
from sample_clips.film import Film
from sample_clips.render import Camera, Lens

SMALL = 320
ALONE: dict[str, tuple[dict[str, Any], set[str]]] = {  # what a switch is set to, and what of the truth it may change
    "sway": ({"sway": 1.0}, {"camera"}),
    "climb_m": ({"climb_m": 5.0}, {"camera"}),
    "turn_deg": ({"turn_deg": 20.0}, {"camera"}),
    "vibration_deg": ({"vibration_deg": 0.3}, {"camera"}),
    "readout_s": ({"readout_s": 0.2}, set()),
    "bend_k1": ({"bend_k1": -0.2}, {"lens"}),
    "tilt_deg": ({"tilt_deg": 20.0}, {"camera", "lens"}),
    "altitude_m": ({"altitude_m": 50.0}, {"camera", "lens"}),
    "width_px": ({"width_px": 640}, {"lens"}),
    "pictures_per_s": ({"pictures_per_s": 3}, set()),
    "cut_off_m": ({"cut_off_m": 8.0}, {"camera"}),
    "covered_s": ({"covered_s": 2.0}, set()),
    "mark_error_m": ({"mark_error_m": 0.5}, {"marks", "drive", "camera"}),
    "missing": ({"missing": ("back_left",)}, {"marks"}),
    "fallen": ({"fallen": ("back_left",)}, {"marks"}),
    "hidden_at_start": ({"hidden_at_start": True}, {"marks", "drive", "camera", "lens"}),
    "orange": ({"orange": True}, set()),
    "extra_marks": ({"extra_marks": 3}, {"marks"}),
    "skew_m": ({"skew_m": 0.1}, {"lines", "camera"}),
    "wear": ({"wear": 0.9}, set()),
    "other_paint": ({"other_paint": True}, set()),
    "bay_on_left": ({"bay_on_left": False}, {"marks", "lines", "drive", "camera"}),
    "sun": ({"sun": 1.0}, set()),
    "sun_height_deg": ({"sun_height_deg": 20.0}, set()),
    "drift": ({"drift": 0.4}, set()),
    "step": ({"step": 0.5}, set()),
    "white_step": ({"white_step": 0.4}, set()),
    "cloud_shade": ({"cloud_shade": 0.9}, set()),
    "tree_shade": ({"tree_shade": 0.9}, set()),
    "headlamps": ({"headlamps": True}, set()),
    "noise": ({"noise": 6.0}, set()),
    "contrast": ({"contrast": 0.9}, set()),
    "sharpening": ({"sharpening": 1.5}, set()),
    "vehicle": ({"vehicle": "coach"}, {"vehicle", "marks", "lines", "drive", "camera", "lens"}),
    "colours": ({"colours": "white on white"}, set()),
    "wall_in_m": ({"wall_in_m": 0.3}, set()),
    "roof_round_m": ({"roof_round_m": 0.5}, set()),
    "people_near": ({"people_near": True}, set()),
    "second": ({"second": "parked"}, set()),
    "wait_start_s": ({"wait_start_s": 20.0}, {"drive"}),
    "wait_end_s": ({"wait_end_s": 20.0}, {"drive"}),
}
LOCAL = {"missing", "fallen", "orange", "people_near", "second", "headlamps", "covered_s", "other_paint",
         "wall_in_m", "roof_round_m"}


@pytest.fixture(autouse=True)
def one_search(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The manoeuvre is found once and driven in every film: whether it may differ is asked of the plan."""
    monkeypatch.setattr(film_module, "find_run", lambda *_: plain_run())
    yield


@cache
def plain_run():
    s = scenario(Conditions(width_px=SMALL), 5)
    rng = np.random.default_rng(s.seed)
    course = s.real_course(rng)
    return find_run(s.vehicle_noun(), course, s.plan(course), rng)


def film_of(**values: Any) -> Film:
    return Film(scenario(Conditions(**({"width_px": SMALL} | values)), 5))


def pictures(film: Film) -> list[np.ndarray]:
    return list(film.frames([62]))


@cache
def plain() -> tuple[Film, list[np.ndarray]]:
    film = film_of()
    return film, pictures(film)


def truth(film: Film) -> dict[str, Any]:
    seen = [film.camera(t) for t in (1.0, 12.0, 24.0)]
    return {"camera": [(np.round(c.rotation, 9).tolist(), np.round(c.centre_m, 9).tolist()) for c in seen],
            "lens": film.lens, "marks": film.course.marks, "lines": film.course.lines, "vehicle": film.vehicle,
            "drive": film.scenario.plan(film.set_out)}


def test_every_switch_is_tested():
    assert set(ALONE) == {f.name for f in fields(Conditions)}


@pytest.mark.parametrize("switch", ALONE)
def test_a_switch_changes_what_it_names_and_no_other_truth(switch):
    values, changed = ALONE[switch]
    film, before = film_of(**values), truth(plain()[0])
    after = truth(film)
    assert {k for k in before if after[k] != before[k]} == changed


@pytest.mark.parametrize("switch", [s for s, (_, changed) in ALONE.items()
                                    if not changed & {"camera", "lens", "drive", "vehicle"}])
def test_a_switch_is_seen_in_the_picture(switch):
    """Same camera, same run, same noise: a pixel differs only where the condition is seen."""
    values, _ = ALONE[switch]
    other = [np.abs(a.astype(int) - b).max(axis=2) > 6 for a, b in zip(pictures(film_of(**values)), plain()[1],
                                                                     strict=True)]
    share = [float(d.mean()) for d in other]
    assert max(share) > 0.0005
    if switch in LOCAL:
        assert max(share) < 0.4


def test_a_crooked_line_is_painted_where_the_truth_has_it():
    """Near either end and in the middle: paint on one side of the true edge, none on the other."""
    film = film_of(skew_m=0.1, wear=0.0)
    film._build()
    ground, red = film.ground, film.ground.albedo[..., 0]
    for ln in film.course.lines:
        assert 0.01 < abs(ln.y1_m - ln.y0_m) < 0.2
        for share in (0.1, 0.5, 0.9):
            x = ln.x0_m + share * (ln.x1_m - ln.x0_m)
            edge = ln.y0_m + share * (ln.y1_m - ln.y0_m)
            y = edge + np.array([0.5, -0.5]) * ln.width_m  # the paint, 10 cm wide, and as far on its other side
            cols = round((x - ground.x0) / ground.mpp)
            rows = np.round((ground.y1 - y) / ground.mpp).astype(int)
            bright = red[rows, cols] > 2 * np.median(red)
            assert bright.tolist() == ([False, True] if ln.yard_side > 0 else [True, False]), (ln.name, share)


def test_the_pivot_is_hidden_at_the_start_and_only_then():
    """With and without the cone the first picture is the same about its place, a late one is not."""
    film, without = film_of(hidden_at_start=True), film_of(hidden_at_start=True, missing=("pivot",))
    (x, y, _), run = film.scenario.plan(film.set_out).start, plain_run()
    film.run = without.run = replace(run, x_m=run.x_m + x - run.x_m[0], y_m=run.y_m + y - run.y_m[0])
    m = film.set_out.mark("pivot")
    for k, a, b, hidden in zip((0, 120), film.frames([0, 120]), without.frames([0, 120]), (True, False), strict=True):
        u, v = film.camera(k / 5).project(np.array([m.x_m, m.y_m, 0.0]))[0].round().astype(int)
        difference = np.abs(a.astype(int) - b)[v - 1 : v + 2, u - 1 : u + 2].max()
        assert (difference < 12) == hidden, (k, difference)


def test_the_cloth_hides_the_vehicle_for_the_time_stated():
    film = film_of(covered_s=2.0)
    film._build()
    for t, hidden in ((11.1, True), (12.0, True), (12.9, True), (9.0, False), (15.5, False)):
        camera = film.camera(t)
        x, y, h, _, steer = film.run.at(t)
        vehicle = camera.project(film.model.mesh(x, y, h, steer).corners_m)[0].reshape(-1, 2).astype(np.float32)
        cloth = cv2.convexHull(camera.project(film._cover(t)[0].corners_m)[0].reshape(-1, 2).astype(np.float32))
        inside = [cv2.pointPolygonTest(cloth, (float(u), float(v)), False) >= 0 for u, v in vehicle]
        assert all(inside) == hidden, t


def test_a_rolling_shutter_shears_a_turning_picture():
    """A camera turning about its axis by 0.1 rad in the readout shows each row turned by what had come by then."""
    lens = Lens(320, 180, 250.0)
    down = np.array([[1, 0, 0], [0, -1, 0], [0, 0, -1.0]])

    def camera_at(t: float) -> Camera:
        return Camera(lens, cv2.Rodrigues(np.array([0, 0, t]))[0] @ down, np.array([0, 0, 30.0]))

    ramp = np.repeat(np.arange(320, dtype=np.float32)[None, :, None], 180, axis=0)
    out = rolled(ramp, lens.rays(), camera_at, 0.0, 0.1)
    assert out.shape == (180, 320) or out.shape == (180, 320, 1)
    out = out.reshape(180, 320)
    for row, turn in ((20, -0.0388), (160, 0.0394)):  # 0.1 * (row / 179 - 0.5)
        u, v = 200 - 159.5, row - 89.5
        expected = 159.5 + u * math.cos(turn) + v * math.sin(turn)
        assert out[row, 200] == pytest.approx(expected, abs=0.05)


def test_sharpening_leaves_a_seam_along_an_edge_and_even_ground_as_it_is():
    """Half a pixel from a step of 40 levels a blur of 1 px has taken 31 % of it over (normal curve): 12 levels."""
    step = np.full((9, 40, 3), 80, np.uint8)
    step[:, 20:] = 120
    out = sharpened(step, 1.0)[4, :, 0].astype(int)
    assert (out[5], out[35]) == (80, 120)
    assert (out[19], out[20]) == (pytest.approx(68, abs=1), pytest.approx(132, abs=1))


def test_clouds_drift_and_crowns_stay():
    rng = np.random.default_rng(1)
    assert Shade("cloud", 0.5, rng).offset_m(10.0) == pytest.approx((22.0, 9.0))
    assert max(abs(d) for t in range(60) for d in Shade("tree", 0.5, rng).offset_m(t / 2)) < 0.4


def test_a_wrong_data_sheet_is_still_a_data_sheet():
    table = VEHICLES["midi"][1]
    right = vehicle_from_table(table)
    wrong = vehicle_from_table(tomllib.loads(sheet_text(table, {"wheelbase_m": 0.5, "length_m": 0.3})))
    assert wrong.wheelbase_m - right.wheelbase_m == pytest.approx(0.5)
    assert wrong.length_m - right.length_m == pytest.approx(0.3)
    assert wrong.solids[0].x_max_m - wrong.solids[0].x_min_m == pytest.approx(right.length_m + 0.3)
    higher = vehicle_from_table(tomllib.loads(sheet_text(table, {"height_m": 0.4})))
    assert higher.solids[0].z_max_m == pytest.approx(right.height_m + 0.4)


def test_the_sweeps_table_marks_what_breaks_and_what_was_refused():
    good = {"position_m_median": 0.011, "position_m_p95": 0.04, "heading_deg_p95": 0.1, "clearance_m_p95": 0.03,
            "cm_per_px": 2.0, "share_placed": 1.0, "said": ""}
    assert breaks(good) == []
    assert breaks(good | {"heading_deg_p95": 0.25}) == ["heading_deg_p95"]
    assert breaks({"said": "refused: no course"}) == ["result"]
    text = markdown([(CELLS[0], good | {"heading_deg_p95": 0.25}),
                     (CELLS[1], {"cm_per_px": 2.0, "said": "refused: x"})])
    assert "**0.25 °**" in text and "1.1 cm" in text and "refused: x" in text
    held, missed = ({f"coverage_{k}": share for k in ("position", "heading", "clearance")} for share in (1.0, 0.0))
    wrong = replace(CELLS[0], switch="data sheet", sheet={"height_m": 0.1})
    text = markdown([(CELLS[0], good | held), (wrong, good | missed)])
    assert "over all of them: position 50.0 %" in text and "without wrong data sheets: position 100.0 %" in text
    assert len({c.name for c in CELLS}) == len(CELLS)
    assert wrong.clip == "plain_-"
