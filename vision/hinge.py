"""The towing vehicle and its trailer as one thing hinged at the coupling: how large it is, and how it moves.

Of the two bodies the one with the larger roof leads: its place is known better, in every picture, and the other only
turns about the coupling. A semi-trailer leads its tractor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.vehicle import Vehicle
from vision.solid import Pose, main_solid, towed_pose


@dataclass(frozen=True)
class Whole:
    """Length of the vehicle with its trailer, straight, and x of its middle in the towing vehicle's frame (m)."""

    length_m: float
    middle_x_m: float


def whole(vehicle: Vehicle) -> Whole:
    t = vehicle.trailer
    if t is None:
        return Whole(vehicle.length_m, (vehicle.x_front_m + vehicle.x_rear_m) / 2)
    rear = t.hitch_x_m - t.hitch_to_axle_m + t.x_rear_m
    return Whole(vehicle.x_front_m - rear, (vehicle.x_front_m + rear) / 2)


def trailer_leads(vehicle: Vehicle) -> bool:
    """Whether the trailer's roof is the larger one."""
    assert vehicle.trailer is not None
    mine, theirs = main_solid(vehicle), main_solid(vehicle.trailer)
    return ((theirs.x_max_m - theirs.x_min_m) * theirs.width_m > (mine.x_max_m - mine.x_min_m) * mine.width_m)


def hinged(vehicle: Vehicle, trailer: Pose, heading_rad: float) -> Pose:
    """The towing vehicle's pose from its trailer's and its own heading."""
    t = vehicle.trailer
    assert t is not None
    at = trailer.to_course(np.array([[t.hitch_to_axle_m, 0.0]]))[0]
    return Pose(float(at[0]) - t.hitch_x_m * math.cos(heading_rad), float(at[1]) - t.hitch_x_m * math.sin(heading_rad),
                heading_rad, trailer.heading_rad - heading_rad)


def ways_to_move(vehicle: Vehicle) -> int:
    return 3 if vehicle.trailer is None else 4


def middle_m(vehicle: Vehicle, pose: Pose) -> np.ndarray:
    """(2,) where the middle of the whole vehicle is, straight."""
    return pose.to_course(np.array([[whole(vehicle).middle_x_m, 0.0]]))[0]


def with_middle(vehicle: Vehicle, at_m: np.ndarray, heading_rad: float, articulation_rad: float = 0.0) -> Pose:
    """The pose of that heading with its middle there (2,)."""
    x, (cx, cy) = whole(vehicle).middle_x_m, at_m
    return Pose(cx - x * math.cos(heading_rad), cy - x * math.sin(heading_rad), heading_rad, articulation_rad)


def moved(vehicle: Vehicle, start: Pose, change_m: np.ndarray) -> Pose:
    """The vehicle moved by change_m (3,) along x and y of the course and by the swing of its ends about its middle, or
    (4,) as a combination."""
    if vehicle.trailer is not None:
        return bent(vehicle, start, change_m)
    return _turned(start, whole(vehicle).middle_x_m, change_m[0], change_m[1], change_m[2] / (vehicle.length_m / 2))


def bent(vehicle: Vehicle, start: Pose, change_m: np.ndarray) -> Pose:
    """The combination moved: change_m (4,) along x and y of the course, swing of its ends turned as a whole about the
    leading body's middle, and swing of the other body's far end about the coupling."""
    t = vehicle.trailer
    assert t is not None
    dx, dy, swing, other = change_m
    theirs = towed_pose(vehicle, start)
    turn = swing / (whole(vehicle).length_m / 2)
    if trailer_leads(vehicle):
        pose = _turned(theirs, (t.x_front_m + t.x_rear_m) / 2, dx, dy, turn)
        heading = start.heading_rad + turn + other / (vehicle.x_front_m - t.hitch_x_m)
        return hinged(vehicle, pose, heading)
    pose = _turned(start, (vehicle.x_front_m + vehicle.x_rear_m) / 2, dx, dy, turn)
    return Pose(pose.x_m, pose.y_m, pose.heading_rad,
                start.articulation_rad + other / (t.hitch_to_axle_m - t.x_rear_m))


def _turned(pose: Pose, about_x_m: float, dx_m: float, dy_m: float, turn_rad: float) -> Pose:
    """A body moved, and turned about a point of its own middle line."""
    x, y = pose.to_course(np.array([[about_x_m, 0.0]]))[0]
    h = pose.heading_rad + turn_rad
    return Pose(x + dx_m - about_x_m * math.cos(h), y + dy_m - about_x_m * math.sin(h), h)
