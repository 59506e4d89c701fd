"""Learning the vehicle's roof from pictures spread over the clip.

A roof picture in the vehicle's own metres is built from pictures with coarse poses and sharpened by aligning them to
it; its rim (rim.py) then fixes where the body lies, with the noise of all pictures averaged, and what stands on the
roof gets its height from how it leans.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from analysis.body import Body, Solid
from vision.camera import Camera
from vision.hinged_roofs import HingedRoofs
from vision.laid_out import Layout, average
from vision.overlap import side_by_side
from vision.plate import Plate
from vision.rim import AWAY, FACING, SIDES, RimFit, SideLook, fit_rim, search_rim
from vision.roof import INSET_M, MARGIN_M, Fitted, NotFitted, Roof, near, on_roof, roof_layout
from vision.roof_heights import with_heights
from vision.sampling import ROUNDING
from vision.solid import Pose, main_solid

LEAST_SHARE = 0.4
"""Share of the pictures with a coarse pose that must show the same roof; below it the coarse poses were wrong."""
CENTRINGS, HEIGHT_ROUNDS = 2, 6
"""So often is the rim put in its place, at half size each time before what stands on the roof is raised (at most so
often, each time by about what a pixel of blur lets be seen), then at full size, where it moves by millimetres at last.
"""
HEIGHT_SETTLED_M = 0.02  # less moves no pixel by more than a tenth of one
LEAST_LOOKS = 3  # at a side: a median of fewer would be any one of them
BESIDE_M = (0.3, 0.55)
"""How far beyond a side it is looked up whether the ground there lies in shadow: clear of the coarse poses' error."""
EVEN, EVEN_SHARE = 0.15, 0.8
"""Ground beside a side is evenly lit if within the first share of its middle brightness there is the second share of it
(our own estimate)."""
EVEN_FROM_M = 0.12
"""So near to the side must it be: a shadow that ends nearer than where the light was looked up feigns an edge."""


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

    In turn, with the pictures at half their size: sharpen (align all pictures to the one taken most nearly from above,
    average, repeat); put the body where the coarse poses on average had it; find the rim and put it where the data
    sheet says; find what stands above the roof from how it leans. Then heights, rim and poses at full size.
    """
    solid = main_solid(vehicle)
    spacing = float(np.median([_metres_per_pixel_at(c, solid.z_max_m) for c in cameras]))
    fine = _Shots(bgrs, cameras, solid, roof_layout(solid, spacing), plate, size_doubt, open_sides,
                  max(INSET_M, inset_px * spacing))
    rough = fine.halved()
    flat = np.full((rough.layout.rows, rough.layout.cols), solid.z_max_m, np.float32)
    first = int(np.argmin([_distance_from_nadir(c, p, vehicle) for c, p in zip(cameras, coarse, strict=True)]))
    roof = rough.build(coarse if faint else [p if i == first else None for i, p in enumerate(coarse)], flat)
    poses: list[Pose | None] = list(coarse)
    for _ in range(2):
        poses = rough.align(roof, poses, coarse)
        if sum(p is not None for p in poses) < max(3, LEAST_SHARE * len(coarse)):
            return NotFitted("the roof looks different from picture to picture")
        roof = rough.build(poses, flat)
    poses, height = _recentred(poses, coarse), flat
    for _ in range(CENTRINGS):
        poses, _ = rough.centred(poses)
        for _ in range(HEIGHT_ROUNDS):
            before, (height, poses) = height, rough.heights(poses, height)
            if np.abs(height - before).max() < HEIGHT_SETTLED_M:
                break
    height = _twice(height, fine.layout)
    height, poses = fine.heights(poses, height)
    poses = fine.align(fine.build(poses, height), poses, coarse)
    for _ in range(CENTRINGS):
        poses, rim = fine.centred(poses)
    roof = fine.build(poses, height)
    fits = fine.fits(roof, poses, coarse)
    found = [f for f in fits if f is not None]
    if found:
        roof.usual = float(np.median([f.misfit for f in found])), float(np.median([f.alike for f in found]))
    known = zip(times_s, fits, strict=True)
    return LearntRoof(roof, rim, tuple((t, f.pose) for t, f in known if f is not None and roof.sound(f)))


class _Shots:
    """The pictures a roof is learnt from, with their cameras, and how it is laid out."""

    def __init__(self, bgrs: Sequence[np.ndarray], cameras: Sequence[Camera], solid: Solid, layout: Layout,
                 plate: Plate, size_doubt: float, open_sides: Sequence[str], inset_m: float) -> None:
        self.bgrs, self.cameras, self.solid, self.layout, self.plate = bgrs, cameras, solid, layout, plate
        self.size_doubt = size_doubt
        self.open_sides = open_sides
        self.inset_m = inset_m

    def halved(self) -> _Shots:
        """The same at half the size: good for all but the last touch, at a quarter of the work."""
        small = [cv2.resize(b[:b.shape[0] // 2 * 2, :b.shape[1] // 2 * 2], None, fx=0.5, fy=0.5,
                            interpolation=cv2.INTER_AREA) for b in self.bgrs]
        cameras = [Camera(c.lens.scaled(0.5), c.rotation, c.centre_m) for c in self.cameras]
        return _Shots(small, cameras, self.solid, roof_layout(self.solid, 2 * self.layout.spacing_m), self.plate,
                      self.size_doubt, self.open_sides, self.inset_m)

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
        on = on_roof(self.solid, self.layout.grid_m, INSET_M).astype(np.uint8)

        def laid(bgr: np.ndarray, camera: Camera, pose: Pose | None) -> tuple[np.ndarray, np.ndarray] | None:
            if pose is None:
                return None
            patch = self.layout.laid_out(bgr, camera, pose, height_m)
            return patch, np.array(cv2.mean(patch, on)[:3])
        got = side_by_side(laid, self.bgrs, self.cameras, poses)
        usual = np.median([g[1] for g in got if g is not None], axis=0)
        return [None if g is None else g[0] * (usual / np.maximum(g[1], 1.0)).astype(np.float32) for g in got]

    def build(self, poses: Sequence[Pose | None], height_m: np.ndarray) -> Roof:
        picture, variation = average([p for p in self.patches(poses, height_m) if p is not None])
        return Roof(self.solid, self.layout, picture, variation, height_m, self.inset_m)

    def heights(self, poses: Sequence[Pose | None],
                height_m: np.ndarray) -> tuple[np.ndarray, list[Pose | None]]:
        patches = self.patches(poses, height_m)
        picture, variation = average([p for p in patches if p is not None])
        return with_heights(self.solid, self.layout, picture, variation, height_m, patches, poses, self.cameras)

    def centred(self, poses: Sequence[Pose | None]) -> tuple[list[Pose | None], RimFit | None]:
        """The poses moved, all alike, so that the rim is seen where the data sheet has it."""
        rim = self.rim(poses)
        if rim is None:
            return list(poses), None
        return [p and p.shifted(rim.along_m, rim.across_m, rim.turn_rad) for p in poses], rim

    def rim(self, poses: Sequence[Pose | None]) -> RimFit | None:
        bands = {name: self.layout.part(*_about(self.solid, self.layout, SIDES[name], (-MARGIN_M, MARGIN_M), MARGIN_M))
                 for name in self.open_sides}
        got = self.against_ground(bands, poses)
        noise = float(np.median([look.noise for looks in got for look in looks.values()]))
        sides = {}
        for name in self.open_sides:
            for least, even in ((AWAY, True), (AWAY, False), (FACING, True), (FACING, False)):
                clean = [looks[name].picture for looks in got
                         if looks[name].away > least and looks[name].even >= even]
                if len(clean) >= LEAST_LOOKS:
                    sides[name] = average(clean)
                    break  # a side that always faces the camera tells nothing: its wall's lower edge is as clear
        start = search_rim(self.solid, bands, sides, noise, self.size_doubt)
        return fit_rim(self.solid, bands, got, start, noise, self.size_doubt)

    def against_ground(self, bands: Mapping[str, Layout], poses: Sequence[Pose | None]) -> list[dict[str, SideLook]]:
        """Each picture's roof sides against the empty yard, lit as the ground beside each side is."""
        lit = {name: _about(self.solid, band, SIDES[name], BESIDE_M, 0.0) for name, band in bands.items()}
        beside = {name: _about(self.solid, band, SIDES[name], (EVEN_FROM_M, BESIDE_M[1]), 0.0)
                  for name, band in bands.items()}

        def sides_of(bgr: np.ndarray, camera: Camera, pose: Pose | None) -> dict[str, SideLook] | None:
            if pose is None:
                return None
            away = self._away(pose, camera)
            return {name: _side_look(band.laid_out(bgr, camera, pose, self.solid.z_max_m),
                                     band.ground_behind(self.plate.bgr, self.plate.camera, pose, self.solid.z_max_m,
                                                        camera), lit[name], beside[name], bool(SIDES[name][0]),
                                     away[name])
                    for name, band in bands.items()}
        return [s for s in side_by_side(sides_of, self.bgrs, self.cameras, poses) if s is not None]

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


