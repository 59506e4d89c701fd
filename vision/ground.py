"""Placing the camera of every frame, by laying hundreds of ground pixels onto a reference picture.

Every frame is aligned to the same reference, so nothing drifts. The unknown is the full camera
pose (6 numbers); the ground is the plane z = 0; its pixels are compared after taking away slow
brightness changes, with Tukey weights, so that the vehicle, its shadow, people and things with
height fall out. Weak where the ground has no texture and no paint at all, and where a moving
shadow's edge covers most of the picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from functools import cached_property

import cv2
import numba
import numpy as np

from vision.camera import Camera, Lens, in_camera, pixel_of, rotation_vector, turned
from vision.sampling import Grey, flattened, looked_up, pyramid, sample
from vision.witness import Witnesses

POINTS_PER_LEVEL = 2500
"""Enough for a pose to < 0.05 px in every direction; more costs time without telling more."""
NEAR_LEVELS = 2
"""Sizes of picture for a predicted camera: in the half size it lies in the pixel or two that a fit bridges."""
WIDER = 2.0
"""The brightness window is wider by this factor where nothing fits with the usual one: in a yard of paint alone, it
leads from farther off, but shadows that sway lead it away."""
TUKEY = 4.685
"""Tukey's constant for 95 % efficiency under normal noise (Holland & Welsch 1977)."""
CORRELATED = 4.0
"""Pixels of one paint edge or coded block are not independent: this many count as one (our own estimate)."""
ENOUGH_PX, COARSE_ENOUGH_PX = 0.01, 0.05
"""A step that moves the picture less than this ends the search, on the full picture and on smaller ones."""
LEAST_PIXELS = 60
"""Ten for each of the six unknowns."""
MIN_SUPPORT = 0.35
"""Share of ground pixels that must agree for a frame to count as placed."""
MIN_ALIKE = 0.5
"""Least correlation with the reference picture (rendered clips: 0.91-0.98 in place, 0.1-0.3 half a metre beside)."""

SLID = 0.5
"""Less likeness than this across the direction in which the ground tells least (along the lines): the cones are asked
whether the picture has slid (rendered clips: 0.4-0.9 in place, 0-0.4 a decimetre or more beside, under trees; from
another height 0.2)."""
FEATURES, FEATURE_GRAINS = 12000, 2.0
"""Features looked for in a far frame at most, and by how many times the picture's own grain they must stand out."""
FEATURE_CELLS, FEATURES_PER_CELL = 16, 20
"""Cells across the picture, and features kept of each: one vehicle covers a few cells of some hundred."""


@dataclass(frozen=True)
class Placed:
    """A frame's camera. cov (6, 6) of (turn rad, shift m); `support` share of pixels that agree (0..1);
    `misfit` median absolute residual of those, in grey levels; `alike` their correlation with the reference."""

    camera: Camera
    cov: np.ndarray
    support: float
    misfit: float
    alike: float

    def __bool__(self) -> bool:
        return True


@dataclass(frozen=True)
class NotPlaced:
    """A frame whose camera could not be found; falsy, with the reason."""

    reason: str

    def __bool__(self) -> bool:
        return False


@dataclass(frozen=True)
class _Level:
    scale: float
    xyz_m: np.ndarray  # (n, 3), on the ground
    value: np.ndarray  # (n,)


@dataclass(frozen=True)
class _Across:
    """What of a level tells where a picture lies along its lines: its scale; along (2,) unit vector on the ground; of
    the pixels whose slope runs that way, the place (n, 3) m, the value (n,) and a weight (n,)."""

    scale: float
    along: np.ndarray
    xyz_m: np.ndarray
    value: np.ndarray
    weight: np.ndarray


class Reach(Enum):
    """How far from the guess a frame may lie: a few pixels; a hundredth of the picture; anywhere (found by matched
    features)."""

    NEAR = "near"
    USUAL = "usual"
    WIDE = "wide"


