"""How long and wide the vehicle looks, whatever its file says: the ends and sides of what is not empty yard.

The fine fit (rim.py) takes the entered sizes for granted to a few centimetres, so it cannot tell that they are wrong.
Here each end and side is looked for on its own, over a metre either way, in the pictures in which the ground beyond it
is seen. Weak for a vehicle of the ground's colour or darker, where nothing is stated; a front that slopes or is rounded
at roof height looks short by as much.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np

from analysis.body import Solid
from analysis.track import SizeSeen
from analysis.vehicle import Vehicle
from vision.camera import Camera
from vision.outline import USUAL_SHADOW, without_shadow
from vision.plate import Plate
from vision.rim import AWAY, CLEAN_EDGE_PX, SIDES
from vision.sampling import ROUNDING
from vision.solid import Pose, main_solid

INWARD_M, OUTWARD_M = 1.0, 1.5
"""How far inside and beyond its entered place an end or side is looked for: twice the error to be noticed, shared
unevenly between both ends."""
VEHICLE_M, GROUND_M = 0.7, 1.1
"""What lies further in than the one is surely the vehicle, further out than the other surely ground."""
STEP_M = 0.02  # half a pixel or less at any height a yard is filmed from
LEAST_LOOKS = 3  # one picture with a person by the vehicle must not decide
STANDS_OUT = 3.0
"""The vehicle must differ from the yard by this many times what the ground beside it does."""
FAINT = 0.1
"""What differs from the yard by less than this share of what the vehicle usually does is not its edge."""
BLUR_PX = 2.0
"""Over so many pixels inwards an edge reaches its full height; further in there may be another colour of paint."""
EDGE_SD_M = 0.025
"""How far the edge of a roof may look inside the body's greatest extent, by its rounding (our own estimate)."""

Shot = tuple[np.ndarray, Camera, Pose]


def size_seen(vehicle: Vehicle, shots: Sequence[Shot], plate: Plate, size_doubt: float) -> SizeSeen:
    """shots: pictures (bgr), each with its camera and the vehicle's pose in it; plate: the empty yard; size_doubt: by
    what share (one sd) everything at roof height may look larger or smaller, as the camera's height is not known
    better."""
    length = width = None
    if vehicle.trailer is None:  # else its rear lies hidden
        length = _across(vehicle, shots, plate, "front", "rear", size_doubt)
    width = _across(vehicle, shots, plate, "left", "right", size_doubt)
    return SizeSeen(*(length or (None, None)), *(width or (None, None)))


def _across(vehicle: Vehicle, shots: Sequence[Shot], plate: Plate, one: str, other: str,
            doubt: float) -> tuple[float, float] | None:
    """From one side to the other (m), with its sd."""
    ends = [_beyond(_outermost(vehicle, side), side, shots, plate) for side in (one, other)]
    if ends[0] is None or ends[1] is None:
        return None
    entered = sum(_reach(_outermost(vehicle, side), side) for side in (one, other))
    seen = entered + ends[0][0] + ends[1][0]
    return seen, float(math.hypot(ends[0][1], ends[1][1], doubt * seen))


def _outermost(vehicle: Vehicle, side: str) -> Solid:
    """The solid whose roof reaches furthest to that side; of several the longest. Of a towing vehicle the one that its
    trailer does not hide."""
    solids = vehicle.solids if vehicle.trailer is None else (main_solid(vehicle),)
    return max(solids, key=lambda s: (round(_reach(s, side), 2), s.x_max_m - s.x_min_m))


def _reach(solid: Solid, side: str) -> float:
    """How far (m) a solid reaches to a side from the origin of the vehicle frame."""
    nx, _ = SIDES[side]
    return solid.width_m / 2 if nx == 0 else solid.x_max_m if nx > 0 else -solid.x_min_m


