"""The fixed-interval smoother: the most probable motion given every measured pose, and its covariance.

One state per time: x, y, heading, speed, acceleration, wheel, wheel rate and the slowly varying part
of the measurement error of x, y, heading. All states of the run are found together by Gauss-Newton on
a block-tridiagonal system, so cost is linear in the length of the run. A pose is an outlier with
a probability that is worked out as the iteration goes (contaminated normal), gaps are times without a
measurement, and while the vehicle stands its pose is held and only the wheel may move.

Weak when the reference point is far from the axle that does not slip sideways (wrong wheelbase or
wrong vehicle): the heading then does not follow from the path.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize
from scipy.signal import medfilt

from analysis.chain import Covariance, Factor, factor
from analysis.driving import DRIVER, integrated_ou, speed_step, standing_reach_rad
from analysis.track import Track
from analysis.vehicle import Vehicle

X, Y, HEADING, SPEED, ACCEL, WHEEL, RATE, BIAS = range(8)  # BIAS is the first of three
SIZE = 10

_STEP_S = 0.15  # longest time between states; a gap in the track is filled with unmeasured ones
SLIP_M, SLIP_RAD = 0.003, 0.0004  # what the rolling model may be wrong by in one second
_HELD_M, _HELD_RAD, _HELD_MPS = 1e-5, 1e-6, 1e-4  # 'exactly', for the arithmetic
_LIMIT_SD_RAD = np.radians(2.0)  # how far a vehicle file's greatest wheel angle is trusted
_OUTLIER_SHARE, _OUTLIER_WIDTH = 0.02, 10.0  # one pose in fifty is wild, ten times as far off as stated (own estimate)
_CLOSE = 1e-4  # the iteration ends when no state (m, rad, s) changes by more


@dataclass(frozen=True)
class Sensed:
    """Measurements of a sensor log at the nodes: value (n, 3) and information (n, 3), zero where there is none, of
    speed (m/s), yaw rate (rad/s) and wheel (rad)."""

    value: np.ndarray
    information: np.ndarray


@dataclass(frozen=True)
class Nodes:
    """The times at which the motion is estimated: the track's, and more inside gaps.

    t_s (n,); pose (n, 3) and cov (n, 3, 3) as measured where `seen`; at (m,) the places of the track's times; what a
    sensor log adds, if there is one."""

    t_s: np.ndarray
    pose: np.ndarray
    cov: np.ndarray
    seen: np.ndarray
    at: np.ndarray
    sensed: Sensed | None = None


@dataclass(frozen=True)
class Levels:
    """What is estimated once for a whole run.

    The measurement error as a multiple of the stated sd: `white` from frame to frame, `slow` slowly varying with
    memory slow_time_s; and rate_radps, the sd of the wheel's turning rate while rolling: how busy this driver is.
    """

    rate_radps: float
    white: float = 1.0
    slow: float = 0.3
    slow_time_s: float = 2.0


@dataclass(frozen=True)
class Smoothed:
    """The smoother's result: state (n, SIZE) and its covariance at the nodes.

    standing (n,) bool; weight (n,) of each measured pose, 1 for a good one, about 0 for an outlier."""

    nodes: Nodes
    state: np.ndarray
    standing: np.ndarray
    weight: np.ndarray
    levels: Levels
    covariance: Covariance


def nodes_of(track: Track) -> Nodes:
    """The track's times, with unmeasured times put in where they lie further apart than the model can bridge."""
    times = [track.t_s[:1]]
    for a, b in zip(track.t_s[:-1], track.t_s[1:], strict=True):
        parts = max(1, int(np.ceil((b - a) / _STEP_S - 1e-9)))
        times.append(np.linspace(a, b, parts + 1)[1:])
    at = np.cumsum([len(t) for t in times]) - 1
    t = np.concatenate(times)
    pose, cov = np.zeros((len(t), 3)), np.tile(np.eye(3), (len(t), 1, 1))
    seen = np.zeros(len(t), bool)
    seen[at] = track.measured
    ok = track.measured
    pose[at[ok]] = np.column_stack([track.x_m, track.y_m, track.heading_rad])[ok]
    cov[at[ok]] = track.cov[ok]
    return Nodes(t, pose, cov, seen, at)