class GroundReference:
    """A reference picture with its camera, ready to place other frames of the same clip."""

    def __init__(self, bgr: np.ndarray, camera: Camera, usable: np.ndarray | None = None, levels: int = 4) -> None:
        """bgr (h, w, 3); usable (h, w) bool: pixels that are ground and known (the vehicle excluded)."""
        self.camera = camera
        self.lens = camera.lens
        self._bgr, self._grey = bgr, cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)
        self._usable = np.ones(bgr.shape[:2], bool) if usable is None else usable
        self._levels = self._ready(1.0, levels)

    def _ready(self, wider: float, count: int) -> list[_Level]:
        """The picture at full, half, quarter size and so on, with a brightness window so much wider than usual."""
        levels = []
        keep = self._usable.astype(np.uint8)
        for i, flat in enumerate(pyramid(flattened(self._grey, wider), count)):
            scale = 0.5**i
            mask = cv2.resize(keep, flat.shown.shape[::-1], interpolation=cv2.INTER_AREA) > 0
            whole = flat.whole()
            px = strong_pixels(whole, mask, POINTS_PER_LEVEL)
            level_camera = Camera(self.lens.scaled(scale), self.camera.rotation, self.camera.centre_m)
            ground = level_camera.to_ground(px.astype(float))
            known = np.isfinite(ground).all(axis=1)
            px = px[known]
            xyz = np.column_stack([ground[known], np.zeros(len(px))])
            levels.append(_Level(scale, xyz, whole[px[:, 1], px[:, 0]]))
        return levels

    @cached_property
    def _wider_levels(self) -> list[_Level]:
        return self._ready(WIDER, len(self._levels))

    def place(self, bgr: np.ndarray, guess: Camera, avoid_px: np.ndarray | None = None,
              reach: Reach = Reach.USUAL) -> Placed | NotPlaced:
        """The frame's camera, starting from `guess`; avoid_px (n, 2) a polygon (vehicle) to leave out."""
        levels = self._levels[:NEAR_LEVELS] if reach is Reach.NEAR else self._levels
        pictures = pyramid(flattened(bgr), len(levels))
        placed = self._refine(levels, pictures, guess, avoid_px)
        if not placed and reach is not Reach.NEAR:
            wider = pyramid(flattened(bgr, WIDER), len(levels))
            led = self._refine(self._wider_levels, wider, guess, avoid_px)
            if isinstance(led, Placed):
                placed = self._refine(levels[:1], pictures, led.camera, avoid_px)
        placed = self.not_slid(placed, bgr, pictures, avoid_px)
        return self.nearer(placed, self.place_anywhere(bgr, avoid_px)) if reach is Reach.WIDE else placed

    def place_anywhere(self, bgr: np.ndarray, avoid_px: np.ndarray | None = None,
                       found: Features | None = None) -> Placed | NotPlaced:
        """The frame's camera, found by matched features, wherever it is; `found`: its features, if they are known. They
        put it within a pixel or two: smaller pictures, in which the soft edges of moving shadows are all that is left,
        would only lead it away."""
        start = self._search(features_of(cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)) if found is None else found)
        return (NotPlaced("nothing on the ground was recognised") if start is None
                else self._refine(self._levels[:NEAR_LEVELS], pyramid(flattened(bgr), NEAR_LEVELS), start, avoid_px))

    @staticmethod
    def nearer(guessed: Placed | NotPlaced, found: Placed | NotPlaced) -> Placed | NotPlaced:
        """Of a camera placed from a guess and one placed anywhere, the one in which the ground looks more alike: paint
        lines let a far frame settle a metre along them, and the shadows of trees half a metre beside its place."""
        worse = isinstance(guessed, Placed) and isinstance(found, Placed) and guessed.alike >= found.alike
        return guessed if worse or not isinstance(found, Placed) else found

    def _refine(self, levels: list[_Level], pictures: list[Grey], guess: Camera,
                avoid_px: np.ndarray | None) -> Placed | NotPlaced:
        """On the picture at full, half, quarter size and so on, as far as there are levels; the smallest first."""
        camera = guess
        result: Placed | NotPlaced = NotPlaced("no ground could be compared")
        for level, picture in zip(reversed(levels), reversed(pictures[:len(levels)]), strict=True):
            result = _align(level, picture, camera, self.lens, avoid_px, iterations=8 if level is levels[0] else 12)
            if not isinstance(result, Placed):
                return result
            camera = result.camera
        assert isinstance(result, Placed)
        if result.support < MIN_SUPPORT:
            return NotPlaced(f"only {result.support:.0%} of the ground agrees with the reference picture")
        if result.alike < MIN_ALIKE:
            return NotPlaced("the ground does not look like that of the reference picture")
        return result

    @cached_property
    def _across(self) -> _Across:
        return _across(self._levels[1], pyramid(flattened(self._grey), 2)[1], self.camera)

    @cached_property
    def _witnesses(self) -> Witnesses:
        return Witnesses(self._bgr, self.camera, self._usable)

    def not_slid(self, placed: Placed | NotPlaced, bgr: np.ndarray, pictures: list[Grey],
                  avoid_px: np.ndarray | None) -> Placed | NotPlaced:
        """The camera, or the one by which the cones are where they stood: lines hold a picture from the side only, and
        under moving shadows little else does. pictures: as `_refine` has them, two or more."""
        if not isinstance(placed, Placed) or len(self._levels) < 2:
            return placed
        avoid = _at_scale(avoid_px, self._levels[1].scale)
        if _alike_across(pictures[1], self._across, placed.camera, avoid) > SLID:
            return placed
        off_m = self._witnesses.shift_m(bgr, placed.camera, avoid_px)
        if off_m is None or np.linalg.norm(off_m) < self._witnesses.within_m:
            return placed
        back = Camera(placed.camera.lens, placed.camera.rotation, placed.camera.centre_m - [*off_m, 0.0])
        again = self._refine(self._levels[:1], pictures, back, avoid_px)
        if isinstance(again, Placed):
            off_m = self._witnesses.shift_m(bgr, again.camera, avoid_px)
            if off_m is not None and np.linalg.norm(off_m) < self._witnesses.within_m:
                return again
        return NotPlaced("the cones are not where the ground has them: moving shadows lead it away")

    @cached_property
    def _own_features(self) -> Features:
        return features_of(self._grey, (self._usable * 255).astype(np.uint8))

    def _search(self, found: Features) -> Camera | None:
        """A start for frames far away: matched corner features, a homography, and the pose it means."""
        own = self._own_features
        if own.described is None or found.described is None or len(own.px) < 20 or len(found.px) < 20:
            return None
        pairs = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(own.described, found.described)
        if len(pairs) < 20:
            return None
        p0, p1 = own.px[[m.queryIdx for m in pairs]], found.px[[m.trainIdx for m in pairs]]
        _, inlier = cv2.findHomography(p0, p1, cv2.RANSAC, self._grey.shape[1] / 400)
        if inlier is None or inlier.sum() < 15:
            return None
        ok = inlier.ravel().astype(bool)
        ground = self.camera.to_ground(p0[ok])
        known = np.isfinite(ground).all(axis=1)
        return pose_from_ground(ground[known], p1[ok][known], self.lens, self.camera)


