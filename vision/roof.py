"""The fine fit: the vehicle's own roof, learnt from the clip, laid onto every picture.

A roof seen from above keeps its looks whatever the shadows around it do. From pictures with
coarse poses a roof picture in the vehicle's own metres is built, sharpened by aligning the
pictures to it, and then its rim is found and compared with the entered length and width: this
fixes where the body lies in the roof picture, once, with the noise of all pictures averaged.
After that a frame's pose is three numbers (x, y, heading) that lay the roof onto it.

The roof is taken as flat at the height of the largest solid; units standing on it lean a little
and are outvoted by Tukey weights. Weak for a roof without any marking: then only its rim holds
the fit, and the stated covariance says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from analysis.vehicle import Solid, Vehicle
from vision.camera import Camera
from vision.ground import TUKEY, sample_with_gradient
from vision.outline import DEEPEST_SHADOW
from vision.plate import Plate
from vision.solid import Pose, main_solid

MARGIN_M = 0.6
"""How far beyond the rim the roof picture reaches: the largest error of a coarse pose."""
INSET_M = 0.04
"""Pixels closer to the rim than this are not used: they are mixed with what lies beyond."""
MAX_POINTS = 2500
MIN_SUPPORT = 0.3
"""Share of roof pixels that must agree for a pose to count as measured."""
MIN_ALIKE = 0.5
"""Least correlation with the learnt roof (rendered clips: 0.88-1.0 on the vehicle, below 0.35 on bare ground)."""
LEAST_SHARE = 0.4
"""Share of the pictures with a coarse pose that must show the same roof; below it the coarse poses were wrong."""
HEIGHT_BLOCK_M = 0.4
"""Size of the pieces of roof that get a height of their own."""
CORRELATED = 4.0
"""Pixels of one edge or coded block are not independent: this many count as one (measured on rendered clips)."""
RIM_DOUBT_M = 0.12
"""Standard deviation of the coarse poses' common error (measured: 2-8 cm after averaging)."""
CLEAN_EDGE_PX, BLURRED_EDGE_PX = 0.3, 1.5
"""Standard deviation of an edge's place: against ground, and against the vehicle's own wall (REFERENCES 4.3:
0.1-0.3 px for an edge in real video; the second is our own estimate)."""
BELIEVED_SIZE_SD_M = 0.03
"""How far the seen length and width may each differ from the entered ones at one common scale."""
SOLID_CONTRAST = 12.0
"""Grey levels beyond which a difference from the ground (shadows taken away) is taken for the vehicle."""
SIZE_DOUBT = 0.03
"""The roof may look this much larger or smaller than entered: the camera's height is not well known at first."""
RIM_BAND_M = 0.3
"""Width of the band along the rim that is held to the entered height."""


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


@dataclass(frozen=True)
class RimFit:
    """Where the rim lies in the roof picture against the entered sizes.

    along_m, across_m, turn_rad: the body's place in the present frame, with sd of each. size: how large
    the roof looks, as a share of the entered size, sd size_sd: not 1 when the camera's height is wrong.
    longer_m, wider_m: what is left of length and width after that. edge_radius_m: rounding of the roof's edge.
    """

    along_m: float
    across_m: float
    turn_rad: float
    sd: tuple[float, float, float]
    size: float
    size_sd: float
    longer_m: float
    wider_m: float
    edge_radius_m: float


SIDES = {"left": (0.0, 1.0), "right": (0.0, -1.0), "front": (1.0, 0.0), "rear": (-1.0, 0.0)}
"""Outward directions of the rim's sides in the vehicle frame."""