def first_guess(nodes: Nodes, vehicle: Vehicle) -> np.ndarray:
    """A state (n, SIZE) to start the iteration from; its crude differences do not reach the result."""
    seen = nodes.seen
    state = np.zeros((len(nodes.t_s), SIZE))
    for i in range(3):
        clean = medfilt(np.pad(nodes.pose[seen, i], 3, mode="edge"), 7)[3:-3]
        state[:, i] = np.interp(nodes.t_s, nodes.t_s[seen], clean)
    wide = max(1, round(0.8 / np.median(np.diff(nodes.t_s))))
    kernel = np.ones(2 * wide + 1) / (2 * wide + 1)
    smooth = np.column_stack([np.convolve(np.pad(state[:, i], wide, mode="edge"), kernel, "valid") for i in range(3)])
    dx, dy, dh = np.gradient(smooth, nodes.t_s, axis=0).T
    state[:, SPEED] = dx * np.cos(state[:, HEADING]) + dy * np.sin(state[:, HEADING])
    moving = np.abs(state[:, SPEED]) > 0.3
    if np.any(moving):
        wheel = np.arctan2(vehicle.wheelbase_m * dh * np.sign(state[:, SPEED]), np.abs(state[:, SPEED]))
        wheel = np.clip(wheel, -vehicle.max_wheel_rad, vehicle.max_wheel_rad)
        state[:, WHEEL] = np.interp(nodes.t_s, nodes.t_s[moving], wheel[moving])
    return state


def smooth(nodes: Nodes, vehicle: Vehicle, standing: np.ndarray, levels: Levels, state: np.ndarray,
           weight: np.ndarray, *, robust: bool = True) -> Smoothed:
    """The smoothed motion from a first `state`. `standing` (n,) bool says where the vehicle stands.

    The wheel angles before and after a standstill are linked by what could be turned in the time.
    `robust=False` leaves the weights as they are.
    """
    problem = _Problem(nodes, vehicle, standing)
    state = state.copy()
    state[standing, SPEED] = 0.0
    for _ in range(40):
        if robust:
            weight = _inlier_weight(nodes, state, levels)
        system = problem.linearise(state, levels, weight)
        step = -system.factor().solve(system.gradient)
        size = 1.0
        while problem.cost(state + size * step, levels, weight) > system.cost + 1e-9 and size > 0.02:
            size /= 2
        state = state + size * step
        if np.max(np.abs(step[:, :BIAS])) < _CLOSE:
            break
    if robust:
        weight = _inlier_weight(nodes, state, levels)
    covariance = problem.linearise(state, levels, weight).factor().covariance()
    return Smoothed(nodes, state, standing, weight, levels, covariance)


def likely_levels(run: Smoothed, vehicle: Vehicle) -> Levels:
    """The levels that make the track most probable (Laplace's approximation about the given run)."""
    problem = _Problem(run.nodes, vehicle, run.standing)
    linearised = problem.relinearise(run.state)
    # Before looking: stated covariances are right to a factor of three, the rest of it is of this order.
    usual = np.log([DRIVER.rolling_rate * vehicle.wheel_rate_radps, 1.0, 0.3])
    spread = np.array([0.7, 1.0, 1.0])

    def levels_at(p: np.ndarray) -> Levels:
        rate, white, slow = (float(v) for v in np.exp(p))
        return replace(run.levels, rate_radps=max(rate, DRIVER.least_rate * vehicle.wheel_rate_radps), white=white,
                       slow=slow)

    def badness(p: np.ndarray) -> float:
        levels = levels_at(p)
        evidence = linearised(levels, run.weight).log_evidence(problem.log_information(levels))
        return 0.5 * float(np.sum(((p - usual) / spread)**2)) - evidence

    start = np.log([run.levels.rate_radps, run.levels.white, run.levels.slow])
    simplex = start + np.vstack([np.zeros(3), np.diag([0.4, 0.3, 0.5])])
    best = minimize(badness, start, method="Nelder-Mead",
                    options={"initial_simplex": simplex, "xatol": 0.05, "fatol": 0.1, "maxfev": 40})
    return levels_at(best.x)


def log_evidence(run: Smoothed, nodes: Nodes, vehicle: Vehicle) -> float:
    """How probable the poses of `nodes` are (natural log, up to a constant), by Laplace's approximation near `run`."""
    problem = _Problem(nodes, vehicle, run.standing)
    state = run.state
    for _ in range(2):
        system = problem.linearise(state, run.levels, run.weight)
        state = state - system.factor().solve(system.gradient)
    return problem.linearise(state, run.levels, run.weight).log_evidence(problem.log_information(run.levels))