@dataclass(frozen=True)
class Features:
    """Corners px (n, 2) of a picture, each described (n, 32) uint8; None where there is none."""

    px: np.ndarray
    described: np.ndarray | None


def features_of(grey: np.ndarray, mask: np.ndarray | None = None) -> Features:
    """Corner features with their descriptions, the strongest of each cell of the picture: else most of them lie on the
    vehicle, whose markings are richer than the ground's, and what is found is how the vehicle moved."""
    grain = 1.4826 * float(np.median(np.abs(flattened(grey).whole(4))))
    finder = cv2.ORB.create(FEATURES, fastThreshold=max(2, round(FEATURE_GRAINS * grain)))
    found = finder.detect(grey, mask)
    if not found:
        return Features(np.empty((0, 2)), None)
    strongest = np.argsort([-f.response for f in found], kind="stable")
    cell = (np.array([f.pt for f in found])[strongest] / grey.shape[1] * FEATURE_CELLS).astype(int) @ [FEATURE_CELLS, 1]
    by_cell = np.argsort(cell, kind="stable")
    _, first, count = np.unique(cell[by_cell], return_index=True, return_counts=True)
    kept = np.sort(by_cell[np.arange(len(cell)) - np.repeat(first, count) < FEATURES_PER_CELL])
    keypoints, described = finder.compute(grey, [found[i] for i in strongest[kept]])
    return Features(np.array([k.pt for k in keypoints]), described)


