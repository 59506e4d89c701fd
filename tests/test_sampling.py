"""Looking up a picture at points of the world."""

import numpy as np
import pytest

from vision.camera import Camera, Lens
from vision.sampling import as_it_is, sample

DOWN = np.array([[0.0, -1, 0], [-1, 0, 0], [0, 0, -1]])  # picture right = course right (-y), picture down = -x


def test_values_and_slopes_of_a_plane() -> None:
    """grey = 10 + 2 u + 3 v. Focal length 100 px, 20 m up: 5 px a metre, so 1 m to the right is 10 greys more."""
    v, u = np.mgrid[0:60, 0:80].astype(np.float32)
    camera = Camera(Lens(80, 60, 100, 100, 40, 30), DOWN, np.array([7.0, 1.0, 20.0]))
    points = np.array([[7.0, 1.0, 0.0], [5.0, 0.5, 0.0], [7.0, 1.0, -30.0], [7.0, 40.0, 0.0], [7.0, 1.0, 25.0]])
    got = sample(as_it_is(10 + 2 * u + 3 * v), camera, points)
    assert got.seen.tolist() == [True, True, True, False, False]  # the last two: beside the picture, above the camera
    assert got.value == pytest.approx([10 + 80 + 90, 10 + 2 * 42.5 + 3 * 40, 180], abs=1e-4)
    assert got.slope[0] == pytest.approx([10, 15, 0], abs=1e-4)  # camera frame: right, down, away
    assert got.in_camera_m[1] == pytest.approx([0.5, 2.0, 20.0])
    assert sample(as_it_is(u), camera, points, np.array([False, True, True, True, True])).seen.tolist() == [
        False, True, True, False, False]


def test_slope_through_a_bent_lens_is_the_numerical_one() -> None:
    rng = np.random.default_rng(3)
    v, u = np.mgrid[0:240, 0:320].astype(np.float32)
    wavy = as_it_is(100 + 40 * np.sin(u / 40) * np.cos(v / 30))
    lens = Lens(320, 240, 260, 255, 158, 121, (-0.12, 0.03, 0.002, -0.001, 0.004))
    camera = Camera(lens, DOWN, np.array([0.0, 0.0, 30.0]))
    points = np.column_stack([rng.uniform(-8, 8, 50), rng.uniform(-10, 10, 50), rng.uniform(0, 3, 50)])
    step = 0.3  # m: about 3 px, over which the waves are nearly straight
    slope = sample(wavy, camera, points).slope @ camera.rotation
    for axis in range(3):
        move = step * np.eye(3)[axis]
        change = sample(wavy, camera, points + move).value - sample(wavy, camera, points - move).value
        assert slope[:, axis] == pytest.approx(change / (2 * step), abs=0.05)