def _inlier_weight(nodes: Nodes, state: np.ndarray, levels: Levels) -> np.ndarray:
    """(n,) expected weight of each pose when a small share of them has errors `_OUTLIER_WIDTH` times as large."""
    miss = nodes.pose - state[:, :3] - state[:, BIAS:]
    d2 = np.einsum("ni,ni->n", miss, np.linalg.solve(nodes.cov, miss[..., None])[..., 0]) / levels.white**2
    log_odds = np.log((1 - _OUTLIER_SHARE) / _OUTLIER_SHARE) + 3 * np.log(_OUTLIER_WIDTH) \
        - 0.5 * d2 * (1 - _OUTLIER_WIDTH**-2)
    good = 1 / (1 + np.exp(-np.clip(log_odds, -50, 50)))
    # Beyond the broad component, the pull keeps falling: an error has no natural size.
    far = 1 / np.maximum(1.0, d2 / (3 * _OUTLIER_WIDTH**2))
    return np.where(nodes.seen, good + (1 - good) * far / _OUTLIER_WIDTH**2, 0.0)


@dataclass(frozen=True)
class _System:
    """Half the sum of squares, its gradient and Gauss-Newton matrix at one state."""

    cost: float
    gradient: np.ndarray
    diagonal: np.ndarray
    below: np.ndarray

    def factor(self) -> Factor:
        return factor(self.diagonal, self.below)

    def log_evidence(self, log_information: float) -> float:
        """log of the integral over all states, from `log_information`, the log-determinant of what went in."""
        f = self.factor()
        fit = self.cost - 0.5 * float(np.sum(self.gradient * f.solve(self.gradient)))
        return 0.5 * (log_information - f.log_det) - fit


