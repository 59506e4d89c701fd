"""Drives of a simulated vehicle with known steering, and tracks of them with measurement error. For tests only.

The simulation integrates the single-track model at 1 ms and shares no code with the smoother.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analysis.track import Track
from analysis.vehicle import Vehicle, vehicle_from_table

FINE_S = 0.001


def bus(**changes: object) -> Vehicle:
    """A 12 m two-axle bus."""
    table: dict = {"schema": 1, "name": "bus", "length_m": 12.0, "width_m": 2.55, "height_m": 3.05, "wheelbase_m": 6.1,
                   "front_overhang_m": 2.7, "max_wheel_angle_deg": 45.0, "wheel_rate_deg_s": 20.0}
    return vehicle_from_table(table | changes)


@dataclass(frozen=True)
class Stand:
    """Standing for a time; the wheel is turned to `wheel_deg` at `rate_deg_s` in the middle of it, if given."""

    seconds: float
    wheel_deg: float | None = None
    rate_deg_s: float = 25.0


@dataclass(frozen=True)
class Roll:
    """Rolling a signed distance; `steer` lists (fraction of the distance, wheel to turn to in degrees)."""

    distance_m: float
    speed_mps: float = 1.2
    accel_mps2: float = 0.35
    brake_mps2: float = 0.4
    ramp_s: float = 0.4
    steer: tuple[tuple[float, float], ...] = ()
    rate_deg_s: float = 12.0


@dataclass(frozen=True)
class Drive:
    """The truth, every millisecond: t_s, x_m, y_m, heading_rad, speed_mps, wheel_rad (n,); stops as (start, end) s;
    turned_rad at each stop, in order."""

    t_s: np.ndarray
    x_m: np.ndarray
    y_m: np.ndarray
    heading_rad: np.ndarray
    speed_mps: np.ndarray
    wheel_rad: np.ndarray
    stops: tuple[tuple[float, float], ...]
    turned_rad: tuple[float, ...]
    vehicle: Vehicle = field(default_factory=bus)

    def at(self, t_s: np.ndarray) -> np.ndarray:
        """(n, 5) x, y, heading, speed, wheel at the times."""
        columns = (self.x_m, self.y_m, self.heading_rad, self.speed_mps, self.wheel_rad)
        return np.column_stack([np.interp(t_s, self.t_s, c) for c in columns])


def drive(plan: list[Stand | Roll], vehicle: Vehicle | None = None, *, start: tuple[float, float, float] = (0, 0, 0),
          wheel_deg: float = 0.0) -> Drive:
    """Carry out a plan."""
    vehicle = vehicle or bus()
    speeds, wheels, stops, turned = [], [], [], []
    wheel, now = np.radians(wheel_deg), 0.0
    for part in plan:
        if isinstance(part, Stand):
            n = round(part.seconds / FINE_S)
            target = wheel if part.wheel_deg is None else np.radians(part.wheel_deg)
            turn_s = abs(target - wheel) / np.radians(part.rate_deg_s)
            if turn_s > part.seconds:
                raise ValueError("the stop is too short for the turn")
            begin = (part.seconds - turn_s) / 2
            t = np.arange(1, n + 1) * FINE_S
            speeds.append(np.zeros(n))
            wheels.append(wheel + (target - wheel) * np.clip((t - begin) / max(turn_s, 1e-9), 0, 1))
            stops.append((now, now + part.seconds))
            turned.append(float(target - wheel))
            wheel, now = target, now + part.seconds
        else:
            speed = _speed_profile(part)
            travelled = np.cumsum(speed) * FINE_S / part.distance_m
            path = np.empty(len(speed))
            rate = np.radians(part.rate_deg_s) * FINE_S
            goal = np.full(len(speed), wheel)
            for fraction, target_deg in part.steer:
                goal[travelled >= fraction] = np.radians(target_deg)
            for k, g in enumerate(goal):
                wheel += np.clip(g - wheel, -rate, rate)
                path[k] = wheel
            speeds.append(speed)
            wheels.append(path)
            now += len(speed) * FINE_S
    v, w = np.concatenate([[0.0], *speeds]), np.concatenate([[np.radians(wheel_deg)], *wheels])
    heading = start[2] + np.concatenate([[0], np.cumsum(v[1:] * np.tan(w[1:]) / vehicle.wheelbase_m) * FINE_S])
    middle = (heading[1:] + heading[:-1]) / 2
    x = start[0] + np.concatenate([[0], np.cumsum(v[1:] * np.cos(middle)) * FINE_S])
    y = start[1] + np.concatenate([[0], np.cumsum(v[1:] * np.sin(middle)) * FINE_S])
    return Drive(np.arange(len(v)) * FINE_S, x, y, heading, v, w, tuple(stops), tuple(turned), vehicle)


def _speed_profile(part: Roll) -> np.ndarray:
    """Signed speed every millisecond: a trapezoid with a soft start and an abrupt stop."""
    top = part.speed_mps
    distance = abs(part.distance_m)
    for _ in range(60):
        up = np.minimum(np.arange(0, top / part.accel_mps2, FINE_S) * part.accel_mps2, top)
        if part.ramp_s > 0:
            width = max(1, round(part.ramp_s / FINE_S))
            up = np.convolve(np.concatenate([np.zeros(width), up, np.full(width, top)]), np.ones(width) / width,
                             "valid")
            up = np.minimum(up, top)
        down = top - np.arange(0, top / part.brake_mps2, FINE_S) * part.brake_mps2
        needed = (np.sum(up) + np.sum(down)) * FINE_S
        if needed <= distance:
            break
        top *= 0.95
    cruise = np.full(max(0, round((distance - needed) / top / FINE_S)), top)
    speed = np.concatenate([up, cruise, down])
    speed = speed[speed > 0]
    return np.sign(part.distance_m) * speed * distance / (np.sum(speed) * FINE_S)


def measure(truth: Drive, rng: np.random.Generator, *, rate_hz: float = 10.0, sd_m: float = 0.015,
            sd_rad: float = np.radians(0.1), slow: float = 0.0, slow_time_s: float = 2.0, stated: float = 1.0,
            missing: float = 0.0, outliers: float = 0.0, gaps: tuple[tuple[float, float], ...] = (),
            jitter_s: float = 0.0, common_sd: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Track:
    """A track with white error (sd_m, sd_m, sd_rad), a slowly varying part `slow` times as large, frames
    missing, gross outliers (up to 3 m and 20 degrees) and gaps; the stated sd is `stated` times the true one."""
    t = np.arange(0, truth.t_s[-1], 1 / rate_hz)
    t = np.sort(np.clip(t + jitter_s * rng.uniform(-1, 1, len(t)), 0, truth.t_s[-1]))
    n, sd = len(t), np.array([sd_m, sd_m, sd_rad])
    pose = truth.at(t)[:, :3] + sd * rng.standard_normal((n, 3))
    drift = np.empty((n, 3))
    drift[0] = rng.standard_normal(3)
    for k in range(1, n):
        keep = np.exp(-(t[k] - t[k - 1]) / slow_time_s)
        drift[k] = keep * drift[k - 1] + np.sqrt(1 - keep**2) * rng.standard_normal(3)
    pose += slow * sd * drift
    common = rng.standard_normal(3) * common_sd
    c, s = np.cos(pose[:, 2]), np.sin(pose[:, 2])
    pose += np.column_stack([c * common[0] - s * common[1], s * common[0] + c * common[1], np.full(n, common[2])])
    wild = rng.random(n) < outliers
    pose[wild] += rng.uniform(-1, 1, (int(wild.sum()), 3)) * [3.0, 3.0, np.radians(20)]
    measured = rng.random(n) >= missing
    for a, b in gaps:
        measured &= ~((t >= a) & (t <= b))
    measured[[0, -1]] = True
    pose[~measured] = 0.0
    return Track(t, measured, *pose.T, np.tile(np.diag((stated * sd)**2), (n, 1, 1)), np.diag(np.square(common_sd)))


def simulate_stop(rng: np.random.Generator, turned_deg: float, *, seconds: float | None = None,
                  vehicle: Vehicle | None = None) -> Drive:
    """A run with one stop between two pieces of driving, forward or reverse, at which the wheel is turned."""
    vehicle = vehicle or bus()
    lock = np.degrees(vehicle.max_wheel_rad)
    rate = rng.uniform(15, 30)
    if seconds is None:
        seconds = abs(turned_deg) / rate + rng.uniform(0.6, 3.0)
    low, high = max(-lock, -lock - turned_deg), min(lock, lock - turned_deg)
    before = float(rng.uniform(low, high))
    ways = rng.choice([-1.0, 1.0], 2)
    # In some runs the wheel still turns as the vehicle comes to rest, in some it turns as soon as it moves off.
    last = 0.95 if rng.random() < 0.3 else rng.uniform(0.3, 0.7)
    onward = np.sort(rng.uniform(0.1, 0.9, 2))
    if rng.random() < 0.3:
        onward[0] = 0.0
    first = Roll(ways[0] * rng.uniform(8, 14), rng.uniform(0.7, 1.4), rng.uniform(0.25, 0.7), rng.uniform(0.3, 0.9),
                 rng.uniform(0.0, 0.8), ((0.0, float(rng.uniform(-0.7, 0.7) * lock)), (float(last), before)),
                 rng.uniform(8, 18))
    second = Roll(ways[1] * rng.uniform(8, 14), rng.uniform(0.7, 1.4), rng.uniform(0.25, 0.7), rng.uniform(0.3, 0.9),
                  rng.uniform(0.0, 0.8), tuple((float(f), float(rng.uniform(-0.8, 0.8) * lock)) for f in onward),
                  rng.uniform(8, 18))
    reached = float(np.degrees(drive([Stand(1.0), first], vehicle).wheel_rad[-1]))
    target = float(np.clip(reached + turned_deg, -lock, lock)) if turned_deg else None
    return drive([Stand(rng.uniform(1.0, 2.0)), first, Stand(seconds, target, rate), second, Stand(1.5)],
                 vehicle, start=(20.0, 0.0, float(rng.uniform(-3, 3))))
