"""Placing cameras on a textured plane that OpenCV's own warp renders from known places."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.camera import Camera, Lens
from vision.ground import GroundReference, NotPlaced, Placed, Reach, inside_polygon, pose_from_ground
from vision.sampling import flattened, pyramid

LENS = Lens.ideal(640, 360, 350.0)
DOWN = np.diag([1.0, -1.0, -1.0])
AT = Camera(LENS, DOWN, np.array([30.0, -3.0, 38.0])).moved(np.array([0.05, -0.03, 0.1]), np.zeros(3))
TEXEL_M = 0.05
YARD_M = np.array([-20.0, -40.0, 80.0, 35.0])  # x and y from, x and y to


def ground_texture(seed: int = 1) -> np.ndarray:
    """Grey stains of two sizes and two painted lines; row 0 at the greatest y."""
    rng = np.random.default_rng(seed)
    cols, rows = round((YARD_M[2] - YARD_M[0]) / TEXEL_M), round((YARD_M[3] - YARD_M[1]) / TEXEL_M)
    coarse, fine = (cv2.resize(rng.normal(0, 1, (rows // k, cols // k)).astype(np.float32), (cols, rows),
                               interpolation=cv2.INTER_CUBIC) for k in (20, 5))
    grey = 95 + 8 * coarse + 10 * fine
    for y in (2.0, -8.0):
        row = round((YARD_M[3] - y) / TEXEL_M)
        grey[row:row + 3] = 190
    return np.clip(grey, 0, 255).astype(np.uint8)


TEXTURE = ground_texture()


def seen(camera: Camera, noise: float = 2.0, seed: int = 0) -> np.ndarray:
    """The plane as an undistorted camera sees it, by cv2.warpPerspective through four ground points."""
    ground = np.array([[10.0, -15.0], [50.0, -15.0], [50.0, 8.0], [10.0, 8.0]])
    texel = np.column_stack([(ground[:, 0] - YARD_M[0]) / TEXEL_M, (YARD_M[3] - ground[:, 1]) / TEXEL_M]) - 0.5
    px = cv2.projectPoints(np.column_stack([ground, np.zeros(4)]), cv2.Rodrigues(camera.rotation)[0],
                           -camera.rotation @ camera.centre_m, LENS.matrix, None)[0].reshape(-1, 2)
    to_picture = cv2.getPerspectiveTransform(texel.astype(np.float32), px.astype(np.float32))
    # Twice as fine and then averaged, so that no detail is stepped over.
    twice = np.array([[2.0, 0, 0.5], [0, 2.0, 0.5], [0, 0, 1]])
    fine = cv2.warpPerspective(TEXTURE, twice @ to_picture, (2 * LENS.width_px, 2 * LENS.height_px))
    picture = cv2.resize(fine, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA).astype(float)
    picture += np.random.default_rng(seed).normal(0, noise, picture.shape)
    return np.repeat(np.clip(picture, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def worst_px(got: Camera, true: Camera) -> float:
    grid = np.stack(np.meshgrid(np.linspace(8, 52, 9), np.linspace(-14, 7, 5)), -1).reshape(-1, 2)
    return float(np.abs(got.project_ground(grid) - true.project_ground(grid)).max())


MOVES = {"still": ([0, 0, 0], [0, 0, 0]), "sway": ([0.003, -0.002, 0.004], [0.1, -0.1, 0.05]),
         "climb": ([0, 0, 0], [0, 0, 0.5]), "yaw": ([0, 0, 0.01], [0, 0, 0])}  # within a tenth of a second


@pytest.mark.parametrize("move", MOVES)
def test_a_known_move_is_found_to_a_tenth_of_a_pixel(move: str) -> None:
    turn, shift = (np.array(v, float) for v in MOVES[move])
    true = AT.moved(turn, shift)
    got = GroundReference(seen(AT), AT).place(seen(true, seed=5), AT)
    assert isinstance(got, Placed)
    assert worst_px(got.camera, true) < 0.1
    assert got.support > 0.8


def test_light_and_a_moving_block_do_not_matter() -> None:
    """A third less light with a gradient across the picture, and a white block over a sixth of it."""
    true = AT.moved(np.array([0.003, -0.002, 0.004]), np.array([0.1, -0.1, 0.05]))
    picture = seen(true, seed=6) * np.linspace(0.55, 0.8, LENS.width_px)[:, None]
    picture[120:240, 150:470] = 235
    got = GroundReference(seen(AT), AT).place(picture.astype(np.uint8), AT)
    assert isinstance(got, Placed)
    assert worst_px(got.camera, true) < 0.15
    assert got.support < 0.95


@pytest.mark.parametrize("seed", [2, 3])
def test_shadows_of_trees_that_sway_do_not_lead_away(seed: int) -> None:
    """Soft shadows all over the yard, which lie 60 cm further on in the second picture: what is sharp leads."""
    blobs = cv2.GaussianBlur(np.random.default_rng(seed).normal(0, 1, (400, 700)).astype(np.float32), (0, 0), 9)
    shade = cv2.GaussianBlur((blobs > 0.2 * blobs.std()).astype(np.float32), (0, 0), 3)
    true = AT.moved(np.array([0.002, -0.001, 0.003]), np.array([0.1, -0.1, 0.0]))
    lit = [1 - 0.6 * shade[20:380, 30 + k:670 + k, None] for k in (0, round(0.6 / AT.metres_per_pixel()))]
    reference = GroundReference((seen(AT) * lit[0]).astype(np.uint8), AT)
    got = reference.place((seen(true, seed=5) * lit[1]).astype(np.uint8), AT, reach=Reach.WIDE)
    assert isinstance(got, Placed)
    assert worst_px(got.camera, true) < 0.5


def test_the_named_polygon_is_left_out() -> None:
    true = AT.moved(np.array([0.0, 0.0, 0.01]), np.array([0.2, 0.1, 0.0]))
    picture = seen(true, seed=7)
    picture[100:260, 100:540] = seen(true.moved(np.zeros(3), np.array([0.8, 0, 0])), seed=8)[100:260, 100:540]
    block = np.array([[100, 100], [540, 100], [540, 260], [100, 260]], float)
    got = GroundReference(seen(AT), AT).place(picture, AT, avoid_px=block)
    assert isinstance(got, Placed)
    assert worst_px(got.camera, true) < 0.1


def test_a_far_picture_is_found_when_searched_for() -> None:
    """Six metres away and turned by 14 degrees: farther than the pixels alone can lead."""
    true = AT.moved(np.array([0.02, 0.01, 0.25]), np.array([5.0, 3.0, 1.0]))
    reference = GroundReference(seen(AT), AT)
    got = reference.place(seen(true, seed=9), AT, reach=Reach.WIDE)
    assert isinstance(got, Placed)
    assert worst_px(got.camera, true) < 0.15


def test_errors_are_as_large_as_stated() -> None:
    """Forty frames with their own noise: the scatter of the place on the ground is within what is stated."""
    reference = GroundReference(seen(AT), AT)
    rng = np.random.default_rng(3)
    ratio = []
    for i in range(40):
        true = AT.moved(rng.normal(0, 0.004, 3), rng.normal(0, 0.1, 3))
        got = reference.place(seen(true, noise=4.0, seed=100 + i), AT)
        assert isinstance(got, Placed)
        middle = np.array([[30.0, -3.0]])
        error = got.camera.to_ground(true.project_ground(middle)) - middle
        slope = np.empty((2, 6))
        for k in range(6):
            step = np.zeros(6)
            step[k] = 1e-5
            moved = got.camera.moved(step[:3], step[3:])
            slope[:, k] = (moved.to_ground(true.project_ground(middle)) - got.camera.to_ground(
                true.project_ground(middle)))[0] / 1e-5
        ratio.append(error[0] / np.sqrt(np.diag(slope @ got.cov @ slope.T)))
    assert 0.25 < np.sqrt(np.mean(np.square(ratio))) < 1.3


@pytest.mark.parametrize("kind", ["blank", "another place"])
def test_what_does_not_show_the_yard_is_not_placed(kind: str) -> None:
    reference = GroundReference(seen(AT), AT)
    if kind == "blank":
        picture = np.full((LENS.height_px, LENS.width_px, 3), 90, np.uint8)
    else:
        picture = np.random.default_rng(2).integers(0, 255, (LENS.height_px, LENS.width_px, 3), np.uint8)
    got = reference.place(picture, AT, reach=Reach.WIDE)
    assert isinstance(got, NotPlaced)
    assert not got
    assert got.reason


def test_a_camera_from_its_own_points() -> None:
    """Bent lens: solvePnP on exact points gives the camera back."""
    lens = Lens(640, 360, 350.0, 350.0, 319.5, 179.5, (-0.08, 0.01, 0, 0, 0))
    true = Camera(lens, AT.rotation, AT.centre_m)
    ground = np.stack(np.meshgrid([15.0, 30, 45], [-10.0, 0, 5]), -1).reshape(-1, 2)
    got = pose_from_ground(ground, true.project_ground(ground), lens, true.moved(np.full(3, 0.02), np.full(3, 0.5)))
    assert got is not None
    assert got.centre_m == pytest.approx(true.centre_m, abs=1e-3)
    assert pose_from_ground(ground[:3], true.project_ground(ground[:3]), lens, true) is None


def test_inside_a_polygon() -> None:
    """An arrowhead: the notch at its foot is outside."""
    arrow = np.array([[0, 0], [4, 8], [8, 0], [4, 3]], float)
    assert inside_polygon(np.array([[4, 5], [4, 1], [1, 1], [9, 1], [2, 2]], float), arrow).tolist() == [
        True, False, True, False, True]


CONES_M = [(14.0, 1.0), (16.5, -3.0), (22.0, 0.5), (33.0, -5.0), (41.0, -0.5), (46.0, -6.5)]
LED_M = np.array([0.5, 0.0, 0.0])  # along the lines, as moving shadows lead it


def with_cones(picture: np.ndarray, camera: Camera) -> np.ndarray:
    """Orange squares of 0.7 m (six pixels of this coarse picture), drawn by OpenCV to a sixteenth of a pixel."""
    out = picture.copy()
    for x, y in CONES_M:
        corners = np.array([(x - 0.35, y - 0.35), (x + 0.35, y - 0.35), (x + 0.35, y + 0.35), (x - 0.35, y + 0.35)])
        px = np.round(camera.project_ground(corners) * 16).astype(np.int32)
        cv2.fillConvexPoly(out, px, (30, 96, 240), cv2.LINE_AA, 4)
    return out


def asked(reference: GroundReference, picture: np.ndarray, at: Camera) -> tuple[Placed, Placed | NotPlaced]:
    """A picture said to be placed there, and what becomes of it."""
    placed = Placed(at, np.eye(6), 1.0, 1.0, 1.0)
    return placed, reference.not_slid(placed, picture, pyramid(flattened(picture), 2), None)


def test_a_camera_that_slid_along_the_lines_is_put_back_by_the_cones() -> None:
    """One that lies right, or sees from higher up, is left; so is one where there is no cone to tell it."""
    true = AT.moved(np.array([0.002, -0.001, 0.003]), np.array([0.1, -0.1, 0.0]))
    higher = AT.moved(np.zeros(3), np.array([0.0, 0.0, 8.0]))
    reference = GroundReference(with_cones(seen(AT), AT), AT)
    for at, start in ((true, true.moved(np.zeros(3), LED_M)), (true, true), (higher, higher)):
        placed, got = asked(reference, with_cones(seen(at, seed=5), at), start)
        assert isinstance(got, Placed)
        assert worst_px(got.camera, at) < 0.15
        assert (got is placed) == (at is start)
    placed, got = asked(GroundReference(seen(AT), AT), seen(true, seed=5), true.moved(np.zeros(3), LED_M))
    assert got is placed


def test_a_slid_camera_is_not_kept_where_nothing_of_the_ground_is_known_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Other ground between the same lines, as under trees: the cones say that it slid, nothing says where exactly."""
    reference = GroundReference(with_cones(seen(AT), AT), AT)
    monkeypatch.setattr("test_ground.TEXTURE", ground_texture(seed=9))
    later = with_cones(seen(AT, seed=5), AT)
    _, got = asked(reference, later, AT.moved(np.zeros(3), LED_M))
    assert isinstance(got, NotPlaced) and "cones" in got.reason
