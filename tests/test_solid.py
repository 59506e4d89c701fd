"""The solid's outlines in the picture against OpenCV's projection and shapely's hulls; the edge of its roof."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from shapely import MultiPoint, Polygon, unary_union

from analysis.vehicle import Vehicle, rounded_rectangle, vehicle_from_table
from vision.camera import Camera, Lens, rotation_matrix
from vision.rim import rounded_edge_shift
from vision.solid import Pose, covered_px, fill, main_solid, silhouettes_px

LENS = Lens(1280, 720, 700.0, 702.0, 640.0, 358.0, (-0.05, 0.01, 0.0005, -0.0003, 0.0))
CAMERA = Camera(LENS, rotation_matrix(np.array([0.1, 0.06, 0.2])) @ np.diag([1.0, -1.0, -1.0]),
                np.array([20.0, -6.0, 35.0]))
POSE = Pose(24.0, -3.0, math.radians(12))


def lorry() -> Vehicle:
    return vehicle_from_table({
        "schema": 1, "name": "lorry", "length_m": 8.5, "width_m": 2.5, "height_m": 3.6, "wheelbase_m": 4.8,
        "front_overhang_m": 1.4, "solid": [
            {"name": "box", "x_min_m": -2.3, "x_max_m": 4.1, "width_m": 2.5, "z_min_m": 0.9, "z_max_m": 3.6},
            {"name": "cab", "x_min_m": 4.3, "x_max_m": 6.2, "width_m": 2.3, "z_min_m": 0.4, "z_max_m": 2.8}]})


def expected_outline(x_min: float, x_max: float, width: float, radius: float, top: float) -> Polygon:
    """Hull of the solid's foot and roof, each point through cv2.projectPoints; heading and place by hand."""
    plan = rounded_rectangle(x_min, x_max, width, radius, 3)
    c, s = math.cos(POSE.heading_rad), math.sin(POSE.heading_rad)
    course = np.column_stack([POSE.x_m + c * plan[:, 0] - s * plan[:, 1], POSE.y_m + s * plan[:, 0] + c * plan[:, 1]])
    points = np.vstack([np.column_stack([course, np.full(len(course), z)]) for z in (0.0, top)])
    px = cv2.projectPoints(points, cv2.Rodrigues(CAMERA.rotation)[0], -CAMERA.rotation @ CAMERA.centre_m, LENS.matrix,
                           LENS.dist_array)[0].reshape(-1, 2)
    return MultiPoint(px).convex_hull


def test_outlines_agree_with_opencv_and_shapely() -> None:
    box, cab = silhouettes_px(lorry(), POSE, CAMERA)
    for got, true in ((box, expected_outline(-2.3, 4.1, 2.5, 0.1, 3.6)),
                      (cab, expected_outline(4.3, 6.2, 2.3, 0.1, 2.8))):
        assert Polygon(got).symmetric_difference(true).area < 1e-4 * true.area


def test_the_mask_covers_the_union() -> None:
    outlines = silhouettes_px(lorry(), POSE, CAMERA)
    union = unary_union([Polygon(o) for o in outlines])
    # A filled polygon holds the pixels along its border too: half a pixel more all around.
    assert fill(outlines, (720, 1280)).sum() == pytest.approx(union.area + union.length / 2, rel=0.01)


def test_one_hull_around_all_and_its_margin() -> None:
    outlines = silhouettes_px(lorry(), POSE, CAMERA)
    hull = unary_union([Polygon(o) for o in outlines]).convex_hull
    assert Polygon(covered_px(lorry(), POSE, CAMERA)).area == pytest.approx(hull.area, rel=1e-4)
    assert Polygon(covered_px(lorry(), POSE, CAMERA, 1.2)).area == pytest.approx(1.44 * hull.area, rel=1e-4)


def test_the_box_is_what_is_followed() -> None:
    assert main_solid(lorry()).name == "box"


def test_poses_by_hand() -> None:
    """Facing +y at (10, 2): 3 m ahead and 1 m to the left is (9, 5); moving 1 along and 2 across gives (8, 3)."""
    pose = Pose(10.0, 2.0, math.pi / 2)
    assert pose.to_course(np.array([[3.0, 1.0]]))[0] == pytest.approx([9.0, 5.0])
    moved = pose.shifted(1.0, 2.0, 0.1)
    assert (moved.x_m, moved.y_m, moved.heading_rad) == pytest.approx((8.0, 3.0, math.pi / 2 + 0.1))


@pytest.mark.parametrize(("tangent", "shift"), [(0.0, 0.0), (0.75, 0.5), (4 / 3, 2 / 3), (1.0, 2 - math.sqrt(2))])
def test_a_rounded_edge_looks_too_far_in(tangent: float, shift: float) -> None:
    """By hand with the triangles 3-4-5: 1 - 5/4 + 3/4 = 1/2 and 1 - 5/3 + 4/3 = 2/3 of the edge's radius."""
    assert rounded_edge_shift(tangent) == pytest.approx(shift)
    # the same by following points of the quarter round along the ray up to roof height
    turn = np.linspace(0, math.pi / 2, 20001)
    outermost = (np.sin(turn) - (1 - np.cos(turn)) * tangent).max()
    assert rounded_edge_shift(tangent) == pytest.approx(1 - outermost, abs=1e-6)
