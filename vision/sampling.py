"""What a picture shows at points of the world, and how that changes as they move: the inner loop of every fit.

Compiled, because it runs some hundred times a frame on some thousand points.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numba
import numpy as np

from vision.camera import Camera, in_camera, pixel_of

BLUR_SHARE, LEAST_BLUR_PX = 1 / 120, 10
"""Half the width of the brightness window, as a share of the picture and at least in pixels: wide against paint and
grain, narrow against the soft edges of shadows."""
ROUNDING = 1 / math.sqrt(12)
"""Standard deviation of a grey level from being a whole number: no picture is known better."""
COARSER = 4
"""The neighbourhood's mean changes so slowly that it is kept this many times smaller than the picture."""


@dataclass(frozen=True)
class Grey:
    """A picture looked up without slow brightness changes: each value of `shown` (h, w), uint8 or float32, less its
    neighbourhood's mean. `around` (rows, cols) float32 holds that mean, `share` of its pixels to one of `shown`."""

    shown: np.ndarray
    around: np.ndarray
    share: float

    def whole(self, every: int = 1) -> np.ndarray:
        """(h, w) float32: every pixel, or each so-manieth of each so-manieth row, less its neighbourhood's mean."""
        shown = self.shown[::every, ::every]
        zoom, shift = 1 / self.share / every, (1 / self.share - 1) / 2 / every
        return shown - cv2.warpAffine(self.around, np.array([[zoom, 0, shift], [0, zoom, shift]]), shown.shape[::-1],
                                      borderMode=cv2.BORDER_REPLICATE)


def flattened(bgr: np.ndarray, wider: float = 1.0) -> Grey:
    """The picture's (h, w, 3) or (h, w) uint8 grey, ready to be looked up without slow brightness changes (in a window
    so much wider than usual)."""
    grey = bgr if bgr.ndim == 2 else cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)
    w = grey.shape[1]
    small = _halved(_halved(grey)).astype(np.float32)  # twice by two is quicker by far than once by COARSER
    window = 2 * int(wider * max(LEAST_BLUR_PX, w * BLUR_SHARE) / COARSER) + 1
    return Grey(grey, cv2.boxFilter(small, -1, (window, window), borderType=cv2.BORDER_REFLECT), 1 / COARSER)


def pyramid(grey: Grey, levels: int) -> list[Grey]:
    """Full size first. Halving by 2x2 means keeps pixel centres where Lens.scaled puts them."""
    out = [grey]
    for _ in range(levels - 1):
        half = _halved(out[-1].shown)
        out.append(Grey(half, grey.around, out[-1].share * 2))
    return out