def pose_from_ground(ground_m: np.ndarray, px: np.ndarray, lens: Lens, near: Camera) -> Camera | None:
    """The camera that sees ground points (n, 2) m at pixels (n, 2), by OpenCV's solvePnP started at `near`."""
    if len(px) < 4:
        return None
    xyz = np.column_stack([ground_m, np.zeros(len(ground_m))])
    r = rotation_vector(near.rotation)
    t = -near.rotation @ near.centre_m
    ok, r, t = cv2.solvePnP(xyz, np.asarray(px, float), lens.matrix, lens.dist_array, r.reshape(3, 1).copy(),
                            t.reshape(3, 1).copy(), useExtrinsicGuess=True, flags=cv2.SOLVEPNP_ITERATIVE)
    if not ok:
        return None
    rotation = cv2.Rodrigues(r)[0]
    return Camera(lens, rotation, (-rotation.T @ t).ravel())


def _across(level: _Level, picture: Grey, camera: Camera) -> _Across:
    """Of the reference picture itself, at the level's size; the direction is that in which all its slopes together are
    least."""
    got = sample(picture, Camera(camera.lens.scaled(level.scale), camera.rotation, camera.centre_m), level.xyz_m)
    slope = (got.slope @ camera.rotation)[:, :2]
    along = np.linalg.eigh(slope.T @ slope)[1][:, 0]
    share = (slope @ along) ** 2 / np.maximum((slope**2).sum(axis=1), 1e-12)
    return _Across(level.scale, along, level.xyz_m[got.seen], level.value[got.seen], share**2)


def _alike_across(picture: Grey, across: _Across, camera: Camera, avoid_px: np.ndarray) -> float:
    """Correlation of what a camera sees there, in a picture of that scale, with the reference; 0 where too little."""
    small = Camera(camera.lens.scaled(across.scale), camera.rotation, camera.centre_m)
    keep = ~_within(across.xyz_m, avoid_px, np.ascontiguousarray(small.rotation), small.centre_m, small.lens.numbers)
    got = sample(picture, small, across.xyz_m, keep)
    if got.seen.sum() < LEAST_PIXELS:
        return 0.0
    seen, ref, weight = got.value, across.value[got.seen], across.weight[got.seen]
    return float((weight * seen * ref).sum()
                 / max(math.sqrt((weight * seen**2).sum() * (weight * ref**2).sum()), 1e-6))


def strong_pixels(flat: np.ndarray, usable: np.ndarray, count: int) -> np.ndarray:
    """(n, 2) integer pixels (u, v) of strong gradient, spread over the picture by cells."""
    gx, gy = cv2.Sobel(flat, cv2.CV_32F, 1, 0, ksize=3), cv2.Sobel(flat, cv2.CV_32F, 0, 1, ksize=3)
    strength = cv2.magnitude(gx, gy)
    strength[~usable] = 0
    strength[:2], strength[-2:], strength[:, :2], strength[:, -2:] = 0, 0, 0, 0
    h, w = flat.shape
    cell = max(2, int(math.sqrt(h * w / count)))
    rows, cols = h // cell, w // cell
    blocks = strength[: rows * cell, : cols * cell].reshape(rows, cell, cols, cell).transpose(0, 2, 1, 3)
    tiles = blocks.reshape(rows * cols, cell * cell)
    best = tiles.argmax(axis=1)
    peak = tiles[np.arange(len(tiles)), best]
    v = np.repeat(np.arange(rows), cols) * cell + best // cell
    u = np.tile(np.arange(cols), rows) * cell + best % cell
    keep = peak > 0
    return np.column_stack([u, v])[keep]


