"""A cone as it is drawn and as its brightness is fitted, against reference routines."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.optimize import nnls

from analysis.course import Mark
from vision.camera import Camera, Lens
from vision.survey_cone import ConePlace, lies, measure_cone
from vision.survey_cone_drawn import _not_negative, _shares, lying_m, rings_px, solid_m

CONE = Mark("pivot", 3.0, 2.0, 0.18, 0.75, 1.5)
CAMERA = Camera(Lens.ideal(640, 480, 900.0), np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 20.0]))


def test_each_pixel_is_shared_out_as_a_fine_drawing_shows() -> None:
    fine = 16
    rings = rings_px(CAMERA, solid_m(CONE), (CONE.x_m, CONE.y_m))
    label = np.zeros((480 * fine, 640 * fine), np.uint8)
    for k, part in enumerate(rings):
        outline = cv2.convexHull(((part.reshape(-1, 2) + 0.5) * fine - 0.5).astype(np.float32))
        cv2.fillConvexPoly(label, np.round(outline * 16).astype(np.int32), k + 1, cv2.LINE_8, 4)
    shares, top, left = _shares(rings, (480, 640))
    for k in range(len(rings)):
        drawn = cv2.resize((label == k + 1).astype(np.float32), (640, 480), interpolation=cv2.INTER_AREA)
        drawn = cv2.GaussianBlur(drawn, (7, 7), 0.8)
        box = drawn[top:top + shares.shape[1], left:left + shares.shape[2]]
        assert drawn.sum() == pytest.approx(box.sum(), rel=1e-4)
        assert np.abs(shares[k] - box).max() < 0.03


def test_brightness_is_fitted_as_by_the_reference_routine() -> None:
    rng = np.random.default_rng(0)
    for trial in range(300):
        a = np.abs(rng.normal(size=(60, 6))) * (rng.random((60, 6)) < 0.5)
        if trial % 3 == 0:
            a[:, 2] = 0.0  # a part that is not in view
        if trial % 5 == 0:
            a[:, 3] = a[:, 1]  # two parts that look the same
        b = rng.normal(size=60) + a @ np.maximum(rng.normal(size=6), 0)
        x = _not_negative(a.T @ a, a.T @ b)
        assert (x >= 0).all()
        assert np.linalg.norm(a @ x - b) == pytest.approx(nnls(a, b)[1], rel=1e-9)


def test_a_drawn_cone_is_found_where_it_stands() -> None:
    at = (3.07, 1.95)
    shares, top, left = _shares(rings_px(CAMERA, solid_m(CONE), at), (480, 640))
    red = np.zeros((480, 640), np.float32)
    red[top:top + shares.shape[1], left:left + shares.shape[2]] = np.einsum("k,kvu->vu", [40, 50, 5, 50, 50], shares)
    red += np.random.default_rng(1).normal(0, 1, red.shape).astype(np.float32)
    place = measure_cone(red, CAMERA, CONE, (3.0, 2.0))
    assert place is not None
    assert np.hypot(place.x_m - at[0], place.y_m - at[1]) < 0.004
    assert place.share > 0.95


def picture_of(rings: np.ndarray) -> np.ndarray:
    """Red parts and a white one on a noisy ground."""
    shares, top, left = _shares(rings, (480, 640))
    red = np.random.default_rng(2).normal(0, 1, (480, 640)).astype(np.float32)
    bright = [0, 50, 5, 50, 50][:len(shares)]
    red[top:top + shares.shape[1], left:left + shares.shape[2]] += np.einsum("k,kvu->vu", bright, shares)
    return red


@pytest.mark.parametrize("turn_deg", [0, 70, 160, 250])
def test_a_cone_that_lies_is_told_from_one_that_stands(turn_deg: float) -> None:
    red = picture_of(rings_px(CAMERA, lying_m(CONE, np.radians(turn_deg)), (3.3, 2.2)))
    place = measure_cone(red, CAMERA, CONE, (3.3 + 0.2 * np.cos(np.radians(turn_deg)), 2.2))
    assert place is not None
    assert lies(red, CAMERA, CONE, place)


@pytest.mark.parametrize("at", [(3.0, 2.0), (0.2, 0.1), (-6.0, 4.0)])
@pytest.mark.parametrize("pole_m", [0.0, 1.5])
def test_a_cone_that_stands_does_not_lie(at: tuple[float, float], pole_m: float) -> None:
    """From straight above to 20° aslant, and with a red wall beside it."""
    cone = Mark("pivot", *at, 0.18, 0.75, pole_m)
    red = picture_of(rings_px(CAMERA, solid_m(cone), at))
    u = CAMERA.project_ground(np.array([at]))[0, 0]
    for wall in (False, True):
        if wall:
            red[:, int(u) + 40:int(u) + 60] = 60
        place = measure_cone(red, CAMERA, cone, (at[0] + 0.05, at[1]))
        assert place is not None
        assert not lies(red, CAMERA, cone, place)


@pytest.mark.parametrize("aside_m", [(-0.15, -0.12), (0.2, 0.0)])
def test_a_cone_that_stands_does_not_lie_though_it_was_measured_beside_its_place(aside_m: tuple[float, float]) -> None:
    """As where the camera was known only roughly until then."""
    at = np.array([-6.0, 4.0])
    red = picture_of(rings_px(CAMERA, solid_m(CONE), at))
    beside = at + aside_m
    assert not lies(red, CAMERA, CONE, ConePlace(*beside, *CAMERA.project_ground(beside[None])[0], 0.02, 0.6))


@pytest.mark.parametrize("from_px", [-12, -4, 4, 12])
def test_a_cone_half_hidden_by_something_as_red_does_not_lie(from_px: int) -> None:
    """Lying explains that better than standing, and neither well."""
    at = np.array([-6.0, 4.0])
    red = picture_of(rings_px(CAMERA, solid_m(CONE), at))
    u = round(CAMERA.project_ground(at[None])[0, 0])
    red[:120, u + from_px:u + from_px + 6] = 45
    place = measure_cone(red, CAMERA, CONE, (-6.0, 4.0))
    assert place is not None and not lies(red, CAMERA, CONE, place)
