"""Pictures laid out in the vehicle's own metres, as if seen from straight above: what several cameras saw becomes
comparable pixel by pixel. Compiled, because a roof is laid out some hundred times before it is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numba
import numpy as np

from vision.camera import Camera, in_camera, pixel_of
from vision.overlap import side_by_side
from vision.solid import Pose
from vision.sorting import sort_columns, sorting

BANDS = 8  # parts that pictures are averaged in, so that all cores have work
AT_ONCE = 128  # values averaged side by side: they stay in the processor's nearest memory


@dataclass(frozen=True)
class Layout:
    """Where the pixels of a laid-out picture (rows, cols) lie in the vehicle frame: those of row 0 at y = top_m,
    those of column 0 at x = rear_m, spacing_m apart."""

    rear_m: float
    top_m: float
    spacing_m: float
    rows: int
    cols: int

    @property
    def x_m(self) -> np.ndarray:
        """(cols,), rising."""
        return self.rear_m + self.spacing_m * np.arange(self.cols)

    @property
    def y_m(self) -> np.ndarray:
        """(rows,), falling."""
        return self.top_m - self.spacing_m * np.arange(self.rows)

    @property
    def grid_m(self) -> np.ndarray:
        """(rows, cols, 2)."""
        return np.stack(np.meshgrid(self.x_m, self.y_m), -1)

    def part(self, rows: slice, cols: slice) -> Layout:
        return Layout(float(self.x_m[cols][0]), float(self.y_m[rows][0]), self.spacing_m, len(self.y_m[rows]),
                      len(self.x_m[cols]))

    def at(self, picture: np.ndarray, x_m: np.ndarray, y_m: np.ndarray) -> np.ndarray:
        """What a picture so laid out (rows, cols, ...) holds at places (n, m) m, bilinear; its border beyond it."""
        col, row = (x_m - self.rear_m) / self.spacing_m, (self.top_m - y_m) / self.spacing_m
        return cv2.remap(picture, col.astype(np.float32), row.astype(np.float32), cv2.INTER_LINEAR,
                         borderMode=cv2.BORDER_REPLICATE)

    def laid_out(self, bgr: np.ndarray, camera: Camera, pose: Pose, height_m: np.ndarray | float) -> np.ndarray:
        """(rows, cols, 3) float32: what a picture (h, w, 3) uint8 shows there at height_m (rows, cols), or one height,
        with the vehicle at `pose`; the picture's own border where that lies outside."""
        return self._seen(bgr, camera, pose, height_m, 1.0, camera.centre_m)

    def ground_behind(self, bgr: np.ndarray, camera: Camera, pose: Pose, height_m: float,
                      seen_from: Camera) -> np.ndarray:
        """The same of the ground that lies behind these places at height_m for the camera `seen_from`, looked up in a
        picture of the other `camera`."""
        stretch = seen_from.centre_m[2] / (seen_from.centre_m[2] - height_m)
        return self._seen(bgr, camera, pose, 0.0, stretch, seen_from.centre_m)

    def _seen(self, bgr: np.ndarray, camera: Camera, pose: Pose, height_m: np.ndarray | float, stretch: float,
              about_m: np.ndarray) -> np.ndarray:
        """The layout stretched about a place of the course."""
        c, s = stretch * math.cos(pose.heading_rad), stretch * math.sin(pose.heading_rad)
        x, y = np.array([pose.x_m, pose.y_m]) * stretch + about_m[:2] * (1 - stretch)
        height, out = np.empty((self.rows, self.cols), np.float32), np.empty((self.rows, self.cols, 3), np.float32)
        height[:] = height_m
        _look_up(bgr, self.x_m, self.y_m, height, np.array([x, y, c, s]),
                 np.ascontiguousarray(camera.rotation, np.float64), np.asarray(camera.centre_m, np.float64),
                 camera.lens.numbers, out)
        return out


def average(pictures: Sequence[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Median (rows, cols, 3) of pictures laid out alike, and their robust scatter (rows, cols; grey levels, mean of the
    channels)."""
    middle, scatter = np.empty_like(pictures[0]), np.empty_like(pictures[0])
    pairs = sorting(len(pictures))

    def band(rows: np.ndarray) -> None:
        if len(rows):
            part = slice(rows[0], rows[-1] + 1)
            stack = np.stack([p[part].ravel() for p in pictures])
            _medians(stack, pairs, middle[part].reshape(-1), scatter[part].reshape(-1))

    side_by_side(band, np.array_split(np.arange(len(middle)), BANDS))
    return middle, scatter.mean(axis=2)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _look_up(bgr, x_m, y_m, height_m, pose, rotation, centre, lens, out):  # pragma: no cover (compiled)
    """Bilinear. lens: Lens.numbers."""
    h, w, _ = bgr.shape
    px, py, c, s = pose
    for i in range(len(y_m)):
        for j in range(len(x_m)):
            x, y, z = in_camera(px + c * x_m[j] - s * y_m[i], py + s * x_m[j] + c * y_m[i], height_m[i, j], rotation,
                                centre)
            u, v = pixel_of(x, y, z, lens)
            u = min(u, w - 1.001) if u > 0 else 0.0  # also where there is no number, behind the camera
            v = min(v, h - 1.001) if v > 0 else 0.0
            iu, iv = int(u), int(v)
            fu, fv = u - iu, v - iv
            for k in range(3):
                top = (1 - fu) * bgr[iv, iu, k] + fu * bgr[iv, iu + 1, k]
                low = (1 - fu) * bgr[iv + 1, iu, k] + fu * bgr[iv + 1, iu + 1, k]
                out[i, j, k] = (1 - fv) * top + fv * low


@numba.njit(cache=True, nogil=True)
def _medians(stack, pairs, middle, scatter):  # pragma: no cover (compiled)
    """Median of stack (n, m) into `middle` (m,), 1.4826 times the median distance from it into `scatter` (m,)."""
    n, m = stack.shape
    values = np.empty((n, AT_ONCE), np.float32)
    for start in range(0, m, AT_ONCE):
        count = min(AT_ONCE, m - start)
        values[:, :count] = stack[:, start:start + count]
        sort_columns(values, pairs)
        for q in range(count):
            median = np.float32(0.5) * (values[(n - 1) // 2, q] + values[n // 2, q])
            middle[start + q] = median
            for i in range(n):
                values[i, q] = abs(values[i, q] - median)
        sort_columns(values, pairs)
        for q in range(count):
            scatter[start + q] = np.float32(1.4826 * 0.5) * (values[(n - 1) // 2, q] + values[n // 2, q])