def _beyond(solid: Solid, side: str, shots: Sequence[Shot], plate: Plate) -> tuple[float, float] | None:
    """How far (m) beyond its entered place the vehicle ends on that side, with its sd."""
    nx, ny = SIDES[side]
    reach, corner = _reach(solid, side), solid.corner_radius_m + 0.3
    low, high = (-solid.width_m / 2, solid.width_m / 2) if nx else (solid.x_min_m, solid.x_max_m)
    along = np.linspace(low + corner, high - corner, 40)
    out = np.arange(-INWARD_M, OUTWARD_M, STEP_M)
    edge = np.column_stack([np.full(40, nx * reach), along] if nx else [along, np.full(40, ny * reach)])
    points = (edge[:, None] + out[None, :, None] * np.array([nx, ny])).reshape(-1, 2)
    found = []
    for bgr, camera, pose in shots:
        turned = Pose(0.0, 0.0, pose.heading_rad).to_course(np.array([[nx, ny]]))[0]
        middle = pose.to_course(edge.mean(axis=0)[None])[0]
        away = float((middle - camera.centre_m[:2]) @ turned) / (camera.centre_m[2] - solid.z_max_m)
        if away < AWAY:
            continue
        at = _edge(bgr, camera, camera.project_ground(pose.to_course(points), solid.z_max_m), plate, out)
        if at is not None:
            found.append(at)
    if len(found) < LEAST_LOOKS:
        return None
    middle = float(np.median(found))
    scatter = 1.4826 * float(np.median(np.abs(np.array(found) - middle)))
    pixel_m = float(np.median([camera.metres_per_pixel() for _, camera, _ in shots]))
    return middle, float(math.hypot(scatter / math.sqrt(len(found)), EDGE_SD_M, CLEAN_EDGE_PX * pixel_m))


def _edge(bgr: np.ndarray, camera: Camera, px: np.ndarray, plate: Plate, out_m: np.ndarray) -> float | None:
    """Where along `out_m` (n,) the vehicle ends; px (m * n, 2) the picture's pixels on m rays across that side."""
    h, w = bgr.shape[:2]
    if (px < 0).any() or (px[:, 0] > w - 1).any() or (px[:, 1] > h - 1).any():
        return None
    shape = (-1, len(out_m))
    colour = _looked_up(bgr, px, shape)
    empty = _looked_up(plate.bgr, plate.camera.project_ground(camera.to_ground(px)), shape)
    lit = out_m > GROUND_M
    empty *= np.median(colour[:, lit].sum(axis=2) / np.maximum(empty[:, lit].sum(axis=2), 1))
    profile = np.median(np.linalg.norm(without_shadow(colour, empty, USUAL_SHADOW), axis=2), axis=0)
    inside, ground = float(np.median(profile[out_m < -VEHICLE_M])), float(np.median(profile[lit]))
    if inside < STANDS_OUT * max(ground, math.sqrt(3) * ROUNDING):
        return None
    # The outermost place that differs from ground; the roof there may be of another colour than on the whole.
    differs = np.flatnonzero(profile > max(STANDS_OUT * ground, FAINT * inside))
    last = int(differs[-1])
    if last >= len(out_m) - 1 or out_m[last] > GROUND_M:
        return None
    blur = max(2, round(BLUR_PX * camera.metres_per_pixel() / STEP_M))
    level = profile[max(last - blur, 0):last + 1].max()
    half = ground + (level - ground) / 2
    i = int(np.flatnonzero(profile[:last + 1] >= half)[-1])
    return float(out_m[i] + STEP_M * (profile[i] - half) / max(profile[i] - profile[i + 1], 1e-6))


def _looked_up(picture: np.ndarray, px: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    px = px.astype(np.float32)
    got = cv2.remap(picture, px[:, 0].reshape(shape), px[:, 1].reshape(shape), cv2.INTER_LINEAR,
                    borderMode=cv2.BORDER_REPLICATE)
    return got.astype(np.float32)
