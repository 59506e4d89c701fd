"""A lens calibrated from pictures of a chessboard.

Each picture is judged by its own reprojection error: one that fits far worse than the rest (a board that was bent,
moved or blurred) is left out and named, because least squares would let it pull the focal length.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np

from analysis.trouble import Trouble
from vision.camera import Lens

LEAST_VIEWS = 5  # a plane seen five ways leaves no direction of the lens unseen (common practice is ten or more)
OUTLIER_FACTOR = 3.0  # times the median error of the views that are kept
LEAST_SPREAD = 0.3  # of the picture's width and of its height that the boards must cover together


@dataclass(frozen=True)
class Calibration:
    """`sd_px` are one-sigma of (fx, fy, cx, cy); `rms_px` over the views kept; `rejected` names views left out and
    their error (px); `boardless` names pictures in which no board was found."""

    lens: Lens
    sd_px: tuple[float, float, float, float]
    rms_px: float
    used: tuple[str, ...]
    rejected: tuple[tuple[str, float], ...]
    boardless: tuple[str, ...]


def calibrate(pictures: Iterable[tuple[str, np.ndarray]], corners: tuple[int, int] = (9, 6),
              square_m: float = 0.025) -> Calibration:
    """Calibrate from named pictures (bgr or grey, all of one size) of a board with `corners` inner corners.

    Five coefficients (k1, k2, p1, p2, k3) and free focal lengths by OpenCV's calibration. The square's size does not
    change the lens. Raises Trouble when there are too few boards, or they cover too little of the picture.
    """
    board = np.zeros((corners[0] * corners[1], 3), np.float32)
    board[:, :2] = np.mgrid[:corners[0], :corners[1]].T.reshape(-1, 2) * square_m
    views: list[tuple[str, np.ndarray]] = []
    boardless: list[str] = []
    size: tuple[int, int] | None = None
    for name, picture in pictures:
        grey = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
        if size is not None and size != grey.shape[1::-1]:
            raise Trouble(f"is {grey.shape[1]}×{grey.shape[0]}, the others are {size[0]}×{size[1]}", where=name,
                          remedy="use pictures of one camera with one setting")
        size = (grey.shape[1], grey.shape[0])
        found = find_board(grey, corners)
        if found is None:
            boardless.append(name)
        else:
            views.append((name, found))
    if size is None or len(views) < LEAST_VIEWS:
        raise Trouble(f"a whole board with {corners[0]}×{corners[1]} inner corners is seen in {len(views)} pictures",
                      where="chessboard", remedy=f"at least {LEAST_VIEWS} are needed, the board flat, sharp, wholly in "
                      "view and held at different slants")
    everywhere = np.vstack([c for _, c in views])
    spread = np.ptp(everywhere, axis=0) / size
    if spread.min() < LEAST_SPREAD:
        raise Trouble(f"the boards cover only {100 * spread.min():.0f} % of the picture's "
                      f"{'width' if spread[0] < spread[1] else 'height'}", where="chessboard",
                      remedy="hold the board also near the picture's edges and corners")
    return _without_outliers(board, views, size, boardless)


def find_board(grey: np.ndarray, corners: tuple[int, int]) -> np.ndarray | None:
    """(n, 2) inner corners to sub-pixel, None when the whole board is not seen."""
    ok, found = cv2.findChessboardCorners(grey, corners,
                                          flags=cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE)
    if not ok:
        return None
    found = found.reshape(-1, 2).astype(np.float32)
    step = min(float(np.hypot(*(found[1] - found[0]))), float(np.hypot(*(found[corners[0]] - found[0]))))
    half = int(np.clip(round(0.35 * step), 3, 11))  # the window must not reach the next corner
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 40, 1e-3)
    return cv2.cornerSubPix(grey, found.reshape(-1, 1, 2), (half, half), (-1, -1), criteria).reshape(-1, 2)


def _without_outliers(board: np.ndarray, views: list[tuple[str, np.ndarray]], size: tuple[int, int],
                      boardless: list[str]) -> Calibration:
    kept, rejected = list(views), []
    while True:
        rms, matrix, dist, _, _, sd, _, errors = cv2.calibrateCameraExtended(
            [board] * len(kept), [c.reshape(-1, 1, 2) for _, c in kept], size, np.eye(3), np.zeros(5))
        errors = errors.ravel()
        worst = int(np.argmax(errors))
        if errors[worst] < OUTLIER_FACTOR * np.median(errors) or len(kept) <= LEAST_VIEWS:
            break
        rejected.append((kept[worst][0], float(errors[worst])))
        del kept[worst]
    k = [float(d) for d in dist.ravel()[:5]]
    lens = Lens(size[0], size[1], float(matrix[0, 0]), float(matrix[1, 1]), float(matrix[0, 2]), float(matrix[1, 2]),
                (k[0], k[1], k[2], k[3], k[4]))
    s = [float(x) for x in sd.ravel()[:4]]
    return Calibration(lens, (s[0], s[1], s[2], s[3]), float(rms), tuple(n for n, _ in kept), tuple(rejected),
                       tuple(boardless))


def lens_table(lens: Lens, name: str = "") -> dict[str, str | int | float]:
    """The keys of a `*.lens.toml` file. Numbers keep more digits than any calibration knows."""
    table: dict[str, str | int | float] = {"schema": 1, "name": name, "width_px": lens.width_px,
                                           "height_px": lens.height_px}
    numbers = {"fx_px": lens.fx, "fy_px": lens.fy, "cx_px": lens.cx, "cy_px": lens.cy,
               **dict(zip(("k1", "k2", "p1", "p2", "k3"), lens.dist, strict=True))}
    return table | {k: float(f"{v:.8g}") if math.isfinite(v) else 0.0 for k, v in numbers.items()}
