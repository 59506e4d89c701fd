"""What stands above a roof, from how it leans away from below the camera as the vehicle moves."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numba
import numpy as np

from analysis.body import Solid
from vision.camera import Camera
from vision.ground import CORRELATED, TUKEY
from vision.laid_out import Layout
from vision.overlap import side_by_side
from vision.roof import MARGIN_M, PIECE_M, best_mix, grey_noise, on_roof
from vision.sampling import ROUNDING
from vision.solid import Pose

RIM_BAND_M = 0.3
"""Width of the band along the rim that is held to the entered height."""
BESIDE_M = 0.08
"""How far beyond the entered outline something may still be of the roof: what a coarse place is off after averaging."""
HEIGHT_SD_M, UNSURE_M = 0.3, 0.1
"""What stands on a roof is mostly lower than the first; a height less sure than the second tells nothing."""
LEAST_HEIGHT_M, SURE = 0.04, 3.0
"""What is lower moves a pixel by less than its own blur; nor is a height believed below so many standard deviations."""
LOOSE = 2.0
"""Pixels that move by more than one before they are in place: Tukey's bound is widened by this much."""


def with_heights(solid: Solid, layout: Layout, picture: np.ndarray, variation: np.ndarray, height_m: np.ndarray,
                 patches: Sequence[np.ndarray | None], poses: Sequence[Pose | None],
                 cameras: Sequence[Camera]) -> tuple[np.ndarray, list[Pose | None]]:
    """Better heights (rows, cols) and poses. picture, variation: average of the `patches`, which are the pictures laid
    out at height_m.

    Linear least squares over all pictures: each block of the roof has one unknown height, each picture three unknown
    pose corrections. The blocks along the rim are held to the entered height, since only there is it known.
    """
    grid = layout.grid_m
    used = on_roof(solid, grid, -BESIDE_M)
    block, count, rim = _blocks(solid, layout, used)
    mix = best_mix(picture, solid, layout)
    grey = cv2.transform(picture, mix.reshape(1, 3))
    gx = cv2.Sobel(grey, cv2.CV_32F, 1, 0, scale=1 / 8) / layout.spacing_m
    gy = -cv2.Sobel(grey, cv2.CV_32F, 0, 1, scale=1 / 8) / layout.spacing_m
    sel = np.flatnonzero(used.ravel())
    x, y = (np.ascontiguousarray(a) for a in grid.reshape(-1, 2)[sel].T)
    about = (grey.ravel()[sel], gx.ravel()[sel], gy.ravel()[sel], x, y,
             1 / (variation.ravel()[sel] + grey_noise(variation, used)) ** 2, block)

    def seen_by(patch: np.ndarray | None, pose: Pose | None, camera: Camera) -> tuple[np.ndarray, ...] | None:
        if patch is None or pose is None:
            return None
        c, s = math.cos(pose.heading_rad), math.sin(pose.heading_rad)
        dx, dy = pose.x_m - camera.centre_m[0], pose.y_m - camera.centre_m[1]
        beyond = np.array([c * dx + s * dy, -s * dx + c * dy, camera.centre_m[2] - solid.z_max_m])
        residual = cv2.transform(patch, mix.reshape(1, 3)).ravel()[sel] - about[0]
        return _equations(residual, *about[1:], count, beyond)

    n = len(poses)
    normal, right = np.zeros((3 * n + count, 3 * n + count)), np.zeros(3 * n + count)
    for i, got in enumerate(side_by_side(seen_by, patches, poses, cameras)):
        if got is not None:
            k = slice(3 * i, 3 * i + 3)
            own, cross, heights, own_right, heights_right = got
            normal[k, k], normal[k, 3 * n:], normal[3 * n:, k], right[k] = own, cross, cross.T, own_right
            normal[3 * n:, 3 * n:][np.diag_indices(count)] += heights
            right[3 * n:] += heights_right
    held = np.where(rim, 1e9, 1 / HEIGHT_SD_M**2)
    # Heights are corrections to the present ones: pull the total, not the correction, towards the roof.
    present = np.bincount(block, height_m.ravel()[sel] - solid.z_max_m, count) / np.bincount(block, minlength=count)
    normal[np.diag_indices(3 * n + count)] += np.concatenate([np.full(3 * n, 1e-6), held])
    right[3 * n:] -= held * present
    cov = np.linalg.inv(normal)
    solution, sd = cov @ right, np.sqrt(np.diag(cov)[3 * n:])
    # Believe a height only where it is well seen and well clear of the roof's.
    change = np.clip(solution[3 * n:] + present, -MARGIN_M, MARGIN_M)
    change[(np.abs(change) < np.maximum(SURE * sd, LEAST_HEIGHT_M)) | (sd > UNSURE_M)] = 0.0
    height = height_m.copy()
    height.ravel()[sel] = solid.z_max_m + change[block]
    return height, [p and p.shifted(*solution[3 * i:3 * i + 3]) for i, p in enumerate(poses)]


def _blocks(solid: Solid, layout: Layout, used: np.ndarray) -> tuple[np.ndarray, int, np.ndarray]:
    """Of each used pixel (m,) the number of its block; how many there are; which (count,) of them is the rim."""
    size = max(2, round(PIECE_M / layout.spacing_m))
    number = (np.arange(layout.rows)[:, None] // size) * (layout.cols // size + 1) + np.arange(layout.cols) // size
    number = np.where(on_roof(solid, layout.grid_m, RIM_BAND_M), number, -1)[used]
    names, block = np.unique(number, return_inverse=True)
    return block.ravel(), len(names), names == -1


@numba.njit(cache=True, nogil=True)
def _equations(residual, gx, gy, x, y, trust, block, count, beyond):  # pragma: no cover (compiled)
    """One picture's share of the normal equations: own (3, 3), with the heights (3, count), theirs (count,), and both
    right sides. `beyond`: the pose's place along and across its own axes from below the camera, and how far below."""
    own, own_right = np.zeros((3, 3)), np.zeros(3)
    cross, heights, heights_right = np.zeros((3, count)), np.zeros(count), np.zeros(count)
    bound = LOOSE * TUKEY * max(1.4826 * np.median(np.abs(residual)), ROUNDING)
    jac = np.empty(3)
    for i in range(len(residual)):
        inner = 1 - (residual[i] / bound) ** 2
        if inner <= 0:
            continue
        w = trust[i] * inner * inner / CORRELATED
        # patch(x) = picture(x - d), so the residual is -gradient . d, d = pose correction + lean x height
        jac[0], jac[1], jac[2] = -gx[i], -gy[i], gx[i] * y[i] - gy[i] * x[i]
        lean = -(gx[i] * (beyond[0] + x[i]) + gy[i] * (beyond[1] + y[i])) / beyond[2]
        b = block[i]
        for k in range(3):
            own_right[k] += w * jac[k] * residual[i]
            cross[k, b] += w * jac[k] * lean
            for j in range(3):
                own[k, j] += w * jac[k] * jac[j]
        heights[b] += w * lean * lean
        heights_right[b] += w * lean * residual[i]
    return own, cross, heights, own_right, heights_right
