"""Finding the vehicle in one picture, to a few decimetres: the solid that best covers what is new in the yard.

What differs from the empty yard is split in two: `changed` (any difference) and `solid-looking`
(a difference that a shadow cannot explain, since a shadow only darkens, alike in all colours).
A pose is good when its silhouette is full of changed pixels and leaves few solid-looking ones
outside. Weak for a vehicle that looks like a shadow of the yard (dark grey on grey, no paint);
the fine fit (roof.py) then has to find its edges.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.optimize import minimize

from analysis.course import Course
from analysis.vehicle import Vehicle
from vision.camera import Camera
from vision.hinge import bent, whole
from vision.plate import Plate
from vision.solid import Pose, fill, silhouettes_px

COARSE_M_PER_PX = 0.12
"""Working resolution of the search: a vehicle is then some 20 x 100 pixels, whatever the clip's size."""
ABOUT_LENGTHS = 0.75
"""What looks solid farther than this many vehicle lengths from a pose's middle is some other thing."""
SPECKS_M = 0.8
"""Specks of difference no further apart than this are one thing: less than the gap between a vehicle and a person."""
FIRST_SWINGS_M = (1.5, -1.5)
"""How far to either side the towing vehicle's front is tried at first, against its trailer: from there a step of the
search reaches any bend that a reverse is driven with."""
DEEPEST_SHADOW = 0.25
"""A shadow keeps at least this share of the ground's brightness (sky light; from memory 0.3-0.5 in sun)."""


@dataclass(frozen=True)
class Sighting:
    """A coarse pose with the share of the silhouette that is changed, and of solid-looking pixels about it that it
    explains."""

    pose: Pose
    filled: float
    explained: float

    @property
    def good(self) -> bool:
        return self.filled > 0.55 and self.explained > 0.5


@dataclass(frozen=True)
class Difference:
    """`changed` and `solid` (h, w) float32 in 0..1, at `scale` of the full picture."""

    changed: np.ndarray
    solid: np.ndarray
    scale: float


def working_scale(camera: Camera) -> float:
    """The picture scale at which one pixel covers about COARSE_M_PER_PX of ground."""
    return min(1.0, camera.metres_per_pixel() / COARSE_M_PER_PX)


def difference(bgr: np.ndarray, camera: Camera, plate: Plate, yard_m: np.ndarray) -> Difference:
    """Compare a picture with the empty yard at working scale, inside the ground polygon yard_m (n, 2)."""
    scale = working_scale(camera)
    small = cv2.resize(bgr, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA).astype(np.float32)
    empty, known = plate.seen_from(camera, 1.0 if scale > 0.6 else 0.5)
    empty = cv2.resize(empty, (small.shape[1], small.shape[0]), interpolation=cv2.INTER_AREA).astype(np.float32)
    known = cv2.resize(known.astype(np.uint8), (small.shape[1], small.shape[0]), interpolation=cv2.INTER_NEAREST) > 0
    inside = np.zeros(known.shape, np.uint8)
    small_camera = Camera(camera.lens.scaled(scale), camera.rotation, camera.centre_m)
    cv2.fillPoly(inside, [np.round(small_camera.project_ground(yard_m)).astype(np.int32)], 1)
    known &= inside > 0
    if known.sum() < 100:
        nothing = np.zeros(known.shape, np.float32)
        return Difference(nothing, nothing, scale)
    empty *= brightness_ratio(small, empty, known)
    apart = np.linalg.norm(small - empty, axis=2)
    beyond_shadow = np.linalg.norm(without_shadow(small, empty), axis=2)
    # Where the yard itself is uneven (paint, cones), half a pixel of misplacement is no difference.
    contrast = np.stack([cv2.morphologyEx(c, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)) for c in cv2.split(empty)])
    noise = max(1.4826 * float(np.median(apart[known])), 1.0) + 0.25 * np.linalg.norm(contrast, axis=0)
    # A step of five times the ordinary difference is taken as certain; below two as none.
    changed = np.clip((apart / noise - 2) / 3, 0, 1) * known
    solid = np.clip((beyond_shadow / noise - 2) / 3, 0, 1) * known
    # A roof of the ground's colour differs from it in specks only: what lies between many of them is one thing.
    joined = cv2.morphologyEx((solid > 0.05).astype(np.uint8), cv2.MORPH_CLOSE, _disc(SPECKS_M))
    solid = np.maximum(solid, cv2.morphologyEx(joined, cv2.MORPH_OPEN, _disc(SPECKS_M)))
    changed = np.maximum(changed, solid)
    return Difference(changed.astype(np.float32), solid.astype(np.float32), scale)


