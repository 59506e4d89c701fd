"""Learning a roof from painted pictures, and the pictures laid out in the vehicle's metres that it is learnt from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from paint_run import painted_run

from vision.camera import Camera, Lens, rotation_matrix
from vision.laid_out import Layout, average
from vision.looking import _seeing_alike, _seen_alike
from vision.plate import build_plate
from vision.roof_learning import LearntRoof, learn_roof
from vision.solid import Pose, covered_px

LENS = Lens(320, 180, 200.0, 200.0, 159.5, 89.5, (0.05, -0.01, 0.001, -0.001, 0.0))
ABOVE = Camera(LENS, np.diag([1.0, -1.0, -1.0]), np.array([4.0, 1.0, 30.0]))
ASLANT = Camera(LENS, rotation_matrix(np.array([0.12, -0.08, 0.05])) @ ABOVE.rotation, np.array([5.0, 2.0, 31.0]))
POSE = Pose(3.0, 1.5, 0.3)
LAYOUT = Layout(-2.0, 1.5, 0.1, 30, 60)


@pytest.mark.parametrize("count", [3, 4, 17, 28])
def test_the_average_is_the_median_with_its_median_distance(count: int) -> None:
    rng = np.random.default_rng(1)
    pictures = [rng.normal(100, 20, (13, 31, 3)).astype(np.float32) for _ in range(count)]
    middle, scatter = average(pictures)
    assert np.allclose(middle, np.median(pictures, axis=0), atol=1e-4)
    assert np.allclose(scatter, (1.4826 * np.median(np.abs(pictures - middle), axis=0)).mean(axis=2), atol=1e-4)


def ramp() -> np.ndarray:
    """A picture that tells its own pixels: u and v, in half and whole grey levels."""
    v, u = np.mgrid[:180, :320]
    return np.stack([u // 2, v, (u + v) // 4], -1).astype(np.uint8)


def test_a_layout_shows_what_the_camera_sees_at_each_place_and_height() -> None:
    height = np.random.default_rng(2).uniform(2, 4, (30, 60)).astype(np.float32)
    plan = POSE.to_course(LAYOUT.grid_m.reshape(-1, 2))
    px = ASLANT.project(np.column_stack([plan, height.ravel()])).reshape(30, 60, 2)
    got = LAYOUT.laid_out(ramp(), ASLANT, POSE, height)
    assert np.abs(got[..., 1] - px[..., 1]).max() < 1e-3
    assert np.abs(got[..., 0] - px[..., 0] / 2).max() < 0.51


def test_behind_a_place_lies_the_ground_that_its_ray_meets() -> None:
    plan = POSE.to_course(LAYOUT.grid_m.reshape(-1, 2))
    ground = ASLANT.to_ground(ASLANT.project_ground(plan, 3.0))
    px = ABOVE.project_ground(ground).reshape(30, 60, 2)
    got = LAYOUT.ground_behind(ramp(), ABOVE, POSE, 3.0, ASLANT)
    assert np.abs(got[..., 1] - px[..., 1]).max() < 1e-3


def test_a_part_of_a_layout_lies_where_it_lay_in_the_whole() -> None:
    height = np.full((30, 60), 3.0, np.float32)
    whole = LAYOUT.laid_out(ramp(), ASLANT, POSE, height)
    part = LAYOUT.part(slice(4, 20), slice(10, 25)).laid_out(ramp(), ASLANT, POSE, 3.0)
    assert np.allclose(part, whole[4:20, 10:25], atol=1e-3)


def test_a_better_reference_camera_moves_all_others_and_the_roof_alike() -> None:
    """The reference view was off by a turn, a shift and 2 % of height; picture and roof must come out as they are."""
    truth, seen_from = ABOVE, ASLANT
    taller = Camera(replace(LENS, fx=204.0, fy=204.0), truth.rotation, truth.centre_m * [1, 1, 1.02])
    wrong = taller.moved(np.array([0.002, -0.003, 0.01]), np.array([0.1, -0.2, 0.0]))
    told = _seeing_alike(seen_from, truth, wrong)
    back = _seeing_alike(told, wrong, truth)
    assert np.abs(back.centre_m - seen_from.centre_m).max() < 0.02
    points = POSE.to_course(LAYOUT.grid_m.reshape(-1, 2))
    assert np.abs(back.project_ground(points, 3.0) - seen_from.project_ground(points, 3.0)).max() < 0.05
    vehicle = painted_run().vehicle
    there = _seen_alike(_seen_alike(POSE, vehicle, seen_from, told), vehicle, told, seen_from)
    assert np.allclose([there.x_m, there.y_m, there.heading_rad], [POSE.x_m, POSE.y_m, POSE.heading_rad], atol=1e-3)


@pytest.fixture(scope="module")
def run():  # type: ignore[no-untyped-def]
    """Pictures of a painted run, with the true cameras and poses."""
    painted = painted_run()
    times = np.linspace(0, painted.driven.t_s[-1], 16)
    return (painted, list(painted.pictures(times)), [painted.camera(t) for t in times],
            [Pose(*row[:3]) for row in painted.driven.at(times)], times)


@pytest.mark.parametrize("light", [1.0, 0.25, 0.05])
def test_a_roof_is_learnt_as_well_in_poor_light(run, light: float) -> None:  # type: ignore[no-untyped-def]
    """Coarse poses 15 cm and 1° off come out within a third of a pixel (8 cm) and 0.1°, and the rim is found, even
    where white paint is at grey level 12."""
    painted, pictures, cameras, poses, times = run
    dim = [np.round(p * light).astype(np.uint8) for p in pictures]
    hidden = [covered_px(painted.vehicle, p, c, 1.3) for p, c in zip(poses, cameras, strict=True)]
    plate = build_plate(dim, cameras, painted.view, hidden)
    rng = np.random.default_rng(3)
    coarse = [p.shifted(*rng.normal(0, 0.15, 2), rng.normal(0, 0.017)) for p in poses]
    learnt = learn_roof(painted.vehicle, dim, cameras, coarse, list(times), plate, 0.001)
    assert isinstance(learnt, LearntRoof)
    assert learnt.rim is not None
    known = dict(learnt.known)
    assert len(known) >= 14
    off = np.array([(q.x_m - p.x_m, q.y_m - p.y_m, np.degrees(q.heading_rad - p.heading_rad))
                    for t, p in zip(times, poses, strict=True) if t in known for q in [known[t]]])
    assert (np.median(np.abs(off), axis=0) < [0.027, 0.027, 0.1]).all()
