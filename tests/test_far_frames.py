"""Frames whose camera is far from the last one's: found again, carried on, or a gap, never taken for something else."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from paint_run import PaintedRun, painted_run

from vision.camera import Camera, Lens, rotation_matrix, rotation_vector
from vision.footage import Frame
from vision.ground import GroundReference, NotPlaced, Placed, Reach
from vision.plate import Plate
from vision.tracking import Scene, _continued, _placed


@pytest.fixture(scope="module")
def run() -> PaintedRun:
    return painted_run()


def blurred(picture: np.ndarray) -> np.ndarray:
    """As strong compression leaves a yard: smooth, while the roof keeps its fields."""
    return cv2.GaussianBlur(picture, (0, 0), 1.5)


def test_a_far_frame_is_found_by_the_ground_and_not_by_the_vehicle(run: PaintedRun) -> None:
    """The roof's fields are the richest thing in view, and the vehicle has moved by metres in between."""
    first, later = (blurred(p) for p in run.pictures([14.0, 30.0]))
    placed = GroundReference(first, run.camera(14.0)).place(later, run.camera(14.0), reach=Reach.WIDE)
    assert isinstance(placed, Placed)
    assert np.linalg.norm(placed.camera.centre_m - run.camera(30.0).centre_m) < 0.15


def scene(run: PaintedRun, reference: GroundReference, usual: tuple[float, float]) -> Scene:
    nothing = np.zeros((1, 1), bool)
    return Scene(run.vehicle, Plate(np.zeros((1, 1, 3), np.uint8), run.view, nothing), reference, None,  # type: ignore[arg-type]
                 np.zeros((0, 2)), (), usual)


def test_a_yard_that_lies_otherwise_is_a_gap(run: PaintedRun) -> None:
    """The same yard mirrored: its lines fall onto others here and there, but it is not the yard that is known."""
    first, later = run.pictures([14.0, 14.2])
    known = scene(run, GroundReference(first, run.camera(14.0)), (1.0, 0.97))
    right = _placed(known, Frame(0, 0.0, later), run.camera(14.0), None, None, [known.usual])  # type: ignore[list-item]
    assert isinstance(right, Placed)
    wrong = Frame(0, 0.0, np.ascontiguousarray(later[:, ::-1]))
    assert isinstance(_placed(known, wrong, run.camera(14.0), None, None, [known.usual]), NotPlaced)  # type: ignore[list-item]


def test_a_camera_goes_on_as_it_moved() -> None:
    """1 m up and 2 degrees about its axis in 0.2 s: in another 0.1 s half as much again; after a pause nothing."""
    lens = Lens.ideal(640, 360, 500.0)
    down = np.diag([1.0, -1.0, -1.0])
    before = Camera(lens, down, np.array([0.0, 0.0, 30.0]))
    after = Camera(lens, rotation_matrix(np.array([0, 0, math.radians(2)])) @ down, np.array([0.0, 0.0, 31.0]))
    way = [(1.0, before), (1.2, after)]
    next_ = _continued(way, 1.3)
    assert next_ is not None
    assert next_.centre_m == pytest.approx([0, 0, 31.5])
    assert np.degrees(rotation_vector(next_.rotation @ down.T)) == pytest.approx([0, 0, 3.0])
    assert _continued(way, 1.9) is None
    assert _continued(way[1:], 1.3) is None
