"""The articulated combination of the sample clip: a tractor with a semi-trailer, and its exercise."""

from __future__ import annotations

from dataclasses import replace

from analysis.course import Course
from analysis.vehicle import Vehicle
from sample_clips.drive import LegPlan, Plan

SEMI = {
    "schema": 1,
    "name": "16.5 m semi-trailer combination",
    "length_m": 6.0,
    "width_m": 2.50,
    "height_m": 3.55,
    "wheelbase_m": 3.7,
    "front_overhang_m": 1.4,
    "track_front_m": 2.05,
    "track_rear_m": 1.82,
    "tyre_width_front_m": 0.315,
    "tyre_width_rear_m": 0.60,
    "max_wheel_angle_deg": 46.0,
    "wheel_rate_deg_s": 24.0,
    "corner_radius_m": 0.16,
    "creep_speed_mps": 1.0,
    "mirror": {"out_m": 0.28, "x_m": 4.9, "z_m": 2.3},
    "solid": [
        {
            "name": "cab",
            "x_min_m": 2.8,
            "x_max_m": 5.1,
            "width_m": 2.50,
            "z_min_m": 0.4,
            "z_max_m": 3.55,
            "corner_radius_m": 0.16,
        },
        {
            "name": "chassis",
            "x_min_m": -0.9,
            "x_max_m": 2.8,
            "width_m": 2.40,
            "z_min_m": 0.5,
            "z_max_m": 1.05,
            "corner_radius_m": 0.05,
        },
    ],
    "trailer": {
        "kind": "semi",
        "name": "13.6 m semi-trailer",
        "hitch_x_m": 0.6,
        "hitch_to_axle_m": 7.7,
        "length_m": 13.6,
        "width_m": 2.55,
        "height_m": 4.0,
        "rear_overhang_m": 4.3,
        "track_m": 2.04,
        "tyre_width_m": 0.385,
        "wheel_radius_m": 0.5,
        "corner_radius_m": 0.05,
        "max_articulation_deg": 75.0,
        "axles": 3,
        "axle_spacing_m": 1.31,
        "ground_clearance_m": 1.15,
    },
}
"""Sizes within Directive 96/53/EC: 16.5 m in all, 12.0 m from the kingpin to the rear, 2.04 m from it to any point of
the trailer's front; the rest is invented."""


def as_one(vehicle: Vehicle) -> Vehicle:
    """A stand-in as long and as wide as the whole combination, from which its course is set out."""
    t = vehicle.trailer
    if t is None:
        return vehicle
    length = vehicle.x_front_m - t.hitch_x_m + t.hitch_to_axle_m + t.rear_overhang_m
    return replace(vehicle, length_m=length, width_m=max(vehicle.width_m, t.width_m), trailer=None)


def shunted_plan(
    vehicle: Vehicle,
    course: Course,
    *,
    run_in_m: float,
    final_rear_x_m: float,
    forward_mps: float,
    reverse_mps: float,
    pauses_s: tuple[float, float, float, float],
) -> Plan:
    """Up to the forward pair, a little over half the way back, a pull-forward of 4 m, and into the bay."""
    left, right = course.mark("forward_left"), course.mark("forward_right")
    stand = max(left.x_m, right.x_m) - 0.4 - vehicle.x_front_m
    start, pair, later, end = pauses_s
    legs = (
        LegPlan(1, run_in_m, forward_mps, start),
        LegPlan(-1, 26.0, reverse_mps, pair),
        LegPlan(1, 4.0, 0.85 * forward_mps, later),
        LegPlan(-1, 28.0, reverse_mps, later),
    )
    return Plan((stand - run_in_m, (left.y_m + right.y_m) / 2, 0.0), legs, final_rear_x_m, stand_end_s=end)
