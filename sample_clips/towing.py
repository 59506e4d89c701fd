"""Driving with a trailer: two bodies hinged at the coupling, and a driver who reverses the trailer along a line.

The driver looks at the trailer's axle: how far it is off the line and at what slant. From that follows how much the
combination should be bent, and from that the wheel angle (two feedback loops, one in the other). The line's shape is
found by least squares so that both bodies keep clear of lines and marks. Course frame, metres, seconds, radians;
everything is stepped along the distance rolled, signed by the gear.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import BPoly
from scipy.optimize import least_squares

from analysis.course import Course
from analysis.trailer import Trailer
from analysis.vehicle import Vehicle
from sample_clips.drive import FINE_STEP_M, LegPlan, Plan, Run, body_to_point_m, speed_profile, tyre_corners_m

SEARCH_STEP_M = 0.08
SIGHT_M = 7.0  # over about this distance the driver brings the trailer back onto the line
BEND_M = 4.0  # over about this distance the combination is brought to the wanted bend
MOST_BENT_RAD = math.radians(38)  # no further on purpose


@dataclass(frozen=True)
class State:
    """Where the towing vehicle's rear axle is, its heading, the trailer's heading and the road-wheel angle."""

    x_m: float
    y_m: float
    heading_rad: float
    trailer_rad: float
    wheel_rad: float

    def rolled(self, vehicle: Vehicle, wheel_rad: float, signed_m: float) -> State:
        """The state after a short way at a wheel angle, by the classical Runge-Kutta step.

        The coupling is a point of the towing vehicle; the trailer's axle, behind it, moves only along the trailer."""
        trailer = towed(vehicle)
        turn = math.tan(wheel_rad) / vehicle.wheelbase_m

        def slope(heading: float, trailer_heading: float) -> tuple[float, float, float, float]:
            c, s = math.cos(heading), math.sin(heading)
            coupling = (c - trailer.hitch_x_m * turn * s, s + trailer.hitch_x_m * turn * c)
            across = math.cos(trailer_heading) * coupling[1] - math.sin(trailer_heading) * coupling[0]
            return c, s, turn, across / trailer.hitch_to_axle_m

        d = signed_m
        a = slope(self.heading_rad, self.trailer_rad)
        b = slope(self.heading_rad + d / 2 * a[2], self.trailer_rad + d / 2 * a[3])
        e = slope(self.heading_rad + d / 2 * b[2], self.trailer_rad + d / 2 * b[3])
        f = slope(self.heading_rad + d * e[2], self.trailer_rad + d * e[3])
        dx, dy, dh, dt = (d / 6 * (a[k] + 2 * b[k] + 2 * e[k] + f[k]) for k in range(4))
        return State(self.x_m + dx, self.y_m + dy, self.heading_rad + dh, self.trailer_rad + dt, wheel_rad)

    def trailer_axle_m(self, trailer: Trailer) -> tuple[float, float]:
        h, back = trailer.hitch_x_m, trailer.hitch_to_axle_m
        return (
            self.x_m + h * math.cos(self.heading_rad) - back * math.cos(self.trailer_rad),
            self.y_m + h * math.sin(self.heading_rad) - back * math.sin(self.trailer_rad),
        )


def towed(vehicle: Vehicle) -> Trailer:
    if vehicle.trailer is None:
        raise ValueError(f"{vehicle.name} tows nothing")
    return vehicle.trailer


@dataclass(frozen=True)
class Line:
    """The line to keep to, y over x: straight in the lane, past the pivot at a slant, straight in the bay."""

    start_x_m: float
    end_x_m: float
    shape: BPoly

    def at(self, x_m: float) -> tuple[float, float, float]:
        """y, heading and curvature."""
        x = min(max(x_m, self.end_x_m), self.start_x_m)
        y, slope, bend = float(self.shape(x)), float(self.shape(x, 1)), float(self.shape(x, 2))
        if x != x_m:
            slope = bend = 0.0
        return y, math.atan(slope), bend / (1 + slope * slope) ** 1.5


def bent_line(lane_y_m: float, p: np.ndarray) -> Line:
    """p: x where the bend starts, x and y of the middle, slope there, x where the bay's axis is reached."""
    start, middle, y, slope, end = p
    shape = BPoly.from_derivatives(
        [end, middle, start], [[0.0, 0.0, 0.0], [y, slope, 0.0], [lane_y_m, 0.0, 0.0]]
    )
    return Line(start, end, shape)


