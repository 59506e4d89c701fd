"""The camera against OpenCV's own projection and against published photogrammetric examples."""

import cv2
import numpy as np
import pytest

from vision.camera import Camera, Lens, rotation_matrix, rotation_vector
from vision.ground import with_focal

DOWN = np.array([[1.0, 0, 0], [0, -1, 0], [0, 0, -1]])


def _camera() -> Camera:
    lens = Lens(1920, 1080, 1100.0, 1102.0, 957.0, 541.0, (-0.08, 0.012, 0.0007, -0.0004, 0.001))
    return Camera(lens, rotation_matrix(np.array([0.12, -0.07, 0.3])) @ DOWN, np.array([30.0, -3.0, 36.0]))


def test_projection_agrees_with_opencv():
    camera = _camera()
    rng = np.random.default_rng(3)
    points = rng.uniform([5, -15, 0], [55, 10, 4], (200, 3))
    t = -camera.rotation @ camera.centre_m
    expected = cv2.projectPoints(points, rotation_vector(camera.rotation), t, camera.lens.matrix,
                                 camera.lens.dist_array)[0].reshape(-1, 2)
    assert np.abs(camera.project(points) - expected).max() < 1e-6


@pytest.mark.parametrize("z_m", [0.0, 3.1])
def test_ray_to_a_level_undoes_projection(z_m):
    camera = _camera()
    ground = np.random.default_rng(4).uniform([10, -12], [50, 8], (100, 2))
    assert np.abs(camera.to_ground(camera.project_ground(ground, z_m), z_m) - ground).max() < 1e-5


def test_planar_view_agrees_with_a_projective_transform_of_scikit_image():
    transform = pytest.importorskip("skimage.transform")
    camera = Camera(Lens.ideal(1280, 720, 800.0), _camera().rotation, np.array([30.0, -3.0, 36.0]))
    corners = np.array([[10.0, -10], [50, -10], [50, 6], [10, 6]])
    fitted = transform.ProjectiveTransform.from_estimate(corners, camera.project_ground(corners))
    inside = np.random.default_rng(5).uniform([10, -10], [50, 6], (50, 2))
    assert np.abs(fitted(inside) - camera.project_ground(inside)).max() < 1e-6


def test_relief_displacement_of_the_handbook_example():
    """d = r h / H: H 1000 m, r 10 cm, d 7.2 mm gives h = 72 m (worked example, curioustab 69135)."""
    focal = 0.1  # any will do: the picture scale is set by where the point stands
    lens = Lens(2, 2, focal, focal, 0.0, 0.0)
    camera = Camera(lens, DOWN, np.array([0.0, 0.0, 1000.0]))
    ground_m = 0.1 / focal * (1000 - 72)
    top, foot = camera.project(np.array([[ground_m, 0, 72.0], [ground_m, 0, 0.0]]))[:, 0]
    assert top == pytest.approx(0.1)
    assert top - foot == pytest.approx(0.0072, rel=1e-6)


def test_a_roof_looks_too_far_out_by_d_h_over_h_less_roof():
    """Ground form of relief displacement: D h / (H - h); D 15, h 3.0, H 30 gives 1.667 m (from the formula)."""
    camera = Camera(Lens.ideal(1920, 1080, 1000.0), DOWN, np.array([0.0, 0.0, 30.0]))
    seen = camera.to_ground(camera.project(np.array([[15.0, 0.0, 3.0]])))[0]
    assert seen[0] - 15.0 == pytest.approx(1.6667, abs=1e-4)


def test_ground_sample_distance_of_the_worked_example():
    """Sensor 35 mm wide, 33 m up, focal length 20 mm, 4000 px: 1.44 cm per pixel (aerialmesh, 17 April 2017)."""
    camera = Camera(Lens.ideal(4000, 2250, 20 / 35 * 4000), DOWN, np.array([0.0, 0.0, 33.0]))
    assert camera.metres_per_pixel() * 100 == pytest.approx(1.44, abs=0.005)


def test_another_focal_length_keeps_the_ground_where_it_is_seen():
    camera = Camera(Lens.ideal(1920, 1080, 1100.0), rotation_matrix(np.array([0.05, 0.02, 0.1])) @ DOWN,
                    np.array([30.0, -3.0, 36.0]))
    ground = np.random.default_rng(6).uniform([12, -10], [48, 5], (60, 2))
    other = with_focal(camera, 1250.0)
    assert other.lens.fx == 1250.0
    assert np.abs(other.project_ground(ground) - camera.project_ground(ground)).max() < 3.0
    assert other.centre_m[2] == pytest.approx(36.0 * 1250 / 1100, rel=0.01)


def test_a_bend_that_folds_back_has_no_direction_for_the_corners() -> None:
    """r (1 - 0.3 r²) is at most 0.703, at r = 1.054 (by hand): a pixel farther from the middle than that share of the
    focal length shows nothing by this model; one a little nearer does, and comes back to itself."""
    lens = Lens(1001, 801, 600.0, 600.0, 500.0, 400.0, (-0.3, 0.0, 0.0, 0.0, 0.0))
    px = np.array([[500.0 + 600 * 0.69, 400.0], [500.0 + 600 * 0.72, 400.0], [1000.0, 800.0]])
    rays = lens.rays(px)
    assert np.isfinite(rays).all(axis=1).tolist() == [True, False, False]
    assert 0.8 < rays[0, 0] < 1.054
    camera = Camera(lens, np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 30.0]))
    assert camera.project_ground(camera.to_ground(px[:1]))[0] == pytest.approx(px[0], abs=1e-6)
