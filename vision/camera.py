"""A full camera: lens with distortion, and where it is. World = course frame (m).

OpenCV conventions: Xc = R (Xw - C), camera x right, y down, z along the view; Brown distortion
(k1, k2, p1, p2, k3); pixel (0, 0) is the centre of the top-left pixel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numba
import numpy as np

from analysis.track import CameraPath


@dataclass(frozen=True)
class Lens:
    """Intrinsics in pixels of a width_px x height_px picture; dist = (k1, k2, p1, p2, k3)."""

    width_px: int
    height_px: int
    fx: float
    fy: float
    cx: float
    cy: float
    dist: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)

    @classmethod
    def ideal(cls, width_px: int, height_px: int, focal_px: float) -> Lens:
        return cls(width_px, height_px, focal_px, focal_px, (width_px - 1) / 2, (height_px - 1) / 2)

    @property
    def matrix(self) -> np.ndarray:
        return np.array([[self.fx, 0, self.cx], [0, self.fy, self.cy], [0, 0, 1.0]])

    @property
    def dist_array(self) -> np.ndarray:
        return np.array(self.dist)

    def scaled(self, factor: float) -> Lens:
        """The same lens for a picture resized by `factor` (pixel centres at whole numbers)."""
        shift = (factor - 1) / 2
        return replace(self, width_px=round(self.width_px * factor), height_px=round(self.height_px * factor),
                       fx=self.fx * factor, fy=self.fy * factor,
                       cx=self.cx * factor + shift, cy=self.cy * factor + shift)

    def cropped(self, left_px: int, top_px: int) -> Lens:
        """The same lens for a picture that starts that much further right and down."""
        return replace(self, width_px=self.width_px - left_px, height_px=self.height_px - top_px,
                       cx=self.cx - left_px, cy=self.cy - top_px)

    def zoomed(self, ratio: float) -> Lens:
        """The lens with its focal length times `ratio`. The bend belongs to the picture, so it keeps its size there."""
        k1, k2, p1, p2, k3 = self.dist
        return replace(self, fx=self.fx * ratio, fy=self.fy * ratio,
                       dist=(k1 * ratio**2, k2 * ratio**4, p1 * ratio, p2 * ratio, k3 * ratio**6))

    @property
    def numbers(self) -> np.ndarray:
        """(9,) fx, fy, cx, cy and the five of the bend, as the compiled loops want them."""
        return np.array([self.fx, self.fy, self.cx, self.cy, *self.dist])

    def rays(self, px: np.ndarray) -> np.ndarray:
        """(n, 2) pixels to (n, 3) directions in the camera frame, third component 1; NaN where a bend so strong has no
        direction for a pixel (Brown's model folds back beyond some distance from the middle)."""
        return _rays(_rows(px, 2), self.numbers)


@dataclass(frozen=True)
class Camera:
    """A lens at a place: rotation (3, 3) world to camera, centre_m (3,) in the world."""

    lens: Lens
    rotation: np.ndarray
    centre_m: np.ndarray

    @property
    def _place(self) -> tuple[np.ndarray, np.ndarray]:
        return np.ascontiguousarray(self.rotation, float), np.ascontiguousarray(self.centre_m, float)

    def project(self, points_m: np.ndarray) -> np.ndarray:
        """(n, 3) world points (m) to (n, 2) pixels. Points behind the camera give meaningless pixels."""
        return _projected(_rows(points_m, 3), 0.0, *self._place, self.lens.numbers)

    def project_ground(self, points_m: np.ndarray, z_m: float = 0.0) -> np.ndarray:
        """(n, 2) points of the level z = z_m to (n, 2) pixels."""
        return _projected(_rows(points_m, 2), float(z_m), *self._place, self.lens.numbers)

    def to_ground(self, px: np.ndarray, z_m: float = 0.0) -> np.ndarray:
        """(n, 2) pixels to (n, 2) points (m) where their rays meet the level z = z_m; NaN above the horizon."""
        return self.along_rays(self.lens.rays(px), z_m)

    def along_rays(self, rays: np.ndarray, z_m: float = 0.0) -> np.ndarray:
        """(n, 3) directions in the camera frame to (n, 2) points (m) of the level z = z_m; NaN where they miss it."""
        return _met(_rows(rays, 3), *self._place, float(z_m))

    def moved(self, turn_rad: np.ndarray, shift_m: np.ndarray) -> Camera:
        """The camera turned by the rotation vector (in its own frame) and shifted (in the world)."""
        return Camera(self.lens, rotation_matrix(turn_rad) @ self.rotation, self.centre_m + shift_m)

    def metres_per_pixel(self) -> float:
        """Ground sample distance at the principal point (m/px); H / f at the nadir."""
        c = np.array([[self.lens.cx, self.lens.cy], [self.lens.cx + 1, self.lens.cy], [self.lens.cx, self.lens.cy + 1]])
        g = self.to_ground(c)
        a, b = g[1] - g[0], g[2] - g[0]
        return math.sqrt(abs(float(a[0] * b[1] - a[1] * b[0])))


def _rows(points: np.ndarray, size: int) -> np.ndarray:
    return np.ascontiguousarray(points, float).reshape(-1, size)


# Compiled, because fits call them ten thousand times a clip with a dozen points, where numpy's own start costs most.


@numba.njit(cache=True, nogil=True, error_model="numpy")
def pixel_of(x, y, z, numbers):  # pragma: no cover (compiled)
    """The Brown model: a place in the camera frame to a pixel (u, v); numbers: Lens.numbers."""
    fx, fy, cx, cy, k1, k2, p1, p2, k3 = numbers
    x, y = x / z, y / z
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return (fx * (x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)) + cx,
            fy * (y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y) + cy)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _projected(points, level_m, r, c, numbers):  # pragma: no cover (compiled)
    """Pixels of points (n, 3), or of points (n, 2) at one level."""
    n, flat = len(points), points.shape[1] == 2
    out = np.empty((n, 2))
    for i in range(n):
        x, y, z = in_camera(points[i, 0], points[i, 1], level_m if flat else points[i, 2], r, c)
        out[i, 0], out[i, 1] = pixel_of(x, y, z, numbers)
    return out


