"""Finding the vehicle roughly: a painted yard with a drawn vehicle and its shadow."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from paint_yard import BUS, bus_course, looking_down, paint

from analysis.vehicle import Vehicle, vehicle_from_table
from vision.camera import Camera
from vision.outline import ANY_SHADOW, USUAL_SHADOW, difference, find_vehicle, without_shadow, yard_polygon_m
from vision.plate import Plate
from vision.solid import Pose, fill, silhouettes_px

COURSE = bus_course()
CAMERA = looking_down(COURSE)


def bus() -> Vehicle:
    return vehicle_from_table(BUS)


GREY_SHADE, BLUE_SHADE, DEEP_SHADE = (0.45, 0.45, 0.45), (0.6, 0.45, 0.35), (0.1, 0.09, 0.08)


def with_bus(empty: np.ndarray, pose: Pose, shade: tuple[float, float, float] | None = GREY_SHADE,
             reach_m: tuple[float, float] = (1.2, 2.4)) -> np.ndarray:
    """A pale blue bus with a darker wall, and a shadow to its left that leaves these shares of blue, green, red."""
    picture = empty.astype(np.float32)
    outlines = silhouettes_px(bus(), pose, CAMERA)
    if shade is not None:
        plan = pose.to_course(bus().body_outline_m())
        cast = np.vstack([plan, plan + np.array(reach_m)])
        hull = cv2.convexHull(CAMERA.project_ground(cast).astype(np.float32)).reshape(-1, 2)
        picture[fill([hull], picture.shape[:2]) > 0] *= shade
    picture[fill(outlines, picture.shape[:2]) > 0] = (120, 100, 90)
    roof = CAMERA.project_ground(pose.to_course(bus().body_outline_m()), bus().height_m)
    picture[fill([roof], picture.shape[:2]) > 0] = (225, 210, 200)
    return np.clip(picture + np.random.default_rng(4).normal(0, 2, picture.shape), 0, 255).astype(np.uint8)


def sighted(picture: np.ndarray, camera: Camera, near: Pose | None = None):
    plate = Plate(paint(COURSE, CAMERA), CAMERA, np.ones((720, 1280), bool))
    return find_vehicle(difference(picture, camera, plate, yard_polygon_m(COURSE, bus())), camera, bus(), near)


@pytest.mark.parametrize("pose", [Pose(24.0, -5.0, 0.0), Pose(16.0, -1.0, math.radians(-18)), Pose(4.0, 0.0, 0.02)])
def test_found_to_a_few_decimetres(pose: Pose) -> None:
    got = sighted(with_bus(paint(COURSE, CAMERA, seed=0), pose), CAMERA)
    assert got is not None
    assert got.good
    assert math.hypot(got.pose.x_m - pose.x_m, got.pose.y_m - pose.y_m) < 0.4
    assert abs(got.pose.heading_rad - pose.heading_rad) < math.radians(2.5)


@pytest.mark.parametrize("shade", [
    pytest.param(GREY_SHADE, id="as the sky lights it"),
    pytest.param(BLUE_SHADE, id="by a camera that makes it bluer"),
    pytest.param(DEEP_SHADE, id="by a camera that makes it nearly black"),
])
def test_the_shadow_is_not_taken_for_the_vehicle(shade: tuple[float, float, float]) -> None:
    pose = Pose(24.0, -5.0, 0.0)
    empty = paint(COURSE, CAMERA)
    lit, shaded = (sighted(with_bus(empty, pose, s, (-2.5, 3.5)), CAMERA) for s in (None, shade))
    assert lit is not None and shaded is not None and shaded.good
    assert math.hypot(lit.pose.x_m - shaded.pose.x_m, lit.pose.y_m - shaded.pose.y_m) < 0.25


def test_what_a_shadow_cannot_do_by_hand() -> None:
    """Ground of (100, 100, 100) blue, green, red. Half of it, a little bluer, is shadow; lighter is not, nor is a red
    that keeps what a shadow would take; and a tenth of it is shadow only where any may be."""
    ground = np.full((1, 4, 3), 100, np.float32)
    seen = np.array([[[58, 50, 42], [110, 110, 110], [20, 20, 100], [10, 10, 10]]], np.float32)
    usual, any_depth = (np.linalg.norm(without_shadow(seen, ground, s), axis=2)[0] for s in (USUAL_SHADOW, ANY_SHADOW))
    assert usual[0] == pytest.approx(0, abs=0.01) and any_depth[0] == pytest.approx(0, abs=0.01)
    assert usual[1] == pytest.approx(10 * 3**0.5) and any_depth[1] == pytest.approx(10 * 3**0.5)
    assert usual[2] > 30 and any_depth[2] > 30
    assert usual[3] == pytest.approx(15 * 3**0.5) and any_depth[3] == pytest.approx(0, abs=0.01)


def test_an_empty_yard_holds_no_vehicle() -> None:
    noise = np.random.default_rng(5).normal(0, 2, (720, 1280, 3))
    picture = np.clip(paint(COURSE, CAMERA) + noise, 0, 255).astype(np.uint8)
    got = sighted(picture, CAMERA)
    assert got is None or not got.good


def test_a_person_is_no_vehicle() -> None:
    picture = paint(COURSE, CAMERA)
    u, v = CAMERA.project_ground(np.array([[30.0, -3.0]]))[0].astype(int)
    cv2.circle(picture, (int(u), int(v)), 8, (20, 20, 150), -1)
    got = sighted(picture, CAMERA)
    assert got is None or not got.good


def test_where_the_vehicle_stood_for_long_is_a_ghost() -> None:
    """It stood so long that the "empty" yard shows it; then it has left. The yard without it is not the vehicle."""
    stood, now = Pose(30.0, -5.0, 0.0), Pose(10.0, -0.5, 0.05)
    plate = Plate(with_bus(paint(COURSE, CAMERA), stood), CAMERA, np.ones((720, 1280), bool))
    picture = with_bus(paint(COURSE, CAMERA), now)
    got = find_vehicle(difference(picture, CAMERA, plate, yard_polygon_m(COURSE, bus())), CAMERA, bus())
    assert got is not None and got.good and got.ghost_by
    assert math.hypot(got.pose.x_m - now.x_m, got.pose.y_m - now.y_m) < 0.4
    left = find_vehicle(difference(picture, CAMERA, plate, yard_polygon_m(COURSE, bus())), CAMERA, bus(), near=stood)
    assert left is not None and left.ghost and not left.good


def test_a_vehicle_as_dark_as_its_shadow_is_placed_by_its_edges() -> None:
    """Black with two pale hatches, on dark ground under an overcast sky, in a soft shadow that makes it look longer and
    wider by metres."""
    pose = Pose(20.0, -3.0, math.radians(-6))
    picture = 0.45 * paint(COURSE, CAMERA).astype(np.float32)
    body = cv2.convexHull(np.concatenate(silhouettes_px(bus(), pose, CAMERA)).astype(np.float32)).reshape(-1, 2)
    halo = cv2.dilate(fill([body], (720, 1280)).astype(np.float32), np.ones((41, 41)))
    picture *= 1 - 0.3 * cv2.GaussianBlur(halo, (0, 0), 12)[..., None]
    picture[fill([body], (720, 1280)) > 0] = (19, 18, 17)
    for x in (1.0, 5.0):
        hatch = pose.to_course(np.array([[x, -0.4], [x + 0.8, -0.4], [x + 0.8, 0.4], [x, 0.4]]))
        picture[fill([CAMERA.project_ground(hatch, bus().height_m)], (720, 1280)) > 0] = (150, 150, 150)
    picture += np.random.default_rng(4).normal(0, 1, picture.shape)
    plate = Plate((0.45 * paint(COURSE, CAMERA)).astype(np.uint8), CAMERA, np.ones((720, 1280), bool))
    got = find_vehicle(difference(np.clip(picture, 0, 255).astype(np.uint8), CAMERA, plate,
                                  yard_polygon_m(COURSE, bus())), CAMERA, bus())
    assert got is not None and got.good
    assert math.hypot(got.pose.x_m - pose.x_m, got.pose.y_m - pose.y_m) < 0.25
    assert abs(got.pose.heading_rad - pose.heading_rad) < math.radians(1.5)