def _disc(across_m: float) -> np.ndarray:
    size = 2 * round(across_m / 2 / COARSE_M_PER_PX) + 1
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))


def brightness_ratio(bgr: np.ndarray, empty: np.ndarray, known: np.ndarray) -> float:
    """How bright a picture is against the empty yard's (h, w, 3), over the pixels `known` (h, w) bool."""
    return float(np.median(bgr.mean(axis=2)[known] / np.maximum(empty.mean(axis=2)[known], 1)))


def without_shadow(bgr: np.ndarray, empty: np.ndarray) -> np.ndarray:
    """What differs from the empty yard, (h, w, 3) signed, beyond what a shadow (alike in all colours) can do."""
    share = (bgr * empty).sum(axis=2) / np.maximum((empty * empty).sum(axis=2), 1)
    return bgr - np.clip(share, DEEPEST_SHADOW, 1.0)[..., None] * empty


def yard_polygon_m(course: Course, vehicle: Vehicle) -> np.ndarray:
    """(n, 2) ground polygon in which the vehicle is looked for: the course and half a vehicle around it."""
    points = [[m.x_m, m.y_m] for m in course.marks] + [[x, y] for ln in course.lines
                                                     for x, y in ((ln.x0_m, ln.y0_m), (ln.x1_m, ln.y1_m))]
    (x0, y0), (x1, y1) = np.min(points, axis=0), np.max(points, axis=0)
    length = whole(vehicle).length_m
    along, across = length / 2, length / 3
    xs, n = np.linspace(x0 - along, x1 + along, 9), 9  # many points: a bent lens bends the long sides
    return np.concatenate([np.column_stack([xs, np.full(n, y0 - across)]),
                           np.column_stack([xs[::-1], np.full(n, y1 + across)])])


def find_vehicle(diff: Difference, camera: Camera, vehicle: Vehicle, near: Pose | None = None) -> Sighting | None:
    """The best coarse pose, or None when nothing of the vehicle's size is new. Heading is taken within 90° of
    `near`'s, or of the course's x axis: the exercise is driven facing the forward pair."""
    small = Camera(camera.lens.scaled(diff.scale), camera.rotation, camera.centre_m)
    best: Sighting | None = None
    # Of a vehicle that looks like a shadow hardly anything looks solid, but much has changed.
    for layer in (diff.solid, diff.changed):
        for start in [near] if near is not None else _blob_starts(layer, small, vehicle):
            sighting = _improve(diff, small, vehicle, start)
            if near is None and math.cos(sighting.pose.heading_rad) < 0:
                continue  # from both ends a box looks alike
            if best is None or sighting.filled * sighting.explained > best.filled * best.explained:
                best = sighting
        if near is not None or (best is not None and best.good):
            break
    return best


