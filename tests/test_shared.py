"""What a wrong camera, or a roof that is not as high as stated, moves in all pictures: by hand, plane geometry."""

import numpy as np
import pytest

from vision.camera import Camera, Lens
from vision.shared import shared_cov
from vision.solid import Pose

CAMERA = Camera(Lens.ideal(1920, 1080, 1000.0), np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 30.0]))
ASIDE = [Pose(13.5, 0.0, np.pi / 2)]  # m from below the camera, whose roof is 3 m high; heading across
CERTAIN = np.zeros((8, 8))


def test_a_roof_of_doubtful_height_leans_by_as_much_as_the_ray_is_aslant():
    lean, frame, strain = shared_cov(ASIDE, 4.5, 3.0, 0.02, CAMERA, CERTAIN)
    assert np.sqrt(lean[0, 0, 0]) == pytest.approx(0.02 * 13.5 / 27.0, rel=1e-3)  # 1 cm
    assert np.sqrt(lean[0, 1, 1]) < 1e-6 and not frame.any() and not strain.any()


def test_a_camera_of_doubtful_height_moves_the_roof_against_the_ground():
    """x dz h / (H (H - h)) of the roof; x dz / H of the ground."""
    height = np.zeros(8)
    height[5] = 0.3
    lean, frame, strain = shared_cov(ASIDE, 4.5, 3.0, 0.0, CAMERA, np.diag(np.square(height)))
    assert np.sqrt(lean[0, 0, 0]) == pytest.approx(13.5 * 0.3 * 3.0 / (30.0 * 27.0), rel=1e-3)  # 1.5 cm
    assert np.sqrt(frame[0, 0, 0]) == pytest.approx(13.5 * 0.3 / 30.0, rel=1e-3)  # 13.5 cm
    assert np.sqrt(strain[0, [0, 1], [0, 1]]) == pytest.approx([0.01, 0.01], rel=1e-3)  # 30 cm of 30 m, all ways alike
    assert strain[0, 0, 1] == pytest.approx(1e-4, rel=1e-3) and abs(strain[0, 2, 2]) < 1e-12