class Roof:
    """The learnt roof, in the vehicle frame (m).

    picture (rows, cols, 3) float32 with row 0 at the left edge and column 0 at the rear; variation
    (rows, cols) its robust scatter over the clip; height_m (rows, cols) of what is seen there.
    """

    def __init__(self, solid: Solid, picture: np.ndarray, variation: np.ndarray, height_m: np.ndarray,
                 spacing_m: float) -> None:
        self.solid = solid
        self.picture = picture
        self.variation = variation
        self.height_m = height_m
        self.spacing_m = spacing_m
        self.mix = _best_mix(picture, solid, spacing_m)
        self._levels = [self._choose(f) for f in (4, 2, 1)]

    def _choose(self, factor: int) -> _Points:
        """The pixels that tell most about the place, at one level of detail."""
        grey = cv2.transform(self.picture, self.mix.reshape(1, 3))
        if factor > 1:
            grey = cv2.GaussianBlur(grey, (0, 0), 0.5 * factor)
        grid = _grid(self.solid, self.spacing_m)
        inside = _on_roof(self.solid, grid, INSET_M + 0.5 * factor * self.spacing_m)
        strength = cv2.magnitude(cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1))
        strength = (strength / (self.variation + 2.0)).ravel()
        # The strongest few of every piece of the roof: a fit that hangs on one roof unit would not know the heading.
        piece = np.floor(grid.reshape(-1, 2) / HEIGHT_BLOCK_M).astype(int) @ [1000, 1]
        candidates = np.flatnonzero(inside)
        order = candidates[np.lexsort((-strength[candidates], piece[candidates]))]
        first = np.flatnonzero(np.diff(piece[order], prepend=piece[order[0]] - 1))
        rank = np.arange(len(order)) - np.repeat(first, np.diff(np.append(first, len(order))))
        best = order[rank < max(2, MAX_POINTS // factor // len(first))]
        return _Points(grid.reshape(-1, 2)[best], self.height_m.ravel()[best], grey.ravel()[best], factor)

    def fit(self, pictures: Sequence[np.ndarray], camera: Camera, guess: Pose) -> Fitted | NotFitted:
        """Lay the roof onto a frame. `pictures` from `self.prepare`; guess within about half a metre."""
        pose = guess
        result: Fitted | NotFitted = NotFitted("the roof is out of the picture")
        for points, picture in zip(self._levels, reversed(pictures), strict=True):
            result = _lay(points, picture, camera, pose)
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

    def prepare(self, bgr: np.ndarray) -> list[np.ndarray]:
        """The frame in the roof's own grey mixture at full, half and quarter size."""
        out = [cv2.transform(bgr.astype(np.float32), self.mix.reshape(1, 3))]
        for _ in range(2):
            h, w = out[-1].shape[:2]
            out.append(cv2.resize(out[-1][: h // 2 * 2, : w // 2 * 2], (w // 2, h // 2), interpolation=cv2.INTER_AREA))
        return out


@dataclass(frozen=True)
class _Points:
    place_m: np.ndarray  # (n, 2) vehicle frame
    height_m: np.ndarray  # (n,)
    value: np.ndarray  # (n,) grey in the roof's mixture
    factor: int  # 1 full size, 2 half, 4 quarter


@dataclass(frozen=True)
class LearntRoof:
    """The roof in its final frame; the poses of the pictures it was learnt from, None where it did not fit; its rim."""

    roof: Roof
    poses: tuple[Pose | None, ...]
    rim: RimFit | None


def learn_roof(vehicle: Vehicle, bgrs: Sequence[np.ndarray], cameras: Sequence[Camera], coarse: Sequence[Pose],
               plate: Plate) -> LearntRoof | NotFitted:
    """Build the roof from pictures with coarse poses; `plate` tells what lies beyond its rim.

    In turn: sharpen (align all pictures to the one taken most nearly from above, average, repeat);
    put the body where the coarse poses on average had it; find the rim and put it where the data
    sheet says; find what stands above the roof from how it leans; sharpen again.
    """
    solid = main_solid(vehicle)
    spacing = float(np.median([_metres_per_pixel_at(c, solid.z_max_m) for c in cameras]))
    shots = _Shots(bgrs, cameras, solid, spacing, plate)
    flat = np.full(_grid(solid, spacing).shape[:2], solid.z_max_m, np.float32)
    first = int(np.argmin([_distance_from_nadir(c, p, vehicle) for c, p in zip(cameras, coarse, strict=True)]))
    picture = _rectify(bgrs[first], cameras[first], coarse[first], flat, solid, spacing)
    roof = Roof(solid, picture, np.zeros_like(flat), flat, spacing)
    poses: list[Pose | None] = list(coarse)
    for _ in range(2):
        poses = shots.align(roof, poses, coarse)
        if sum(p is not None for p in poses) < max(3, LEAST_SHARE * len(coarse)):
            return NotFitted("the roof looks different from picture to picture")
        roof = shots.build(poses, flat)
    poses = _recentred(poses, coarse)
    rim = None
    height = flat
    for _ in range(3):
        roof = shots.build(poses, height)
        rim = shots.rim(roof, poses)
        if rim is not None:
            poses = [p and p.shifted(rim.along_m, rim.across_m, rim.turn_rad) for p in poses]
            roof = shots.build(poses, height)
        height, poses = shots.heights(roof, poses)
    roof = shots.build(poses, height)
    poses = shots.align(roof, poses, coarse)
    roof = shots.build(poses, height)
    return LearntRoof(roof, tuple(poses), shots.rim(roof, poses))


class _Shots:
    """The pictures a roof is learnt from, with their cameras."""

    def __init__(self, bgrs: Sequence[np.ndarray], cameras: Sequence[Camera], solid: Solid, spacing_m: float,
                 plate: Plate) -> None:
        self.bgrs, self.cameras, self.solid, self.spacing_m, self.plate = bgrs, cameras, solid, spacing_m, plate
        self.gains = [_gain(b, c, plate) for b, c in zip(bgrs, cameras, strict=True)]

    def align(self, roof: Roof, poses: Sequence[Pose | None], coarse: Sequence[Pose]) -> list[Pose | None]:
        out: list[Pose | None] = []
        for bgr, camera, pose, start in zip(self.bgrs, self.cameras, poses, coarse, strict=True):
            fit = roof.fit(roof.prepare(bgr), camera, pose or start)
            out.append(fit.pose if isinstance(fit, Fitted) and near(fit.pose, start) else None)
        return out

    def patches(self, poses: Sequence[Pose | None], height_m: np.ndarray) -> list[np.ndarray | None]:
        """Each picture laid out in the vehicle frame, evened out in brightness."""
        got = [None if p is None else _rectify(b, c, p, height_m, self.solid, self.spacing_m)
               for b, c, p in zip(self.bgrs, self.cameras, poses, strict=True)]
        on = _on_roof(self.solid, _grid(self.solid, self.spacing_m), INSET_M)
        level = [None if g is None else g[on].mean(axis=0) for g in got]
        usual = np.median([v for v in level if v is not None], axis=0)
        return [None if g is None or v is None else g * (usual / np.maximum(v, 1.0)).astype(np.float32)
                for g, v in zip(got, level, strict=True)]

    def build(self, poses: Sequence[Pose | None], height_m: np.ndarray) -> Roof:
        picture, variation = _average([p for p in self.patches(poses, height_m) if p is not None])
        return Roof(self.solid, picture, variation, height_m, self.spacing_m)

    def against_ground(self, poses: Sequence[Pose | None]) -> list[tuple[np.ndarray, dict[str, float]]]:
        """For each picture what differs from the empty yard (signed colours, shadows taken away), laid out at roof
        height, with how far each side is turned away. Where the roof itself looks like ground in shadow, the plain
        picture is given instead."""
        flat = np.full(_grid(self.solid, self.spacing_m).shape[:2], self.solid.z_max_m, np.float32)
        on = _on_roof(self.solid, _grid(self.solid, self.spacing_m), 0.3)
        out, plain, contrast = [], [], []
        for bgr, camera, pose, gain in zip(self.bgrs, self.cameras, poses, self.gains, strict=True):
            if pose is None:
                continue
            patch = _rectify(bgr, camera, pose, flat, self.solid, self.spacing_m)
            ground = gain * _ground_behind(self.plate, camera, pose, self.solid, self.spacing_m)
            share = (patch * ground).sum(axis=2) / np.maximum((ground * ground).sum(axis=2), 1)
            apart = patch - np.clip(share, DEEPEST_SHADOW, 1.0)[..., None] * ground
            contrast.append(float(np.median(np.linalg.norm(apart[on], axis=1))))
            away = self._away(pose, camera)
            out.append((apart.astype(np.float32), away))
            plain.append((patch, away))
        return out if contrast and np.median(contrast) > SOLID_CONTRAST else plain

    def rim(self, roof: Roof, poses: Sequence[Pose | None]) -> RimFit | None:
        got = self.against_ground(poses)
        sides = {}
        for name in SIDES:
            clean = [patch for patch, away in got if away[name] > 0.05]
            sides[name] = _average(clean if len(clean) >= 3 else [patch for patch, _ in got])
        return _fit_rim(roof, got, search_rim(roof, sides))

    def _away(self, pose: Pose, camera: Camera) -> dict[str, float]:
        """How far each side of the roof is turned away from the camera (tangent of the viewing angle)."""
        c, s = math.cos(pose.heading_rad), math.sin(pose.heading_rad)
        height = camera.centre_m[2] - self.solid.z_max_m
        out = {}
        for name, (nx, ny) in SIDES.items():
            reach = (self.solid.x_max_m if nx > 0 else self.solid.x_min_m) if nx else self.solid.width_m / 2
            middle = (self.solid.x_min_m + self.solid.x_max_m) / 2
            edge = pose.to_course(np.array([[reach if nx else middle, ny * reach]]))[0] - camera.centre_m[:2]
            out[name] = float((edge @ [c * nx - s * ny, s * nx + c * ny]) / height)
        return out

    def heights(self, roof: Roof, poses: Sequence[Pose | None]) -> tuple[np.ndarray, list[Pose | None]]:
        """What stands above the roof, from how it leans away from below the camera as the vehicle moves.

        Linear least squares over all pictures: each block of the roof has one unknown height, each
        picture three unknown pose corrections. The blocks along the rim are held to the entered height,
        since only there is it known.
        """
        grid = _grid(self.solid, self.spacing_m)
        rows, cols = grid.shape[:2]
        block = max(2, round(HEIGHT_BLOCK_M / self.spacing_m))
        number = (np.arange(rows)[:, None] // block) * (cols // block + 1) + np.arange(cols)[None] // block
        used = _on_roof(self.solid, grid, -0.08)
        rim = used & ~_on_roof(self.solid, grid, RIM_BAND_M)
        _, number = np.unique(np.where(used, np.where(rim, -1, number), -2), return_inverse=True)
        number = number.reshape(rows, cols)
        count = int(number.max()) + 1
        n = len(poses)
        grey = cv2.transform(roof.picture, roof.mix.reshape(1, 3))
        gx = cv2.Sobel(grey, cv2.CV_32F, 1, 0, scale=1 / 8) / self.spacing_m
        gy = -cv2.Sobel(grey, cv2.CV_32F, 0, 1, scale=1 / 8) / self.spacing_m
        sel = np.flatnonzero(used.ravel())
        x, y = grid.reshape(-1, 2)[sel].T
        gx, gy, name = gx.ravel()[sel], gy.ravel()[sel], number.ravel()[sel]
        trust = 1 / (roof.variation.ravel()[sel] + 2.0) ** 2
        normal = np.zeros((3 * n + count, 3 * n + count))
        right = np.zeros(3 * n + count)
        for i, (patch, pose, camera) in enumerate(zip(self.patches(poses, roof.height_m), poses, self.cameras,
                                                      strict=True)):
            if patch is None or pose is None:
                continue
            residual = (cv2.transform(patch, roof.mix.reshape(1, 3)) - grey).ravel()[sel]
            sigma = max(1.4826 * float(np.median(np.abs(residual))), 0.5)
            w = trust * np.clip(1 - (residual / (2 * TUKEY * sigma)) ** 2, 0, None) ** 2 / CORRELATED
            out = pose.to_course(np.column_stack([x, y])) - camera.centre_m[:2]
            c, s = math.cos(pose.heading_rad), math.sin(pose.heading_rad)
            lean = out @ np.array([[c, -s], [s, c]]) / (camera.centre_m[2] - self.solid.z_max_m)
            # patch(x) = picture(x - d), so the residual is -gradient . d, d = pose correction + lean x height
            jac = -np.column_stack([gx, gy, gy * x - gx * y])
            jh = -(gx * lean[:, 0] + gy * lean[:, 1])
            k = slice(3 * i, 3 * i + 3)
            normal[k, k] += (jac * w[:, None]).T @ jac
            right[k] += (jac * w[:, None]).T @ residual
            for j in range(3):
                cross = np.bincount(name, w * jac[:, j] * jh, count)
                normal[3 * i + j, 3 * n:] += cross
                normal[3 * n:, 3 * i + j] += cross
            normal[range(3 * n, 3 * n + count), range(3 * n, 3 * n + count)] += np.bincount(name, w * jh * jh, count)
            right[3 * n:] += np.bincount(name, w * jh * residual, count)
        held = np.full(count, 1 / 0.3**2)
        held[np.unique(name[rim.ravel()[sel]])] = 1e9
        # heights are corrections to the present ones: pull the total, not the correction, towards the roof
        present = np.bincount(name, roof.height_m.ravel()[sel] - self.solid.z_max_m, count) / np.maximum(
            np.bincount(name, minlength=count), 1)
        normal[range(3 * n, 3 * n + count), range(3 * n, 3 * n + count)] += held
        right[3 * n:] -= held * present
        normal[range(3 * n), range(3 * n)] += 1e-6
        solution = np.linalg.solve(normal, right)
        # Believe a height only where it is well seen and well clear of the roof's.
        sd = np.sqrt(np.diag(np.linalg.inv(normal))[3 * n:])
        change = np.clip(solution[3 * n:] + present, -MARGIN_M, MARGIN_M)
        change[(np.abs(change) < 3 * sd) | (np.abs(change) < 0.04) | (sd > 0.1)] = 0.0
        height = roof.height_m.copy()
        height.ravel()[sel] = self.solid.z_max_m + change[name]
        moved = [p and p.shifted(*solution[3 * i:3 * i + 3]) for i, p in enumerate(poses)]
        return height, moved


@dataclass(frozen=True)
class _RimGuess:
    along_m: float = 0.0
    across_m: float = 0.0
    turn_rad: float = 0.0
    size: float = 1.0
    edge_radius_m: float = 0.0

    def place(self, solid: Solid, points_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Where points of the entered outline lie in the roof picture (m)."""
        middle = (solid.x_min_m + solid.x_max_m) / 2
        x, y = self.size * (points_m[:, 0] - middle), self.size * points_m[:, 1]
        return middle + x - self.turn_rad * y + self.along_m, y + self.turn_rad * x + self.across_m


def _rim_points(solid: Solid) -> dict[str, np.ndarray]:
    """Points (n, 2) every 10 cm along each side of the entered outline, corners left out."""
    corner = solid.corner_radius_m + 0.15
    along = np.arange(solid.x_min_m + corner, solid.x_max_m - corner, 0.1)
    across = np.arange(-solid.width_m / 2 + corner, solid.width_m / 2 - corner, 0.1)
    return {"left": np.column_stack([along, np.full(len(along), solid.width_m / 2)]),
            "right": np.column_stack([along, np.full(len(along), -solid.width_m / 2)]),
            "front": np.column_stack([np.full(len(across), solid.x_max_m), across]),
            "rear": np.column_stack([np.full(len(across), solid.x_min_m), across])}


def search_rim(roof: Roof, looks: dict[str, tuple[np.ndarray, np.ndarray]]) -> _RimGuess:
    """The rim's place to a few centimetres: the entered outline, a little larger or smaller, that has an edge on
    all four sides. looks: for each side its average picture and scatter, from the moments it is turned away."""
    strength = {}
    for name, (nx, _) in SIDES.items():
        picture = cv2.GaussianBlur(looks[name][0], (0, 0), 0.6)
        step = cv2.Sobel(picture, cv2.CV_32F, 1 if nx else 0, 0 if nx else 1, scale=1 / 8)
        strength[name] = _outermost(np.linalg.norm(step, axis=2), looks[name][0], SIDES[name], roof.spacing_m) / (
            2.0 + cv2.GaussianBlur(looks[name][1], (0, 0), 1.0))
    points = _rim_points(roof.solid)

    def agreement(g: _RimGuess) -> float:
        """Log share of each side that lies on a clear edge (how strong it is does not matter: paint along the
        rim is often stronger than the rim), less the distance from where the coarse poses had it."""
        total = -0.5 * ((g.along_m / RIM_DOUBT_M) ** 2 + (g.across_m / RIM_DOUBT_M) ** 2
                        + (g.turn_rad * 8 / RIM_DOUBT_M) ** 2 + ((g.size - 1) / (SIZE_DOUBT / 2)) ** 2)
        for side, p in points.items():
            edge = _at(roof, strength[side], *g.place(roof.solid, p))
            total += 4 * math.log(float((edge / (edge + 2.0)).mean()) + 1e-3)
        return total

    best = _RimGuess()
    for span_m, span_rad, span_size, steps in ((0.35, 0.025, SIZE_DOUBT, 9), (0.09, 0.006, 0.005, 5),
                                               (0.03, 0.002, 0.002, 5)):
        trials = [_RimGuess(best.along_m + a, best.across_m + b, best.turn_rad + c, best.size + d)
                  for a in np.linspace(-span_m, span_m, steps) for b in np.linspace(-span_m, span_m, steps)
                  for c in np.linspace(-span_rad, span_rad, steps) for d in np.linspace(-span_size, span_size, 5)]
        best = max(trials, key=agreement)
    return best


def rounded_edge_shift(tangent: np.ndarray | float) -> np.ndarray | float:
    """How far inside its true place the far edge of a roof looks, in units of the edge's rounding radius.

    Seen under the angle a from the vertical across the roof, the outermost visible point of a quarter round is where
    the ray touches it; followed up to roof height it lies at 1 - 1/cos a + tan a radii inside (plane geometry)."""
    return 1 - np.sqrt(1 + np.square(tangent)) + tangent


def _fit_rim(roof: Roof, patches: Sequence[tuple[np.ndarray, dict[str, float]]], start: _RimGuess) -> RimFit | None:
    """The rim to sub-pixel, from the single pictures: in each, the sides turned away from the camera are measured,
    since beyond them lies ground and not the vehicle's own wall. Robust linear least squares on the place, the
    common size, what length and width differ beyond it, and the rounding of the roof's edge."""
    s, h = roof.solid, roof.spacing_m
    points = _rim_points(s)
    length, width = s.x_max_m - s.x_min_m, s.width_m
    reach = np.arange(-max(3, round(0.2 / h)), max(3, round(0.2 / h)) + 1) * h
    # along, across, turn, size - 1, longer, wider, edge radius
    believed = np.array([0.3, 0.3, 0.05, SIZE_DOUBT, BELIEVED_SIZE_SD_M, BELIEVED_SIZE_SD_M, 0.15])
    mean = np.zeros(7)
    found = np.array([start.along_m, start.across_m, start.turn_rad, start.size - 1, 0.0, 0.0, 0.05])
    spread = believed
    for window_m in (0.10, 0.06, 0.05):
        rows, seen, sds = [], [], []
        for patch, away in patches:
            for side, (nx, ny) in SIDES.items():
                if away[side] < -0.02:
                    continue
                inward = float(rounded_edge_shift(max(away[side], 0.0)))
                for part in np.array_split(points[side], 1 if nx else 4):
                    x, y = part.mean(axis=0)
                    sign = nx or ny
                    row = ((1.0, 0.0, -y, sign * length / 2, sign / 2, 0.0, -sign * inward) if nx else
                           (0.0, 1.0, x, sign * width / 2, 0.0, sign / 2, -sign * inward))
                    offset = _edge_offset(roof, patch, part, (nx, ny), float(np.dot(row, found)), reach, window_m)
                    if offset is not None:
                        rows.append(row)
                        seen.append(offset)
                        sds.append(h * (CLEAN_EDGE_PX if away[side] > 0.05 else BLURRED_EDGE_PX))
        if len(rows) < 8:
            return None
        a, b, sd = np.array(rows), np.array(seen), np.array(sds)
        weight = np.ones(len(b))
        for _ in range(8):
            w = weight / sd**2
            normal = (a * w[:, None]).T @ a + np.diag(1 / believed**2)
            found = np.linalg.solve(normal, (a * w[:, None]).T @ b + mean / believed**2)
            residual = (b - a @ found) / sd
            scatter = max(1.4826 * float(np.median(np.abs(residual))), 1.0)
            weight = np.clip(1 - (residual / (TUKEY * scatter)) ** 2, 0, 1) ** 2
        spread = np.sqrt(np.diag(np.linalg.inv(normal))) * scatter
    # The same edge is seen again and again in like light: its mean is no better than half a single sighting.
    floor = 0.5 * CLEAN_EDGE_PX * h
    sd_place = (max(float(spread[0]), floor), max(float(spread[1]), floor), max(float(spread[2]), floor / length))
    return RimFit(float(found[0]), float(found[1]), float(found[2]), sd_place, 1 + float(found[3]),
                  max(float(spread[3]), floor / length), float(found[4]), float(found[5]), max(float(found[6]), 0.0))


def _outermost(step: np.ndarray, look: np.ndarray, outward: tuple[float, float], spacing_m: float) -> np.ndarray:
    """Edge strength, kept only where what lies a little further out is ground (small in `look`)."""
    reach = max(1.0, 0.08 / spacing_m)
    shift = np.array([[1, 0, outward[0] * reach], [0, 1, -outward[1] * reach]], np.float32)
    beyond = cv2.warpAffine(np.linalg.norm(look, axis=2), shift, step.shape[::-1],
                            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)
    return step * np.exp(-0.5 * (beyond / SOLID_CONTRAST) ** 2)


def _edge_offset(roof: Roof, patch: np.ndarray, part: np.ndarray, outward: tuple[float, float], expected_m: float,
                 reach_m: np.ndarray, window_m: float) -> float | None:
    """Sub-pixel place (m along the side's normal axis, from the entered outline) of the outermost edge near
    `expected_m` along a stretch of a side."""
    d = reach_m + expected_m
    along = np.zeros_like(d)
    end = bool(outward[0])
    x = part[:, :1] + (d if end else along)[None]
    y = part[:, 1:] + (along if end else d)[None]
    colour = _at(roof, patch, x, y).mean(axis=0)
    step = np.linalg.norm(np.diff(colour, axis=0), axis=1)
    sign = outward[0] or outward[1]
    reach = max(1, round(0.08 / roof.spacing_m))
    index = np.clip(np.arange(len(step)) + (1 + reach if sign > 0 else -reach), 0, len(d) - 1)
    beyond = np.linalg.norm(colour[index], axis=1)
    between = (reach_m[:-1] + reach_m[1:]) / 2
    i = int(np.argmax(step * np.exp(-0.5 * (between / window_m) ** 2 - 0.5 * (beyond / SOLID_CONTRAST) ** 2)))
    if not 0 < i < len(step) - 1 or step[i] < 3.0:
        return None
    w = step[i - 1:i + 2] - 0.5 * min(step[i - 1], step[i + 1])
    return float(d[0] + (between[i] - reach_m[0]) + (reach_m[1] - reach_m[0]) * (w[2] - w[0]) / max(w.sum(), 1e-6))


def _average(patches: Sequence[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Median picture and its robust scatter (grey levels, mean of the channels)."""
    stack = np.stack(patches)
    picture = np.median(stack, axis=0).astype(np.float32)
    variation = (1.4826 * np.median(np.abs(stack - picture), axis=0)).mean(axis=2).astype(np.float32)
    return picture, variation


def near(pose: Pose, coarse: Pose) -> bool:
    """Whether a fine pose is one that a coarse or predicted one allows (their errors are below 0.3 m and 2°)."""
    return (math.hypot(pose.x_m - coarse.x_m, pose.y_m - coarse.y_m) < MARGIN_M
            and abs(pose.heading_rad - coarse.heading_rad) < math.radians(3))


def _recentred(poses: Sequence[Pose | None], coarse: Sequence[Pose]) -> list[Pose | None]:
    """The sharpened poses moved, all alike, to where the coarse ones had the body on average."""
    apart = []
    for p, q in zip(poses, coarse, strict=True):
        if p is not None:
            c, s = math.cos(p.heading_rad), math.sin(p.heading_rad)
            dx, dy = q.x_m - p.x_m, q.y_m - p.y_m
            apart.append((c * dx + s * dy, -s * dx + c * dy, q.heading_rad - p.heading_rad))
    middle = np.median(apart, axis=0)
    return [p and p.shifted(*middle) for p in poses]


def _on_roof(solid: Solid, grid_m: np.ndarray, inset_m: float) -> np.ndarray:
    return ((grid_m[..., 0] > solid.x_min_m + inset_m) & (grid_m[..., 0] < solid.x_max_m - inset_m)
            & (np.abs(grid_m[..., 1]) < solid.width_m / 2 - inset_m))


def _grid(solid: Solid, spacing_m: float) -> np.ndarray:
    """(rows, cols, 2) vehicle-frame points covering the top of the solid and a margin."""
    x = np.arange(solid.x_min_m - MARGIN_M, solid.x_max_m + MARGIN_M + spacing_m, spacing_m)
    y = np.arange(solid.width_m / 2 + MARGIN_M, -solid.width_m / 2 - MARGIN_M - spacing_m, -spacing_m)
    return np.stack(np.meshgrid(x, y), -1)


def _at(roof: Roof, picture: np.ndarray, x_m: np.ndarray, y_m: np.ndarray) -> np.ndarray:
    origin = _grid(roof.solid, roof.spacing_m)[0, 0]
    col = ((x_m - origin[0]) / roof.spacing_m).astype(np.float32)
    row = ((origin[1] - y_m) / roof.spacing_m).astype(np.float32)
    return np.squeeze(cv2.remap(picture, col, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


def _rectify(bgr: np.ndarray, camera: Camera, pose: Pose, height_m: np.ndarray, solid: Solid,
             spacing_m: float) -> np.ndarray:
    plan = pose.to_course(_grid(solid, spacing_m).reshape(-1, 2))
    px = camera.project(np.column_stack([plan, height_m.ravel()])).astype(np.float32).reshape(*height_m.shape, 2)
    return cv2.remap(bgr, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(np.float32)


def _ground_behind(plate: Plate, camera: Camera, pose: Pose, solid: Solid, spacing_m: float) -> np.ndarray:
    """The empty yard as it would be seen where the roof's grid is seen."""
    grid = _grid(solid, spacing_m)
    px = camera.project_ground(pose.to_course(grid.reshape(-1, 2)), solid.z_max_m)
    at = plate.camera.project_ground(camera.to_ground(px)).astype(np.float32).reshape(*grid.shape[:2], 2)
    return cv2.remap(plate.bgr, at[..., 0], at[..., 1], cv2.INTER_LINEAR,
                     borderMode=cv2.BORDER_REPLICATE).astype(np.float32)


def _gain(bgr: np.ndarray, camera: Camera, plate: Plate) -> float:
    """Brightness of a picture against the plate's, from the ground both show."""
    scale = min(1.0, 320 / bgr.shape[1])
    empty, known = plate.seen_from(camera, scale)
    small = cv2.resize(bgr, (empty.shape[1], empty.shape[0]), interpolation=cv2.INTER_AREA)
    ratio = small.mean(axis=2)[known] / np.maximum(empty.mean(axis=2)[known], 1)
    return float(np.median(ratio)) if len(ratio) else 1.0


def _best_mix(picture: np.ndarray, solid: Solid, spacing_m: float) -> np.ndarray:
    """The mixture of B, G, R (unit length) in which the roof's own markings stand out most (first principal axis)."""
    colours = picture[_on_roof(solid, _grid(solid, spacing_m), 0.0)]
    _, _, axes = np.linalg.svd(colours - colours.mean(axis=0), full_matrices=False)
    return (axes[0] * np.sign(axes[0].sum() or 1.0)).astype(np.float32)


def _metres_per_pixel_at(camera: Camera, z_m: float) -> float:
    return camera.metres_per_pixel() * (camera.centre_m[2] - z_m) / camera.centre_m[2]


def _distance_from_nadir(camera: Camera, pose: Pose, vehicle: Vehicle) -> float:
    middle = pose.to_course(np.array([[(vehicle.x_front_m + vehicle.x_rear_m) / 2, 0.0]]))[0]
    return float(np.linalg.norm(middle - camera.centre_m[:2]))


def _lay(points: _Points, picture: np.ndarray, camera: Camera, guess: Pose,
         iterations: int = 12) -> Fitted | NotFitted:
    """Gauss-Newton on (x, y, heading) at one level, with Tukey weights, one gain and one offset."""
    small = camera
    if points.factor != 1:
        small = Camera(camera.lens.scaled(1 / points.factor), camera.rotation, camera.centre_m)
    h, w = picture.shape
    pose = guess
    eps = 0.02
    hess, sigma, weight = np.eye(3), 1.0, np.ones(1)
    for _ in range(iterations):
        body = np.column_stack([pose.to_course(points.place_m), points.height_m])
        px = small.project(body)
        seen = (px[:, 0] > 2) & (px[:, 0] < w - 3) & (px[:, 1] > 2) & (px[:, 1] < h - 3)
        if seen.mean() < 0.5:
            return NotFitted("less than half of the roof is in the picture")
        px, p, body = px[seen], points.place_m[seen], body[seen]
        sample, gu, gv = sample_with_gradient(picture, px)
        ref = points.value[seen]
        gain, offset = _robust_line(ref, sample)
        residual = sample - gain * ref - offset
        sigma = max(1.4826 * float(np.median(np.abs(residual))), 0.4)
        weight = np.clip(1 - (residual / (TUKEY * sigma)) ** 2, 0, None) ** 2
        c, s = math.cos(pose.heading_rad), math.sin(pose.heading_rad)
        dx = small.project(body + np.array([eps, 0, 0])) - px
        dy = small.project(body + np.array([0, eps, 0])) - px
        gx, gy = (gu * dx[:, 0] + gv * dx[:, 1]) / eps, (gu * dy[:, 0] + gv * dy[:, 1]) / eps
        # d(course)/d(heading) = (-(s x + c y), c x - s y)
        jac = np.column_stack([gx, gy, -gx * (s * p[:, 0] + c * p[:, 1]) + gy * (c * p[:, 0] - s * p[:, 1])])
        wj = jac * weight[:, None]
        hess = wj.T @ jac
        step = np.linalg.lstsq(hess + np.diag(np.diag(hess)) * 1e-6, -(wj.T @ residual), rcond=None)[0]
        limit = 0.5 / max(abs(step[0]), abs(step[1]), abs(step[2]) * 6, 0.5)
        step = step * limit
        pose = Pose(pose.x_m + step[0], pose.y_m + step[1], pose.heading_rad + step[2])
        if max(abs(step[0]), abs(step[1]), abs(step[2]) * 6) < 2e-4:
            break
    cov = np.linalg.pinv(hess) * sigma**2 * CORRELATED
    return Fitted(pose, cov, float((weight > 0.2).mean()), sigma / 1.4826, _correlation(sample, ref, weight))


def _correlation(x: np.ndarray, y: np.ndarray, weight: np.ndarray) -> float:
    x, y = (v - np.average(v, weights=weight) for v in (x, y))
    both = np.sqrt((weight * x * x).sum() * (weight * y * y).sum())
    return float((weight * x * y).sum() / max(both, 1e-6))


def _robust_line(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """Gain and offset of y on x, with two rounds of leaving out what does not fit."""
    keep = np.ones(len(x), bool)
    gain, offset = 1.0, float(np.median(y - x))
    for _ in range(2):
        a, b = x[keep], y[keep]
        spread = float(np.var(a))
        gain = float(np.clip(np.mean((a - a.mean()) * (b - b.mean())) / spread, 0.4, 2.5)) if spread > 4 else 1.0
        offset = float(np.median(b - gain * a))
        residual = np.abs(y - gain * x - offset)
        keep = residual <= max(2.5 * 1.4826 * float(np.median(residual)), 1.0)
    return gain, offset
