"""The sum of squares behind the trailer's heading, and its most probable state; `articulation` says what it is for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from analysis.chain import Factor, factor
from analysis.nodes import running_median
from analysis.trailer import Trailer, articulation_rate_radps

TURN, SLOW, OFFSET, CRAB, LEAN, TILT = range(6)
SIZE = 6  # numbers of the state

HELD_RAD = 1e-6  # 'exactly', for the arithmetic
_SLOW_TIME_S = 2.0  # memory of the slow error, as of the pose (Levels.slow_time_s)
_OUTLIER_SHARE, _OUTLIER_WIDTH = 0.02, 10.0  # as of the poses: one look in fifty is wild, ten times as far off
_CLOSE_RAD = 1e-6  # the iteration ends when nothing changes by more


@dataclass(frozen=True)
class AngleLevels:
    """What is estimated once for a whole run: the measurement error as a multiple of the stated sd, from frame to frame
    and slowly varying, and slip_rad, by which the rolling model is wrong in a second."""

    white: float = 1.0
    slow: float = 0.3
    slip_rad: float = 0.001


@dataclass(frozen=True)
class TrailerProblem:
    """The sum of squares that the smoother minimises.

    value_rad (n,) is measured: the trailer's heading plus `lever` times the towing heading's error, with var_rad2.
    keep, gained_rad2 (n-1,): the Markov chain of that error. first_var_rad2 (4,): of OFFSET, CRAB, LEAN and TILT."""

    trailer: Trailer
    t_s: np.ndarray
    standing: np.ndarray
    heading_rad: np.ndarray
    speed_mps: np.ndarray
    yaw_rate_radps: np.ndarray
    seen: np.ndarray
    value_rad: np.ndarray
    var_rad2: np.ndarray
    lever: np.ndarray
    keep: np.ndarray
    gained_rad2: np.ndarray
    first_var_rad2: np.ndarray

    def first_guess(self) -> np.ndarray:
        """(n, 6) a state to start from."""
        state = np.zeros((len(self.t_s), SIZE))
        clean = running_median(self.value_rad[self.seen], 3)
        state[:, TURN] = np.interp(self.t_s, self.t_s[self.seen], clean)
        return state

    def solve(self, state: np.ndarray, weight: np.ndarray, levels: AngleLevels, *,
              robust: bool = True) -> tuple[np.ndarray, np.ndarray]:
        """The most probable state from a first one, and the weights of the measurements, left alone if not `robust`."""
        for _ in range(30):
            if robust:
                weight = self._inlier_weight(state, levels)
            _, gradient, f = self.linearised(state, weight, levels)
            step = -f.solve(gradient)
            state = state + step
            if np.max(np.abs(step)) < _CLOSE_RAD:
                break
        return state, weight

    def likely_levels(self, state: np.ndarray, weight: np.ndarray) -> AngleLevels:
        """The levels that make the measured angles most probable (Laplace's approximation about the state)."""
        usual = np.log([1.0, 0.3, 0.001])
        spread = np.array([0.7, 1.0, 1.0])  # before looking: a factor of two to three either way

        def badness(p: np.ndarray) -> float:
            levels = AngleLevels(*(float(v) for v in np.exp(p)))
            return 0.5 * float(np.sum(((p - usual) / spread)**2)) - self.log_evidence(state, weight, levels)

        simplex = usual + np.vstack([np.zeros(3), np.diag([0.4, 0.5, 0.6])])
        best = minimize(badness, usual, method="Nelder-Mead",
                        options={"initial_simplex": simplex, "xatol": 0.05, "fatol": 0.1, "maxfev": 60})
        return AngleLevels(*(float(v) for v in np.exp(best.x)))

    def log_evidence(self, state: np.ndarray, weight: np.ndarray, levels: AngleLevels) -> float:
        """log of the integral over all states near this one, up to what does not depend on levels or sizes."""
        cost, gradient, f = self.linearised(state, weight, levels)
        fit = cost - 0.5 * float(np.sum(gradient * f.solve(gradient)))
        information = -2.0 * (np.sum(self.seen) * np.log(levels.white) + len(self.t_s) * np.log(levels.slow)
                              + np.sum(~self._held()) * np.log(levels.slip_rad))
        return 0.5 * float(information - f.log_det) - fit

    def _held(self) -> np.ndarray:
        return self.standing[:-1] & self.standing[1:]

    def _inlier_weight(self, s: np.ndarray, levels: AngleLevels) -> np.ndarray:
        """(n,) expected weight of each angle when a small share of them has errors `_OUTLIER_WIDTH` times as large."""
        d2 = self._miss(s)**2 / (self.var_rad2 * levels.white**2)
        log_odds = np.log((1 - _OUTLIER_SHARE) / _OUTLIER_SHARE) + np.log(_OUTLIER_WIDTH) \
            - 0.5 * d2 * (1 - _OUTLIER_WIDTH**-2)
        good = 1 / (1 + np.exp(-np.clip(log_odds, -50, 50)))
        far = 1 / np.maximum(1.0, d2 / _OUTLIER_WIDTH**2)  # beyond that, the pull keeps falling
        return np.where(self.seen, good + (1 - good) * far / _OUTLIER_WIDTH**2, 0.0)

    def _miss(self, s: np.ndarray) -> np.ndarray:
        told = s[:, TURN] + s[:, SLOW] + s[:, OFFSET] + self.lever * (s[:, LEAN] + s[:, TILT])
        return np.where(self.seen, told - self.value_rad, 0.0)

    def linearised(self, s: np.ndarray, weight: np.ndarray, levels: AngleLevels) -> tuple[float, np.ndarray, Factor]:
        """Half the sum of squares at a state, its gradient (n, 6), and the Gauss-Newton matrix, factored."""
        n, dt, held = len(s), np.diff(self.t_s), self._held()
        fade = np.exp(-dt / _SLOW_TIME_S)
        slow_var = levels.slow**2 * float(np.median(self.var_rad2[self.seen]))
        # How far each state is from what the one before it leads to, its slopes, and the information of each step.
        angle = s[:, TURN] - self.heading_rad - s[:, LEAN] - s[:, TILT] + s[:, CRAB]
        rate = articulation_rate_radps(angle, self.speed_mps, self.yaw_rate_radps, self.trailer) + self.yaw_rate_radps
        slope = -(self.trailer.hitch_x_m * self.yaw_rate_radps * np.sin(angle)
                  + self.speed_mps * np.cos(angle)) / self.trailer.hitch_to_axle_m
        half = np.where(held, 0.0, dt / 2)
        r = np.diff(s, axis=0)
        r[:, TURN] -= half * (rate[:-1] + rate[1:])
        r[:, SLOW] = s[1:, SLOW] - fade * s[:-1, SLOW]
        r[:, LEAN] = s[1:, LEAN] - self.keep * s[:-1, LEAN]
        before, after = np.tile(-np.eye(SIZE), (n - 1, 1, 1)), np.tile(np.eye(SIZE), (n - 1, 1, 1))
        for column, sign in ((TURN, 1.0), (CRAB, 1.0), (LEAN, -1.0), (TILT, -1.0)):
            before[:, TURN, column] -= sign * half * slope[:-1]
            after[:, TURN, column] -= sign * half * slope[1:]
        before[:, SLOW, SLOW], before[:, LEAN, LEAN] = -fade, -self.keep
        info = np.full((n - 1, SIZE), HELD_RAD**-2)
        info[:, TURN] = np.where(held, HELD_RAD**-2, 1 / (levels.slip_rad**2 * dt))
        info[:, SLOW] = 1 / (slow_var * (1 - fade**2))
        info[:, LEAN] = 1 / self.gained_rad2
        # The measured angles, and what is known of the slow part and the constants at the start.
        seen_by = np.zeros((n, SIZE))
        seen_by[:, [TURN, SLOW, OFFSET]], seen_by[:, [LEAN, TILT]] = 1.0, self.lever[:, None]
        measured, miss = weight / (self.var_rad2 * levels.white**2), self._miss(s)
        first = np.array([0.0, 1 / slow_var, *(1 / self.first_var_rad2)])
        diagonal = (measured[:, None] * seen_by)[:, :, None] * seen_by[:, None, :]
        gradient = (measured * miss)[:, None] * seen_by
        left, right = np.swapaxes(before, 1, 2) * info[:, None], np.swapaxes(after, 1, 2) * info[:, None]
        gradient[:-1] += (left @ r[..., None])[..., 0]
        gradient[1:] += (right @ r[..., None])[..., 0]
        diagonal[:-1] += left @ before
        diagonal[1:] += right @ after
        gradient[0] += first * s[0]
        diagonal[0] += np.diag(first)
        cost = 0.5 * float(np.sum(info * r**2) + np.sum(measured * miss**2) + np.sum(first * s[0]**2))
        return cost, gradient, factor(diagonal, right @ before)
