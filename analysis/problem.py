"""The sum of squares that the smoother minimises: rolling, standing, the driver's habits and what was measured.

It is a sum of a few kinds of terms: one whose information is fixed, the others with information that goes with an
inverse square of the run's Levels. So is everything derived from it, which makes other levels cheap to try.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.chain import Factor, factor
from analysis.driving import DRIVER, integrated_ou, speed_step, standing_reach_rad
from analysis.nodes import ACCEL, BIAS, HEADING, RATE, SIZE, SPEED, WHEEL, Levels, Nodes, Sensed, X, Y, runs
from analysis.vehicle import Vehicle

SLIP_M, SLIP_RAD = 0.003, 0.0004  # what the rolling model may be wrong by in one second
_HELD_M, _HELD_RAD, _HELD_MPS = 1e-5, 1e-6, 1e-4  # 'exactly', for the arithmetic
_LIMIT_SD_RAD = np.radians(2.0)  # how far a vehicle file's greatest wheel angle is trusted
_FIXED, _TURNING, _WHITE, _SLOW = _KINDS = range(4)


@dataclass(frozen=True)
class System:
    """Half the sum of squares, its gradient (n, SIZE) and Gauss-Newton matrix (blocks) at one state."""

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


@dataclass(frozen=True)
class _Informations:
    """Information of each step (n-1, SIZE, SIZE), of single states about zero (n, SIZE), of each pose (n, 3, 3), and
    whether sensors and locks count."""

    steps: np.ndarray
    own: np.ndarray
    poses: np.ndarray
    rest: bool


class Problem:
    """The sum of squares of one run, in which the vehicle stands where `standing` (n,)."""

    def __init__(self, nodes: Nodes, vehicle: Vehicle, standing: np.ndarray) -> None:
        self.nodes, self.vehicle, self.standing = nodes, vehicle, standing
        self.dt = np.diff(nodes.t_s)
        self.held = standing[:-1] & standing[1:]
        self.measured_information = np.linalg.inv(nodes.cov)
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

    def _kind(self, kind: int, levels: Levels, weight: np.ndarray) -> _Informations:
        """The information of one kind, where its level is one; of `levels`, only the memory matters."""
        dt, held, n = self.dt, self.held, len(self.nodes.t_s)
        steps, own, poses = np.zeros((n - 1, SIZE, SIZE)), np.zeros((n, SIZE)), np.zeros((n, 3, 3))
        if kind == _FIXED:
            steps[:, X, X] = steps[:, Y, Y] = np.where(held, _HELD_M**-2, 1 / (SLIP_M**2 * dt))
            steps[:, HEADING, HEADING] = np.where(held, _HELD_RAD**-2, 1 / (SLIP_RAD**2 * dt))
            steps[:, SPEED:ACCEL + 1, SPEED:ACCEL + 1] = self.speed_information
            steps[held, SPEED:ACCEL + 1, SPEED:ACCEL + 1] = np.diag([_HELD_MPS**-2, DRIVER.accel_sd_mps2**-2])
            steps[held, WHEEL, WHEEL] = 1 / self.standing_var[held]
            own[self.standing, SPEED] = _HELD_MPS**-2
            own[0, WHEEL] = self.vehicle.max_wheel_rad**-2
            own[0, SPEED] += 0.25
            own[0, ACCEL] = DRIVER.accel_sd_mps2**-2
        elif kind == _TURNING:
            steps[:, WHEEL:RATE + 1, WHEEL:RATE + 1] = self.wheel_information
            steps[held, WHEEL:RATE + 1, WHEEL:RATE + 1] = np.diag([0.0, 1.0])
            own[0, RATE] = 1.0
        elif kind == _WHITE:
            poses = self.measured_information * weight[:, None, None]
        else:
            lost = -np.expm1(-2 * dt / levels.slow_time_s)
            for i in range(3):
                steps[:, BIAS + i, BIAS + i] = 1 / (self.nodes.typical_var[i] * lost)
                own[0, BIAS + i] = 1 / self.nodes.typical_var[i]
        return _Informations(steps, own, poses, kind == _FIXED)

    @staticmethod
    def _scales(levels: Levels) -> np.ndarray:
        return np.array([1.0, levels.rate_radps, levels.white, levels.slow])**-2.0

    def informations(self, levels: Levels, weight: np.ndarray) -> _Informations:
        """All information at the levels, for poses of the given weight."""
        steps, own, poses = np.zeros((len(self.dt), SIZE, SIZE)), np.zeros((len(weight), SIZE)), 0.0
        for kind, scale in enumerate(self._scales(levels)):
            part = self._kind(kind, levels, weight)
            steps += scale * part.steps
            own += scale * part.own
            poses = poses + scale * part.poses
        return _Informations(steps, own, np.asarray(poses), True)

    def _steps(self, s: np.ndarray, memory_s: float) -> np.ndarray:
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
        r[:, BIAS:] = b[:, BIAS:] - np.exp(-dt / memory_s)[:, None] * a[:, BIAS:]
        return r

    def _slopes(self, s: np.ndarray, memory_s: float) -> tuple[np.ndarray, np.ndarray]:
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
            before[:, BIAS + i, BIAS + i] = -np.exp(-self.dt / memory_s)
        return before, after

    def _beyond_lock(self, s: np.ndarray) -> np.ndarray:
        """(n,) rad by which the wheel is past its lock, signed."""
        w = s[:, WHEEL]
        return np.sign(w) * np.maximum(0.0, np.abs(w) - self.vehicle.max_wheel_rad)

    def _miss(self, s: np.ndarray) -> np.ndarray:
        """(n, 3) the state's pose, slow error included, less the measured one."""
        return s[:, :3] + s[:, BIAS:] - self.nodes.pose

    def cost(self, s: np.ndarray, levels: Levels, info: _Informations) -> float:
        """Half the sum of squares at a state."""
        return self._cost(s, self._steps(s, levels.slow_time_s), info)

    def _cost(self, s: np.ndarray, r: np.ndarray, info: _Informations) -> float:
        miss = self._miss(s)
        total = (np.sum(r * (info.steps @ r[..., None])[..., 0]) + np.sum(info.own * s**2)
                 + np.sum(miss * (info.poses @ miss[..., None])[..., 0]))
        if info.rest:
            total += self._sensed_cost(s) + np.sum(self._beyond_lock(s)**2) / _LIMIT_SD_RAD**2
        return 0.5 * float(total)

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

    def linearise(self, s: np.ndarray, levels: Levels, info: _Informations) -> System:
        """Cost, gradient and Gauss-Newton matrix at a state."""
        return self._assemble(s, self._steps(s, levels.slow_time_s), self._slopes(s, levels.slow_time_s), info)

    def relinearise(self, s: np.ndarray, levels: Levels, weight: np.ndarray) -> Callable[[Levels], System]:
        """`linearise` at one state for many levels with the memory of the given ones."""
        r, slopes = self._steps(s, levels.slow_time_s), self._slopes(s, levels.slow_time_s)
        parts = [self._assemble(s, r, slopes, self._kind(kind, levels, weight)) for kind in _KINDS]
        costs = np.array([p.cost for p in parts])
        stacks = [np.stack([getattr(p, name) for p in parts]) for name in ("gradient", "diagonal", "below")]

        def at(tried: Levels) -> System:
            scales = self._scales(tried)
            return System(float(scales @ costs), *(np.tensordot(scales, stack, 1) for stack in stacks))
        return at

    def _assemble(self, s: np.ndarray, r: np.ndarray, slopes: tuple[np.ndarray, np.ndarray],
                  info: _Informations) -> System:
        """The system from the steps' residuals and slopes."""
        before, after = slopes
        left, right = np.swapaxes(before, 1, 2) @ info.steps, np.swapaxes(after, 1, 2) @ info.steps
        diagonal = np.zeros((len(s), SIZE, SIZE))
        gradient = np.zeros((len(s), SIZE))
        diagonal[:-1] += left @ before
        diagonal[1:] += right @ after
        gradient[:-1] += (left @ r[..., None])[..., 0]
        gradient[1:] += (right @ r[..., None])[..., 0]
        pull = (info.poses @ self._miss(s)[..., None])[..., 0]
        for rows in (slice(0, 3), slice(BIAS, SIZE)):
            gradient[:, rows] += pull
            for columns in (slice(0, 3), slice(BIAS, SIZE)):
                diagonal[:, rows, columns] += info.poses
        gradient += info.own * s
        i = np.arange(SIZE)
        diagonal[:, i, i] += info.own
        if info.rest:
            self._add_sensed(s, gradient, diagonal)
            past = self._beyond_lock(s)
            gradient[:, WHEEL] += past / _LIMIT_SD_RAD**2
            diagonal[:, WHEEL, WHEEL] += (past != 0) / _LIMIT_SD_RAD**2
        return System(self._cost(s, r, info), gradient, diagonal, right @ before)

    def log_information(self, levels: Levels) -> float:
        """The part of the log-determinant of all information that depends on the levels."""
        frames, nodes, held = int(np.sum(self.nodes.seen)), len(self.nodes.t_s), int(np.sum(self.held))
        wheel_terms = 2 * (nodes - 1 - held) + held + 1  # wheel and rate at each rolling step, the rate alone else
        return -2.0 * float(3 * frames * np.log(levels.white) + 3 * nodes * np.log(levels.slow)
                            + wheel_terms * np.log(levels.rate_radps))
