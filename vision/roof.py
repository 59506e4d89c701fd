"""The fine fit: the vehicle's own roof, laid onto every picture.

A roof seen from above keeps its looks whatever the shadows around it do. Once it is learnt (roof_learning.py), a
frame's pose is three numbers (x, y, heading) that lay its pixels, each at its own height, onto the frame. Weak for a
roof without any marking: the stated covariance then grows.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numba
import numpy as np

from analysis.vehicle import Solid
from vision.camera import Camera
from vision.ground import CORRELATED, TUKEY
from vision.laid_out import Layout
from vision.sampling import ROUNDING, Grey, as_it_is, looked_up, pyramid, sample
from vision.solid import Pose

MARGIN_M = 0.6
"""How far beyond the rim the roof picture reaches: the largest error of a coarse pose."""
INSET_M = 0.04
"""Pixels closer to the rim than this are not used: they are mixed with what lies beyond."""
MAX_POINTS = 2500  # more costs time without telling more (own choice)
MIN_SUPPORT = 0.3
"""Share of roof pixels that must agree for a pose to count as measured."""
MIN_ALIKE = 0.5
"""Least correlation with the learnt roof (rendered clips: 0.88-1.0 on the vehicle, below 0.35 on bare ground)."""
ENOUGH_M, COARSE_ENOUGH_M = 2e-4, 1e-2
"""A step that moves the roof less than this ends the search, on the full picture and on smaller ones."""
ROUGH = 3.0
"""A fit that both misses the greys and is unlike the roof by more than this many times the usual is not believed
(rendered clips, settled a stripe aside: 4 and 100 times)."""
FAR_WORSE = "what is seen there fits the vehicle's roof far worse than usual"
UNKNOWN = 10.0
"""What is so many times as unlike the roof as usual is not recognised as it, but where it was expected."""
GAINS, GAIN_SD = (0.4, 2.5), 0.1
"""How much darker or brighter than on average the roof may be lit (shadow, exposure); an evenly painted roof, by which
that is known less well than the second (one standard deviation), is taken to be lit as usual."""
EXPECTED_M = 0.08
"""Closer than a stripe aside, further than a prediction over a fifth of a second is off."""
ANEW_ALONG_M, ANEW_ACROSS_M, ANEW_TURN_RAD = (-0.3, 0.0, 0.3), np.linspace(-0.4, 0.4, 9), np.linspace(-0.08, 0.08, 9)
"""Where the roof's middle is looked for anew: as far as a coarse pose is off, in steps from which a fit finds home."""
ANEW_TRIES = 3  # of those places a fit is begun from: the true one was always among the best three
LEAST_IN_SIGHT = 0.5
"""Share of the roof's pixels that must lie in the picture."""
LEVER_M, LONGEST_STEP_M = 6.0, 0.5
"""A turn counts by what it moves at about half a vehicle's length; no step of a fit is longer than the second."""
LOOSE = 4.0
"""So many times the usual misfit is let in at a fit's first step, half as much at each next, to once: with few clear
marks on an even roof, marks a pixel or two beside their places would else be taken for outliers and left there
(graduated non-convexity, Blake & Zisserman 1987; a rendered clip: 3 cm aside for 3 s)."""
AGREES = 0.2
"""A pixel with at least this much of Tukey's weight (within 3.5 sd) agrees."""
LEAST_PART_PX = 16  # four pixels at the smallest of three sizes: fewer hold no slope
PIECE_M = 0.4
"""Size of the pieces of roof that each give their share of pixels, and get a height of their own."""


@dataclass(frozen=True)
class Fitted:
    """A frame's pose with covariance (3, 3) of (x, y, heading), share of roof pixels that agree, their misfit in grey
    levels, and their correlation with the learnt roof."""

    pose: Pose
    cov: np.ndarray
    support: float
    misfit: float
    alike: float

    def __bool__(self) -> bool:
        return True


