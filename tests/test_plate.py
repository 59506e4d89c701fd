"""The empty yard from several pictures: the median of those that show it."""

from __future__ import annotations

import numpy as np
import pytest

from vision.camera import Camera, Lens
from vision.plate import _shares, build_plate
from vision.sorting import sorting

CAMERA = Camera(Lens.ideal(64, 48, 60.0), np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 10.0]))
SQUARE = np.array([[10, 10], [20, 10], [20, 20], [10, 20]], float)


@pytest.mark.parametrize("n", [1, 2, 3, 5, 9, 17, 28, 32])
def test_the_lower_median_of_those_that_count(n: int) -> None:
    rng = np.random.default_rng(n)
    values, count = rng.integers(0, 256, (n, 3 * 700)).astype(np.uint8), rng.integers(1, n + 1, 700).astype(np.uint8)
    out = np.empty(3 * 700, np.uint8)
    _shares(values, count, sorting(n), 0.5, out)
    middle = (np.repeat(count.astype(int), 3) - 1) // 2
    assert (out == np.sort(values, axis=0)[middle, np.arange(3 * 700)]).all()


def test_by_the_brighter_pictures_what_stood_there_most_of_the_time_is_gone() -> None:
    """Something dark stands in one spot in six of nine pictures: the median shows it, the brightest third does not."""
    pictures = [np.full((48, 64, 3), 100, np.uint8) for _ in range(9)]
    for p in pictures[:6]:
        p[10:21, 10:21] = 40
    usual, brighter = (build_plate(pictures, [CAMERA] * 9, CAMERA, darker=d).bgr[15, 15, 0] for d in (0.5, 0.8))
    assert usual < 50 and brighter > 90


def test_hidden_and_unseen_pixels() -> None:
    """One spot hidden in two of five pictures, another in all of them."""
    pictures = [np.full((48, 64, 3), 100, np.uint8) for _ in range(5)]
    for p in pictures[:2]:
        p[10:21, 10:21] = 255
    everywhere = SQUARE + np.array([30, 0])
    hidden = [SQUARE] * 2 + [everywhere] * 3
    plate = build_plate(pictures, [CAMERA] * 5, CAMERA, hidden)
    assert np.abs(plate.bgr[12:19, 12:19].astype(int) - 100).max() <= 3  # brightness is evened out
    assert plate.known[15, 15]
    assert not plate.known[15, 45]


def test_a_shadow_that_stood_long_is_left_out_where_others_show_the_spot() -> None:
    """One spot lies in shadow in six of eight pictures, another in seven: one alone is left that shows that one lit."""
    pictures = [np.full((48, 64, 3), 100, np.uint8) for _ in range(8)]
    for p in pictures[:6]:
        p[10:21, 10:21] = 40
    for p in pictures[:7]:
        p[10:21, 40:51] = 40
    shaded: list[np.ndarray | None] = [SQUARE] * 6 + [None] * 2
    lit = build_plate(pictures, [CAMERA] * 8, CAMERA, None, shaded)
    assert np.abs(lit.bgr[12:19, 12:19].astype(int) - 100).max() <= 8  # brightness is evened out
    assert lit.known[15, 15]
    elsewhere: list[np.ndarray | None] = [SQUARE + np.array([30, 0])] * 7 + [None]
    dark = build_plate(pictures, [CAMERA] * 8, CAMERA, None, elsewhere)
    assert dark.bgr[15, 45].max() < 60
