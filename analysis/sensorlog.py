"""A log of sensors on the vehicle, laid onto the clip's time by correlation and used as measurements.

Any of steering-wheel angle, road-wheel angle, yaw rate and speed will do. Clocks need not agree: the log is shifted
until it looks most like the motion seen from above. Steering ratio and zero of a steering wheel, zero of a road-wheel
sensor and bias of a gyro are found on the way.

Weak when the run hardly turns or hardly changes its speed: then the shift is not to be had, and that is said. Speed
alone is weak too: one run's speeds can look like another's, so the log of a wrong run may pass.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from analysis.attempt import SensorUse
from analysis.nodes import SPEED, WHEEL, Nodes, Sensed, Smoothed
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle

COLUMNS = ("steering_wheel_deg", "road_wheel_deg", "yaw_rate_degps", "speed_mps")

_STEP_S = 0.05  # finer than any log lags behind the motion
_LEAST_OVERLAP = 0.8  # of the clip that the log must cover: one turn alone looks much like another
_LEAST_CORRELATION = 0.9  # below it the log is of another run, or its shift is not sure (own choice)
_LEAST_ROWS = 20  # two seconds at 10 Hz: less is no run
# No sensor is believed better than this; common practice, no published source.
_LEAST_SPEED_MPS, _LEAST_YAW_RADPS, _LEAST_WHEEL_RAD = 0.02, np.radians(0.2), np.radians(0.3)
_WORST = (0.15, np.radians(2.0), np.radians(8.0))  # m/s, rad/s, rad: further off than this it is another run's log


@dataclass(frozen=True)
class SensorLog:
    """t_s (n,) by the log's own clock, increasing; columns: name (one of COLUMNS) to values (n,), NaN where missing."""

    t_s: np.ndarray
    columns: Mapping[str, np.ndarray]


def sensor_log(t_s: np.ndarray, columns: Mapping[str, np.ndarray]) -> SensorLog:
    """A checked log. Raises Trouble that says what to mend."""
    unknown = [c for c in columns if c not in COLUMNS]
    if unknown or not columns:
        raise Trouble(f"column '{unknown[0]}' is not known" if unknown else "there is no column beside t_s",
                      remedy=f"the columns are t_s and any of {', '.join(COLUMNS)}")
    if len(t_s) < _LEAST_ROWS:
        raise Trouble(f"only {len(t_s)} rows", remedy=f"at least {_LEAST_ROWS} are needed: give the whole run")
    back = np.flatnonzero(~(np.diff(t_s) > 0))
    if len(back) or not np.all(np.isfinite(t_s)):
        raise Trouble(f"t_s does not increase after row {int(back[0]) + 1 if len(back) else 1}",
                      remedy="write the rows in order of time, in seconds")
    for name, values in columns.items():
        if np.sum(np.isfinite(values)) < _LEAST_ROWS:
            raise Trouble(f"column '{name}' has fewer than {_LEAST_ROWS} values", remedy="fill it, or leave it out")
    return SensorLog(t_s, columns)


def sensed_by(log: SensorLog, run: Smoothed, vehicle: Vehicle) -> tuple[Nodes, SensorUse]:
    """The run's nodes with the log's measurements, and how the log was laid onto the clip.

    Raises Trouble when the log does not look like the run at any shift."""
    shift, sd_shift, correlation = _aligned(log, run, vehicle)
    t = run.nodes.t_s
    state = run.state
    value, information = np.zeros((len(t), 3)), np.zeros((len(t), 3))
    yaw = state[:, SPEED] * np.tan(state[:, WHEEL]) / vehicle.wheelbase_m
    rolling = ~run.standing & (np.abs(state[:, SPEED]) > 0.2)
    use = SensorUse(shift, sd_shift, correlation, tuple(log.columns))
    for name in log.columns:
        got = _at(log, name, t - shift)
        if name == "speed_mps":
            got = _signed(got, state[:, SPEED])
            column, known, least = 0, state[:, SPEED], _LEAST_SPEED_MPS
        elif name == "yaw_rate_degps":
            got = np.radians(got)
            column, known, least = 1, yaw, _LEAST_YAW_RADPS
            still = run.standing & np.isfinite(got)
            got = got - float(np.mean(got[still]) if np.sum(still) > 10 else np.nanmedian(got - yaw))
        else:
            known, column, least = state[:, WHEEL], 2, _LEAST_WHEEL_RAD
            good = rolling & np.isfinite(got)
            if name == "steering_wheel_deg":
                ratio, zero = _line(known[good], np.radians(got[good]))
                got = (np.radians(got) - zero) / ratio
                use = replace(use, steering_ratio=ratio, wheel_zero_rad=zero)
            else:
                zero = float(np.median(np.radians(got[good]) - known[good]))
                got = np.radians(got) - zero
                use = replace(use, wheel_zero_rad=zero)
        ok = np.isfinite(got)
        miss = (got - known)[ok & rolling]
        # The smoothed run errs as well, so this is rather too wide than too narrow.
        spread = max(1.4826 * float(np.median(np.abs(miss - np.median(miss)))), least)
        if spread > _WORST[column]:
            raise Trouble(f"the sensor log does not fit the run: '{name}' is off by {_WORST[column]:.2g} and more in "
                          "half of the run at the best shift",
                          remedy="is it the log of this run? speeds are in m/s, angles in degrees")
        late = np.abs(np.gradient(np.where(ok, got, 0.0), t)) * sd_shift
        better = ok & (1 / (spread**2 + late**2) > information[:, column])
        value[better, column], information[better, column] = got[better], 1 / (spread**2 + late[better]**2)
    return replace(run.nodes, sensed=Sensed(value, information)), use