def _at_scale(polygon_px: np.ndarray | None, scale: float) -> np.ndarray:
    """The polygon (n, 2) px in a picture resized by `scale` (pixel centres at whole numbers); (0, 2) without one."""
    return np.empty((0, 2)) if polygon_px is None else np.ascontiguousarray(polygon_px * scale + (scale - 1) / 2)


def _align(level: _Level, picture: Grey, guess: Camera, lens: Lens, avoid_px: np.ndarray | None,
           iterations: int) -> Placed | NotPlaced:
    """Gauss-Newton on the six pose numbers at one pyramid level, with Tukey weights and one gain."""
    avoid = _at_scale(avoid_px, level.scale)
    compared, rotation, centre_m, hess, sigma, support, alike = _settled(
        picture.shown, picture.around, picture.share, level.xyz_m, level.value, avoid,
        np.ascontiguousarray(guess.rotation), guess.centre_m, lens.scaled(level.scale).numbers, iterations,
        ENOUGH_PX if level.scale == 1 else COARSE_ENOUGH_PX)
    if not compared:
        return NotPlaced("too little of the known ground is in the picture")
    cov = np.linalg.pinv(hess) * sigma**2 * CORRELATED
    return Placed(Camera(lens, rotation, centre_m), cov, support, sigma / 1.4826, alike)


@numba.njit(cache=True, nogil=True)
def _settled(shown, around, share, xyz, ref, avoid, rotation, centre, lens, iterations, enough_px):
    # pragma: no cover (compiled)
    """Steps until the picture moves less than enough_px. Whether there was enough to compare; rotation and centre;
    normal matrix, robust sigma, share that fits and likeness of the last look."""
    keep = ~_within(xyz, avoid, rotation, centre, lens)
    hess, sigma, support, alike = np.zeros((6, 6)), 0.0, 0.0, 0.0
    for _ in range(iterations):
        seen, m, in_camera_m, value, slope = looked_up(shown, around, share, xyz, keep, rotation, centre, lens)
        if m < LEAST_PIXELS:
            return False, rotation, centre, hess, sigma, support, alike
        hess, pull, sigma, support, alike = _weighed(value[:m], ref[seen], in_camera_m, slope, rotation)
        step = np.linalg.solve(hess + np.diag(np.diag(hess) * 1e-6 + 1e-12), -pull)
        rotation, centre = turned(step[:3]) @ rotation, centre + step[3:]
        if lens[0] * max(np.abs(step[:3]).max(), np.abs(step[3:]).max() / centre[2]) < enough_px:
            break
    return True, rotation, centre, hess, sigma, support, alike


