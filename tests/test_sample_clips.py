"""The sample-clip generator: its pictures' geometry against OpenCV's projection, its runs, its files."""

import json
import math
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from analysis.course import Mark, course_from_table
from analysis.layouts import course_for
from analysis.vehicle import vehicle_from_table
from sample_clips.drive import LegPlan, Plan, body_to_point_m, find_run, tyre_corners_m, wheel_angles
from sample_clips.encode import write_clip
from sample_clips.film import Film
from sample_clips.mesh import box
from sample_clips.render import Camera, Lens, Light, draw, ground_mask, sample_ground
from sample_clips.scenario import BUS, NAMED, _random_scenario
from sample_clips.scene import Ground, Palette, cone_mesh
from sample_clips.tables import course_text, vehicle_text
from sample_clips.truth import write_track, write_truth

LENS = Lens(960, 540, 560.0, -0.09, 0.015)
DOWN = np.array([[1, 0, 0], [0, -1, 0], [0, 0, -1.0]])
OVERHEAD = Light(np.array([0, 0, 1.0]), np.zeros(3), np.ones(3))


def tilted_camera() -> Camera:
    """32 m up, turned by 6 degrees and tilted by 12 degrees and 3 degrees."""
    rotation = cv2.Rodrigues(np.radians([12.0, 3.0, 6.0]))[0] @ DOWN
    return Camera(LENS, rotation, np.array([2.0, 5.0, 32.0]))


def opencv_pixels(camera: Camera, points_m: np.ndarray) -> np.ndarray:
    rvec = cv2.Rodrigues(camera.rotation)[0]
    dist = np.array([camera.lens.k1, camera.lens.k2, 0, 0, 0.0])
    px, _ = cv2.projectPoints(
        points_m.reshape(-1, 1, 3), rvec, -camera.rotation @ camera.centre_m, camera.lens.matrix, dist
    )
    return px.reshape(-1, 2)


def edge_error_px(picture: np.ndarray, edge_px: np.ndarray, inward: np.ndarray, reach: int = 12) -> np.ndarray:
    """Signed distance from a rendered bright/dark edge to where it should be, for each (x, y) on the edge.

    The bright side is along `inward` (unit). The light along a line across the edge is summed: it
    must equal the length of the bright part, however the edge is blurred.
    """
    s = np.arange(-reach, reach + 0.001, 0.05)
    out = []
    for p, n in zip(edge_px, inward, strict=True):
        line = (p + s[:, None] * n).astype(np.float32)
        value = cv2.remap(picture, line[:, 0].reshape(1, -1), line[:, 1].reshape(1, -1), cv2.INTER_LINEAR)[0]
        out.append(reach - value.sum() * 0.05)
    return np.array(out)


def test_projection_is_opencvs():
    camera = tilted_camera()
    points = np.random.default_rng(1).uniform([-12, -6, 0], [18, 8, 4], (200, 3))
    np.testing.assert_allclose(camera.project(points)[0], opencv_pixels(camera, points), atol=1e-6)


def test_rays_undo_the_distortion():
    xn = LENS.rays()[[0, 100, 539], [0, 700, 959]].astype(float)
    k = LENS.matrix
    back, _ = cv2.projectPoints(
        np.column_stack([xn, np.ones(3)]).reshape(-1, 1, 3),
        np.zeros(3),
        np.zeros(3),
        k,
        np.array([LENS.k1, LENS.k2, 0, 0, 0.0]),
    )
    np.testing.assert_allclose(back.reshape(-1, 2), [[0, 0], [700, 100], [959, 539]], atol=1e-3)


def test_a_boxs_roof_edges_are_drawn_where_opencv_projects_them():
    camera, palette = tilted_camera(), Palette()
    white, black = palette.flat(np.ones(3)), palette.flat(np.zeros(3))
    mesh = box(-6, 6, -1.3, 1.3, 0.3, 3.1, side=black, top=white).placed(5.0, 2.0, 0.4)
    picture = np.zeros((LENS.height, LENS.width, 3), np.float32)
    draw(picture, [(camera, mesh, np.zeros((0, 10)))], OVERHEAD, palette.materials(), False)
    turn = np.array([[math.cos(0.4), -math.sin(0.4)], [math.sin(0.4), math.cos(0.4)]])
    for a, b in (((-6, -1.3), (6, -1.3)), ((6, -1.3), (6, 1.3)), ((6, 1.3), (-6, 1.3)), ((-6, 1.3), (-6, -1.3))):
        share = np.linspace(0.3, 0.7, 41)[:, None]
        plan = (np.array(a) * (1 - share) + np.array(b) * share) @ turn.T + [5.0, 2.0]
        px = opencv_pixels(camera, np.column_stack([plan, np.full(len(plan), 3.1)]))
        along = np.gradient(px, axis=0)
        along /= np.linalg.norm(along, axis=1, keepdims=True)
        inward = np.column_stack([along[:, 1], -along[:, 0]])  # anticlockwise in the world: the inside lies left
        error = edge_error_px(picture[..., 0].copy(), px, inward)
        assert abs(error.mean()) < 0.03
        assert np.abs(error).max() < 0.15