def _halved(picture: np.ndarray) -> np.ndarray:
    h, w = picture.shape
    return cv2.resize(picture[: h // 2 * 2, : w // 2 * 2], (w // 2, h // 2), interpolation=cv2.INTER_AREA)


def as_it_is(picture: np.ndarray) -> Grey:
    """A picture (h, w) to be looked up with nothing taken away."""
    return Grey(picture, np.zeros((2, 2), np.float32), 0.0)


@dataclass(frozen=True)
class Sampled:
    """Of n points those seen (n,) bool inside the picture; for the m seen ones: in_camera_m (m, 3) their place in the
    camera frame, value (m,) bilinear grey, slope (m, 3) change of grey per metre of movement in the camera frame."""

    seen: np.ndarray
    in_camera_m: np.ndarray
    value: np.ndarray
    slope: np.ndarray


def sample(picture: Grey, camera: Camera, points_m: np.ndarray, wanted: np.ndarray | None = None) -> Sampled:
    """Look up world points (n, 3) m in a picture of `camera`; `wanted` (n,) bool leaves others out.

    The gradient of grey is the central difference over a pixel either side, interpolated like the value."""
    lens = camera.lens
    points = np.ascontiguousarray(points_m, dtype=np.float64)
    keep = np.ones(len(points), np.bool_) if wanted is None else wanted
    seen, m, xc, value, slope = looked_up(
        picture.shown, picture.around, picture.share, points, keep,
        np.ascontiguousarray(camera.rotation, dtype=np.float64), np.asarray(camera.centre_m, np.float64), lens.numbers)
    return Sampled(seen, xc[:m], value[:m], slope[:m])


@numba.njit(cache=True, nogil=True)
def looked_up(shown, around, share, points, keep, rotation, centre, lens):  # pragma: no cover (compiled)
    """`sample` for callers that are compiled themselves: the points seen (n,) bool, how many, and their place, value
    and slope in the first so many rows. lens: Lens.numbers."""
    n = len(points)
    h, w = shown.shape
    rows, cols = around.shape
    fx, fy, _, _, k1, k2, p1, p2, k3 = lens
    seen = np.zeros(n, np.bool_)
    xc = np.empty((n, 3))
    value = np.empty(n)
    slope = np.empty((n, 3))
    m = 0
    for i in range(n):
        if not keep[i]:
            continue
        px, py, pz = in_camera(points[i, 0], points[i, 1], points[i, 2], rotation, centre)
        if pz <= 0:
            continue
        u, v = pixel_of(px, py, pz, lens)
        if not (2 < u < w - 3 and 2 < v < h - 3):
            continue
        iu, iv = int(u), int(v)
        fu, fv = u - iu, v - iv
        # As floating point at once: differences of unsigned bytes would wrap.
        above = (1 - fu) * float(shown[iv - 1, iu]) + fu * float(shown[iv - 1, iu + 1])
        t0, t1 = float(shown[iv, iu - 1]), float(shown[iv, iu])
        t2, t3 = float(shown[iv, iu + 1]), float(shown[iv, iu + 2])
        l0, l1 = float(shown[iv + 1, iu - 1]), float(shown[iv + 1, iu])
        l2, l3 = float(shown[iv + 1, iu + 1]), float(shown[iv + 1, iu + 2])
        below = (1 - fu) * float(shown[iv + 2, iu]) + fu * float(shown[iv + 2, iu + 1])
        top, low = (1 - fu) * t1 + fu * t2, (1 - fu) * l1 + fu * l2
        gu = 0.5 * ((1 - fv) * ((1 - fu) * (t2 - t0) + fu * (t3 - t1)) + fv * ((1 - fu) * (l2 - l0) + fu * (l3 - l1)))
        gv = 0.5 * ((1 - fv) * (low - above) + fv * (below - top))
        # The neighbourhood's mean, and its own slope.
        su = min(max((u + 0.5) * share - 0.5, 0.0), cols - 1.001)
        sv = min(max((v + 0.5) * share - 0.5, 0.0), rows - 1.001)
        ju, jv = int(su), int(sv)
        bu, bv = su - ju, sv - jv
        m00, m01 = float(around[jv, ju]), float(around[jv, ju + 1])
        m10, m11 = float(around[jv + 1, ju]), float(around[jv + 1, ju + 1])
        value[m] = (1 - fv) * top + fv * low - ((1 - bv) * ((1 - bu) * m00 + bu * m01)
                                                + bv * ((1 - bu) * m10 + bu * m11))
        gu = (gu - share * ((1 - bv) * (m01 - m00) + bv * (m11 - m10))) * fx
        gv = (gv - share * ((1 - bu) * (m10 - m00) + bu * (m11 - m01))) * fy
        # Slope of the Brown model (its 2 x 2 matrix is symmetric), then of the division by z.
        x, y = px / pz, py / pz
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        bend = k1 + r2 * (2 * k2 + r2 * 3 * k3)
        xx = radial + 2 * x * x * bend + 2 * p1 * y + 6 * p2 * x
        xy = 2 * x * y * bend + 2 * p1 * x + 2 * p2 * y
        yy = radial + 2 * y * y * bend + 6 * p1 * y + 2 * p2 * x
        gx, gy = gu * xx + gv * xy, gu * xy + gv * yy
        slope[m, 0], slope[m, 1], slope[m, 2] = gx / pz, gy / pz, -(gx * x + gy * y) / pz
        xc[m, 0], xc[m, 1], xc[m, 2] = px, py, pz
        seen[i] = True
        m += 1
    return seen, m, xc, value, slope