class _Problem:
    """The sum of squares that the smoother minimises."""

    def __init__(self, nodes: Nodes, vehicle: Vehicle, standing: np.ndarray) -> None:
        self.nodes, self.vehicle, self.standing = nodes, vehicle, standing
        self.dt = np.diff(nodes.t_s)
        self.held = standing[:-1] & standing[1:]
        self.measured_information = np.linalg.inv(nodes.cov)
        self.typical_var = np.median(np.diagonal(nodes.cov[nodes.seen], axis1=1, axis2=2), axis=0)
        self.wheel_move, wheel_noise = integrated_ou(self.dt, 1.0, DRIVER.rate_time_s)  # noise: times rate squared
        self.speed_move, speed_noise = speed_step(self.dt)
        self.wheel_information = np.linalg.inv(wheel_noise[:, 1:, 1:])
        self.speed_information = np.linalg.inv(speed_noise[:, 1:, 1:])
        self.standing_var = self._standing_wheel()

    def _standing_wheel(self) -> np.ndarray:
        """Variance (n-1,) of the wheel's change over each held step."""
        var = np.full(len(self.dt), 1e-8)
        for first, last in runs(self.standing):
            if last > first:
                t = self.nodes.t_s[last] - self.nodes.t_s[first]
                var[first:last] = standing_reach_rad(self.vehicle, t)**2 * self.dt[first:last] / t
        return var

    def _process(self, levels: Levels) -> np.ndarray:
        """Information (n-1, SIZE, SIZE) of what each step adds."""
        dt, held = self.dt, self.held
        info = np.zeros((len(dt), SIZE, SIZE))
        info[:, X, X] = info[:, Y, Y] = np.where(held, _HELD_M**-2, 1 / (SLIP_M**2 * dt))
        info[:, HEADING, HEADING] = np.where(held, _HELD_RAD**-2, 1 / (SLIP_RAD**2 * dt))
        info[:, SPEED:ACCEL + 1, SPEED:ACCEL + 1] = self.speed_information
        info[:, WHEEL:RATE + 1, WHEEL:RATE + 1] = self.wheel_information / levels.rate_radps**2
        info[held, SPEED:RATE + 1, SPEED:RATE + 1] = 0.0
        info[held, SPEED, SPEED] = _HELD_MPS**-2
        info[held, ACCEL, ACCEL] = DRIVER.accel_sd_mps2**-2
        info[held, WHEEL, WHEEL] = 1 / self.standing_var[held]
        info[held, RATE, RATE] = levels.rate_radps**-2
        lost = -np.expm1(-2 * dt / levels.slow_time_s)
        for i in range(3):
            info[:, BIAS + i, BIAS + i] = 1 / (levels.slow**2 * self.typical_var[i] * lost)
        return info

    def _steps(self, s: np.ndarray, levels: Levels) -> np.ndarray:
        """(n-1, SIZE) how far each state is from what the one before it leads to."""
        a, b, dt, held = s[:-1], s[1:], self.dt, self.held
        r = b - a
        turn = s[:, SPEED] * np.tan(s[:, WHEEL]) / self.vehicle.wheelbase_m
        vx, vy = s[:, SPEED] * np.cos(s[:, HEADING]), s[:, SPEED] * np.sin(s[:, HEADING])
        for column, rate in ((X, vx), (Y, vy), (HEADING, turn)):
            r[:, column] -= np.where(held, 0.0, dt / 2 * (rate[:-1] + rate[1:]))
        r[:, SPEED] -= np.where(held, 0.0, self.speed_move[:, 1, 1] * a[:, ACCEL])
        r[:, ACCEL] = b[:, ACCEL] - np.where(held, 0.0, self.speed_move[:, 2, 1] * a[:, ACCEL])
        r[:, WHEEL] -= np.where(held, 0.0, self.wheel_move[:, 1, 1] * a[:, RATE])
        r[:, RATE] = b[:, RATE] - np.where(held, 0.0, self.wheel_move[:, 2, 1] * a[:, RATE])
        r[:, BIAS:] = b[:, BIAS:] - np.exp(-dt / levels.slow_time_s)[:, None] * a[:, BIAS:]
        return r

    def _slopes(self, s: np.ndarray, levels: Levels) -> tuple[np.ndarray, np.ndarray]:
        """Derivatives (n-1, SIZE, SIZE) of `_steps` with respect to the earlier and the later state."""
        n = len(self.dt)
        half = np.where(self.held, 0.0, self.dt / 2)
        out = []
        for rows, sign in ((slice(None, -1), -1.0), (slice(1, None), 1.0)):
            v, h, w = s[rows, SPEED], s[rows, HEADING], s[rows, WHEEL]
            j = np.tile(sign * np.eye(SIZE), (n, 1, 1))
            j[:, X, HEADING] += half * v * np.sin(h)
            j[:, X, SPEED] -= half * np.cos(h)
            j[:, Y, HEADING] -= half * v * np.cos(h)
            j[:, Y, SPEED] -= half * np.sin(h)
            j[:, HEADING, SPEED] -= half * np.tan(w) / self.vehicle.wheelbase_m
            j[:, HEADING, WHEEL] -= half * v / np.cos(w)**2 / self.vehicle.wheelbase_m
            out.append(j)
        before, after = out
        rolling = np.where(self.held, 0.0, 1.0)
        before[:, SPEED, ACCEL] = -rolling * self.speed_move[:, 1, 1]
        before[:, ACCEL, ACCEL] = -rolling * self.speed_move[:, 2, 1]
        before[:, WHEEL, RATE] = -rolling * self.wheel_move[:, 1, 1]
        before[:, RATE, RATE] = -rolling * self.wheel_move[:, 2, 1]
        for i in range(3):
            before[:, BIAS + i, BIAS + i] = -np.exp(-self.dt / levels.slow_time_s)
        return before, after

    def _own(self, levels: Levels) -> np.ndarray:
        """(n, SIZE) information about single states about zero: the first one, and standing."""
        info = np.zeros((len(self.nodes.t_s), SIZE))
        info[self.standing, SPEED] = _HELD_MPS**-2
        info[0, WHEEL] = self.vehicle.max_wheel_rad**-2
        info[0, SPEED] += 0.25
        info[0, ACCEL] = DRIVER.accel_sd_mps2**-2
        info[0, RATE] = levels.rate_radps**-2
        info[0, BIAS:] = 1 / (levels.slow**2 * self.typical_var)
        return info

    def _beyond_lock(self, s: np.ndarray) -> np.ndarray:
        """(n,) rad by which the wheel is past its lock, signed."""
        w = s[:, WHEEL]
        return np.sign(w) * np.maximum(0.0, np.abs(w) - self.vehicle.max_wheel_rad)

    def cost(self, s: np.ndarray, levels: Levels, weight: np.ndarray) -> float:
        """Half the sum of squares at a state."""
        return self._cost(s, self._steps(s, levels), self._process(levels), levels, weight)

    def _cost(self, s: np.ndarray, r: np.ndarray, info: np.ndarray, levels: Levels, weight: np.ndarray) -> float:
        miss = s[:, :3] + s[:, BIAS:] - self.nodes.pose
        return 0.5 * float(
            np.sum(r * (info @ r[..., None])[..., 0])
            + np.sum(miss * (self._measured(levels, weight) @ miss[..., None])[..., 0])
            + np.sum(self._own(levels) * s**2) + self._sensed_cost(s)
            + np.sum(self._beyond_lock(s)**2) / _LIMIT_SD_RAD**2)

    def _sensed_miss(self, s: np.ndarray, sensed: Sensed) -> np.ndarray:
        """(n, 3) how far the state is from what the sensors measured."""
        turn = s[:, SPEED] * np.tan(s[:, WHEEL]) / self.vehicle.wheelbase_m
        return np.column_stack([s[:, SPEED], turn, s[:, WHEEL]]) - sensed.value

    def _sensed_cost(self, s: np.ndarray) -> float:
        sensed = self.nodes.sensed
        return 0.0 if sensed is None else float(np.sum(sensed.information * self._sensed_miss(s, sensed)**2))

    def _add_sensed(self, s: np.ndarray, gradient: np.ndarray, diagonal: np.ndarray) -> None:
        sensed = self.nodes.sensed
        if sensed is None:
            return
        slope = np.zeros((len(s), 3, SIZE))
        slope[:, 0, SPEED] = slope[:, 2, WHEEL] = 1.0
        slope[:, 1, SPEED] = np.tan(s[:, WHEEL]) / self.vehicle.wheelbase_m
        slope[:, 1, WHEEL] = s[:, SPEED] / np.cos(s[:, WHEEL])**2 / self.vehicle.wheelbase_m
        weighed = np.swapaxes(slope * sensed.information[..., None], 1, 2)
        gradient += (weighed @ self._sensed_miss(s, sensed)[..., None])[..., 0]
        diagonal += weighed @ slope

    def _measured(self, levels: Levels, weight: np.ndarray) -> np.ndarray:
        """Information (n, 3, 3) of each measured pose."""
        return self.measured_information * (weight / levels.white**2)[:, None, None]

    def linearise(self, s: np.ndarray, levels: Levels, weight: np.ndarray) -> _System:
        """Cost, gradient and Gauss-Newton matrix at a state."""
        return self.assemble(s, self._steps(s, levels), self._slopes(s, levels), levels, weight)

    def relinearise(self, s: np.ndarray) -> Callable[[Levels, np.ndarray], _System]:
        """`linearise` at one state for many levels and weights; their slow_time_s must stay the usual one."""
        usual = Levels(1.0)
        r, slopes = self._steps(s, usual), self._slopes(s, usual)
        return lambda levels, weight: self.assemble(s, r, slopes, levels, weight)

    def assemble(self, s: np.ndarray, r: np.ndarray, slopes: tuple[np.ndarray, np.ndarray], levels: Levels,
                 weight: np.ndarray) -> _System:
        """The system from the steps' residuals and slopes."""
        before, after = slopes
        info = self._process(levels)
        left, right = np.swapaxes(before, 1, 2) @ info, np.swapaxes(after, 1, 2) @ info
        diagonal = np.zeros((len(s), SIZE, SIZE))
        gradient = np.zeros((len(s), SIZE))
        diagonal[:-1] += left @ before
        diagonal[1:] += right @ after
        gradient[:-1] += (left @ r[..., None])[..., 0]
        gradient[1:] += (right @ r[..., None])[..., 0]
        measured = self._measured(levels, weight)
        pull = (measured @ (s[:, :3] + s[:, BIAS:] - self.nodes.pose)[..., None])[..., 0]
        for rows in (slice(0, 3), slice(BIAS, SIZE)):
            gradient[:, rows] += pull
            for columns in (slice(0, 3), slice(BIAS, SIZE)):
                diagonal[:, rows, columns] += measured
        self._add_sensed(s, gradient, diagonal)
        own = self._own(levels)
        gradient += own * s
        past = self._beyond_lock(s)
        gradient[:, WHEEL] += past / _LIMIT_SD_RAD**2
        i = np.arange(SIZE)
        diagonal[:, i, i] += own
        diagonal[:, WHEEL, WHEEL] += (past != 0) / _LIMIT_SD_RAD**2
        return _System(self._cost(s, r, info, levels, weight), gradient, diagonal, right @ before)

    def log_information(self, levels: Levels) -> float:
        """The part of the log-determinant of all information that depends on the levels."""
        frames, nodes, held = int(np.sum(self.nodes.seen)), len(self.nodes.t_s), int(np.sum(self.held))
        wheel_terms = 2 * (nodes - 1 - held) + held + 1  # wheel and rate at each rolling step, the rate alone else
        return -2.0 * (3 * frames * np.log(levels.white) + 3 * nodes * np.log(levels.slow)
                       + wheel_terms * np.log(levels.rate_radps))


def runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """First and last index of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