def test_painted_lines_are_drawn_where_opencv_projects_them():
    camera = tilted_camera()
    ground = Ground(-30, 40, -25, 30, 0.03)
    ground.paint((-4.0, 12.0, -3.217, 6.131), np.ones(3), 0.0)
    picture = np.empty((LENS.height, LENS.width, 3), np.float32)
    one = np.ones((LENS.height, LENS.width), np.float32)
    sample_ground(
        picture,
        LENS.rays(),
        camera.rotation[None].astype(np.float32),
        camera.centre_m[None].astype(np.float32),
        ground.texture(32 / LENS.focal_px),
        np.float32(-30),
        np.float32(30),
        np.float32(0.03),
        np.zeros(3, np.float32),
        np.ones(3, np.float32),
        one,
        one,
    )
    for y, left in ((-3.217, True), (6.131, False)):
        x = np.linspace(-2, 10, 200)
        px = opencv_pixels(camera, np.column_stack([x, np.full_like(x, y), np.zeros_like(x)]))
        along = np.gradient(px, axis=0)
        along /= np.linalg.norm(along, axis=1, keepdims=True)
        inward = np.column_stack([along[:, 1], -along[:, 0]]) * (1 if left else -1)
        error = edge_error_px(picture[..., 0].copy(), px, inward)
        assert abs(error.mean()) < 0.03
        assert np.abs(error).max() < 0.12


