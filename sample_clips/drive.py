"""Driving the exercise: a single-track model along a manoeuvre found by optimisation.

The road-wheel angle is a cubic B-spline of the distance along each leg; its coefficients and the
legs' lengths are found by least squares on the final pose, the clearances and the limits on lock
and steering rate. Time comes afterwards, from a speed profile that respects the steering rate.
All in the course frame, metres, seconds, radians; the reference point is the middle of the rear axle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.interpolate import BSpline
from scipy.optimize import least_squares

from analysis.body import Body
from analysis.course import Course
from analysis.vehicle import Vehicle

STEP_M = 0.25  # spacing of the poses at which clearances are weighed during the search
FINE_STEP_M = 0.01  # spacing of the poses that are driven


@dataclass(frozen=True)
class LegPlan:
    """One leg of the run. `dry_rad` is turned while standing before it; `pause_s` is the whole stand before it."""

    direction: int
    length_m: float
    cruise_mps: float
    pause_s: float
    dry_rad: float = 0.0
    coefficients: int = 9


@dataclass(frozen=True)
class Plan:
    """What the run should look like.

    start: (x, y, heading); stand_end_s after the last leg; final_rear_x_m: where the rear stops;
    over_line: name of a side line and how far (m) a tyre goes over it; touch: a mark and how far (m) the
    body's edge passes beyond the mark's axis; margin_*: clearances (m) the driver keeps otherwise.
    """

    start: tuple[float, float, float]
    legs: tuple[LegPlan, ...]
    final_rear_x_m: float
    front_gap_m: float = 0.4
    stand_end_s: float = 2.0
    final_lateral_m: float = 0.0
    over_line: tuple[str, float] | None = None
    touch: tuple[str, float] | None = None
    margin_line_m: float = 0.30
    margin_cone_m: float = 0.40


@dataclass(frozen=True)
class Run:
    """The run sampled in time: arrays (n,) plus the events as times (s) and the least cost found."""

    t_s: np.ndarray
    x_m: np.ndarray
    y_m: np.ndarray
    heading_rad: np.ndarray
    speed_mps: np.ndarray
    steer_rad: np.ndarray
    stops: tuple[tuple[float, float], ...]
    legs: tuple[tuple[int, float, float], ...]
    dry_turns: tuple[tuple[float, float, float, float], ...]  # t0, t1, wheel before, wheel after
    cost: float = field(default=0.0)
    articulation_rad: np.ndarray | None = None  # of the trailer, where there is one

    def articulation_at(self, t_s: float) -> float:
        """The articulation angle at a time; 0 without a trailer."""
        return 0.0 if self.articulation_rad is None else float(np.interp(t_s, self.t_s, self.articulation_rad))

    def at(self, t_s: float) -> tuple[float, float, float, float, float]:
        """x, y, heading, speed, wheel at a time (linear between samples)."""
        return tuple(
            float(np.interp(t_s, self.t_s, a))
            for a in (self.x_m, self.y_m, self.heading_rad, self.speed_mps, self.steer_rad)
        )  # type: ignore[return-value]


def wheel_angles(vehicle: Vehicle, steer_rad: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Left and right road-wheel angles by the Ackermann condition from the single-track angle."""
    k = np.tan(steer_rad) / vehicle.wheelbase_m
    half = vehicle.track_front_m / 2
    return np.arctan(vehicle.wheelbase_m * k / (1 - half * k)), np.arctan(vehicle.wheelbase_m * k / (1 + half * k))


def tyre_corners_m(
    vehicle: Vehicle, x: np.ndarray, y: np.ndarray, heading: np.ndarray, steer: np.ndarray
) -> np.ndarray:
    """(n, 16, 2) corners of the four tyres' contact patches in the course frame."""
    left, right = wheel_angles(vehicle, steer)
    out = []
    for tyre in vehicle.tyres():
        turn = (left if tyre.y_m > 0 else right) if tyre.steered else np.zeros_like(heading)
        for a in (-0.5, 0.5):
            for b in (-0.5, 0.5):
                u, w = a * tyre.length_m, b * tyre.width_m
                px = tyre.x_m + u * np.cos(turn) - w * np.sin(turn)
                py = tyre.y_m + u * np.sin(turn) + w * np.cos(turn)
                out.append(
                    np.stack(
                        [
                            x + px * np.cos(heading) - py * np.sin(heading),
                            y + px * np.sin(heading) + py * np.cos(heading),
                        ],
                        axis=-1,
                    )
                )
    return np.stack(out, axis=1)


