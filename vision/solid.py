"""The vehicle as a solid standing on the ground, and how it looks from a camera."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from analysis.body import Body, Solid, rounded_rectangle
from analysis.trailer import trailer_pose
from analysis.vehicle import Vehicle
from vision.camera import Camera


@dataclass(frozen=True)
class Pose:
    """Rear-axle reference on the ground (m) and heading (rad), course frame; of a vehicle with a trailer also the
    articulation angle (rad)."""

    x_m: float
    y_m: float
    heading_rad: float
    articulation_rad: float = 0.0

    def to_course(self, points_m: np.ndarray) -> np.ndarray:
        """(n, 2) vehicle-frame points to course-frame points."""
        c, s = math.cos(self.heading_rad), math.sin(self.heading_rad)
        return points_m @ np.array([[c, s], [-s, c]]) + [self.x_m, self.y_m]

    def shifted(self, along_m: float, across_m: float, turn_rad: float) -> Pose:
        """The pose moved in its own axes, then turned about its reference point."""
        c, s = math.cos(self.heading_rad), math.sin(self.heading_rad)
        return Pose(self.x_m + c * along_m - s * across_m, self.y_m + s * along_m + c * across_m,
                    self.heading_rad + turn_rad, self.articulation_rad)


def main_solid(body: Body) -> Solid:
    """The solid with the largest top: its roof is what is followed. What lies under a trailer has none to be seen."""
    seen: Sequence[Solid] = body.solids
    if isinstance(body, Vehicle) and body.trailer is not None:
        front = body.trailer.hitch_x_m - body.trailer.hitch_to_axle_m + body.trailer.x_front_m
        seen = [s for s in body.solids if s.x_min_m >= front] or body.solids
    return max(seen, key=lambda s: (s.x_max_m - s.x_min_m) * s.width_m)


def towed_pose(vehicle: Vehicle, pose: Pose) -> Pose:
    """Where the trailer's own frame is."""
    assert vehicle.trailer is not None
    x, y, heading, bend = np.array([[pose.x_m], [pose.y_m], [pose.heading_rad], [pose.articulation_rad]])
    theirs = trailer_pose(x, y, heading, bend, vehicle.trailer)
    return Pose(*(float(a[0]) for a in theirs))


def silhouettes_px(vehicle: Vehicle, pose: Pose, camera: Camera, ground_z_m: float = 0.0) -> list[np.ndarray]:
    """One convex outline (n, 2) px per solid; together they cover what the vehicle hides.

    The solids are prolonged down to `ground_z_m`, since wheels and skirts fill the gap below them."""
    outlines = []
    for s, at in _parts(vehicle, pose):
        plan = at.to_course(_plan_m(s))
        px = camera.project(np.column_stack([np.tile(plan, (2, 1)), np.repeat([ground_z_m, s.z_max_m], len(plan))]))
        outlines.append(cv2.convexHull(px.astype(np.float32)).reshape(-1, 2).astype(float))
    return outlines


def shadows_px(vehicle: Vehicle, pose: Pose, camera: Camera, shadow_m_per_m: np.ndarray) -> list[np.ndarray]:
    """One convex outline (n, 2) px per solid of where its shadow falls on the ground, so far (2,) along the course's
    axes for each metre of height; what of it the vehicle itself hides is not left out."""
    outlines = []
    for s, at in _parts(vehicle, pose):
        plan = at.to_course(_plan_m(s))
        px = camera.project_ground(np.concatenate([plan, plan + s.z_max_m * shadow_m_per_m]))
        outlines.append(cv2.convexHull(px.astype(np.float32)).reshape(-1, 2).astype(float))
    return outlines


def _parts(vehicle: Vehicle, pose: Pose) -> list[tuple[Solid, Pose]]:
    """The solids of the vehicle and its trailer, each with the frame it is given in."""
    parts = [(s, pose) for s in vehicle.solids]
    if vehicle.trailer is not None:
        parts += [(s, towed_pose(vehicle, pose)) for s in vehicle.trailer.solids]
    return parts


@lru_cache(maxsize=64)
def _plan_m(solid: Solid) -> np.ndarray:
    """(n, 2) the solid's plan, which a search asks for some thousand times a picture."""
    return rounded_rectangle(solid.x_min_m, solid.x_max_m, solid.width_m, solid.corner_radius_m, 3)


def covered_px(vehicle: Vehicle, pose: Pose, camera: Camera, margin: float = 1.0) -> np.ndarray:
    """One convex polygon (n, 2) px around the whole vehicle, with its trailer, scaled about its middle by `margin`."""
    hull = cv2.convexHull(np.concatenate(silhouettes_px(vehicle, pose, camera)).astype(np.float32)).reshape(-1, 2)
    middle = hull.mean(axis=0)
    return (hull - middle) * margin + middle


def fill(outlines: list[np.ndarray], shape: tuple[int, int]) -> np.ndarray:
    """uint8 mask (h, w) of the outlines' union."""
    mask = np.zeros(shape, np.uint8)
    for o in outlines:
        cv2.fillConvexPoly(mask, np.round(o * 16).astype(np.int32), 1, shift=4)
    return mask
