"""What the pictures show at a time t: the pose, the outlines on the ground, the camera. Course frame, metres."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from scipy.spatial.transform import Rotation

from analysis.attempt import Attempt, Said
from analysis.body import Body
from analysis.clearance import ackermann_rad
from analysis.nodes import runs as closed_runs
from analysis.track import CameraPath
from analysis.trailer import Trailer
from analysis.vehicle import Vehicle
from vision.camera import Camera, Lens


class Pose(NamedTuple):
    """Where a body's frame stands in the course frame."""

    x_m: float
    y_m: float
    heading_rad: float


class Moment(NamedTuple):
    """The smoothed state at one time; `trailer` where there is one."""

    x_m: float
    y_m: float
    heading_rad: float
    speed_mps: float
    wheel_rad: float
    sd_wheel_rad: float
    trailer: Pose | None = None

    @property
    def pose(self) -> Pose:
        return Pose(*self[:3])


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

    def at(*columns: np.ndarray) -> list[float]:
        return [float(v[i] + f * (v[j] - v[i])) for v in columns]
    body = attempt.trailer.body if attempt.trailer else None
    x, y, heading, speed, wheel, sd_wheel = at(m.x_m, m.y_m, m.heading_rad, m.speed_mps, m.wheel_rad, m.sd(4))
    return Moment(x, y, heading, speed, wheel, sd_wheel,
                  Pose(*at(body.x_m, body.y_m, body.heading_rad)) if body else None)


def bodies_at(vehicle: Vehicle, now: Moment) -> list[tuple[Body, Pose, float]]:
    """The vehicle and, where there is one, its trailer; where each stands, and the angle of its steered wheels."""
    out: list[tuple[Body, Pose, float]] = [(vehicle, now.pose, now.wheel_rad)]
    if vehicle.trailer and now.trailer:
        out.append((vehicle.trailer, now.trailer, 0.0))
    return out


def drawbar_m(body: Body) -> np.ndarray | None:
    """(2, 2) the line of a trailer's drawbar in its own frame; None where there is none."""
    if not isinstance(body, Trailer) or body.hitch_to_axle_m <= body.x_front_m:
        return None
    return np.array([[body.x_front_m, 0.0], [body.hitch_to_axle_m, 0.0]])


def placed(points_m: np.ndarray, x_m: float, y_m: float, heading_rad: float) -> np.ndarray:
    """(n, 2) points of a body's frame, set into the course frame."""
    c, s = math.cos(heading_rad), math.sin(heading_rad)
    return points_m @ np.array([[c, s], [-s, c]]) + [x_m, y_m]


def tyre_outlines_m(body: Body, wheel_rad: float) -> list[np.ndarray]:
    """(4, 2) outlines in the body's frame, one a tyre, drawn as long as the wheel is high."""
    out = []
    for tyre in body.tyres():
        a, w = body.wheel_radius_m, tyre.width_m / 2
        corners = np.array([[-a, -w], [a, -w], [a, w], [-a, w]])
        turn = float(ackermann_rad(np.array(wheel_rad), body.wheelbase_m, tyre.y_m)) if tyre.steered else 0.0
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
