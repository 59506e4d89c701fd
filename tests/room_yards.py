"""Yards and vehicles for the tests of room left; nothing is computed here."""

from __future__ import annotations

import math

import numpy as np

from analysis.course import Area, Course, Line, Mark
from analysis.room.nouns import Limits
from analysis.vehicle import Vehicle, vehicle_from_table


def vehicle(**changes: object) -> Vehicle:
    """A 6 m van-sized lorry: short, so that a field of it is quick."""
    table: dict = {"schema": 1, "name": "6 m lorry", "length_m": 6.0, "width_m": 2.0, "height_m": 2.8,
                   "wheelbase_m": 3.4, "front_overhang_m": 1.1, "track_front_m": 1.7, "track_rear_m": 1.5,
                   "tyre_width_front_m": 0.2, "tyre_width_rear_m": 0.4, "max_wheel_angle_deg": 40.0,
                   "wheel_rate_deg_s": 25.0, "creep_speed_mps": 1.0, "mirror": {"out_m": 0.0, "x_m": 4.4}}
    return vehicle_from_table(table | changes)


def open_yard(length_m: float = 16.0, half_width_m: float = 8.0, bay_half_m: float = 1.2, box_m: float = 0.6,
              lines: tuple[Line, ...] = ()) -> Course:
    """A bay without cones; its only marks, the forward pair, stand out of the way."""
    marks = (Mark("forward_left", length_m, half_width_m), Mark("forward_right", length_m, -half_width_m))
    return Course("open yard", marks, lines, Area(0.0, 6.0, -bay_half_m, bay_half_m),
                  Area(0.0, box_m, -bay_half_m, bay_half_m), None, 0.0)


def side_line(name: str, y_m: float, yard_side: int) -> Line:
    return Line(name, -5.0, y_m, 60.0, y_m, 0.1, yard_side)


def at_once(v: Vehicle, final_heading_deg: float = 1.0) -> Limits:
    """Limits of a vehicle whose wheel turns lock to lock within centimetres, as the closed forms have it."""
    return Limits(v.max_wheel_rad, 100.0, math.radians(final_heading_deg))


def random_states(rng: np.random.Generator, n: int, x_m: tuple[float, float], y_m: tuple[float, float],
                  heading_rad: float, wheel_rad: float) -> np.ndarray:
    """(n, 4) states within the ranges given."""
    return np.column_stack([rng.uniform(*x_m, n), rng.uniform(*y_m, n), rng.uniform(-heading_rad, heading_rad, n),
                            rng.uniform(-wheel_rad, wheel_rad, n)])