@numba.njit(cache=True, nogil=True)
def _weighed(value, ref, in_camera_m, slope, rotation):  # pragma: no cover (compiled)
    """One look at the pixels: normal matrix (6, 6) and right side (6,) of (turn, shift) with one gain and Tukey's
    weights; the residuals' robust sigma, the share that fits, and how alike what is seen is to the reference."""
    gain = min(max((value * ref).sum() / max((ref * ref).sum(), 1e-6), 0.4), 2.5)
    residual = value - gain * ref
    sigma = max(1.4826 * np.median(np.abs(residual)), 0.3)
    hess, pull, jac = np.zeros((6, 6)), np.zeros(6), np.empty(6)
    fits, aa, bb, ab = 0, 0.0, 0.0, 0.0
    for i in range(len(value)):
        inner = 1 - (residual[i] / (TUKEY * sigma)) ** 2
        if inner <= 0:
            continue
        weight = inner * inner
        fits += weight > 0.2
        aa += weight * value[i] * value[i]
        bb += weight * ref[i] * ref[i]
        ab += weight * value[i] * ref[i]
        # one by one, for the compiler unpacks a row slowly
        x, y, z = in_camera_m[i, 0], in_camera_m[i, 1], in_camera_m[i, 2]
        gx, gy, gz = slope[i, 0], slope[i, 1], slope[i, 2]
        jac[0], jac[1], jac[2] = gz * y - gy * z, gx * z - gz * x, gy * x - gx * y
        for k in range(3):
            jac[3 + k] = -(gx * rotation[0, k] + gy * rotation[1, k] + gz * rotation[2, k])
        for k in range(6):
            pull[k] += weight * jac[k] * residual[i]
            for j in range(k, 6):
                hess[k, j] += weight * jac[k] * jac[j]
    for k in range(6):
        for j in range(k):
            hess[k, j] = hess[j, k]
    return hess, pull, sigma, fits / len(value), ab / max(np.sqrt(aa * bb), 1e-6)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _within(xyz, polygon, rotation, centre, lens):  # pragma: no cover (compiled)
    """(n,) bool: which world points are seen within a polygon (m, 2) px."""
    px = np.empty((len(xyz), 2))
    for i in range(len(xyz)):
        x, y, z = in_camera(xyz[i, 0], xyz[i, 1], xyz[i, 2], rotation, centre)
        px[i] = pixel_of(x, y, z, lens)
    return inside_polygon(px, polygon)


def tukey_weight(residual: np.ndarray, sigma: float) -> np.ndarray:
    """Tukey's biweight: 1 for what fits, falling to 0 at TUKEY sigma."""
    return np.clip(1 - (residual / (TUKEY * sigma)) ** 2, 0, None) ** 2


@numba.njit(cache=True, nogil=True, error_model="numpy")
def inside_polygon(px: np.ndarray, polygon_px: np.ndarray) -> np.ndarray:  # pragma: no cover (compiled)
    """(n,) bool: which (n, 2) points lie in the polygon (m, 2), by the crossing rule."""
    inside, m = np.zeros(len(px), np.bool_), len(polygon_px)
    if m == 0:
        return inside
    left, right = polygon_px[:, 0].min(), polygon_px[:, 0].max()
    top, low = polygon_px[:, 1].min(), polygon_px[:, 1].max()
    for i in range(len(px)):
        x, y = px[i, 0], px[i, 1]
        if not (left <= x <= right and top <= y <= low):
            continue
        for k in range(m):
            x0, y0 = polygon_px[k, 0], polygon_px[k, 1]
            x1, y1 = polygon_px[(k + 1) % m, 0], polygon_px[(k + 1) % m, 1]
            if (y0 > y) != (y1 > y) and x < (x1 - x0) * (y - y0) / (y1 - y0) + x0:
                inside[i] = not inside[i]
    return inside


def with_focal(camera: Camera, focal_px: float) -> Camera:
    """The camera of another focal length that sees the ground most nearly as this one does.

    Near the vertical, focal length and height can hardly be told apart from the ground alone: this is
    the family of cameras among which something with height (the vehicle) has to decide."""
    ratio = focal_px / camera.lens.fx
    lens = camera.lens.zoomed(ratio)
    u, v = np.linspace(0, lens.width_px - 1, 12), np.linspace(0, lens.height_px - 1, 8)
    px = np.stack(np.meshgrid(u, v), -1).reshape(-1, 2)
    ground = camera.to_ground(px)
    known = np.isfinite(ground).all(axis=1)
    near = Camera(lens, camera.rotation, camera.centre_m * [1, 1, ratio])
    return pose_from_ground(ground[known], px[known], lens, near) or near