def _reversing_wheel(vehicle: Vehicle, s: State, line: Line) -> float:
    """The wheel angle wanted, from where the trailer's axle is and how it stands to the line."""
    trailer = towed(vehicle)
    x, y = s.trailer_axle_m(trailer)
    wanted_y, along, curve = line.at(x)
    off, slant = (y - wanted_y) * math.cos(along), s.trailer_rad - along
    turn = -curve + off / SIGHT_M**2 - 1.6 * slant / SIGHT_M  # of the trailer, rad per metre backwards
    most = math.sin(MOST_BENT_RAD)
    bent = s.trailer_rad - s.heading_rad
    wanted_bend = math.asin(min(max(turn * trailer.hitch_to_axle_m, -most), most))
    trailer_turn = math.sin(bent) / trailer.hitch_to_axle_m
    towing_turn = trailer_turn + (bent - wanted_bend) / BEND_M
    return math.atan(-vehicle.wheelbase_m * towing_turn)


def _forward_wheel(vehicle: Vehicle, s: State, line: Line) -> float:
    """Forwards the towing vehicle itself is driven along the line."""
    wanted_y, along, curve = line.at(s.x_m)
    off, slant = (s.y_m - wanted_y) * math.cos(along), s.heading_rad - along
    return math.atan(vehicle.wheelbase_m * (curve - off / SIGHT_M**2 - 1.6 * slant / SIGHT_M))


def _leg(vehicle: Vehicle, start: State, leg: LegPlan, line: Line, until_x_m: float, step_m: float) -> list[State]:
    """The states along a leg until the trailer's axle has reached an x."""
    out, s = [start], start
    fastest = 0.6 * vehicle.wheel_rate_radps / leg.cruise_mps * step_m
    lock = 0.93 * vehicle.max_wheel_rad
    for _ in range(math.ceil(2.5 * leg.length_m / step_m)):
        x, _ = s.trailer_axle_m(towed(vehicle))
        if (x - until_x_m) * leg.direction >= 0:
            return out
        wanted = (_reversing_wheel if leg.direction < 0 else _forward_wheel)(vehicle, s, line)
        change = min(max(wanted - s.wheel_rad, -fastest), fastest)
        s = s.rolled(vehicle, min(max(s.wheel_rad + change, -lock), lock), leg.direction * step_m)
        out.append(s)
    return out


def _driven(vehicle: Vehicle, plan: Plan, line: Line, step_m: float) -> list[list[State]]:
    """All legs. A leg's length says where the trailer's axle stops; the last ends with the rear at its place."""
    trailer = towed(vehicle)
    x0, lane, heading = plan.start
    legs = [[State(x0, lane, heading, heading, 0.0)]]
    for k, leg in enumerate(plan.legs):
        start = legs[-1][-1]
        x, _ = start.trailer_axle_m(trailer)
        until = x + leg.direction * leg.length_m
        if k == len(plan.legs) - 1:
            until = plan.final_rear_x_m + trailer.rear_overhang_m
        legs.append(_leg(vehicle, start, leg, line, until, step_m))
    return legs[1:]


def _columns(states: list[State]) -> np.ndarray:
    return np.array([[s.x_m, s.y_m, s.heading_rad, s.trailer_rad, s.wheel_rad] for s in states])


def trailer_place_m(vehicle: Vehicle, poses: np.ndarray) -> np.ndarray:
    """(n, 3) of the trailer's axle and heading from (n, 4+) towing x, y, heading and the trailer's heading."""
    t, h, th = towed(vehicle), poses[:, 2], poses[:, 3]
    return np.column_stack(
        [
            poses[:, 0] + t.hitch_x_m * np.cos(h) - t.hitch_to_axle_m * np.cos(th),
            poses[:, 1] + t.hitch_x_m * np.sin(h) - t.hitch_to_axle_m * np.sin(th),
            th,
        ]
    )


def trailer_tyre_corners_m(trailer: Trailer, places: np.ndarray) -> np.ndarray:
    """(n, 4 k, 2) corners of the trailer's tyres in the course frame, from its places (n, 3)."""
    corners = np.array(
        [
            (t.x_m + a * t.length_m / 2, t.y_m + b * t.width_m / 2)
            for t in trailer.tyres()
            for a in (-1, 1)
            for b in (-1, 1)
        ]
    )
    c, s = np.cos(places[:, 2])[:, None], np.sin(places[:, 2])[:, None]
    return np.stack(
        [
            places[:, :1] + corners[:, 0] * c - corners[:, 1] * s,
            places[:, 1:2] + corners[:, 0] * s + corners[:, 1] * c,
        ],
        axis=-1,
    )


