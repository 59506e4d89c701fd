"""What a picture shows at points of the world, and how that changes as they move: the inner loop of every fit.

Compiled, because it runs some hundred times a frame on some thousand points.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

from vision.camera import Camera


@dataclass(frozen=True)
class Sampled:
    """Of n points those seen (n,) bool inside the picture; for the m seen ones: in_camera_m (m, 3) their place in the
    camera frame, value (m,) bilinear grey, slope (m, 3) change of grey per metre of movement in the camera frame."""

    seen: np.ndarray
    in_camera_m: np.ndarray
    value: np.ndarray
    slope: np.ndarray


def sample(picture: np.ndarray, camera: Camera, points_m: np.ndarray, wanted: np.ndarray | None = None) -> Sampled:
    """Look up world points (n, 3) m in a float32 picture (h, w) of `camera`; `wanted` (n,) bool leaves others out.

    The gradient of grey is the central difference over a pixel either side, interpolated like the value."""
    lens = camera.lens
    points = np.ascontiguousarray(points_m, dtype=np.float64)
    keep = np.ones(len(points), np.bool_) if wanted is None else wanted
    seen, xc, value, slope = _sample(picture, points, keep, np.ascontiguousarray(camera.rotation, dtype=np.float64),
                                     np.asarray(camera.centre_m, np.float64), lens.fx, lens.fy, lens.cx, lens.cy,
                                     np.array(lens.dist, np.float64))
    return Sampled(seen, xc[seen], value[seen], slope[seen])


@numba.njit(cache=True, nogil=True)
def _sample(picture, points, keep, rotation, centre, fx, fy, cx, cy, dist):  # pragma: no cover (compiled)
    n = len(points)
    h, w = picture.shape
    k1, k2, p1, p2, k3 = dist
    seen = np.zeros(n, np.bool_)
    xc = np.empty((n, 3))
    value = np.empty(n)
    slope = np.empty((n, 3))
    for i in range(n):
        if not keep[i]:
            continue
        a, b, c = points[i, 0] - centre[0], points[i, 1] - centre[1], points[i, 2] - centre[2]
        px = rotation[0, 0] * a + rotation[0, 1] * b + rotation[0, 2] * c
        py = rotation[1, 0] * a + rotation[1, 1] * b + rotation[1, 2] * c
        pz = rotation[2, 0] * a + rotation[2, 1] * b + rotation[2, 2] * c
        if pz <= 0:
            continue
        x, y = px / pz, py / pz
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        u = fx * (x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)) + cx
        v = fy * (y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y) + cy
        if not (2 < u < w - 3 and 2 < v < h - 3):
            continue
        iu, iv = int(u), int(v)
        fu, fv = u - iu, v - iv
        top = (1 - fu) * picture[iv, iu] + fu * picture[iv, iu + 1]
        low = (1 - fu) * picture[iv + 1, iu] + fu * picture[iv + 1, iu + 1]
        above = (1 - fu) * picture[iv - 1, iu] + fu * picture[iv - 1, iu + 1]
        below = (1 - fu) * picture[iv + 2, iu] + fu * picture[iv + 2, iu + 1]
        du_top = (1 - fu) * (picture[iv, iu + 1] - picture[iv, iu - 1]) + fu * (
            picture[iv, iu + 2] - picture[iv, iu])
        du_low = (1 - fu) * (picture[iv + 1, iu + 1] - picture[iv + 1, iu - 1]) + fu * (
            picture[iv + 1, iu + 2] - picture[iv + 1, iu])
        value[i] = (1 - fv) * top + fv * low
        gu = 0.5 * ((1 - fv) * du_top + fv * du_low) * fx
        gv = 0.5 * ((1 - fv) * (low - above) + fv * (below - top)) * fy
        # Slope of the Brown model (its 2 x 2 matrix is symmetric), then of the division by z.
        bend = k1 + r2 * (2 * k2 + r2 * 3 * k3)
        xx = radial + 2 * x * x * bend + 2 * p1 * y + 6 * p2 * x
        xy = 2 * x * y * bend + 2 * p1 * x + 2 * p2 * y
        yy = radial + 2 * y * y * bend + 6 * p1 * y + 2 * p2 * x
        gx, gy = gu * xx + gv * xy, gu * xy + gv * yy
        slope[i, 0], slope[i, 1], slope[i, 2] = gx / pz, gy / pz, -(gx * x + gy * y) / pz
        xc[i, 0], xc[i, 1], xc[i, 2] = px, py, pz
        seen[i] = True
    return seen, xc, value, slope
