"""The ground a vehicle covers: its turning circle at a held wheel, and the paths of its parts along a run.

Radii are from the turning centre; corners count as square, as the regulations draw them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.attempt import Motion
from analysis.body import Body
from analysis.clearance import to_course_m
from analysis.vehicle import Vehicle


@dataclass(frozen=True)
class TurningCircle:
    """Radii (m) of a steady turn. tail_swing_m is how far the tail comes out when it starts from straight ahead."""

    rear_axle_m: float
    front_axle_m: float
    inner_body_m: float
    outer_body_m: float
    inner_tyre_m: float
    outer_tyre_m: float
    tail_swing_m: float

    @property
    def off_tracking_m(self) -> float:
        """By how much the rear axle runs inside the front one."""
        return self.front_axle_m - self.rear_axle_m


def turning_circle(vehicle: Vehicle, wheel_rad: float) -> TurningCircle:
    """The steady turn at a (single-track) wheel angle, which must not be zero."""
    r = vehicle.wheelbase_m / math.tan(abs(wheel_rad))
    side = r + vehicle.width_m / 2
    outer_wheel = math.hypot(r + vehicle.track_front_m / 2, vehicle.wheelbase_m)
    return TurningCircle(
        r, math.hypot(r, vehicle.wheelbase_m), r - vehicle.width_m / 2, math.hypot(side, vehicle.x_front_m),
        r - (vehicle.track_rear_m + vehicle.tyre_width_rear_m) / 2, outer_wheel + vehicle.tyre_width_front_m / 2,
        math.hypot(side, vehicle.rear_overhang_m) - side)


@dataclass(frozen=True)
class TrailerCircle:
    """The trailer in a steady turn: radii (m) of its axle and of its inner side, and the angle between the two bodies
    (rad, without its sign)."""

    axle_m: float
    inner_body_m: float
    articulation_rad: float


def trailer_circle(vehicle: Vehicle, wheel_rad: float) -> TrailerCircle | None:
    """Where the trailer runs in the steady turn at a wheel angle, which must not be zero; None where there is no steady
    turn, or none before the bodies meet: the angle then grows until the combination jack-knifes.

    Coupling and axle are legs of right triangles with the turning centre: the sum of squares (Western Highway
    Institute; SAE J695; reviewed by Sayers, TRR 1052, 1986)."""
    trailer = vehicle.trailer
    if trailer is None:
        return None
    r = turning_circle(vehicle, wheel_rad).rear_axle_m
    coupling = math.hypot(r, trailer.hitch_x_m)
    if coupling <= trailer.hitch_to_axle_m:
        return None
    axle = math.sqrt(coupling**2 - trailer.hitch_to_axle_m**2)
    bent = math.asin(trailer.hitch_to_axle_m / coupling) - math.atan2(trailer.hitch_x_m, r)
    return TrailerCircle(axle, axle - trailer.width_m / 2, bent) if bent <= trailer.max_articulation_rad else None


def wheel_for_outer_radius(vehicle: Vehicle, outer_body_m: float) -> float:
    """The wheel angle (rad) at which the outer front corner describes a circle of that radius."""
    side = math.sqrt(outer_body_m**2 - vehicle.x_front_m**2)
    return math.atan2(vehicle.wheelbase_m, side - vehicle.width_m / 2)


def tyre_paths_m(motion: Motion, body: Body) -> dict[str, np.ndarray]:
    """The path (n, 2) of the middle of each tyre's contact patch, course frame."""
    return {t.name: to_course_m(motion, np.array([[t.x_m, t.y_m]]))[:, 0] for t in body.tyres()}


def outlines_m(motion: Motion, body: Body) -> np.ndarray:
    """(n, k, 2) body outline at each time, course frame; together they are the swept path."""
    return to_course_m(motion, body.body_outline_m())
