"""The command that calibrates a lens: on chessboards that OpenCV projects, from a known lens."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from cli.files import read_lens
from cli.main import OK, TROUBLE, main

FOCAL_PX, K1 = 700.0, -0.08
SIZE = (960, 540)


def board(slant: tuple[float, float, float], at_m: tuple[float, float, float]) -> np.ndarray:
    """A board of 9 by 6 inner corners, 5 cm squares, drawn square by square with cv2.projectPoints."""
    picture = np.full((SIZE[1], SIZE[0]), 150, np.uint8)
    matrix = np.array([[FOCAL_PX, 0, 479.5], [0, FOCAL_PX, 269.5], [0, 0, 1]])
    for row in range(-1, 6):
        for col in range(-1, 9):
            square = np.array([[col, row, 0], [col + 1, row, 0], [col + 1, row + 1, 0], [col, row + 1, 0]]) * 0.05
            px = cv2.projectPoints(square - [0.2, 0.125, 0], np.array(slant), np.array(at_m), matrix,
                                   np.array([K1, 0, 0, 0, 0]))[0]
            cv2.fillConvexPoly(picture, np.round(px * 16).astype(np.int32), 20 if (row + col) % 2 else 235,
                               cv2.LINE_AA, 4)
    return cv2.GaussianBlur(picture, (0, 0), 0.7)


def test_a_lens_from_pictures(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    views = [((0.3 * a, 0.3 * b, 0.1 * a), (0.22 * c, 0.11 * d, 0.82 + 0.05 * a))
             for a, b, c, d in ((0, 0, 0, 0), (1, 0, 1, 1), (-1, 0, -1, -1), (0, 1, 1, -1), (0, -1, -1, 1),
                                (1, 1, 0, 1), (-1, 1, 1, 0), (1, -1, -1, 0))]
    names = [tmp_path / f"{i}.png" for i in range(len(views))]
    for name, view in zip(names, views, strict=True):
        cv2.imwrite(str(name), board(*view))
    out = tmp_path / "drone.lens.toml"
    assert main(["lens", *map(str, names), "-o", str(out)]) == OK
    lens = read_lens(out)
    assert lens.fx == pytest.approx(FOCAL_PX, rel=0.01)
    assert lens.dist[0] == pytest.approx(K1, abs=0.03)
    assert "from 8 pictures" in capsys.readouterr().out
    assert main(["lens", *map(str, names), "-o", str(out)]) == TROUBLE  # the file there is left as it is
    assert "exists already" in capsys.readouterr().err


def test_no_board(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    cv2.imwrite(str(tmp_path / "grey.png"), np.full((540, 960), 90, np.uint8))
    assert main(["lens", str(tmp_path / "grey.png"), "-o", str(tmp_path / "x.toml")]) == TROUBLE
    assert "is seen in 0 pictures" in capsys.readouterr().err
    assert main(["lens", str(tmp_path / "none.mp4"), "-o", str(tmp_path / "x.toml")]) == TROUBLE
    assert "no such file" in capsys.readouterr().err