def _line(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """Slope and intercept of y over x, outliers left out once."""
    slope, zero = np.polyfit(x, y, 1)
    miss = np.abs(y - slope * x - zero)
    keep = miss <= 3 * 1.4826 * np.median(miss) + 1e-12
    slope, zero = np.polyfit(x[keep], y[keep], 1)
    if abs(slope) < 1.0:
        raise Trouble("the steering-wheel angle does not follow the wheels",
                      remedy="a steering wheel turns further than the road wheels: is the column in degrees, and is "
                      "it perhaps a road_wheel_deg?")
    return float(slope), float(zero)


def _at(log: SensorLog, name: str, t_s: np.ndarray) -> np.ndarray:
    """The column at times of the log's clock; NaN outside the log and in its gaps of more than half a second."""
    values = log.columns[name]
    ok = np.isfinite(values)
    t = log.t_s[ok]
    out = np.interp(t_s, t, values[ok], left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(t, t_s), 1, len(t) - 1)
    return np.where(t[after] - t[after - 1] > 0.5, np.nan, out)


def _signed(logged: np.ndarray, speed: np.ndarray) -> np.ndarray:
    """Speed with its sign; a speedometer without one takes that of the motion seen."""
    if np.nanmin(logged) < -0.1 or np.min(speed) > -0.1:
        return logged
    return logged * np.sign(speed)


def _aligned(log: SensorLog, run: Smoothed, vehicle: Vehicle) -> tuple[float, float, float]:
    """Seconds to add to the log's clock to get the clip's, its sd, and the correlation there (mean over columns)."""
    t0, t1 = run.nodes.t_s[0], run.nodes.t_s[-1]
    grid = np.arange(t0, t1, _STEP_S)
    speed = np.interp(grid, run.nodes.t_s, run.state[:, SPEED])
    wheel = np.interp(grid, run.nodes.t_s, run.state[:, WHEEL])
    seen = {"speed_mps": speed, "yaw_rate_degps": speed * np.tan(wheel), "steering_wheel_deg": wheel,
            "road_wheel_deg": wheel}
    span = t1 - t0
    shifts = np.arange(t0 - log.t_s[-1] + _LEAST_OVERLAP * span, t1 - log.t_s[0] - _LEAST_OVERLAP * span, _STEP_S)
    if not len(shifts):
        raise Trouble("the sensor log is shorter than the clip", remedy="give the log of the whole run")
    unsigned = "speed_mps" in log.columns and np.nanmin(log.columns["speed_mps"]) > -0.1 and np.min(speed) < -0.1
    total = np.zeros(len(shifts))
    for name in log.columns:
        known = np.abs(seen[name]) if name == "speed_mps" and unsigned else seen[name]
        got = np.array([_correlation(_at(log, name, grid - s), known) for s in shifts])
        total += np.abs(got) if name == "steering_wheel_deg" else got
    mean = total / len(log.columns)
    k = int(np.argmax(mean))
    if mean[k] < _LEAST_CORRELATION:
        hint = " (with its sign turned it would fit better)" if np.max(-mean) > mean[k] else ""
        raise Trouble(f"the sensor log does not fit the run at any shift: correlation {mean[k]:.2f} at best{hint}",
                      remedy="is it the log of this run? left turns and forward speed are positive, angles in degrees")
    shift, sd = float(shifts[k]), _STEP_S
    if 0 < k < len(shifts) - 1:
        bend = mean[k - 1] - 2 * mean[k] + mean[k + 1]
        if bend < 0:
            shift += float(0.5 * (mean[k - 1] - mean[k + 1]) / bend) * _STEP_S
            # A correlation r over n independent seconds is uncertain by (1 - r2) / sqrt(n).
            sd = float(np.sqrt(max((1 - mean[k]**2) / np.sqrt(span), 1e-6) / (-bend)) * _STEP_S / 2)
    return shift, max(min(sd, 0.2), 0.01), float(mean[k])


def _correlation(a: np.ndarray, b: np.ndarray) -> float:
    ok = np.isfinite(a)
    if np.sum(ok) < _LEAST_OVERLAP * len(a):
        return 0.0
    a, b = a[ok] - a[ok].mean(), b[ok] - b[ok].mean()
    scale = np.sqrt(np.sum(a * a) * np.sum(b * b))
    return float(np.sum(a * b) / scale) if scale > 0 else 0.0
