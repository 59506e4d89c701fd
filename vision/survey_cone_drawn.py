"""What a traffic cone looks like from a camera, and how well a picture agrees with it.

Compiled, because a cone is drawn a hundred times to find where it stands.
"""

from __future__ import annotations

import itertools
import math

import numba
import numpy as np

from analysis.course import Mark
from vision.camera import Camera

BODY_SHARE = 0.72  # diameter of a cone's body at its foot, as a share of the base plate's width (common traffic cone)
TIP_SHARE = 0.18  # a cone's tip against its foot; from memory
ROUND_BASE = 2 / math.sqrt(math.pi)  # radius over half-width of the disc with the square's area (base turned any way)
POLE_RADIUS_M = 0.02  # a thin pole; its place in the picture matters, not its width
FOOT_WEIGHT = 10.0  # a foot that cannot be seen must not be placed freely (own choice, by trial)
LEAST_SHOWN_PX = 2.0  # a part of which less is in view says nothing about its colour
BLUR_PX = 0.8  # of colour in compressed video

CORNERS = 12
"""Of the ring that stands for a circle: a circle of 0.2 m is then drawn to a centimetre."""
ROWS_PER_PX = 4
"""Rows drawn in each pixel; along a row what a part covers is exact."""
TAPS = 3
"""Pixels either side that the blur reaches: almost four of its sd."""
_GAUSS = np.exp(-0.5 * (np.arange(-TAPS, TAPS + 1) / BLUR_PX) ** 2)  # the blur, but for its sum
_SPREAD = _GAUSS / _GAUSS.sum()  # the same, of sum one


def solid_m(mark: Mark, grow_m: float = 0.0) -> np.ndarray:
    """(parts, 2, CORNERS, 3) m about the base's middle: the lower and upper ring of base plate, three slices of the
    body, and pole, from the ground up."""
    return _solid_m(mark, mark.base_half_m * ROUND_BASE, grow_m)


def lying_m(mark: Mark, heading_rad: float) -> np.ndarray:
    """The same of a cone that lies on the ground, its tip towards heading_rad, about the middle of its base's lower
    edge: it rests on that edge and on what is at its other end."""
    across, up, along = np.moveaxis(_solid_m(mark, mark.base_half_m), -1, 0)
    c, s = math.cos(heading_rad), math.sin(heading_rad)
    axis_m = mark.base_half_m * (1 - along / along.max())
    return np.stack([along * c - across * s, along * s + across * c, up + axis_m], -1)


def _solid_m(mark: Mark, base_radius_m: float, grow_m: float = 0.0) -> np.ndarray:
    half, top = mark.base_half_m, mark.height_m
    rings = [(half * (BODY_SHARE + (TIP_SHARE - BODY_SHARE) * k / 3) + grow_m, top * k / 3) for k in range(4)]
    base = (base_radius_m + grow_m, 0.0)
    parts = [(base, base), *itertools.pairwise(rings)]
    if mark.pole_height_m > top:
        parts.append(((POLE_RADIUS_M + grow_m, top), (POLE_RADIUS_M + grow_m, mark.pole_height_m)))
    radius, level = np.moveaxis(np.array(parts), -1, 0)[..., None]
    turn = np.arange(CORNERS) * 2 * np.pi / CORNERS
    return np.stack(np.broadcast_arrays(radius * np.cos(turn), radius * np.sin(turn), level), -1)


def rings_px(camera: Camera, solid_m: np.ndarray, at_m: np.ndarray | tuple[float, float]) -> np.ndarray:
    """(parts, 2, CORNERS, 2) px of a solid standing there."""
    return camera.project((solid_m + np.array([*at_m, 0.0])).reshape(-1, 3)).reshape(*solid_m.shape[:3], 2)


@numba.njit(cache=True, nogil=True)
def misfit(rings, patch, watched):  # pragma: no cover (compiled)
    """Sum of squares that the parts, each of one brightness not below the ground's, leave of the picture `patch`
    where it is `watched`; more if the foot is fainter than what is above it."""
    n = len(rings)
    shares, top, left = _shares(rings, patch.shape)
    gram, pull = np.zeros((n + 1, n + 1)), np.zeros(n + 1)
    total = 0.0
    for v in range(patch.shape[0]):
        for u in range(patch.shape[1]):
            if watched[v, u]:
                total += patch[v, u] ** 2
                gram[n, n] += 1
                pull[n] += patch[v, u]
    for v in range(shares.shape[1]):
        for u in range(shares.shape[2]):
            if watched[top + v, left + u]:
                for i in range(n):
                    s = shares[i, v, u]
                    pull[i] += s * patch[top + v, left + u]
                    gram[n, i] += s
                    for j in range(i + 1):
                        gram[i, j] += s * shares[j, v, u]
    bright = _not_negative(gram, pull)
    left_over = total
    for i in range(n + 1):
        left_over -= (2 * pull[i] - gram[i, i] * bright[i]) * bright[i]
        for j in range(i):
            left_over += 2 * gram[i, j] * bright[i] * bright[j]
    left_over = max(left_over, 0.0)
    # a cone is red at its foot: without this, its stripes also fit one stripe farther along
    upper, foot = 0.0, 0.0
    for i in range(n):
        if i < 2:
            foot = max(foot, bright[i])
        elif gram[n, i] > LEAST_SHOWN_PX:
            upper = max(upper, bright[i])
    faint = max(0.0, 0.7 * upper - foot) / max(upper, 1e-9)
    return left_over * (1 + FOOT_WEIGHT * faint ** 2)


