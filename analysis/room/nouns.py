"""What is said about room left: limits on steering, planned runs, and the story of an attempt.

Room left is the best achievable worst clearance (m) from a pose on into the box, reversing: tyres to the side lines,
body to cones, poles and barrier, bay sides at the end. Below zero a contact or a tyre over a line can no longer be
avoided without a(nother) shunt. Course frame; metres, seconds, radians; sds are one standard deviation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.vehicle import Vehicle

KEPT, LOST, UNSURE, GONE = "kept", "lost", "too close to call", "lost from the start"


@dataclass(frozen=True)
class Limits:
    """What may be steered and when it counts as parked.

    wheel_per_m_rad is how far the road wheel turns while the vehicle rolls a metre: steering rate over creep speed.
    final_heading_rad: how far askew the vehicle may stand in the bay. full_width: a tyre counts as over a line only
    with its full width. Turning the wheel at a standstill is not allowed: it keeps its angle where the vehicle changes
    direction.
    """

    max_wheel_rad: float
    wheel_per_m_rad: float
    final_heading_rad: float
    full_width: bool = False

    @staticmethod
    def of(vehicle: Vehicle, final_heading_rad: float = math.radians(3.0), full_width: bool = False) -> Limits:
        """All that the vehicle can do at its creep speed."""
        return Limits(vehicle.max_wheel_rad, vehicle.wheel_rate_radps / vehicle.creep_speed_mps, final_heading_rad,
                      full_width)

    def ordinary(self) -> Limits:
        """Steering as one does without haste: not to the stop, not as fast as one can (common practice, no published
        source): 85 % of the lock, two thirds of the rate."""
        return Limits(0.85 * self.max_wheel_rad, self.wheel_per_m_rad * 2 / 3, self.final_heading_rad, self.full_width)


@dataclass(frozen=True)
class PlannedRun:
    """A run as planned, sampled every few centimetres; arrays (n,).

    direction +1 forward, -1 reverse; distance_m rolled since its start (never falls); clearance_m the worst exact
    clearance at each pose. room_m is the least clearance of all, which this run therefore proves achievable;
    reaches is False when it does not end in the box.
    """

    x_m: np.ndarray
    y_m: np.ndarray
    heading_rad: np.ndarray
    wheel_rad: np.ndarray
    direction: np.ndarray
    distance_m: np.ndarray
    clearance_m: np.ndarray
    room_m: float
    reaches: bool

    @property
    def shunts(self) -> int:
        """How many pull-forwards it takes."""
        return int(np.sum((self.direction[1:] > 0) & (self.direction[:-1] < 0)))


@dataclass(frozen=True)
class LostMoment:
    """When the bay could no longer be had without a(nother) shunt. verdict: one of KEPT, LOST, UNSURE, GONE.

    t_s is the best estimate and t_from_s..t_to_s its 95 % interval; at_m the rear axle's place then. With KEPT and
    GONE the times are the leg's end and beginning.
    """

    verdict: str
    t_s: float
    t_from_s: float
    t_to_s: float
    at_m: tuple[float, float]


@dataclass(frozen=True)
class Saving:
    """The last moment at which ordinary steering would still have kept the bay, and that steering.

    wheel_rad held over distance_m (signed, left positive) is what `run` does first; used_rad is what the driver's
    wheel averaged over the same metres.
    """

    t_s: float
    at_m: tuple[float, float]
    wheel_rad: float
    distance_m: float
    used_rad: float
    run: PlannedRun


@dataclass(frozen=True)
class Loss:
    """The largest single loss of room: within `distance_m` metres rolled, from t_start_s to t_end_s.

    wheel_used_rad is what the driver's wheel averaged there, wheel_wanted_rad what the run with the most room from
    the beginning of the stretch has over the same metres.
    """

    t_start_s: float
    t_end_s: float
    at_m: tuple[float, float]
    distance_m: float
    lost_m: float
    sd_m: float
    room_before_m: float
    room_after_m: float
    wheel_used_rad: float
    sd_wheel_used_rad: float
    wheel_wanted_rad: float


@dataclass(frozen=True)
class LegRoom:
    """One reverse leg's story. `index` is into Attempt.legs.

    kept_m (n,) at t_s (n,): the worst clearance that the whole leg could still have had by then, what is past
    included. It never rises; each fall is a loss through steering; it ends at what was achieved.
    """

    index: int
    t_s: np.ndarray
    kept_m: np.ndarray
    sd_m: np.ndarray
    moment: LostMoment
    saving: Saving | None
    largest_loss: Loss | None


@dataclass(frozen=True)
class ShuntRoom:
    """One pull-forward. room_*: without further shunts, where it began and where it ended.

    needed: 'yes', 'no' or 'too close to call' (was there no room left when it began?). stop_m / best_stop_m: how far
    forward it went, and how far the same steering room would have been best, at most best_m of room; better_m is the
    most that one shunt from the beginning of this one could have given, steering included.
    """

    index: int
    t_start_s: float
    t_end_s: float
    needed: str
    room_before_m: float
    sd_before_m: float
    room_after_m: float
    sd_after_m: float
    better_m: float
    better_distance_m: float
    distance_m: float


@dataclass(frozen=True)
class StopMap:
    """Room left (no shunt) over the places where the drive forward could have ended: room_m (nx, ny) over x_m, y_m of
    the rear axle, at the heading driven and with the wheel straight. Places in the way of something are NaN.

    here: where it did end; best: the place with the most room. gain_left_m: room gained by stopping half a metre
    further left (course +y), right, ahead (+x), back.
    """

    x_m: np.ndarray
    y_m: np.ndarray
    heading_rad: float
    room_m: np.ndarray
    here_m: tuple[float, float]
    room_here_m: float
    sd_here_m: float
    best_m: tuple[float, float]
    room_best_m: float
    gain_left_m: float
    gain_right_m: float
    gain_ahead_m: float
    gain_back_m: float


@dataclass(frozen=True)
class HeadingBeside:
    """The attempt's heading beside the reference run's, over the rear axle's x (m, falling): difference = attempt -
    reference (rad), with the sd of the attempt's heading. Arrays (n,)."""

    x_m: np.ndarray
    attempt_rad: np.ndarray
    reference_rad: np.ndarray
    sd_rad: np.ndarray

    @property
    def difference_rad(self) -> np.ndarray:
        return self.attempt_rad - self.reference_rad


@dataclass(frozen=True)
class RoomAlong:
    """Everything about room left in one attempt.

    t_s (n,) thinned times of the motion; room_m and sd_m (3, n): with 0, 1, 2 shunts still allowed, NaN where the
    field does not reach or the vehicle was not seen. grid_sd_m is the field's own error, already inside sd_m.
    reference is the run that keeps the most room from where the drive forward ended; ideal the same from the best
    place to stop.
    """

    t_s: np.ndarray
    room_m: np.ndarray
    sd_m: np.ndarray
    grid_sd_m: float
    legs: tuple[LegRoom, ...]
    shunts: tuple[ShuntRoom, ...]
    stop_map: StopMap | None
    reference: PlannedRun | None
    ideal: PlannedRun | None
    heading_beside: HeadingBeside | None