@numba.njit(cache=True, nogil=True)
def in_camera(x, y, z, r, c):  # pragma: no cover (compiled)
    """A world point in the frame of a camera of rotation r (3, 3) at c (3,)."""
    x, y, z = x - c[0], y - c[1], z - c[2]
    return (r[0, 0] * x + r[0, 1] * y + r[0, 2] * z, r[1, 0] * x + r[1, 1] * y + r[1, 2] * z,
            r[2, 0] * x + r[2, 1] * y + r[2, 2] * z)


FOUND = 1e-6
"""A last step of Newton's method, as a share of the focal length, that has come to a direction: a thousandth of a px.
"""


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _rays(px, numbers):  # pragma: no cover (compiled)
    """Newton's method on the Brown model, point by point (its 2 x 2 Jacobian is symmetric)."""
    fx, fy, cx, cy, k1, k2, p1, p2, k3 = numbers
    straight = k1 == 0 and k2 == 0 and p1 == 0 and p2 == 0 and k3 == 0
    out = np.empty((len(px), 3))
    for i in range(len(px)):
        u, v = (px[i, 0] - cx) / fx, (px[i, 1] - cy) / fy
        x, y, found = u, v, straight
        for _ in range(0 if straight else 12):
            r2 = x * x + y * y
            radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
            slope = k1 + r2 * (2 * k2 + r2 * 3 * k3)
            ex = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x) - u
            ey = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y - v
            a = radial + 2 * x * x * slope + 2 * p1 * y + 6 * p2 * x
            b = 2 * x * y * slope + 2 * p1 * x + 2 * p2 * y
            d = radial + 2 * y * y * slope + 6 * p1 * y + 2 * p2 * x
            det = a * d - b * b
            dx, dy = (d * ex - b * ey) / det, (a * ey - b * ex) / det
            x, y = x - dx, y - dy
            found = max(abs(dx), abs(dy)) < FOUND and det > 0 and a + d > 0  # on this side of the fold
            if max(abs(dx), abs(dy)) < 1e-12:
                break
        if not found:
            x = y = np.nan
        out[i, 0], out[i, 1], out[i, 2] = x, y, 1.0
    return out


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _met(rays, r, c, z_m):  # pragma: no cover (compiled)
    """Where rays (n, 3) of the camera frame meet the level z_m; NaN where they do not."""
    out = np.empty((len(rays), 2))
    for i in range(len(rays)):
        x, y, z = rays[i, 0], rays[i, 1], rays[i, 2]
        s = (z_m - c[2]) / (r[0, 2] * x + r[1, 2] * y + r[2, 2] * z)
        if not s > 0:
            s = np.nan
        out[i, 0] = c[0] + s * (r[0, 0] * x + r[1, 0] * y + r[2, 0] * z)
        out[i, 1] = c[1] + s * (r[0, 1] * x + r[1, 1] * y + r[2, 1] * z)
    return out


@numba.njit(cache=True, nogil=True)
def turned(turn):  # pragma: no cover (compiled)
    """`rotation_matrix` for compiled code, of a turn (3,) that is a small part of a circle."""
    angle = np.sqrt((turn * turn).sum())
    # sin(a)/a and (1 - cos(a))/a^2, by their series where the quotient would lose its digits
    a = np.sin(angle) / angle if angle > 1e-4 else 1 - angle**2 / 6
    b = (1 - np.cos(angle)) / angle**2 if angle > 1e-4 else 0.5 - angle**2 / 24
    x, y, z = turn
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.eye(3) + a * cross + b * (cross @ cross)


def rotation_matrix(turn_rad: np.ndarray) -> np.ndarray:
    """Rodrigues: rotation vector (3,) to matrix (3, 3)."""
    return cv2.Rodrigues(np.asarray(turn_rad, float).reshape(3, 1))[0]


def rotation_vector(matrix: np.ndarray) -> np.ndarray:
    return cv2.Rodrigues(np.asarray(matrix, float))[0].ravel()


def camera_path(cameras: list[Camera | None], t_s: np.ndarray, lens: Lens, focal_sd_px: float) -> CameraPath:
    """The cameras as plain numbers for the Track; frames that could not be placed are None."""
    placed = np.array([c is not None for c in cameras], bool)
    n = len(cameras)
    rotation, centre = np.tile(np.eye(3), (n, 1, 1)), np.zeros((n, 3))
    for i, c in enumerate(cameras):
        if c is not None:
            rotation[i], centre[i] = c.rotation, c.centre_m
    return CameraPath(lens.width_px, lens.height_px, lens.fx, lens.fy, lens.cx, lens.cy, lens.dist,
                      np.asarray(t_s, float), rotation, centre, placed, focal_sd_px)