def body_corners_m(vehicle: Body, x: np.ndarray, y: np.ndarray, heading: np.ndarray) -> np.ndarray:
    """(n, m, 2) points of the rounded body outline in the course frame (mirrors left out)."""
    p = vehicle.body_outline_m(5)
    c, s = np.cos(heading)[:, None], np.sin(heading)[:, None]
    return np.stack([x[:, None] + p[:, 0] * c - p[:, 1] * s, y[:, None] + p[:, 0] * s + p[:, 1] * c], axis=-1)


def body_to_point_m(
    vehicle: Body, x: np.ndarray, y: np.ndarray, heading: np.ndarray, px: float, py: float
) -> np.ndarray:
    """(n,) signed distance from the rounded body outline to a fixed point; negative inside."""
    dx, dy = px - x, py - y
    u = dx * np.cos(heading) + dy * np.sin(heading) - (vehicle.x_rear_m + vehicle.x_front_m) / 2
    w = -dx * np.sin(heading) + dy * np.cos(heading)
    r = vehicle.corner_radius_m
    a, b = np.abs(u) - vehicle.length_m / 2 + r, np.abs(w) - vehicle.width_m / 2 + r
    return np.hypot(np.maximum(a, 0), np.maximum(b, 0)) + np.minimum(np.maximum(a, b), 0) - r


def _basis(count: int, points: int) -> np.ndarray:
    """(points, count) cubic B-spline basis on [0, 1], clamped at both ends."""
    knots = np.concatenate([np.zeros(3), np.linspace(0, 1, count - 2), np.ones(3)])
    return BSpline.design_matrix(np.linspace(0, 1, points) * (1 - 1e-12), knots, 3).toarray()


def _roll(vehicle: Vehicle, pose: tuple[float, float, float], wheel: np.ndarray, signed_m: float) -> np.ndarray:
    """(n, 3) poses along a leg: exact to second order in the step, no side slip at the rear axle."""
    ds = signed_m / (len(wheel) - 1)
    k = np.tan(wheel) / vehicle.wheelbase_m
    heading = pose[2] + np.concatenate([[0.0], np.cumsum((k[1:] + k[:-1]) / 2 * ds)])
    mid = (heading[1:] + heading[:-1]) / 2
    x = pose[0] + np.concatenate([[0.0], np.cumsum(np.cos(mid) * ds)])
    y = pose[1] + np.concatenate([[0.0], np.cumsum(np.sin(mid) * ds)])
    return np.stack([x, y, heading], axis=1)


