"""What the pictures show at a time t: the pose, the outlines on the ground, the camera. Course frame, metres."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from scipy.spatial.transform import Rotation

from analysis.attempt import Attempt, Said
from analysis.clearance import ackermann_rad
from analysis.smoother import runs as closed_runs
from analysis.track import CameraPath
from analysis.vehicle import Vehicle
from vision.camera import Camera, Lens


class Moment(NamedTuple):
    """The smoothed state at one time."""

    x_m: float
    y_m: float
    heading_rad: float
    speed_mps: float
    wheel_rad: float
    sd_wheel_rad: float


class TurningPoint(NamedTuple):
    """A moment that the advice is about. from_s..to_s: within which it lies, at_m the place on the ground."""

    kind: str  # 'lost': what went wrong; 'saving': where steering would have kept it; 'note': what does not count
    label: str
    t_s: float
    from_s: float
    to_s: float
    at_m: tuple[float, float] | None


def turning_points(attempt: Attempt) -> tuple[TurningPoint, ...]:
    """What went wrong most, and where it could have been kept; none when that is neither sure nor worth a mark."""
    said, first = attempt.advice.said, shown_moment(attempt)
    if not said or (said[0].finding is not None and not said[0].counts):
        return ()
    if len(said) > 1 and said[1].rule == said[0].rule and said[1].t_s != said[0].t_s:
        return first, _turning_point("saving", said[1])
    return (first,)


def shown_moment(attempt: Attempt) -> TurningPoint:
    """The one moment to look at: what the first sentence of the advice rests on, else the end of the run."""
    if attempt.advice.said:
        said = attempt.advice.said[0]
        return _turning_point("lost" if said.counts else "note", said)
    t = float(attempt.motion.t_s[-1])
    return TurningPoint("note", "", t, t, t, None)


def _turning_point(kind: str, said: Said) -> TurningPoint:
    label = "Steer from here" if kind == "saving" else said.rule[0].upper() + said.rule[1:]
    # A finding's span says how long something lasted, not when it was decided.
    span = (said.t_start_s, said.t_end_s) if said.finding is None else (said.t_s, said.t_s)
    return TurningPoint(kind, label, said.t_s, *span, said.at_m)


def bracket(times_s: np.ndarray, t_s: float) -> tuple[int, int, float]:
    """Indices of the samples before and after t, and the fraction of the way between them."""
    i = int(np.clip(np.searchsorted(times_s, t_s, side="right") - 1, 0, len(times_s) - 1))
    j = min(i + 1, len(times_s) - 1)
    step = times_s[j] - times_s[i]
    return i, j, float(np.clip((t_s - times_s[i]) / step, 0.0, 1.0)) if step > 0 else 0.0


def moment(attempt: Attempt, t_s: float) -> Moment | None:
    """The state at t, or None in a gap: next to a sample that could not be measured."""
    m = attempt.motion
    i, j, f = bracket(m.t_s, t_s)
    if not (attempt.track.measured[i] and (f == 0.0 or attempt.track.measured[j])):
        return None
    sd_wheel = m.sd(4)
    return Moment(*(float(v[i] + f * (v[j] - v[i]))
                    for v in (m.x_m, m.y_m, m.heading_rad, m.speed_mps, m.wheel_rad, sd_wheel)))


def placed(points_m: np.ndarray, x_m: float, y_m: float, heading_rad: float) -> np.ndarray:
    """(n, 2) points of the vehicle frame, set into the course frame."""
    c, s = math.cos(heading_rad), math.sin(heading_rad)
    return points_m @ np.array([[c, s], [-s, c]]) + [x_m, y_m]


def tyre_outlines_m(vehicle: Vehicle, wheel_rad: float, *, length_m: float) -> list[np.ndarray]:
    """(4, 2) outlines in the vehicle frame, one a tyre, drawn `length_m` long."""
    out = []
    for tyre in vehicle.tyres():
        a, w = length_m / 2, tyre.width_m / 2
        corners = np.array([[-a, -w], [a, -w], [a, w], [-a, w]])
        turn = float(ackermann_rad(np.array(wheel_rad), vehicle.wheelbase_m, tyre.y_m)) if tyre.steered else 0.0
        out.append(placed(corners, tyre.x_m, tyre.y_m, turn))
    return out


def camera_at(path: CameraPath, t_s: float) -> Camera | None:
    """The camera at t, turned and shifted evenly between its samples; None next to a frame without a place."""
    i, j, f = bracket(path.t_s, t_s)
    if not (path.placed[i] and (f == 0.0 or path.placed[j])):
        return None
    lens = Lens(path.width_px, path.height_px, path.fx, path.fy, path.cx, path.cy, path.dist)
    between = Rotation.from_matrix(path.rotation[j] @ path.rotation[i].T).as_rotvec() * f
    rotation = Rotation.from_rotvec(between).as_matrix() @ path.rotation[i]
    return Camera(lens, rotation, path.centre_m[i] + f * (path.centre_m[j] - path.centre_m[i]))


def runs(flags: np.ndarray) -> list[tuple[int, int]]:
    """[start, end) index pairs of the stretches where `flags` (n,) is True."""
    return [(first, last + 1) for first, last in closed_runs(np.asarray(flags, bool))]


def along(x0_m: float, y0_m: float, x1_m: float, y1_m: float, step_m: float = 1.0) -> np.ndarray:
    """(n, 2) points along a straight line, close enough together for lens distortion to bend it."""
    n = max(2, math.ceil(math.hypot(x1_m - x0_m, y1_m - y0_m) / step_m) + 1)
    return np.linspace([x0_m, y0_m], [x1_m, y1_m], n)


def rectangle(x_min_m: float, x_max_m: float, y_min_m: float, y_max_m: float) -> np.ndarray:
    return np.array([[x_min_m, y_min_m], [x_max_m, y_min_m], [x_max_m, y_max_m], [x_min_m, y_max_m]])
