"""Does the vehicle move as its file says? The point about which it turns, found from its path.

A rolling vehicle turns about a point on the line of its rear axle: there it does not slip sideways. Where that point
lies along the body is told by the run itself: it is the shift of the reference point that makes the measured poses
most probable under the no-slip model. A clear difference from the vehicle file means a wrong data sheet, a wrong
vehicle, or a vehicle with a steered rear axle.

Weak on a run that hardly turns; the standard deviation then says so.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.attempt import AxleCheck
from analysis.nodes import HEADING, SPEED, WHEEL, Nodes, Smoothed, X, Y, runs
from analysis.smoother import log_evidence
from analysis.track import Track
from analysis.vehicle import Vehicle

_TRIED_M = 0.3  # far enough to bend the evidence, near enough for a parabola
_STEADY_RAD = np.radians(2.0)  # a wheel within this is held still
_CIRCLE_RAD = np.pi  # half a circle
_LOCK_SD_RAD = np.radians(1.0)  # how well a data sheet states the lock


def axle_check(run: Smoothed, track: Track, vehicle: Vehicle) -> AxleCheck | None:
    """The turning point against the file's rear axle; None when the run does not tell."""
    offset = 0.0
    for _ in range(2):  # the second time about the first answer
        low, middle, high = (log_evidence(*_shifted(run, offset + d), vehicle) for d in (-_TRIED_M, 0.0, _TRIED_M))
        bend = (2 * middle - low - high) / _TRIED_M**2
        if bend <= 0:
            return None
        offset += float(np.clip((high - low) / (2 * _TRIED_M) / bend, -1.0, 1.0))
    v, dt = np.abs(run.state[:, SPEED]), np.diff(run.nodes.t_s)
    distance = float(np.sum(dt * (v[1:] + v[:-1]) / 2))
    turned = float(np.sum(np.abs(np.diff(run.state[:, HEADING]))))
    if turned < 0.2:
        return None
    # What all frames share cannot be found from them: the fit along the body, and a lean of the heading, which looks
    # like a sideways drift along the whole way.
    common = track.shared_cov()
    shared = common[0, 0] + common[2, 2] * (distance / turned)**2
    return AxleCheck(offset, float(np.sqrt(1 / bend + shared)), *_wheelbase_on_lock(run, vehicle))


def _shifted(run: Smoothed, ahead_m: float) -> tuple[Smoothed, Nodes]:
    """The run and its measured poses with the reference point moved along the body."""
    def moved(pose: np.ndarray) -> np.ndarray:
        out = pose.copy()
        out[:, X] += ahead_m * np.cos(pose[:, HEADING])
        out[:, Y] += ahead_m * np.sin(pose[:, HEADING])
        return out
    return replace(run, state=moved(run.state)), replace(run.nodes, pose=moved(run.nodes.pose))


def _wheelbase_on_lock(run: Smoothed, vehicle: Vehicle) -> tuple[float | None, float | None]:
    """Wheelbase (m) and its sd from the tightest steady circle, taken as driven at the file's lock: radius times the
    tangent of the lock. None when the wheel was never steady over half a circle and near the lock."""
    state, t = run.state, run.nodes.t_s
    near = np.abs(state[:, WHEEL]) > 0.75 * vehicle.max_wheel_rad
    best: tuple[float, float, float] | None = None
    for a, b in runs(near & ~run.standing & (np.abs(state[:, SPEED]) > 0.1)):
        wheel = state[a:b + 1, WHEEL]
        steady = runs(np.abs(wheel - np.median(wheel)) < _STEADY_RAD)
        if not steady:
            continue
        first, last = max(steady, key=lambda s: s[1] - s[0])
        first, last = first + a, last + a
        turned = abs(float(state[last, HEADING] - state[first, HEADING]))
        v = np.abs(state[first:last + 1, SPEED])
        arc = float(np.sum(np.diff(t[first:last + 1]) * (v[1:] + v[:-1]) / 2))
        if turned > _CIRCLE_RAD and (best is None or arc / turned < best[0]):
            heading_var = (run.covariance.marginal[first, HEADING, HEADING]
                           + run.covariance.marginal[last, HEADING, HEADING])
            best = (arc / turned, turned, float(np.sqrt(heading_var)))
    if best is None:
        return None, None
    radius, turned, sd_turned = best
    lock = vehicle.max_wheel_rad
    relative = np.hypot(sd_turned / turned, _LOCK_SD_RAD / (np.sin(lock) * np.cos(lock)))
    wheelbase = radius * np.tan(lock)
    return float(wheelbase), float(wheelbase * relative)