class _Search:
    """Least-squares search for the wheel-angle coefficients and leg lengths of a plan."""

    def __init__(self, vehicle: Vehicle, course: Course, plan: Plan) -> None:
        self.vehicle, self.course, self.plan = vehicle, course, plan
        self.points = [max(12, round(leg.length_m / STEP_M)) + 1 for leg in plan.legs]
        self.bases = [_basis(leg.coefficients, n) for leg, n in zip(plan.legs, self.points, strict=True)]

    def unpack(self, p: np.ndarray) -> list[tuple[np.ndarray, float]]:
        """Per leg: wheel coefficients (first one carried over from the leg before) and length."""
        out, i, wheel = [], 0, 0.0
        for leg in self.plan.legs:
            c = p[i : i + leg.coefficients - 1]
            out.append((np.concatenate([[wheel + leg.dry_rad], c]), p[i + leg.coefficients - 1]))
            wheel = c[-1]
            i += leg.coefficients
        return out

    def residuals(self, p: np.ndarray) -> np.ndarray:
        v, plan, pose = self.vehicle, self.plan, self.plan.start
        res: list = []
        poses, wheels = [], []
        for (c, length), leg, basis in zip(self.unpack(p), plan.legs, self.bases, strict=True):
            wheel = basis @ c
            path = _roll(v, pose, np.clip(wheel, -1.3, 1.3), leg.direction * length)
            pose = tuple(path[-1])
            poses.append(path)
            wheels.append(wheel)
            slope = np.diff(wheel) / (length / (len(wheel) - 1))
            res += [
                np.maximum(0, np.abs(wheel) - 0.93 * v.max_wheel_rad) * 20,
                np.maximum(0, np.abs(slope) - 0.6 * v.wheel_rate_radps / (0.6 * leg.cruise_mps)) * 5,
                np.diff(c, 2) * 0.12,
                c * 0.04,
                [(length - leg.length_m) / leg.length_m * 2.0],
            ]
        first = poses[0][-1]
        pair = max(m.x_m for m in self.course.marks if m.name.startswith("forward"))
        lane = plan.start[1]
        res.append(
            [
                (first[0] + v.x_front_m * math.cos(first[2]) - (pair - plan.front_gap_m)) / 0.05,
                (first[1] - lane) / 0.15,
                first[2] / 0.05,
            ]
        )
        last = poses[-1][-1]
        res.append(
            [
                (last[0] + v.x_rear_m - plan.final_rear_x_m) / 0.02,
                (last[1] - plan.final_lateral_m) / 0.03,
                last[2] / 0.008,
                wheels[-1][-1] / 0.1,
            ]
        )
        every = np.concatenate(poses)
        x, y, h = every.T
        front = x + v.x_front_m * np.cos(h)
        res.append(np.maximum(0, front - pair + 0.1) * 10)
        tyres = tyre_corners_m(v, x, y, h, np.clip(np.concatenate(wheels), -1.0, 1.0))
        for line in self.course.lines:
            clear = line.clearance_m(tyres).min(axis=1)
            if plan.over_line and plan.over_line[0] == line.name:
                res.append([(clear.min() + plan.over_line[1]) / 0.01])
            else:
                res.append(np.maximum(0, plan.margin_line_m - clear) * 12)
        for m in self.course.marks:
            clear = body_to_point_m(v, x, y, h, m.x_m, m.y_m)
            if plan.touch and plan.touch[0] == m.name:
                res.append([(clear.min() + plan.touch[1]) / 0.01])
            else:
                res.append(np.maximum(0, plan.margin_cone_m - (clear - m.base_half_m)) * 12)
        return np.concatenate([np.asarray(r, float).ravel() for r in res])

    def start_values(self, bend: float) -> np.ndarray:
        """A first guess: straight ahead; the first long reverse an S towards the bay's side, `bend` its wheel."""
        side = 1.0 if self.plan.start[1] < 0 else -1.0
        out: list = []
        for leg in self.plan.legs:
            s = np.linspace(0, 1, leg.coefficients)[1:]
            c = bend * side * np.sin(2 * np.pi * np.minimum(s * 1.6, 1.0)) if leg.direction < 0 else np.zeros(len(s))
            out += [c, [leg.length_m]]
        return np.concatenate(out)

    def split_values(self, wheel: np.ndarray) -> np.ndarray:
        """A first guess with shunts: the one-reverse run's wheel (n,), driven to and fro along the same path."""
        plan, out = self.plan, []
        total = sum(-leg.direction * leg.length_m for leg in plan.legs[1:])
        at = 0.0
        for leg, basis in zip(plan.legs[1:], self.bases[1:], strict=True):
            end = at - leg.direction * leg.length_m
            where = np.linspace(at, end, basis.shape[0]) / total
            c = np.linalg.lstsq(basis, np.interp(where, np.linspace(0, 1, len(wheel)), wheel), rcond=None)[0]
            out += [c[1:], [leg.length_m]]
            at = end
        return np.concatenate(out)

    def best(self) -> tuple[np.ndarray, float]:
        """The parameters found and their cost. With shunts, the run without them is found first and then split."""
        legs = self.plan.legs
        if len(legs) > 2:
            length = sum(-leg.direction * leg.length_m for leg in legs[1:])
            simple = _Search(
                self.vehicle,
                self.course,
                replace(self.plan, legs=(legs[0], replace(legs[1], length_m=length, dry_rad=0.0, coefficients=14))),
            )
            p, _ = simple.best()
            wheel = simple.bases[1] @ simple.unpack(p)[1][0]
            starts = [np.concatenate([p[: legs[0].coefficients], self.split_values(wheel)])]
        else:
            starts = [self.start_values(bend) for bend in (0.3, 0.5, 0.15)]
        found = []
        for start in starts:
            fit = least_squares(self.residuals, start, method="trf", x_scale="jac", ftol=1e-4, max_nfev=80)
            found.append((fit.cost, fit.x))
            if fit.cost < 2.0:
                break
        cost, p = min(found, key=lambda f: f[0])
        return p, cost