def _about(solid: Solid, layout: Layout, outward: tuple[float, float], across_m: tuple[float, float],
           longer_m: float) -> tuple[slice, slice]:
    """Rows and columns of the strip along one side, from so far to so far beyond it and longer at either end."""
    nx, ny = outward

    def span(inside: np.ndarray) -> slice:
        at = np.flatnonzero(inside)
        return slice(int(at[0]), int(at[-1]) + 1)
    x, y = layout.x_m, layout.y_m
    if nx:
        out = (x - (solid.x_max_m if nx > 0 else solid.x_min_m)) * nx
        return (span(np.abs(y) < solid.width_m / 2 + longer_m), span((out > across_m[0]) & (out < across_m[1])))
    out = y * ny - solid.width_m / 2
    return (span((out > across_m[0]) & (out < across_m[1])),
            span((x > solid.x_min_m - longer_m) & (x < solid.x_max_m + longer_m)))


def _side_look(seen: np.ndarray, ground: np.ndarray, strip: tuple[slice, slice], beside: tuple[slice, slice], end: bool,
               away: float) -> SideLook:
    """What is seen about a side (rows, cols, 3) against the empty yard behind it, lit along the side as in the strip
    beyond it (end: front or rear); evenly lit if no shadow's edge runs along the side in all that is `beside` it."""
    block = _light(seen, ground, strip, end)
    profile = np.median(block, axis=0)
    along = strip[0] if end else strip[1]
    share = np.interp(np.arange(seen.shape[0 if end else 1]), np.arange(along.start, along.stop), profile)
    near = np.abs(_light(seen, ground, beside, end) - profile) < EVEN * np.abs(profile)
    apart = (seen - (share[:, None] if end else share[None])[..., None] * ground).astype(np.float32)
    noise = max(float(np.median(np.linalg.norm(apart[strip], axis=2))), math.sqrt(3) * ROUNDING)
    return SideLook(apart, noise, away, float(near.mean()) > EVEN_SHARE)


def _light(seen: np.ndarray, ground: np.ndarray, strip: tuple[slice, slice], end: bool) -> np.ndarray:
    """(across the strip, along the side) how light it is there, as a share of the empty yard."""
    lit = (seen[strip] * ground[strip]).sum(axis=2) / np.maximum((ground[strip] ** 2).sum(axis=2), 1)
    return lit.T if end else lit


def _twice(height_m: np.ndarray, layout: Layout) -> np.ndarray:
    """Heights laid out at twice the spacing, as `layout` has it."""
    rows, cols = (np.minimum((np.arange(n) + 1) // 2, m - 1)
                  for n, m in zip((layout.rows, layout.cols), height_m.shape, strict=True))
    return height_m[rows[:, None], cols[None]]


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


def _metres_per_pixel_at(camera: Camera, z_m: float) -> float:
    return camera.metres_per_pixel() * (camera.centre_m[2] - z_m) / camera.centre_m[2]


def _distance_from_nadir(camera: Camera, pose: Pose, vehicle: Body) -> float:
    middle = pose.to_course(np.array([[(vehicle.x_front_m + vehicle.x_rear_m) / 2, 0.0]]))[0]
    return float(np.linalg.norm(middle - camera.centre_m[:2]))