@numba.njit(cache=True, nogil=True)
def _shares(rings, shape):  # pragma: no cover (compiled)
    """What share of each pixel each part covers (parts, h, w), higher parts hiding lower ones, blurred as video is, in
    the part of the picture that the cone reaches, and that part's first row and column."""
    n = len(rings)
    low_u, low_v, high_u, high_v = np.inf, np.inf, -np.inf, -np.inf
    for k in range(n):
        for e in range(2):
            for i in range(CORNERS):
                u, v = rings[k, e, i, 0], rings[k, e, i, 1]
                low_u, low_v, high_u, high_v = min(low_u, u), min(low_v, v), max(high_u, u), max(high_v, v)
    left, top = min(max(int(low_u) - TAPS, 0), shape[1]), min(max(int(low_v) - TAPS, 0), shape[0])
    w = max(min(int(high_u) + TAPS + 2, shape[1]) - left, 0)
    h = max(min(int(high_v) + TAPS + 2, shape[0]) - top, 0)
    shares = np.zeros((n, h, w))
    first, last = np.full((n, h * ROWS_PER_PX), np.inf), np.full((n, h * ROWS_PER_PX), -np.inf)
    for k in range(n):
        for i in range(CORNERS):
            j = (i + 1) % CORNERS
            _reach(rings[k, 0, i], rings[k, 0, j], top, left, first[k], last[k])
            _reach(rings[k, 1, i], rings[k, 1, j], top, left, first[k], last[k])
            _reach(rings[k, 0, i], rings[k, 1, i], top, left, first[k], last[k])
    for r in range(h * ROWS_PER_PX):
        for k in range(n):
            at = first[k, r]
            while at < last[k, r]:
                shown_from, shown_to = at, last[k, r]
                for j in range(k + 1, n):
                    if first[j, r] <= at:
                        shown_from = max(shown_from, last[j, r])
                    else:
                        shown_to = min(shown_to, first[j, r])
                if shown_from > at:
                    at = shown_from
                    continue
                for u in range(max(int(at + 0.5), 0), min(int(shown_to + 0.5), w - 1) + 1):
                    shares[k, r // ROWS_PER_PX, u] += (min(shown_to, u + 0.5) - max(at, u - 0.5)) / ROWS_PER_PX
                at = shown_to
    for k in range(n):
        _blur(shares[k])
    return shares, top, left


@numba.njit(cache=True, nogil=True)
def _reach(a, b, top, left, first, last):  # pragma: no cover (compiled)
    """The ends of the drawn rows moved out to the edge from a to b (px)."""
    if a[1] > b[1]:
        a, b = b, a
    begin = max(int(np.ceil((a[1] - top + 0.5) * ROWS_PER_PX - 0.5)), 0)
    end = min(int(np.ceil((b[1] - top + 0.5) * ROWS_PER_PX - 0.5)), len(first))
    for r in range(begin, end):
        v = (r + 0.5) / ROWS_PER_PX - 0.5 + top
        u = a[0] + (b[0] - a[0]) * (v - a[1]) / (b[1] - a[1]) - left
        first[r], last[r] = min(first[r], u), max(last[r], u)


@numba.njit(cache=True, nogil=True)
def _blur(image):  # pragma: no cover (compiled)
    """Blurred in place; beyond it nothing is covered."""
    h, w = image.shape
    wide = np.zeros((h + 2 * TAPS, w + 2 * TAPS))
    for t in range(2 * TAPS + 1):
        for v in range(h):
            for u in range(w):
                wide[v + t, u + TAPS] += _SPREAD[t] * image[v, u]
    for v in range(h):
        for u in range(w):
            total = 0.0
            for t in range(2 * TAPS + 1):
                total += _SPREAD[t] * wide[v + TAPS, u + t]
            image[v, u] = total


@numba.njit(cache=True, nogil=True)
def _not_negative(gram, pull):  # pragma: no cover (compiled)
    """Least squares with no negative unknown (n,), from the normal equations, of which the lower half is read (active
    set; Lawson and Hanson 1974)."""
    n = len(pull)
    x, free = np.zeros(n), np.zeros(n, np.bool_)
    for _ in range(3 * n):
        best, most = -1, 0.0
        for i in range(n):
            gain = pull[i]
            for j in range(n):
                gain -= gram[max(i, j), min(i, j)] * x[j]
            if not free[i] and gain > max(most, 1e-10 * abs(pull[i])):
                best, most = i, gain
        if best < 0:
            break
        free[best] = True
        stop = best
        while stop >= 0:  # the one that would first become negative is held at 0, until none would
            z, share, stop = _solved(gram, pull, free), 1.0, -1
            for i in range(n):
                if free[i] and z[i] <= 0 and x[i] <= share * (x[i] - z[i]):
                    share, stop = x[i] / max(x[i] - z[i], 1e-300), i
            for i in range(n):
                x[i] += share * (z[i] - x[i])
            if stop >= 0:
                free[stop], x[stop] = False, 0.0
    return x


@numba.njit(cache=True, nogil=True)
def _solved(gram, pull, free):  # pragma: no cover (compiled)
    """The normal equations of the free unknowns alone, the others 0 (Gaussian elimination)."""
    n = len(pull)
    a, x = np.zeros((n, n)), np.zeros(n)
    for i in range(n):
        x[i] = pull[i] if free[i] else 0.0
        for j in range(n):
            if free[i] and free[j]:
                a[i, j] = gram[max(i, j), min(i, j)]
        a[i, i] = a[i, i] * (1 + 1e-12) if free[i] else 1.0  # two parts may show the same
    for i in range(n):
        for j in range(i + 1, n):
            f = a[j, i] / a[i, i]
            for k in range(i, n):
                a[j, k] -= f * a[i, k]
            x[j] -= f * x[i]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            x[i] -= a[i, k] * x[k]
        x[i] /= a[i, i]
    return x
