"""A vehicle of the ground's colour in sun: hardly more than its shadow is seen of it."""

from __future__ import annotations

import math
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from paint_yard import BUS, GROUND, bus_course, looking_down, paint

from analysis.vehicle import vehicle_from_table
from vision.footage import Frame
from vision.looking import _found, _Look
from vision.outline import Difference, difference, find_vehicle, yard_polygon_m
from vision.plate import Plate, build_plate
from vision.solid import Pose, fill, shadows_px, silhouettes_px
from vision.sunlit import find_sunlit, sun_seen

COURSE = bus_course()
CAMERA = looking_down(COURSE)
VEHICLE = vehicle_from_table(BUS)
SHAPE = 720, 1280
SHADOW = np.array([-0.4, -0.9])
DRIVEN = [Pose(30.0, -5.0, 0.0), Pose(27.0, -4.6, -0.1), Pose(23.0, -3.9, -0.2), Pose(19.0, -2.9, -0.25),
          Pose(15.0, -1.9, -0.2), Pose(11.0, -1.0, -0.1), Pose(6.0, -0.3, 0.0)]


def in_the_sun(pose: Pose, seed: int, shadow: np.ndarray = SHADOW, soft_px: int = 0,
               roof: tuple[int, int, int] = GROUND) -> np.ndarray:
    """The yard with a bus, of the ground's colour but for two dark hatches, and its shadow, blurred by so much."""
    picture = paint(COURSE, CAMERA, seed=0).astype(np.float32)
    shade = fill(shadows_px(VEHICLE, pose, CAMERA, shadow), SHAPE).astype(np.float32)
    if soft_px:
        shade = cv2.GaussianBlur(shade, (0, 0), soft_px)
    picture *= 1 - 0.55 * shade[..., None]
    picture[fill(silhouettes_px(VEHICLE, pose, CAMERA), SHAPE) > 0] = (50, 48, 46)
    top = CAMERA.project_ground(pose.to_course(VEHICLE.body_outline_m()), VEHICLE.height_m)
    picture[fill([top], SHAPE) > 0] = roof
    for x in (0.5, 5.0):
        hatch = pose.to_course(np.array([[x, -0.4], [x + 0.8, -0.4], [x + 0.8, 0.4], [x, 0.4]]))
        picture[fill([CAMERA.project_ground(hatch, VEHICLE.height_m)], SHAPE) > 0] = (40, 40, 40)
    return np.clip(picture + np.random.default_rng(seed).normal(0, 2, picture.shape), 0, 255).astype(np.uint8)


def against_the_yard(picture: np.ndarray) -> Difference:
    plate = Plate(paint(COURSE, CAMERA, seed=0), CAMERA, np.ones(SHAPE, bool))
    return difference(picture, CAMERA, plate, yard_polygon_m(COURSE, VEHICLE))


def apart(pose: Pose, true: Pose) -> tuple[float, float]:
    """In metres and degrees."""
    return math.hypot(pose.x_m - true.x_m, pose.y_m - true.y_m), math.degrees(abs(pose.heading_rad - true.heading_rad))


def test_where_a_shadow_falls_by_hand() -> None:
    """A 3.05 m high box, the sun half up behind it: its shadow reaches 3.05 m ahead of it."""
    px = shadows_px(VEHICLE, Pose(10.0, 0.0, 0.0), CAMERA, np.array([1.0, 0.0]))
    ground = CAMERA.to_ground(np.concatenate(px))
    front = 10.0 + 6.1 + 2.7
    assert ground[:, 0].max() == pytest.approx(front + 3.05, abs=0.01)
    assert ground[:, 0].min() == pytest.approx(front - 12.0, abs=0.01)
    assert np.ptp(ground[:, 1]) == pytest.approx(2.55, abs=0.01)


def test_the_sun_and_the_vehicle_are_told_by_the_shadow() -> None:
    diffs = [against_the_yard(in_the_sun(p, i)) for i, p in enumerate(DRIVEN)]
    sun = sun_seen(diffs, [CAMERA] * len(diffs), VEHICLE)
    assert sun is not None
    assert np.abs(sun.shadow_m_per_m - SHADOW).max() < 0.1
    unaided = [find_vehicle(d, CAMERA, VEHICLE) for d in diffs]
    assert sum(s is None or apart(s.pose, p)[0] > 1.0 for s, p in zip(unaided, DRIVEN, strict=True)) > 3
    for diff, true in zip(diffs, DRIVEN, strict=True):
        got = find_sunlit(diff, CAMERA, VEHICLE, sun)
        assert got is not None and got.good
        assert apart(got.pose, true)[0] < 0.4 and apart(got.pose, true)[1] < 2.0
    again = find_sunlit(diffs[2], CAMERA, VEHICLE, sun, near=Pose(23.2, -3.7, -0.18))
    assert again is not None and again.good and apart(again.pose, DRIVEN[2])[0] < 0.4


def test_a_clouded_sky_is_no_sun() -> None:
    """Under it a vehicle, black here, darkens the ground all around, with a rim blurred over metres."""
    diffs = [against_the_yard(in_the_sun(p, i, np.zeros(2), 18, (40, 38, 36))) for i, p in enumerate(DRIVEN)]
    assert sun_seen(diffs, [CAMERA] * len(diffs), VEHICLE) is None


def test_an_empty_yard_shows_no_sun() -> None:
    empty = [against_the_yard(paint(COURSE, CAMERA, seed=0)) for _ in range(4)]
    assert sun_seen(empty, [CAMERA] * 4, VEHICLE) is None


def test_it_is_found_though_it_stood_where_the_yard_was_to_be_seen() -> None:
    """In seven of thirteen pictures it waits at one place, so that most show its shadow there and not the yard."""
    driven = [DRIVEN[0]] * 7 + DRIVEN[1:]
    shots = tuple(Frame(5 * i, float(i), in_the_sun(p, i)) for i, p in enumerate(driven))
    cameras = (CAMERA,) * len(shots)
    look = _Look(shots, cameras, SimpleNamespace(camera=CAMERA), (0.0, 0.0))  # type: ignore[arg-type]
    plate = build_plate([s.bgr for s in shots], cameras, CAMERA)
    found = _found(look, plate, SimpleNamespace(marks=(), lines=()), VEHICLE, COURSE)  # type: ignore[arg-type]
    assert found.sun is not None and np.abs(found.sun.shadow_m_per_m - SHADOW).max() < 0.1
    assert len(found.coarse) == len(driven)
    assert max(apart(found.coarse[5 * i], p)[0] for i, p in enumerate(driven)) < 0.4