def speed_profile(wheel: np.ndarray, ds: float, leg: LegPlan, rate: float, rng: np.random.Generator) -> np.ndarray:
    """(n,) speeds along a leg: rests at both ends, limited acceleration, the steering rate kept."""
    n = len(wheel)
    s = np.arange(n) * ds
    wander = sum(np.sin(2 * np.pi * (s / w + rng.random())) for w in (7.0, 13.0)) * 0.06
    slope = np.abs(np.gradient(wheel, ds))
    top = np.minimum(leg.cruise_mps * (1 + wander), 0.85 * rate / np.maximum(slope, 1e-6))
    a_up, a_down = rng.uniform(0.3, 0.45), rng.uniform(0.35, 0.5)
    v2 = np.maximum(top, 0.05) ** 2
    v2[0] = v2[-1] = 0.0
    for i in range(1, n):
        v2[i] = min(v2[i], v2[i - 1] + 2 * a_up * ds)
    for i in range(n - 2, -1, -1):
        v2[i] = min(v2[i], v2[i + 1] + 2 * a_down * ds)
    return np.sqrt(v2)


def find_run(vehicle: Vehicle, course: Course, plan: Plan, rng: np.random.Generator) -> Run:
    """Find the manoeuvre and drive it. `Run.cost` above about 5 means that the plan's margins were not all kept."""
    search = _Search(vehicle, course, plan)
    p, cost = search.best()
    pose, t, wheel_now = plan.start, 0.0, 0.0
    columns: list[np.ndarray] = []
    stops, legs, dry = [], [], []
    for leg, (c, length) in zip(plan.legs, search.unpack(p), strict=True):
        n = max(50, math.ceil(length / FINE_STEP_M)) + 1
        wheel = _basis(leg.coefficients, n) @ c
        path = _roll(vehicle, pose, wheel, leg.direction * length)
        ds = length / (n - 1)
        v = speed_profile(wheel, ds, leg, vehicle.wheel_rate_radps, rng)
        times = np.concatenate([[0.0], np.cumsum(2 * ds / np.maximum(v[1:] + v[:-1], 1e-3))])
        stops.append((t, t + leg.pause_s))
        if leg.dry_rad:
            took = abs(leg.dry_rad) / (0.8 * vehicle.wheel_rate_radps)
            t0 = t + max(0.3, 0.5 * (leg.pause_s - took))
            if t0 + took > t + leg.pause_s:
                raise ValueError("the pause is too short for the dry turn")
            dry.append((t0, t0 + took, wheel_now, wheel_now + leg.dry_rad))
            for when, angle in ((t, wheel_now), (t0, wheel_now), (t0 + took, wheel_now + leg.dry_rad)):
                columns.append(np.array([[when, *pose, 0.0, angle]]))
        else:
            columns.append(np.array([[t, *pose, 0.0, wheel_now]]))
        t += leg.pause_s
        columns.append(np.column_stack([t + times, path, leg.direction * v, wheel]))
        legs.append((leg.direction, t, t + times[-1]))
        t, pose, wheel_now = t + times[-1], tuple(path[-1]), wheel[-1]
    stops.append((t, t + plan.stand_end_s))
    columns.append(np.array([[t + plan.stand_end_s, *pose, 0.0, wheel_now]]))
    t_s, x, y, heading, speed, wheel = np.concatenate(columns).T
    return Run(t_s, x, y, heading, speed, wheel, tuple(stops), tuple(legs), tuple(dry), cost)
