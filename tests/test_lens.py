"""Chessboard calibration against the published set, and against a lens of our own choosing."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from analysis.trouble import Trouble
from vision.camera import Camera, Lens, rotation_matrix
from vision.lens import calibrate, lens_table

PUBLISHED = Path(__file__).parents[2] / "shared" / "data" / "calib_opencv_chessboard"


def board_picture(lens: Lens, turn: tuple[float, float, float], aim_m: tuple[float, float],
                  away_m: float) -> np.ndarray:
    """A 10 x 7 square board of 0.1 m in the plane z = 0, four times supersampled; the camera's axis meets it at aim."""
    fine = lens.scaled(4)
    rotation = rotation_matrix(np.array(turn)) @ np.diag([1.0, -1.0, -1.0])
    camera = Camera(fine, rotation, np.array([*aim_m, 0.0]) - away_m * rotation[2])
    picture = np.full((fine.height_px, fine.width_px), 120, np.uint8)

    def fill(x0: float, y0: float, x1: float, y1: float, grey: int) -> None:
        t = np.linspace(0, 1, 12)
        edge = np.concatenate([np.column_stack([x0 + (x1 - x0) * t, np.full(12, y0)]),
                               np.column_stack([np.full(12, x1), y0 + (y1 - y0) * t]),
                               np.column_stack([x1 - (x1 - x0) * t, np.full(12, y1)]),
                               np.column_stack([np.full(12, x0), y1 - (y1 - y0) * t])])
        cv2.fillPoly(picture, [np.round(camera.project_ground(edge) * 16).astype(np.int32)], grey, cv2.LINE_8, 4)

    fill(-0.1, -0.1, 1.1, 0.8, 230)
    for i in range(10):
        for j in range(7):
            if (i + j) % 2 == 0:
                fill(0.1 * i, 0.1 * j, 0.1 * i + 0.1, 0.1 * j + 0.1, 25)
    return cv2.resize(picture, (lens.width_px, lens.height_px), interpolation=cv2.INTER_AREA)


def own_views(lens: Lens) -> list[tuple[str, np.ndarray]]:
    places = [((0.0, 0.0, 0.0), (0.5, 0.35), 1.1), ((0.4, 0.1, 0.1), (0.3, 0.2), 1.3),
              ((-0.4, 0.2, -0.2), (0.75, 0.5), 1.4), ((0.1, 0.5, 0.3), (0.3, 0.5), 1.4),
              ((0.2, -0.45, 0.0), (0.7, 0.15), 1.4), ((-0.3, -0.3, 0.5), (0.4, 0.3), 1.5),
              ((0.35, 0.35, 1.2), (0.6, 0.45), 1.5), ((0.0, -0.2, 0.0), (0.2, 0.2), 1.2)]
    return [(f"view{i}", board_picture(lens, *place)) for i, place in enumerate(places)]


def test_recovers_a_lens_of_our_own() -> None:
    lens = Lens(800, 600, 640.0, 640.0, 405.0, 296.0, (-0.12, 0.03, 0.0, 0.0, 0.0))
    got = calibrate(own_views(lens))
    assert len(got.used) >= 5
    assert got.lens.fx == pytest.approx(640.0, abs=1.5)
    assert got.lens.cx == pytest.approx(405.0, abs=1.5)
    assert got.lens.cy == pytest.approx(296.0, abs=1.5)
    assert got.lens.dist[0] == pytest.approx(-0.12, abs=0.02)
    assert got.rms_px < 0.15  # the painter's own edges are good to an eighth of a pixel


def test_a_bent_board_is_left_out_and_named() -> None:
    lens = Lens(800, 600, 640.0, 640.0, 400.0, 300.0)
    views = own_views(lens)
    v, u = np.mgrid[0:600, 0:800].astype(np.float32)
    bent = cv2.remap(views[0][1], u + 3 * np.sin(u / 60), v + 3 * np.cos(v / 50), cv2.INTER_LINEAR)
    got = calibrate([*views, ("bent", bent)])
    assert [name for name, _ in got.rejected] == ["bent"]
    assert got.lens.fx == pytest.approx(640.0, abs=2.0)


def test_too_few_boards_is_said_plainly() -> None:
    grey = np.full((480, 640), 128, np.uint8)
    with pytest.raises(Trouble, match="seen in 0 pictures"):
        calibrate([("a", grey), ("b", grey)])


def test_pictures_of_two_sizes_are_refused_by_name() -> None:
    with pytest.raises(Trouble, match="b: is 320×240, the others are 640×480"):
        calibrate([("a", np.zeros((480, 640), np.uint8)), ("b", np.zeros((240, 320), np.uint8))])


def test_lens_table_reads_back_as_the_same_lens() -> None:
    from cli.files import lens_from_table

    lens = Lens(1920, 1080, 1066.188, 1065.9, 959.5, 539.25, (-0.03, 0.006, 1e-4, -2e-4, 0.001))
    assert lens_from_table(lens_table(lens, "mast")) == lens


@pytest.mark.parametrize("side", ["left", "right"])
def test_published_chessboards(side: str) -> None:
    """OpenCV's sample chessboards. left_intrinsics.yml (published): f 535.916, cx 342.283, cy 235.571, k1 -0.2664.

    With corners refined in a fixed 11 x 11 window, as published, view 02 is an outlier (1.2 px against 0.2 px) and the
    RMS 0.41 px; without that view f is 534.1 and the RMS 0.234 (shared/data/SOURCES.md). The board is small in view 02,
    so that window reaches the next corners; a window scaled to the board cures the view instead of losing it.
    """
    files = sorted(PUBLISHED.glob(f"{side}[0-9]*.jpg"))
    if not files:
        pytest.skip("the published chessboard pictures are not on this machine (shared/data/calib_opencv_chessboard)")
    got = calibrate([(f.stem, cv2.imread(str(f), cv2.IMREAD_GRAYSCALE)) for f in files])
    assert f"{side}02" in got.used
    assert got.rms_px < 0.27
    if side == "left":
        assert got.lens.fx == pytest.approx(535.9, abs=3 * 0.9)  # 3 sd of the published kind of fit
        assert got.lens.fx == pytest.approx(534.1, abs=2 * 0.6)  # 2 sd of the fit without the outlier
        assert got.lens.cx == pytest.approx(342.3, abs=2.0)
        assert got.lens.cy == pytest.approx(235.6, abs=2.0)
        assert got.lens.dist[0] == pytest.approx(-0.266, abs=0.02)
        assert 0.2 < got.sd_px[0] < 0.8