STRETCHES = 12  # of the reverse: in each of them the worst clearance to a side line counts


def _residuals(vehicle: Vehicle, course: Course, plan: Plan, p: np.ndarray) -> np.ndarray:
    """What is wrong with the drive along the line p: where it ends, how much is steered, clearances below margin."""
    trailer = towed(vehicle)
    if not (p[4] + 2 < p[1] < p[0] - 2):  # no line at all
        return np.full(3 + 2 * STRETCHES * len(course.lines) + 2 * len(course.marks), 30.0)
    legs = _driven(vehicle, plan, bent_line(plan.start[1], p), SEARCH_STEP_M)
    poses = np.concatenate([_columns(leg)[::5] for leg in legs[1:]])
    x, y, h, _, wheel = poses.T
    theirs = trailer_place_m(vehicle, poses)
    last = trailer_place_m(vehicle, _columns(legs[-1][-1:]))[0]
    res: list[float] = [
        (last[1] - plan.final_lateral_m) / 0.03,
        last[2] / 0.008,
        float(np.abs(np.diff(wheel)).sum()) * 0.3,
    ]
    towing_tyres = tyre_corners_m(vehicle, x, y, h, wheel)
    tyres = trailer_tyre_corners_m(trailer, theirs)
    for ln in course.lines:
        for corners in (towing_tyres, tyres):
            clear = ln.clearance_m(corners).min(axis=1)
            res += [float(max(0.0, plan.margin_line_m - c.min())) * 12 for c in np.array_split(clear, STRETCHES)]
    for m in course.marks:
        for body, place in ((vehicle, (x, y, h)), (trailer, theirs.T)):
            clear = body_to_point_m(body, *place, m.x_m, m.y_m) - m.base_half_m
            res += [float(max(0.0, plan.margin_cone_m - clear.min())) * 12]
    return np.asarray(res)


def find_towing_run(vehicle: Vehicle, course: Course, plan: Plan, rng: np.random.Generator) -> Run:
    """Find the line and drive it. `Run.cost` above about 5 means that the plan's margins were not all kept."""
    pivot = course.mark("pivot")
    lane, side = plan.start[1], math.copysign(1.0, -plan.start[1])
    first = np.array([pivot.x_m + 16.0, pivot.x_m + 2.0, 0.45 * lane, -0.30 * side, course.bay.x_max_m - 6.0])

    fit = least_squares(
        lambda p: _residuals(vehicle, course, plan, p),
        first,
        diff_step=1e-3,
        x_scale=[3, 3, 1, 0.1, 3],
        max_nfev=40,
        ftol=1e-4,
    )
    legs = _driven(vehicle, plan, bent_line(lane, fit.x), FINE_STEP_M)
    t = 0.0
    columns, stops, spans = [], [], []
    for leg, states in zip(plan.legs, legs, strict=True):
        path = _columns(states)
        wheel = path[:, 4]
        v = speed_profile(wheel, FINE_STEP_M, leg, vehicle.wheel_rate_radps, rng)
        times = np.concatenate([[0.0], np.cumsum(2 * FINE_STEP_M / np.maximum(v[1:] + v[:-1], 1e-3))])
        stops.append((t, t + leg.pause_s))
        columns.append(np.array([[t, *path[0, :4], 0.0, wheel[0]]]))
        t += leg.pause_s
        columns.append(np.column_stack([t + times, path[:, :4], leg.direction * v, wheel]))
        spans.append((leg.direction, t, t + float(times[-1])))
        t += float(times[-1])
    stops.append((t, t + plan.stand_end_s))
    columns.append(np.array([[t + plan.stand_end_s, *columns[-1][-1, 1:5], 0.0, columns[-1][-1, 6]]]))
    t_s, x, y, heading, theirs, speed, wheel = np.concatenate(columns).T
    run = Run(t_s, x, y, heading, speed, wheel, tuple(stops), tuple(spans), (), float(fit.cost))
    return replace(run, articulation_rad=theirs - heading)