def _blob_starts(layer: np.ndarray, camera: Camera, vehicle: Vehicle) -> list[Pose]:
    """Start poses from connected regions of a layer's pixels of about the right size."""
    starts: list[Pose] = []
    middle = whole(vehicle).middle_x_m
    expected = whole(vehicle).length_m * vehicle.width_m / COARSE_M_PER_PX**2
    mask = (layer > 0.5).astype(np.uint8)
    closing = 2 * round(0.35 / COARSE_M_PER_PX) + 1
    closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((closing, closing), np.uint8))
    opened = cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(opened)
    for i in np.argsort(-stats[1:, cv2.CC_STAT_AREA])[:3] + 1:  # the first is what is not in the mask
        if stats[i, cv2.CC_STAT_AREA] < 0.15 * expected:
            continue
        v, u = np.nonzero(labels == i)
        ground = camera.to_ground(np.column_stack([u, v]).astype(float), vehicle.height_m * 0.7)
        ground = ground[np.isfinite(ground).all(axis=1)]
        if len(ground) < 10:
            continue
        (cx, cy), (a, b), angle = cv2.minAreaRect(ground.astype(np.float32))
        heading = math.radians(angle if a >= b else angle + 90)
        heading = math.atan(math.tan(heading))  # facing +x
        for turn in (0.0, 0.3, -0.3):
            h = heading + turn
            starts.append(Pose(cx - middle * math.cos(h), cy - middle * math.sin(h), h))
        if vehicle.trailer is not None:
            starts += [bent(vehicle, starts[-3], np.array([0.0, 0.0, 0.0, swing])) for swing in FIRST_SWINGS_M]
    return starts


def _improve(diff: Difference, camera: Camera, vehicle: Vehicle, start: Pose) -> Sighting:
    middle, length = whole(vehicle).middle_x_m, whole(vehicle).length_m
    centre = start.to_course(np.array([[middle, 0.0]]))[0]
    shape = diff.changed.shape
    v, u = np.mgrid[: shape[0], : shape[1]]
    middle_px = camera.project_ground(centre[None], vehicle.height_m / 2)[0]
    reach_px = ABOUT_LENGTHS * length / COARSE_M_PER_PX
    about = np.hypot(u - middle_px[0], v - middle_px[1]) < reach_px
    solid = diff.solid * about
    total_solid = float(solid.sum()) + 1e-6
    changed, corner = diff.changed, np.zeros(2)
    if vehicle.trailer is not None:  # four unknowns take so many trials that they are made on the part that matters
        left, top = np.clip(middle_px - reach_px - 8, 0, np.array(shape[::-1]) - 1).astype(int)
        right, low = np.clip(middle_px + reach_px + 8, [left + 1, top + 1], shape[::-1]).astype(int)
        part = np.s_[top:low, left:right]
        changed, solid, corner = changed[part], solid[part], np.array([left, top], float)

    def pose_of(p: np.ndarray) -> Pose:
        if vehicle.trailer is not None:
            return bent(vehicle, start, p)
        h = start.heading_rad + p[2] / (length / 2)
        return Pose(centre[0] + p[0] - middle * math.cos(h), centre[1] + p[1] - middle * math.sin(h), h)

    def shares(p: np.ndarray) -> tuple[float, float]:
        mask = fill([o - corner for o in silhouettes_px(vehicle, pose_of(p), camera)], changed.shape)
        area = float(mask.sum())
        if area < 30:
            return 0.0, 0.0
        on = mask > 0
        return float(changed[on].sum()) / area, float(solid[on].sum()) / total_solid

    def cost(p: np.ndarray) -> float:
        filled, explained = shares(p)
        return -(filled + explained)

    # Steps in metres (turns as the swing of an end): wide first, then fine.
    unknown = 3 if vehicle.trailer is None else 4
    p = np.zeros(unknown)
    for step in (1.0, 0.25):
        simplex = p + step * np.vstack([np.zeros(unknown), np.eye(unknown)])
        p = minimize(cost, p, method="Nelder-Mead",
                     options={"initial_simplex": simplex, "xatol": 0.02, "fatol": 1e-4, "maxfev": 40 * unknown}).x
    filled, explained = shares(p)
    return Sighting(pose_of(p), filled, explained)
