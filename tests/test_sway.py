"""Lens and tilt from the camera's own sway.

Outside check: the pictures are drawn through OpenCV's undistortPoints and this test's own plane geometry.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from vision.camera import Camera, Lens
from vision.plate import Plate
from vision.sway import LEAST_PICTURES, SwaySeen, _disagreement, lens_from_sway, varied, view_of

SIZE = (640, 360)
TRUE = Lens(*SIZE, 430.0, 430.0, 319.5, 179.5, (-0.06, 0.01, 0, 0, 0))
M_PER_TEXEL = 0.06


def ground() -> np.ndarray:
    """A patch of ground with grain, stains and some paint: 90 x 60 m, grey float32."""
    rng = np.random.default_rng(4)
    picture = 110 + 14 * cv2.GaussianBlur(rng.normal(0, 1, (1000, 1500)), (0, 0), 1.5) * 4
    for k in range(6):
        cv2.line(picture, (60, 100 + 150 * k), (1440, 130 + 145 * k), 200, 3, cv2.LINE_AA)
    return picture.astype(np.float32)


def at(tilt_deg: tuple[float, float], yaw_deg: float, centre_m: tuple[float, float, float]) -> Camera:
    turn = cv2.Rodrigues(np.radians([tilt_deg[0], tilt_deg[1], yaw_deg]))[0]
    return Camera(TRUE, turn @ np.diag([1.0, -1.0, -1.0]), np.array(centre_m))


def picture(texture: np.ndarray, camera: Camera, seed: int) -> np.ndarray:
    """What the camera sees of the ground, with sensor noise of 1.5 grey levels; bgr."""
    u, v = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    px = np.stack([u, v], -1).reshape(-1, 1, 2).astype(float)
    lens = camera.lens
    xy = cv2.undistortPointsIter(px, lens.matrix, lens.dist_array, None, None,
                                 (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 60, 1e-10)).reshape(-1, 2)
    rays = np.column_stack([xy, np.ones(len(xy))]) @ camera.rotation
    spot = camera.centre_m[:2] - rays[:, :2] * (camera.centre_m[2] / rays[:, 2])[:, None]
    column = (spot[:, 0] / M_PER_TEXEL + 750).astype(np.float32).reshape(SIZE[1], SIZE[0])
    row = (500 - spot[:, 1] / M_PER_TEXEL).astype(np.float32).reshape(SIZE[1], SIZE[0])
    grey = cv2.remap(cv2.GaussianBlur(texture, (0, 0), 0.8), column, row, cv2.INTER_LINEAR)
    grey = grey + np.random.default_rng(seed).normal(0, 1.5, grey.shape)
    return cv2.cvtColor(np.clip(np.round(grey), 0, 255).astype(np.uint8), cv2.COLOR_GRAY2BGR)


def swaying(count: int, sway_m: float, sway_deg: float) -> list[Camera]:
    rng = np.random.default_rng(7)
    return [at((9 + sway_deg * a, 1 + sway_deg * b), 2 * sway_deg * c, (sway_m * d, sway_m * e, 36 + 0.5 * sway_m * f))
            for a, b, c, d, e, f in rng.normal(0, 1, (count, 6))]


def looked_at(cameras: list[Camera], wrong: np.ndarray, hangs: int = 0) -> tuple[SwaySeen | None, Camera]:
    """The answer when lens and tilt are believed to be off by `wrong`, and the true camera of the base view; the last
    picture comes once more for each time the recording `hangs`."""
    texture, base = ground(), at((9, 1), 0, (0, 0, 36))
    views = [varied(c, wrong) for c in cameras]
    plate = Plate(picture(texture, base, 99), varied(base, wrong), np.ones(SIZE[::-1], bool))
    pictures = [picture(texture, c, i) for i, c in enumerate(cameras)]
    pictures, views = pictures + pictures[-1:] * hangs, views + views[-1:] * hangs
    seen = lens_from_sway(pictures, views, [None] * len(views), plate)
    return seen, base


def test_focal_length_bend_and_tilt_are_found() -> None:
    """Believed 8 % too long, unbent, and half a degree off; with 0.6 m and 0.5° of sway all three come back."""
    seen, true = looked_at(swaying(16, 0.6, 0.5), np.array([0.08, 0.07, -0.01, 0.008, -0.005]))
    assert seen is not None
    off, sd = seen.view - view_of(true), np.sqrt(np.diag(seen.cov))
    assert sd[0] < 0.02 and np.degrees(sd[2:]).max() < 0.4  # it claims to know
    assert np.abs(off / sd).max() < 3.5  # and does
    assert seen.camera.lens.dist[1] == pytest.approx(0.01, abs=0.01)


def test_pictures_that_are_one_and_the_same_count_once() -> None:
    """The recording hangs at its end: 14 pictures more, whose noise is that of the last one."""
    wrong = np.array([0.03, 0.0, 0.0, 0.003, 0.0])
    (once, _), (hanging, _) = (looked_at(swaying(14, 0.6, 0.5), wrong, hangs) for hangs in (0, 14))
    assert once is not None and hanging is not None
    assert np.abs((hanging.view - once.view) / np.sqrt(np.diag(once.cov))).max() < 0.5
    assert hanging.cov[0, 0] > 0.8 * once.cov[0, 0]
    assert len(hanging.cameras) == 28


def test_a_camera_that_stands_still_tells_nothing() -> None:
    """Coding feigns a movement of a fraction of a pixel, which once moved the tilt by a degree: no answer is given."""
    assert looked_at([at((9, 1), 0, (0, 0, 36))] * 8, np.array([0.08, 0, 0, 0, 0]))[0] is None
    assert looked_at(swaying(8, 0.005, 0.005), np.array([0.08, 0, 0, 0, 0]))[0] is None


def test_too_few_pictures() -> None:
    assert looked_at(swaying(LEAST_PICTURES - 1, 0.6, 0.5), np.zeros(5))[0] is None


def test_a_varied_camera_sees_the_ground_below_where_it_did() -> None:
    """Twice the focal length from twice the height: straight down the same spot, one metre as many pixels."""
    camera = at((0, 0), 0, (3, -2, 30))
    other = varied(camera, np.array([math.log(2), 0, 0, 0, 0]))
    assert other.lens.fx == pytest.approx(860)
    assert other.centre_m == pytest.approx([3, -2, 60])
    middle = np.array([[319.5, 179.5], [362.5, 179.5]])  # 43 px: 3 m at 30 m up
    assert other.to_ground(middle) == pytest.approx(camera.to_ground(middle), abs=2e-3)


def test_views_that_pull_apart_widen_the_doubt() -> None:
    """By hand: information 4 in the first of two numbers; four views pull it by 3, -3, 3, -3: their spread says
    (4 x 9) / 4² x 4/3 = 3, where their noise says 1/4: 12 times as much. Pulls as small as the noise change nothing."""
    cov = np.diag([0.25, 1.0])
    assert _disagreement(cov, np.array([[3.0, 0], [-3, 0], [3, 0], [-3, 0]])) == pytest.approx(12.0)
    assert _disagreement(cov, np.array([[0.1, 0], [-0.1, 0], [0, 0.1], [0, -0.1]])) == 1.0
