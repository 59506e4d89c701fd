"""Learning the vehicle's roof from pictures spread over the clip.

A roof picture in the vehicle's own metres is built from pictures with coarse poses and sharpened by aligning them to
it; its rim (rim.py) then fixes where the body lies, with the noise of all pictures averaged, and what stands on the
roof gets its height from how it leans.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from analysis.body import Body, Solid
from vision.camera import Camera
from vision.ground import CORRELATED, tukey_weight
from vision.hinged_roofs import HingedRoofs
from vision.overlap import side_by_side
from vision.plate import Plate
from vision.rim import SIDES, RimFit, SideLook, fit_rim, search_rim
from vision.roof import INSET_M, MARGIN_M, PIECE_M, Fitted, NotFitted, Roof, near, on_roof, roof_grid_m
from vision.solid import Pose, main_solid

LEAST_SHARE = 0.4
"""Share of the pictures with a coarse pose that must show the same roof; below it the coarse poses were wrong."""
HEIGHT_ROUNDS = 6
"""At most so often is what stands on the roof raised: each time by about what a pixel of blur lets be seen."""
BESIDE_M = (0.3, 0.55)
"""How far beyond a side it is looked up whether the ground there lies in shadow: clear of the coarse poses' error."""
EVEN = 0.15
"""Ground beside a side is evenly lit if most of it is within this share of its middle brightness."""
RIM_BAND_M = 0.3
"""Width of the band along the rim that is held to the entered height."""


@dataclass(frozen=True)
class LearntRoof:
    """The roof in its final frame; its rim, None where that could not be made out; and the poses it
    was learnt from, each with its picture's time."""

    roof: Roof | HingedRoofs
    rim: RimFit | None
    known: tuple[tuple[float, Pose], ...]


def learn_roof(vehicle: Body, bgrs: Sequence[np.ndarray], cameras: Sequence[Camera], coarse: Sequence[Pose],
               times_s: Sequence[float], plate: Plate, size_doubt: float,
               open_sides: Sequence[str] = tuple(SIDES), inset_px: float = 0.0,
               faint: bool = False) -> LearntRoof | NotFitted:
    """Build the roof from pictures with coarse poses and times; `plate` tells what lies beyond its rim; `size_doubt` by
    what share (one sd) the roof may look larger or smaller than entered, as the camera's height is not known better;
    `open_sides` are those beyond which ground is seen (the rear of a tractor and the front of its trailer are not);
    pixels closer to the rim than `inset_px` are not used, nor any closer than INSET_M.
    A `faint` roof may be unmarked: one picture of it shows its own noise most, so that all are averaged at first.

    In turn: sharpen (align all pictures to the one taken most nearly from above, average, repeat);
    put the body where the coarse poses on average had it; find the rim and put it where the data
    sheet says; find what stands above the roof from how it leans; sharpen again.
    """
    solid = main_solid(vehicle)
    spacing = float(np.median([_metres_per_pixel_at(c, solid.z_max_m) for c in cameras]))
    shots = _Shots(bgrs, cameras, solid, spacing, plate, size_doubt, open_sides, max(INSET_M, inset_px * spacing))
    flat = np.full(roof_grid_m(solid, spacing).shape[:2], solid.z_max_m, np.float32)
    first = int(np.argmin([_distance_from_nadir(c, p, vehicle) for c, p in zip(cameras, coarse, strict=True)]))
    picture = _rectify(bgrs[first], cameras[first], coarse[first], flat, solid, spacing)
    roof = (shots.build(coarse, flat) if faint else
            Roof(solid, picture, np.zeros_like(flat), flat, spacing, shots.inset_m))
    poses: list[Pose | None] = list(coarse)
    for _ in range(2):
        poses = shots.align(roof, poses, coarse)
        if sum(p is not None for p in poses) < max(3, LEAST_SHARE * len(coarse)):
            return NotFitted("the roof looks different from picture to picture")
        roof = shots.build(poses, flat)
    poses = _recentred(poses, coarse)
    height = flat
    for _ in range(3):
        roof, poses, _ = shots.centred(poses, height)
        for _ in range(HEIGHT_ROUNDS):
            before, (height, poses) = height, shots.heights(roof, poses)
            roof = shots.build(poses, height)
            if np.abs(height - before).max() < 0.02:
                break
    roof, poses, rim = shots.centred(shots.align(roof, poses, coarse), height)
    fits = [f for f in shots.fits(roof, poses, coarse) if f is not None]
    if fits:
        roof.usual = float(np.median([f.misfit for f in fits])), float(np.median([f.alike for f in fits]))
    known = zip(times_s, shots.align(roof, poses, coarse), strict=True)
    return LearntRoof(roof, rim, tuple((t, p) for t, p in known if p is not None))