@dataclass(frozen=True)
class NotFitted:
    """No pose in this frame; falsy, with the reason."""

    reason: str

    def __bool__(self) -> bool:
        return False


class Roof:
    """The learnt roof, in the vehicle frame (m).

    picture (rows, cols, 3) float32 as laid out; variation (rows, cols) its robust scatter over the clip; height_m
    (rows, cols) of what is seen there. `usual`: misfit and likeness with which it is usually laid, None while that is
    not known.
    """

    def __init__(self, solid: Solid, layout: Layout, picture: np.ndarray, variation: np.ndarray, height_m: np.ndarray,
                 inset_m: float = INSET_M) -> None:
        self.solid = solid
        self.layout = layout
        self.inset_m = inset_m
        self.height_m = height_m
        self.usual: tuple[float, float] | None = None
        self.mix = best_mix(picture, solid, layout)
        grey = cv2.transform(picture, self.mix.reshape(1, 3))
        self._levels = [self._choose(grey, variation, f) for f in (4, 2, 1)]

    def _choose(self, grey: np.ndarray, variation: np.ndarray, factor: int) -> _Points:
        """The pixels that tell most about the place, at one level of detail."""
        if factor > 1:
            grey = cv2.GaussianBlur(grey, (0, 0), 0.5 * factor)
        grid = self.layout.grid_m
        inside = on_roof(self.solid, grid, self.inset_m + 0.5 * factor * self.layout.spacing_m)
        strength = cv2.magnitude(cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1))
        strength = (strength / (variation + grey_noise(variation, inside))).ravel()
        # The strongest few of every piece of the roof: a fit that hangs on one roof unit would not know the heading.
        piece = np.floor(grid.reshape(-1, 2) / PIECE_M).astype(int) @ [1000, 1]
        candidates = np.flatnonzero(inside)
        order = candidates[np.lexsort((-strength[candidates], piece[candidates]))]
        first = np.flatnonzero(np.diff(piece[order], prepend=piece[order[0]] - 1))
        rank = np.arange(len(order)) - np.repeat(first, np.diff(np.append(first, len(order))))
        best = order[rank < max(2, MAX_POINTS // factor // len(first))]
        return _Points(grid.reshape(-1, 2)[best], self.height_m.ravel()[best], grey.ravel()[best], factor)

    def lay(self, bgr: np.ndarray, camera: Camera, guess: Pose) -> Fitted | NotFitted:
        """Lay the roof onto a frame; guess within about half a metre. A fit far worse than usual has settled beside
        the right place (stripes along the roof look alike), or was led away by what is not the roof, which wide weights
        let in: it is begun anew with narrow ones, from the guess and from where the roof looks most alike."""
        best = self._fit(bgr, camera, guess)
        if self.usual is None or self.sound(best) or self._as_guessed(best, guess):
            return best
        for start in self._starts_about(bgr, camera, guess):
            again = self._fit(bgr, camera, start, loose=1.0)
            if self.sound(again):
                return again
        return NotFitted(FAR_WORSE) if best else best

    def _as_guessed(self, fit: Fitted | NotFitted, guess: Pose) -> bool:
        """Whether a fit lies where it was expected at both ends of the roof: other light on it is then no reason to
        doubt it."""
        if not isinstance(fit, Fitted):
            return False
        ends = np.array([[self.solid.x_min_m, 0.0], [self.solid.x_max_m, 0.0]])
        return bool(np.hypot(*(fit.pose.to_course(ends) - guess.to_course(ends)).T).max() < EXPECTED_M)

    def sound(self, fit: Fitted | NotFitted) -> bool:
        """Whether a fit is about as good as usual."""
        assert self.usual is not None
        return isinstance(fit, Fitted) and self.recognises(fit) and (
            fit.misfit <= ROUGH * max(self.usual[0], ROUNDING) or 1 - fit.alike <= ROUGH * (1 - self.usual[1]))

    def recognises(self, fit: Fitted) -> bool:
        """Whether a fit that is not where it was expected looks like the roof at all: that it misses the greys by no
        more than usual says little of a roof of the ground's colour, or of one in glaring light."""
        return self.usual is None or 1 - fit.alike <= UNKNOWN * (1 - self.usual[1])

    def _starts_about(self, bgr: np.ndarray, camera: Camera, guess: Pose) -> Iterator[Pose]:
        """The guess, then the places about it where the smallest picture looks most like the roof, best first."""
        yield guess
        look, points = self.look_at(bgr, camera, guess), self._levels[0]
        lens = camera.lens.cropped(*look.corner_px).scaled(1 / points.factor)
        small = Camera(lens, camera.rotation, camera.centre_m)
        middle = (self.solid.x_min_m + self.solid.x_max_m) / 2
        found = []
        for along, across, turn in itertools.product(ANEW_ALONG_M, ANEW_ACROSS_M, ANEW_TURN_RAD):
            pose = guess.shifted(along + middle * (1 - math.cos(turn)), across - middle * math.sin(turn), turn)
            got = sample(look.pictures[-1], small, np.column_stack([pose.to_course(points.place_m), points.height_m]))
            if got.seen.mean() >= LEAST_IN_SIGHT:
                found.append((float(np.corrcoef(got.value, points.value[got.seen])[0, 1]), pose))
        found.sort(key=lambda f: -f[0])
        yield from (pose for _, pose in found[:ANEW_TRIES])

    def _fit(self, bgr: np.ndarray, camera: Camera, guess: Pose, loose: float = LOOSE) -> Fitted | NotFitted:
        look = self.look_at(bgr, camera, guess)
        pose = guess
        result: Fitted | NotFitted = NotFitted("the roof is out of the picture")
        lens = camera.lens.cropped(*look.corner_px)
        for points, picture in zip(self._levels, reversed(look.pictures), strict=True):
            small = Camera(lens.scaled(1 / points.factor), camera.rotation, camera.centre_m)
            result = _lay(points, picture, small, pose, loose)
            if not result:
                return result
            assert isinstance(result, Fitted)
            pose = result.pose
        assert isinstance(result, Fitted)
        if result.support < MIN_SUPPORT:
            return NotFitted(f"only {result.support:.0%} of the roof agrees")
        if result.alike < MIN_ALIKE:
            return NotFitted("what is seen there does not look like the vehicle's roof")
        return result

    def look_at(self, bgr: np.ndarray, camera: Camera, about: Pose) -> Look:
        """The part of a frame where the roof can be if it is as near to `about` as a fit asks for, in the roof's own
        grey mixture at full, half and quarter size."""
        across = math.hypot(self.solid.x_max_m - self.solid.x_min_m, self.solid.width_m)
        middle = about.to_course(np.array([[(self.solid.x_min_m + self.solid.x_max_m) / 2, 0.0]]))
        reach = (across / 2 + 2 * MARGIN_M) * np.array([[-1, -1], [-1, 1], [1, 1], [1, -1]])
        px = camera.project_ground(middle + reach, self.solid.z_max_m)
        left, top = np.clip(px.min(axis=0) // 4 * 4, 0, None).astype(int)
        least = LEAST_PART_PX
        right, low = np.clip(px.max(axis=0) // 4 * 4 + 4, least, None).astype(int)
        part = bgr[top:max(low, top + least), left:max(right, left + least)]
        if min(part.shape[:2]) < least:  # out of the picture: any part will do to find that out
            left, top, part = 0, 0, bgr[:least, :least]
        grey = cv2.transform(part.astype(np.float32), self.mix.reshape(1, 3))
        return Look(tuple(pyramid(as_it_is(grey), len(self._levels))), (int(left), int(top)))


@dataclass(frozen=True)
class Look:
    """Part of a frame, at full, half and quarter size, that begins at corner_px (u, v)."""

    pictures: tuple[Grey, ...]
    corner_px: tuple[int, int]


@dataclass(frozen=True)
class _Points:
    place_m: np.ndarray  # (n, 2) vehicle frame
    height_m: np.ndarray  # (n,)
    value: np.ndarray  # (n,) grey in the roof's mixture
    factor: int  # 1 full size, 2 half, 4 quarter


def near(pose: Pose, coarse: Pose) -> bool:
    """Whether a fine pose is one that a coarse or predicted one allows (their errors are below 0.3 m and, for a roof
    that hardly differs from the ground, 4°)."""
    return (math.hypot(pose.x_m - coarse.x_m, pose.y_m - coarse.y_m) < MARGIN_M
            and abs(pose.heading_rad - coarse.heading_rad) < math.radians(5))


def on_roof(solid: Solid, grid_m: np.ndarray, inset_m: float) -> np.ndarray:
    return ((grid_m[..., 0] > solid.x_min_m + inset_m) & (grid_m[..., 0] < solid.x_max_m - inset_m)
            & (np.abs(grid_m[..., 1]) < solid.width_m / 2 - inset_m))


def roof_layout(solid: Solid, spacing_m: float) -> Layout:
    """Of the top of a solid and a margin about it."""
    cols = len(np.arange(solid.x_min_m - MARGIN_M, solid.x_max_m + MARGIN_M + spacing_m, spacing_m))
    rows = len(np.arange(-solid.width_m / 2 - MARGIN_M, solid.width_m / 2 + MARGIN_M + spacing_m, spacing_m))
    return Layout(solid.x_min_m - MARGIN_M, solid.width_m / 2 + MARGIN_M, spacing_m, rows, cols)


def grey_noise(variation: np.ndarray, where: np.ndarray) -> float:
    """How much a picture's greys usually scatter over the clip, at those pixels (rows, cols) bool."""
    return max(float(np.median(variation[where])), ROUNDING)


def best_mix(picture: np.ndarray, solid: Solid, layout: Layout) -> np.ndarray:
    """The mixture of B, G, R (unit length) in which the roof's own markings stand out most (first principal axis)."""
    colours = picture[on_roof(solid, layout.grid_m, 0.0)]
    _, axes = np.linalg.eigh(np.cov(colours, rowvar=False))
    return (axes[:, 2] * np.sign(axes[:, 2].sum() or 1.0)).astype(np.float32)


def _lay(points: _Points, picture: Grey, camera: Camera, guess: Pose, loose: float,
         iterations: int = 12) -> Fitted | NotFitted:
    """Gauss-Newton on (x, y, heading) at one level, with Tukey weights, `loose` times as wide at first, one gain and
    one offset."""
    in_sight, x, y, heading, hess, sigma, support, alike = _settled(
        picture.shown, picture.around, picture.share, points.place_m, points.height_m, points.value, guess.x_m,
        guess.y_m, guess.heading_rad, np.ascontiguousarray(camera.rotation), camera.centre_m, camera.lens.numbers,
        iterations, ENOUGH_M if points.factor == 1 else COARSE_ENOUGH_M, loose)
    if not in_sight:
        return NotFitted("less than half of the roof is in the picture")
    return Fitted(Pose(x, y, heading), np.linalg.pinv(hess) * sigma**2 * CORRELATED, support, sigma / 1.4826, alike)


@numba.njit(cache=True, nogil=True)
def _settled(shown, around, share, place_m, height_m, ref, x, y, heading, rotation, centre, lens, iterations, enough_m,
             loose):
    # pragma: no cover (compiled)
    """Steps, looser at first, until the roof moves less than enough_m. Whether enough of it was in sight; x, y,
    heading; normal matrix, robust sigma, share that fits and likeness of the last look."""
    n = len(place_m)
    keep, points = np.ones(n, np.bool_), np.empty((n, 3))
    points[:, 2] = height_m
    hess, sigma, support, alike = np.zeros((3, 3)), 0.0, 0.0, 0.0
    for _ in range(iterations):
        c, s = np.cos(heading), np.sin(heading)
        for i in range(n):
            points[i, 0] = x + c * place_m[i, 0] - s * place_m[i, 1]
            points[i, 1] = y + s * place_m[i, 0] + c * place_m[i, 1]
        seen, m, _, value, slope = looked_up(shown, around, share, points, keep, rotation, centre, lens)
        if m < LEAST_IN_SIGHT * n:
            return False, x, y, heading, hess, sigma, support, alike
        hess, pull, sigma, support, alike = _weighed(value[:m], ref[seen], place_m[seen], slope, rotation, heading,
                                                    loose)
        step = np.linalg.solve(hess + np.diag(np.diag(hess) * 1e-6 + 1e-12), -pull)
        moved = max(abs(step[0]), abs(step[1]), abs(step[2]) * LEVER_M)
        step *= min(LONGEST_STEP_M / max(moved, 1e-12), 1.0)
        x, y, heading = x + step[0], y + step[1], heading + step[2]
        if moved < enough_m and loose == 1.0:
            break
        loose = max(loose / 2, 1.0)
    return True, x, y, heading, hess, sigma, support, alike


@numba.njit(cache=True, nogil=True)
def _weighed(value, ref, place_m, slope, rotation, heading_rad, loose):  # pragma: no cover (compiled)
    """One look at the roof's pixels: normal matrix (3, 3) and right side (3,) of (x, y, heading) with Tukey's weights,
    `loose` times as wide as usual; the residuals' robust sigma, the share that fits, and how alike what is seen is to
    the learnt roof."""
    gain, offset = _robust_line(ref, value)
    residual = value - gain * ref - offset
    sigma = max(1.4826 * np.median(np.abs(residual)), ROUNDING)
    c, s = np.cos(heading_rad), np.sin(heading_rad)
    hess, pull, jac = np.zeros((3, 3)), np.zeros(3), np.empty(3)
    weight = np.empty(len(value))
    fits = 0
    for i in range(len(value)):
        inner = max(1 - (residual[i] / (TUKEY * sigma * loose)) ** 2, 0.0)
        w = inner * inner
        weight[i] = w
        fits += w > AGREES
        for k in range(2):
            jac[k] = slope[i, 0] * rotation[0, k] + slope[i, 1] * rotation[1, k] + slope[i, 2] * rotation[2, k]
        x, y = place_m[i]
        # d(course)/d(heading) = (-(s x + c y), c x - s y)
        jac[2] = -jac[0] * (s * x + c * y) + jac[1] * (c * x - s * y)
        for k in range(3):
            pull[k] += w * jac[k] * residual[i]
            for j in range(3):
                hess[k, j] += w * jac[k] * jac[j]
    total = max(weight.sum(), 1e-9)
    a, b = value - (weight * value).sum() / total, ref - (weight * ref).sum() / total
    both = np.sqrt((weight * a * a).sum() * (weight * b * b).sum())
    return hess, pull, sigma, fits / len(value), (weight * a * b).sum() / max(both, 1e-6)


@numba.njit(cache=True, nogil=True)
def _robust_line(x, y):  # pragma: no cover (compiled)
    """Gain and offset of y (n,) on x (n,), with two rounds of leaving out what does not fit."""
    keep = np.ones(len(x), np.bool_)
    gain, offset = 1.0, np.median(y - x)
    for _ in range(2):
        a, b = x[keep], y[keep]
        spread, both = np.var(a), np.mean((a - a.mean()) * (b - b.mean()))
        unsure = CORRELATED * max(np.var(b) - both * both / max(spread, 1e-9), ROUNDING**2) / len(a)
        gain = min(max(both / spread, GAINS[0]), GAINS[1]) if unsure < GAIN_SD**2 * spread else 1.0
        offset = np.median(b - gain * a)
        residual = np.abs(y - gain * x - offset)
        keep = residual <= 2.5 * max(1.4826 * np.median(residual), ROUNDING)
    return gain, offset
