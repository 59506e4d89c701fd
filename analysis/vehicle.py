"""The vehicle as its data sheet states it: sizes, solids, wheels, mirrors."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.body import Solid, Tyre, rounded_rectangle, solids_from_table
from analysis.table import REQUIRED, Table
from analysis.trailer import Trailer, trailer_from_table

USUAL_SIZE_SD_M = 0.005
"""How far off the sizes of a maker's drawing are on the vehicle itself (one sd; common practice, no published source:
bodies are built to a centimetre)."""


@dataclass(frozen=True)
class Vehicle:
    """A vehicle, and its trailer if it draws one. Width excludes mirrors (ISO 612); overhangs are from the axles'
    middles. All sizes but the overall ones are of the vehicle without its trailer.

    `wheelbase_m` is the kinematic wheelbase: steered axle to the point that does not slip
    sideways (the middle of the rear axle, or of the bogie).
    `max_wheel_rad` and `wheel_rate_radps` are of the single-track (mid-axle) road wheel.
    `mirror_glass_y_m` is from the vehicle's middle to that of the mirror's glass; `wide_angle`: wide-angle mirrors
    beside the main ones; `driver_side` +1 left, -1 right; `eye_x_m` the driver's eyes.
    `size_sd_m`: how far each size may be off, one standard deviation.
    """

    name: str
    length_m: float
    width_m: float
    height_m: float
    wheelbase_m: float
    front_overhang_m: float
    track_front_m: float
    track_rear_m: float
    tyre_width_front_m: float
    tyre_width_rear_m: float
    tyre_length_m: float
    wheel_radius_m: float
    max_wheel_rad: float
    wheel_rate_radps: float
    creep_speed_mps: float
    corner_radius_m: float
    mirror_out_m: float
    mirror_x_m: float
    mirror_z_m: float
    mirror_glass_y_m: float
    wide_angle: bool
    driver_side: int
    eye_x_m: float
    solids: tuple[Solid, ...]
    source: str = ""
    trailer: Trailer | None = None
    size_sd_m: float = USUAL_SIZE_SD_M

    @property
    def axle_sd_m(self) -> float:
        """Of the rear axle's place along the body whose two ends are seen: of wheelbase, front overhang and half the
        length together."""
        return 1.5 * self.size_sd_m

    @property
    def rear_overhang_m(self) -> float:
        return self.length_m - self.wheelbase_m - self.front_overhang_m

    @property
    def x_rear_m(self) -> float:
        """x of the rearmost body point in the vehicle frame (negative)."""
        return -self.rear_overhang_m

    @property
    def x_front_m(self) -> float:
        return self.wheelbase_m + self.front_overhang_m

    @property
    def overall_length_m(self) -> float:
        """From the front to the rearmost point of the last body, in a straight line."""
        if self.trailer is None:
            return self.length_m
        return self.x_front_m - self.trailer.hitch_x_m + self.trailer.hitch_to_axle_m + self.trailer.rear_overhang_m

    @property
    def overall_width_m(self) -> float:
        return max(self.width_m, self.trailer.width_m) if self.trailer else self.width_m

    def tyres(self) -> tuple[Tyre, ...]:
        out = []
        for end, x, track, width, steered in (
            ("front", self.wheelbase_m, self.track_front_m, self.tyre_width_front_m, True),
            ("rear", 0.0, self.track_rear_m, self.tyre_width_rear_m, False),
        ):
            for side, sign in (("left", 1.0), ("right", -1.0)):
                out.append(Tyre(f"{end}_{side}", x, sign * track / 2, width, self.tyre_length_m, steered))
        return tuple(out)

    def body_outline_m(self, points_per_corner: int = 5) -> np.ndarray:
        """(n, 2) corners of the plan outline, anticlockwise, vehicle frame; mirrors left out."""
        return rounded_rectangle(self.x_rear_m, self.x_front_m, self.width_m, self.corner_radius_m,
                                 points_per_corner)

    def mirror_outlines_m(self) -> tuple[np.ndarray, np.ndarray]:
        """Left and right mirror plan outlines, (4, 2) each; they stand at `mirror_z_m`."""
        half, depth = self.width_m / 2, 0.25
        left = np.array([[self.mirror_x_m - depth / 2, half], [self.mirror_x_m + depth / 2, half],
                         [self.mirror_x_m + depth / 2, half + self.mirror_out_m],
                         [self.mirror_x_m - depth / 2, half + self.mirror_out_m]])
        return left, (left * [1, -1])[::-1]


def vehicle_from_table(values: Mapping[str, Any]) -> Vehicle:
    """Read a `*.vehicle.toml` mapping. Raises Trouble naming the key, the value and what is allowed."""
    t = Table(values)
    t.whole("schema", 1, 1, 1)
    name = t.text("name", REQUIRED)
    source = t.text("source", "")
    length = t.number("length_m", 3.5, 25.0, REQUIRED)
    width = t.number("width_m", 1.5, 3.0, REQUIRED)
    height = t.number("height_m", 1.5, 4.5, REQUIRED)
    wheelbase = t.number("wheelbase_m", 2.0, 15.0, REQUIRED)
    front = t.number("front_overhang_m", 0.3, 4.5, REQUIRED)
    rear = length - wheelbase - front
    if rear < 0.2:
        raise t.fail("wheelbase_m", f"wheelbase {wheelbase:g} m and front overhang {front:g} m leave {rear:.2f} m "
                     f"behind the rear axle of a {length:g} m vehicle",
                     "at least 0.2 m must remain: check length_m, wheelbase_m and front_overhang_m")
    if t.has("rear_overhang_m"):
        stated = t.number("rear_overhang_m", 0.2, 8.0)
        if abs(stated - rear) > 0.02:
            raise t.fail("rear_overhang_m", f"{stated:g} m does not fit: length less wheelbase less front "
                         f"overhang is {rear:.2f} m", "correct one of the four, or leave rear_overhang_m out")
    track_front = t.number("track_front_m", 1.2, width, min(2.08, width - 0.3))
    track_rear = t.number("track_rear_m", 1.0, width, min(1.84, width - 0.5))
    tyre_front = t.number("tyre_width_front_m", 0.1, 0.6, 0.295)
    tyre_rear = t.number("tyre_width_rear_m", 0.1, 0.9, 0.60)
    tyre_length = t.number("tyre_length_m", 0.1, 0.6, 0.25)
    wheel_radius = t.number("wheel_radius_m", 0.25, 0.7, 0.48)
    for end, track, tyre in (("front", track_front, tyre_front), ("rear", track_rear, tyre_rear)):
        if track + tyre > width + 0.06:
            raise t.fail(f"track_{end}_m", f"track {track:g} m plus tyre {tyre:g} m stands out of a {width:g} m "
                         "wide body", "track is middle to middle of the (twin) tyres; check both")
    max_wheel = t.number("max_wheel_angle_deg", 10.0, 65.0, 42.0)
    wheel_rate = t.number("wheel_rate_deg_s", 2.0, 90.0, 18.0)
    creep = t.number("creep_speed_mps", 0.2, 3.0, 1.0)
    corner = t.number("corner_radius_m", 0.0, 0.8, 0.15)
    clearance = t.number("ground_clearance_m", 0.05, 1.2, 0.3)
    mirror = t.table("mirror", {})
    mirror_out = mirror.number("out_m", 0.0, 0.6, 0.25)
    mirror_x = mirror.number("x_m", 0.0, 16.0, wheelbase + front - 0.15)
    mirror_z = mirror.number("z_m", 0.8, 3.8, min(2.2, height - 0.3))
    mirror_glass_y = mirror.number("glass_y_m", 0.5, 2.2, width / 2 + mirror_out / 2)
    wide_angle = mirror.flag("wide_angle", True)
    mirror.done()
    driver = t.table("driver", {})
    driver_side = 1 if driver.choice("side", ("left", "right"), "left") == "left" else -1
    eye_x = driver.number("eye_x_m", 0.0, wheelbase + front, wheelbase + front - 1.0)  # 1 m behind the front: usual
    driver.done()
    size_sd = t.number("size_sd_m", 0.0, 0.1, USUAL_SIZE_SD_M)
    solids = solids_from_table(t, -rear, wheelbase + front, width, height, clearance, corner)
    trailer = trailer_from_table(t.table("trailer"), -rear, wheelbase + front) if t.has("trailer") else None
    t.done()
    return Vehicle(name, length, width, height, wheelbase, front, track_front, track_rear, tyre_front, tyre_rear,
                   tyre_length, wheel_radius, math.radians(max_wheel), math.radians(wheel_rate), creep, corner,
                   mirror_out, mirror_x, mirror_z, mirror_glass_y, wide_angle, driver_side, eye_x, solids, source,
                   trailer, size_sd)