class _Shots:
    """The pictures a roof is learnt from, with their cameras."""

    def __init__(self, bgrs: Sequence[np.ndarray], cameras: Sequence[Camera], solid: Solid, spacing_m: float,
                 plate: Plate, size_doubt: float, open_sides: Sequence[str], inset_m: float) -> None:
        self.bgrs, self.cameras, self.solid, self.spacing_m, self.plate = bgrs, cameras, solid, spacing_m, plate
        self.size_doubt = size_doubt
        self.open_sides = open_sides
        self.inset_m = inset_m

    def align(self, roof: Roof, poses: Sequence[Pose | None], coarse: Sequence[Pose]) -> list[Pose | None]:
        return [None if f is None else f.pose for f in self.fits(roof, poses, coarse)]

    def fits(self, roof: Roof, poses: Sequence[Pose | None], coarse: Sequence[Pose]) -> list[Fitted | None]:
        """The roof laid onto each picture; None where that leads away from the coarse pose."""
        def laid(bgr: np.ndarray, camera: Camera, pose: Pose | None, start: Pose) -> Fitted | None:
            fit = roof.lay(bgr, camera, pose or start)
            return fit if isinstance(fit, Fitted) and near(fit.pose, start) else None
        return side_by_side(laid, self.bgrs, self.cameras, poses, coarse)

    def patches(self, poses: Sequence[Pose | None], height_m: np.ndarray) -> list[np.ndarray | None]:
        """Each picture laid out in the vehicle frame, evened out in brightness."""
        def laid_out(bgr: np.ndarray, camera: Camera, pose: Pose | None) -> np.ndarray | None:
            return None if pose is None else _rectify(bgr, camera, pose, height_m, self.solid, self.spacing_m)
        got = side_by_side(laid_out, self.bgrs, self.cameras, poses)
        on = on_roof(self.solid, roof_grid_m(self.solid, self.spacing_m), INSET_M)
        level = [None if g is None else g[on].mean(axis=0) for g in got]
        usual = np.median([v for v in level if v is not None], axis=0)
        return [None if g is None or v is None else g * (usual / np.maximum(v, 1.0)).astype(np.float32)
                for g, v in zip(got, level, strict=True)]

    def build(self, poses: Sequence[Pose | None], height_m: np.ndarray) -> Roof:
        picture, variation = _average([p for p in self.patches(poses, height_m) if p is not None])
        return Roof(self.solid, picture, variation, height_m, self.spacing_m, self.inset_m)

    def centred(self, poses: Sequence[Pose | None],
                height_m: np.ndarray) -> tuple[Roof, list[Pose | None], RimFit | None]:
        """The roof with its rim where the data sheet has it: poses moved, all alike, to where the rim is seen."""
        roof = self.build(poses, height_m)
        rim = self.rim(roof, poses)
        if rim is None:
            return roof, list(poses), None
        moved = [p and p.shifted(rim.along_m, rim.across_m, rim.turn_rad) for p in poses]
        return self.build(moved, height_m), moved, rim

    def against_ground(self, poses: Sequence[Pose | None]) -> list[dict[str, SideLook]]:
        """Each picture's roof sides against the empty yard, lit as the ground beside each side is."""
        grid = roof_grid_m(self.solid, self.spacing_m)
        flat = np.full(grid.shape[:2], self.solid.z_max_m, np.float32)
        strips = {name: _beside(self.solid, grid, SIDES[name]) for name in self.open_sides}

        def sides_of(bgr: np.ndarray, camera: Camera, pose: Pose | None) -> dict[str, SideLook] | None:
            if pose is None:
                return None
            patch = _rectify(bgr, camera, pose, flat, self.solid, self.spacing_m)
            ground = _ground_behind(self.plate, camera, pose, self.solid, self.spacing_m)
            light = (patch * ground).sum(axis=2) / np.maximum((ground * ground).sum(axis=2), 1)
            away = self._away(pose, camera)
            sides = {}
            for name, strip in strips.items():
                share, even = _light_along(light, strip, ends=bool(SIDES[name][0]))
                sides[name] = SideLook((patch - share[..., None] * ground).astype(np.float32), away[name], even)
            return sides
        return [s for s in side_by_side(sides_of, self.bgrs, self.cameras, poses) if s is not None]

    def rim(self, roof: Roof, poses: Sequence[Pose | None]) -> RimFit | None:
        got = self.against_ground(poses)
        sides = {}
        for name in self.open_sides:
            clean = [looks[name].picture for looks in got if looks[name].away > 0.05]
            sides[name] = _average(clean if len(clean) >= 3 else [looks[name].picture for looks in got])
        return fit_rim(roof, got, search_rim(roof, sides, self.size_doubt), self.size_doubt)

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
        grid = roof_grid_m(self.solid, self.spacing_m)
        rows, cols = grid.shape[:2]
        block = max(2, round(PIECE_M / self.spacing_m))
        number = (np.arange(rows)[:, None] // block) * (cols // block + 1) + np.arange(cols)[None] // block
        used = on_roof(self.solid, grid, -0.08)
        rim = used & ~on_roof(self.solid, grid, RIM_BAND_M)
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
            w = trust * tukey_weight(residual, 2 * sigma) / CORRELATED
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


def _beside(solid: Solid, grid_m: np.ndarray, outward: tuple[float, float]) -> tuple[slice, slice]:
    """Rows and columns of the strip of the roof picture some way beyond one side."""
    nx, ny = outward
    x, y = grid_m[0, :, 0], grid_m[:, 0, 1]

    def span(inside: np.ndarray) -> slice:
        at = np.flatnonzero(inside)
        return slice(int(at[0]), int(at[-1]) + 1)
    along_x, along_y = (x > solid.x_min_m) & (x < solid.x_max_m), np.abs(y) < solid.width_m / 2
    if nx:
        out = (x - (solid.x_max_m if nx > 0 else solid.x_min_m)) * nx
        return span(along_y), span((out > BESIDE_M[0]) & (out < BESIDE_M[1]))
    out = y * ny - solid.width_m / 2
    return span((out > BESIDE_M[0]) & (out < BESIDE_M[1])), span(along_x)


def _light_along(light: np.ndarray, strip: tuple[slice, slice], ends: bool) -> tuple[np.ndarray, bool]:
    """How brightly the ground beside a side is lit, carried over the whole roof picture at right angles to the side
    (ends: front or rear), and whether it is even across the strip: no shadow's edge runs along the side."""
    block = light[strip].T if ends else light[strip]  # across the strip, along the side
    profile = np.median(block, axis=0)
    along = strip[0] if ends else strip[1]
    n = light.shape[0 if ends else 1]
    share = np.interp(np.arange(n), np.arange(along.start, along.stop), profile)
    even = float(np.mean(np.abs(block / np.maximum(profile, 0.05) - 1) < EVEN)) > 0.8
    return np.broadcast_to(share[:, None] if ends else share[None], light.shape), even


def _average(patches: Sequence[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Median picture and its robust scatter (grey levels, mean of the channels)."""
    stack = np.stack(patches)

    def middle(rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        part = stack[:, rows]
        picture = np.median(part, axis=0).astype(np.float32)
        return picture, (1.4826 * np.median(np.abs(part - picture), axis=0)).mean(axis=2).astype(np.float32)

    pictures, variations = zip(*side_by_side(middle, np.array_split(np.arange(stack.shape[1]), 8)), strict=True)
    return np.concatenate(pictures), np.concatenate(variations)


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


def _rectify(bgr: np.ndarray, camera: Camera, pose: Pose, height_m: np.ndarray, solid: Solid,
             spacing_m: float) -> np.ndarray:
    plan = pose.to_course(roof_grid_m(solid, spacing_m).reshape(-1, 2))
    px = camera.project(np.column_stack([plan, height_m.ravel()])).astype(np.float32).reshape(*height_m.shape, 2)
    return cv2.remap(bgr, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(np.float32)


def _ground_behind(plate: Plate, camera: Camera, pose: Pose, solid: Solid, spacing_m: float) -> np.ndarray:
    """The empty yard as it would be seen where the roof's grid is seen."""
    grid = roof_grid_m(solid, spacing_m)
    px = camera.project_ground(pose.to_course(grid.reshape(-1, 2)), solid.z_max_m)
    at = plate.camera.project_ground(camera.to_ground(px)).astype(np.float32).reshape(*grid.shape[:2], 2)
    return cv2.remap(plate.bgr, at[..., 0], at[..., 1], cv2.INTER_LINEAR,
                     borderMode=cv2.BORDER_REPLICATE).astype(np.float32)


def _metres_per_pixel_at(camera: Camera, z_m: float) -> float:
    return camera.metres_per_pixel() * (camera.centre_m[2] - z_m) / camera.centre_m[2]


def _distance_from_nadir(camera: Camera, pose: Pose, vehicle: Body) -> float:
    middle = pose.to_course(np.array([[(vehicle.x_front_m + vehicle.x_rear_m) / 2, 0.0]]))[0]
    return float(np.linalg.norm(middle - camera.centre_m[:2]))