def test_shadow_of_a_box_lies_where_the_sun_throws_it():
    """A sun at atan(2) along +x throws the edge of a 2 m high box 1 m towards -x."""
    camera = tilted_camera()
    light = Light(np.array([1.0, 0, 2.0]) / math.sqrt(5), np.ones(3), np.ones(3))
    mesh = box(0, 6, -1, 1, 0, 2, side=0, top=0)
    cover = ground_mask(camera, light.shadow_of(mesh.corners_m), (0, 0, LENS.width, LENS.height))
    y = np.linspace(-0.6, 0.6, 21)
    px = opencv_pixels(camera, np.column_stack([np.full_like(y, -1.0), y, np.zeros_like(y)]))
    along = np.gradient(px, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    error = edge_error_px(cover, px, np.column_stack([-along[:, 1], along[:, 0]]))
    assert abs(error.mean()) < 0.05


@pytest.fixture(scope="module")
def bus_run():
    vehicle = vehicle_from_table(BUS)
    course = course_for(vehicle)
    lane = course.mark("forward_left").y_m - 0.75 * 2.55
    plan = Plan((24.0, lane, 0.0), (LegPlan(1, 26.9, 1.9, 1.5), LegPlan(-1, 48.0, 1.25, 2.0, coefficients=14)), 0.45)
    return vehicle, course, find_run(vehicle, course, plan, np.random.default_rng(3))


def test_the_bus_reverses_into_the_bay_without_touching_anything(bus_run):
    vehicle, course, run = bus_run
    assert run.cost < 5
    assert run.x_m[-1] + vehicle.x_rear_m == pytest.approx(0.45, abs=0.05)
    assert abs(run.y_m[-1]) < 0.1 and abs(math.degrees(run.heading_rad[-1])) < 1.0
    tyres = tyre_corners_m(vehicle, run.x_m, run.y_m, run.heading_rad, run.steer_rad)
    assert min(ln.clearance_m(tyres).min() for ln in course.lines) > 0.2
    for m in course.marks:
        assert body_to_point_m(vehicle, run.x_m, run.y_m, run.heading_rad, m.x_m, m.y_m).min() > 0.3


def test_the_run_obeys_lock_rate_and_no_slip(bus_run):
    vehicle, _, run = bus_run
    assert np.abs(run.steer_rad).max() <= vehicle.max_wheel_rad
    dt = np.diff(run.t_s)
    moving = dt > 1e-9
    assert np.abs(np.diff(run.steer_rad)[moving] / dt[moving]).max() <= 1.05 * vehicle.wheel_rate_radps
    dx, dy = np.diff(run.x_m), np.diff(run.y_m)
    mid = (run.heading_rad[1:] + run.heading_rad[:-1]) / 2
    assert np.abs(-dx * np.sin(mid) + dy * np.cos(mid)).max() < 1e-9


def test_ackermann_angles_meet_at_one_centre():
    """Left turn of 0.3 rad, wheelbase 6 m, track 2.1 m: centre 19.396 m to the left of the rear axle."""
    left, right = wheel_angles(vehicle_from_table(BUS), np.array(0.3))
    assert left == pytest.approx(math.atan(6 / (19.396 - 1.05)), abs=1e-4)
    assert right == pytest.approx(math.atan(6 / (19.396 + 1.05)), abs=1e-4)


def test_a_knocked_cone_falls_away_from_the_body():
    """Tipped by 90 degrees over the edge of its base, a 0.75 m cone reaches 0.18 + 0.75 m along the fall."""
    cone = cone_mesh(Palette(), Mark("pivot", 0, 0)).toppled(math.pi / 2, math.pi / 2, 0.18)
    assert cone.corners_m[..., 1].max() == pytest.approx(0.18 + 0.75, abs=1e-9)
    assert cone.corners_m[..., 2].min() == pytest.approx(0.0, abs=1e-9)


def test_the_written_files_can_be_read_back():
    for scenario in NAMED.values():
        vehicle = vehicle_from_table(tomllib.loads(vehicle_text(scenario.vehicle)))
        assert vehicle == scenario.vehicle_noun()
        course = course_from_table(tomllib.loads(course_text(scenario.nominal_course())))
        for mark in scenario.nominal_course().marks:
            assert course.mark(mark.name).x_m == pytest.approx(mark.x_m, abs=1e-4)
            assert course.mark(mark.name).y_m == pytest.approx(mark.y_m, abs=1e-4)


def test_marks_are_set_out_as_badly_as_the_scenario_says():
    scenario = NAMED["lorry_dry_steer"]
    real, nominal = scenario.real_course(np.random.default_rng(4)), scenario.nominal_course()
    off = [math.dist((real.mark(m.name).x_m, real.mark(m.name).y_m), (m.x_m, m.y_m)) for m in nominal.marks]
    assert min(off) >= 0.06 and max(off) <= 0.14
    assert real.bay == nominal.bay and real.stopping_box == nominal.stopping_box


def test_the_same_seed_gives_the_same_scenario():
    assert _random_scenario(5, np.random.default_rng(5)) == _random_scenario(5, np.random.default_rng(5))
    assert _random_scenario(5, np.random.default_rng(5)) != _random_scenario(6, np.random.default_rng(6))


def test_a_small_film_is_made_with_truth_that_fits_it(tmp_path):
    scenario = replace(NAMED["bus_clean"], width=480, height=270, fps=2)
    film = Film(scenario)
    film.times_s = film.times_s[:4]
    count = write_clip(tmp_path / "clip.mp4", film.frames(), 2, 28)
    write_track(tmp_path / "track.csv", film, film.times_s)
    write_truth(tmp_path / "truth.json", film, count)
    with av.open(str(tmp_path / "clip.mp4")) as box_:
        times = [float(f.pts * f.time_base) for f in box_.decode(video=0)]
    rows = np.genfromtxt(tmp_path / "track.csv", delimiter=",", names=True)
    np.testing.assert_allclose(rows["t_s"], times, atol=1e-6)
    truth = json.loads((tmp_path / "truth.json").read_text())
    assert truth["frames"] == count == 4
    assert truth["events"]["shunts"] == [] and truth["events"]["final"]["in_box"]
    assert rows["tyre_clear_left_m"][0] == pytest.approx(
        truth["course"]["side_lines"][0]["y_inner_m"] - rows["y_m"][0] - (1.86 + 0.60) / 2, abs=1e-6
    )


def test_committed_truth_tells_the_promised_story():
    folder = Path(__file__).parents[1] / "sample_clips"
    told = {n: json.loads((folder / n / "truth" / "truth.json").read_text())["events"] for n in NAMED}
    assert told["bus_clean"]["shunts"] == [] and told["bus_clean"]["final"]["in_box"]
    assert not any(c["touched"] for c in told["bus_clean"]["cone_clearance"])
    lorry = told["lorry_dry_steer"]
    assert len(lorry["shunts"]) == 2
    assert [round(d["angle_deg"]) for d in lorry["dry_steering"]] == [25]
    assert -0.20 < min(side["min_tyre_m"] for side in lorry["line_clearance"].values()) < -0.12
    coach = told["coach_short"]
    assert [c["cone"] for c in coach["contacts"]] == ["pivot"]
    assert not coach["final"]["in_box"]
    assert coach["final"]["rear_to_box_front_edge_m"] == pytest.approx(-0.6, abs=0.05)


def test_the_estimator_does_not_import_the_generator():
    root = Path(__file__).parents[1]
    for package in ("analysis", "vision", "cli"):
        for file in (root / package).rglob("*.py"):
            assert "sample_clips" not in re.findall(r"^\s*(?:from|import)\s+(\w+)", file.read_text(), re.M), file
    for file in (root / "sample_clips").glob("*.py"):
        assert "vision" not in re.findall(r"^\s*(?:from|import)\s+(\w+)", file.read_text(), re.M), file
