"""A trailer drawn along behind a simulated drive, and its angle with measurement error. For tests only.

The trailer is a rod: its coupling goes where the towing vehicle takes it, and its axle moves only along the rod. No
formula of an angle's rate is used, so nothing is shared with the program.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from simulate import Drive

from analysis.track import Articulation, Track
from analysis.trailer import Trailer
from analysis.vehicle import Vehicle, vehicle_from_table

TRACTOR = {"schema": 1, "name": "semi-trailer combination", "length_m": 6.0, "width_m": 2.5, "height_m": 3.8,
           "wheelbase_m": 3.7, "front_overhang_m": 1.4, "max_wheel_angle_deg": 42.0}
SEMI = {"kind": "semi", "hitch_x_m": 0.6, "hitch_to_axle_m": 8.0, "length_m": 13.6, "width_m": 2.55, "height_m": 4.0,
        "rear_overhang_m": 4.0, "axles": 3, "axle_spacing_m": 1.3, "max_articulation_deg": 90.0}
DRAWBAR = {"kind": "rigid_drawbar", "hitch_x_m": -1.5, "hitch_to_axle_m": 5.0, "length_m": 5.0, "width_m": 2.3,
           "height_m": 3.0, "rear_overhang_m": 2.4, "max_articulation_deg": 70.0}


def combination(trailer: dict[str, object] | None = None, **changes: object) -> Vehicle:
    """A tractor with a semi-trailer, 16.5 m, or with another trailer; `changes` are of the trailer."""
    return vehicle_from_table(TRACTOR | {"trailer": (trailer or SEMI) | changes})


def trailer_of(vehicle: Vehicle) -> Trailer:
    assert vehicle.trailer is not None
    return vehicle.trailer


def towed_rad(truth: Drive, trailer: Trailer, start_rad: float = 0.0, crab_rad: float = 0.0) -> np.ndarray:
    """(n,) the articulation angle at the drive's own times. The axle rolls along a line `crab_rad` from the rod."""
    c, s = np.cos(truth.heading_rad), np.sin(truth.heading_rad)
    hitch = np.column_stack([truth.x_m + trailer.hitch_x_m * c, truth.y_m + trailer.hitch_x_m * s])
    heading = np.empty(len(c))
    heading[0] = truth.heading_rad[0] + start_rad
    back = trailer.hitch_to_axle_m
    for k in range(1, len(c)):
        # The coupling moved by (dx, dy); across the rod that turns it about its axle (to second order in the step).
        dx, dy = hitch[k] - hitch[k - 1]
        rolls = heading[k - 1] + crab_rad
        rolls += (-np.sin(rolls) * dx + np.cos(rolls) * dy) / back / 2
        heading[k] = heading[k - 1] + (-np.sin(rolls) * dx + np.cos(rolls) * dy) / (back * np.cos(crab_rad))
    return heading - truth.heading_rad


def with_angles(track: Track, truth: Drive, angle_rad: np.ndarray, rng: np.random.Generator, *,
                sd_rad: float = np.radians(0.15), slow: float = 0.0, stated: float = 1.0, missing: float = 0.0,
                outliers: float = 0.0, gaps: tuple[tuple[float, float], ...] = (),
                common_sd_rad: float = 0.0, apart: bool = True) -> Track:
    """The track with measured angles, each the trailer's measured heading less the vehicle's: of the trailer's, white
    error, a slowly varying part `slow` times as large, one error shared by all, frames missing, gross outliers (up to
    20 degrees) and gaps; the stated sd is `stated` times the true one. With `apart` False the vehicle's measured
    heading has no part in it."""
    t, n = track.t_s, len(track.t_s)
    value = np.interp(t, truth.t_s, angle_rad) + sd_rad * rng.standard_normal(n) + common_sd_rad * rng.standard_normal()
    heading_var = np.where(track.measured, track.cov[:, 2, 2], 0.0) if apart else np.zeros(n)
    if apart:
        value += np.where(track.measured, np.interp(t, truth.t_s, truth.heading_rad) - track.heading_rad, 0.0)
    drift = rng.standard_normal()
    for k in range(n):
        value[k] += slow * sd_rad * drift
        keep = np.exp(-(t[min(k + 1, n - 1)] - t[k]) / 2.0)
        drift = keep * drift + np.sqrt(1 - keep**2) * rng.standard_normal()
    value += np.where(rng.random(n) < outliers, rng.uniform(-1, 1, n) * np.radians(20), 0.0)
    measured = rng.random(n) >= missing
    for a, b in gaps:
        measured &= ~((t >= a) & (t <= b))
    return replace(track, articulation=Articulation(measured, np.where(measured, value, 0.0),
                                                    np.sqrt((stated * sd_rad)**2 + heading_var), common_sd_rad,
                                                    -heading_var))
