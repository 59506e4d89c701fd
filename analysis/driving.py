"""How a large vehicle is driven in a yard: what is assumed about speed and steering before looking.

Single-track kinematics, reference at the rear axle: x' = v cos(heading), y' = v sin(heading),
heading' = v tan(wheel) / wheelbase. The driver changes the speed by an acceleration, and the wheel by
a turning rate, that wander about zero (Ornstein-Uhlenbeck processes).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.vehicle import Vehicle


@dataclass(frozen=True)
class Driver:
    """Spread and memory of acceleration and steering; common practice, no published source.

    The sds are of the process at any one time. rolling_rate is the usual sd of the wheel's turning rate
    while rolling as a part of the vehicle's own greatest rate. Each run's own is estimated, starting
    from this, but never below least_rate: whoever has held the wheel so far may still turn it.
    standing_rate is the same at a standstill, where the driver may turn from one lock to the other.
    Looked at closely, the wheel is held for about hold_s (drifting by hold_drift, rad per root second) and then
    turned for about turn_s at a rate that lasts for turn_time_s.
    """

    accel_sd_mps2: float = 0.35
    accel_time_s: float = 3.0
    rolling_rate: float = 0.4
    least_rate: float = 0.2
    rate_time_s: float = 0.5
    standing_rate: float = 1.5
    hold_s: float = 3.0
    hold_drift: float = 0.005
    turn_s: float = 1.5
    turn_time_s: float = 4.0

    def turn_rate(self, rate_radps: float) -> float:
        """sd (rad/s) of the rate while the wheel is being turned, where `rate_radps` is that of all rolling."""
        return rate_radps * ((self.hold_s + self.turn_s) / self.turn_s)**0.5


DRIVER = Driver()


def standing_reach_rad(vehicle: Vehicle, seconds: float) -> float:
    """How far (one sd) the wheel may be turned in a standstill; the locks end what time would allow."""
    return min(DRIVER.standing_rate * vehicle.wheel_rate_radps * seconds, vehicle.max_wheel_rad)


def speed_step(dt_s: float | np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Transition and noise of (distance, speed, acceleration) over `dt_s`, any shape.

    Returns (..., 3, 2), the part of the new state due to the old (speed, acceleration), and (..., 3, 3), the
    covariance of what is added. The formulas are those of Singer's target model (from memory).
    """
    return integrated_ou(dt_s, DRIVER.accel_sd_mps2, DRIVER.accel_time_s)


def integrated_ou(dt_s: float | np.ndarray, sd: float, time_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Transition (..., 3, 2) and noise (..., 3, 3) of (double integral, integral, value) of a process that wanders
    about zero with standard deviation `sd` and memory `time_s`."""
    t = np.asarray(dt_s, float) / time_s
    e, e2 = np.exp(-t), np.exp(-2 * t)
    move = np.zeros((*t.shape, 3, 2))
    move[..., 0, 0] = t * time_s
    move[..., 0, 1] = (t - 1 + e) * time_s**2
    move[..., 1, 0] = 1.0
    move[..., 1, 1] = (1 - e) * time_s
    move[..., 2, 1] = e
    noise = np.empty((*t.shape, 3, 3))
    small = t < 0.02  # the closed forms cancel there; the leading terms are good to 1 %
    exact = (1 - e2 + 2 * t + 2 * t**3 / 3 - 2 * t**2 - 4 * t * e, 1 + e2 - 2 * e + 2 * t * e - 2 * t + t**2,
             1 - e2 - 2 * t * e, 4 * e - 3 - e2 + 2 * t, 1 + e2 - 2 * e, 1 - e2)
    leading = (t**5 / 10, t**4 / 4, t**3 / 3, 2 * t**3 / 3, t**2, 2 * t)
    places = ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))
    for (i, j), full, lead in zip(places, exact, leading, strict=True):
        value = np.where(small, lead, full) * sd**2 * time_s ** (4 - i - j)
        noise[..., i, j] = noise[..., j, i] = value
    return move, noise
