"""The articulation angle along the run, and with it the trailer's pose: a fixed-interval smoother behind the vehicle's.

Given the towing vehicle's smoothed motion, the angle follows from its own earlier value
(`trailer.articulation_rate_radps`); the measured angles say where that is wrong. One state per time: the angle, the
slowly varying part of its measurement error, and two constants of the run: the part of that error that all frames
share, and the crab angle, by which the trailer's axles stand out of square. All are found together by Gauss-Newton on a
block-tridiagonal system: linear in the run's length. A measured angle is an outlier with a probability worked out as
the iteration goes, gaps are times without a measurement, and while the vehicle stands the angle is held.

Cascaded, not joint: the measured angle does not improve the towing vehicle's motion, though its rate tells of the yaw
rate and so of the wheel. What that loses, by the linearised model at 1 m/s with the heading measured to 0.1 and the
angle to 0.15 degrees ten times a second: the wheel angle is known to 0.57 degrees (one sd, while rolling); jointly it
would be 0.53 behind a semi-trailer and 0.51 before a short drawbar trailer if the angle's error had nothing to do with
the heading's, and 0.57 and 0.56 if the angle is the difference of two headings measured apart.

Weak where the trailer's axles scrub: with a group of axles in a tight turn the point that does not slip wanders along
the trailer. The slip level, estimated for the run, grows with it, and gaps then widen sooner.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize
from scipy.signal import medfilt

from analysis.attempt import Motion, TrailerMotion
from analysis.chain import Factor, factor
from analysis.smoother import HEADING, SPEED, WHEEL, Smoothed
from analysis.track import Track
from analysis.trailer import Trailer, articulation_rate_radps, trailer_pose
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle

ANGLE, SLOW, OFFSET, CRAB = range(4)
_SIZE = 4

_LEAST_ANGLES = 20  # two seconds of looks: less is no run
_CRAB_SD_RAD = np.radians(0.1)  # how squarely a trailer's axles stand; common practice, no published source
_HELD_RAD = 1e-6  # 'exactly', for the arithmetic
_SLOW_TIME_S = 2.0  # memory of the slow error, as of the pose (Levels.slow_time_s)
_OUTLIER_SHARE, _OUTLIER_WIDTH = 0.02, 10.0  # as of the poses: one look in fifty is wild, ten times as far off
_CLOSE_RAD = 1e-6  # the iteration ends when nothing changes by more


@dataclass(frozen=True)
class AngleLevels:
    """What is estimated once for a whole run: the measurement error as a multiple of the stated sd, from frame to frame
    and slowly varying, and slip_rad, by which the rolling model and the motion given to it are wrong in a second."""

    white: float = 1.0
    slow: float = 0.3
    slip_rad: float = 0.001


@dataclass(frozen=True)
class Angles:
    """The smoother's result at the run's nodes (n,): angle_rad and its sd; weight of each measured angle, 1 for a good
    one, about 0 for an outlier or none."""

    angle_rad: np.ndarray
    sd_rad: np.ndarray
    weight: np.ndarray
    levels: AngleLevels


def smoothed_angles(run: Smoothed, track: Track, vehicle: Vehicle) -> Angles:
    """The articulation angle at the nodes of a smoothed run. Raises Trouble when the trailer was hardly ever found."""
    problem = _problem(run, track, vehicle)
    state, weight, levels = problem.first_guess(), problem.seen.astype(float), AngleLevels()
    # A first look with wide noise finds the outliers; then the noise is estimated without them.
    state, weight = problem.solve(state, weight, replace(levels, white=3.0))
    state, weight = problem.solve(state, weight, levels)
    levels = problem.likely_levels(state, weight)
    state, weight = problem.solve(state, weight, levels)
    marginal = problem.system(state, weight, levels).factor().covariance().marginal
    return Angles(state[:, ANGLE], np.sqrt(marginal[:, ANGLE, ANGLE]), weight, levels)


def log_evidence(run: Smoothed, track: Track, vehicle: Vehicle, angles: Angles) -> float:
    """How probable the measured angles are (natural log, up to a constant) with this vehicle's sizes, by Laplace's
    approximation; weights and levels are those of `angles`."""
    problem = _problem(run, track, vehicle)
    state, _ = problem.solve(problem.first_guess(), angles.weight, angles.levels, robust=False)
    return problem.log_evidence(state, angles.weight, angles.levels)


def trailer_motion(angles: Angles, run: Smoothed, motion: Motion, vehicle: Vehicle) -> TrailerMotion:
    """The trailer's motion at the motion's times. Its pose's covariance takes the angle's error as independent of the
    towing vehicle's, which makes it too large where the angle is the difference of two measured headings."""
    assert vehicle.trailer is not None
    trailer, at, n = vehicle.trailer, run.nodes.at, len(run.nodes.at)
    angle, sd = angles.angle_rad[at], angles.sd_rad[at]
    x, y, heading = trailer_pose(motion.x_m, motion.y_m, motion.heading_rad, angle, trailer)
    slope = np.zeros((n, 3, 4))  # of the trailer's (x, y, heading) by the vehicle's and the angle
    slope[:, :, :3] = np.eye(3)
    slope[:, 0, 2], slope[:, 1, 2] = -(y - motion.y_m), x - motion.x_m
    slope[:, 0, 3] = trailer.hitch_to_axle_m * np.sin(heading)
    slope[:, 1, 3] = -trailer.hitch_to_axle_m * np.cos(heading)
    slope[:, 2, 3] = 1.0
    given = np.zeros((n, 4, 4))
    given[:, :3, :3], given[:, 3, 3] = motion.cov[:, :3, :3], sd**2
    cov = np.zeros((n, 5, 5))
    cov[:, :3, :3], cov[:, 3, 3] = slope @ given @ np.swapaxes(slope, 1, 2), motion.cov[:, 3, 3]
    sideways = trailer.hitch_x_m * motion.speed_mps * np.tan(motion.wheel_rad) / vehicle.wheelbase_m
    speed = motion.speed_mps * np.cos(angle) + sideways * np.sin(angle)
    return TrailerMotion(angle, sd, Motion(motion.t_s, x, y, heading, speed, np.zeros(n), cov, motion.standing))


def _problem(run: Smoothed, track: Track, vehicle: Vehicle) -> _Problem:
    measured, trailer, nodes = track.articulation, vehicle.trailer, run.nodes
    found = 0 if measured is None else int(np.sum(measured.measured))
    if measured is None or trailer is None or found < _LEAST_ANGLES:
        raise Trouble(f"the trailer was found in only {found} frames",
                      remedy=f"at least {_LEAST_ANGLES} are needed: check that the clip shows the whole combination, "
                      "and that [trailer] in the vehicle file describes this trailer")
    seen = np.zeros(len(nodes.t_s), bool)
    seen[nodes.at] = measured.measured
    value, var = np.zeros(len(seen)), np.ones(len(seen))
    at = nodes.at[measured.measured]
    value[at], var[at] = measured.angle_rad[measured.measured], measured.sd_rad[measured.measured]**2
    state = run.state
    yaw_rate = state[:, SPEED] * np.tan(state[:, WHEEL]) / vehicle.wheelbase_m
    # The heading's own error over each step, from the covariance of neighbouring states.
    marginal = run.covariance.marginal
    both = -np.einsum("nk,nk->n", marginal[1:, HEADING], run.covariance.gain[:, :, HEADING])
    turned_var = marginal[1:, HEADING, HEADING] + marginal[:-1, HEADING, HEADING] - 2 * both
    return _Problem(trailer, nodes.t_s, run.standing, np.diff(state[:, HEADING]), np.maximum(turned_var, 0.0),
                    state[:, SPEED], yaw_rate, seen, value, var, max(measured.common_sd_rad, _HELD_RAD))


@dataclass(frozen=True)
class _System:
    """Half the sum of squares, its gradient and Gauss-Newton matrix at one state."""

    cost: float
    gradient: np.ndarray
    diagonal: np.ndarray
    below: np.ndarray

    def factor(self) -> Factor:
        return factor(self.diagonal, self.below)


@dataclass(frozen=True)
class _Problem:
    """The sum of squares that the smoother minimises; turned_rad (n-1,) is by how much the towing vehicle turns."""

    trailer: Trailer
    t_s: np.ndarray
    standing: np.ndarray
    turned_rad: np.ndarray
    turned_var_rad2: np.ndarray
    speed_mps: np.ndarray
    yaw_rate_radps: np.ndarray
    seen: np.ndarray
    value_rad: np.ndarray
    var_rad2: np.ndarray
    common_sd_rad: float

    def first_guess(self) -> np.ndarray:
        """(n, 4) a state to start from."""
        state = np.zeros((len(self.t_s), _SIZE))
        clean = medfilt(np.pad(self.value_rad[self.seen], 3, mode="edge"), 7)[3:-3]
        state[:, ANGLE] = np.interp(self.t_s, self.t_s[self.seen], clean)
        return state

    def solve(self, state: np.ndarray, weight: np.ndarray, levels: AngleLevels, *,
              robust: bool = True) -> tuple[np.ndarray, np.ndarray]:
        """The most probable state from a first one, and the weights of the measurements, left alone if not `robust`."""
        for _ in range(30):
            if robust:
                weight = self._inlier_weight(state, levels)
            system = self.system(state, weight, levels)
            step = -system.factor().solve(system.gradient)
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
        system = self.system(state, weight, levels)
        f = system.factor()
        fit = system.cost - 0.5 * float(np.sum(system.gradient * f.solve(system.gradient)))
        rolling = ~self._held()
        steps = levels.slip_rad**2 * np.diff(self.t_s)[rolling] + self.turned_var_rad2[rolling]
        information = -2.0 * (np.sum(self.seen) * np.log(levels.white) + len(self.t_s) * np.log(levels.slow)) \
            - np.sum(np.log(steps))
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
        return np.where(self.seen, s[:, ANGLE] + s[:, SLOW] + s[:, OFFSET] - self.value_rad, 0.0)

    def system(self, s: np.ndarray, weight: np.ndarray, levels: AngleLevels) -> _System:
        """Cost, gradient and Gauss-Newton matrix at a state."""
        n, dt, held = len(s), np.diff(self.t_s), self._held()
        keep = np.exp(-dt / _SLOW_TIME_S)
        slow_var = levels.slow**2 * float(np.median(self.var_rad2[self.seen]))
        # How far each state is from what the one before it leads to, its slopes, and the information of each step.
        angle = s[:, ANGLE] + s[:, CRAB]
        rate = articulation_rate_radps(angle, self.speed_mps, self.yaw_rate_radps, self.trailer) + self.yaw_rate_radps
        slope = -(self.trailer.hitch_x_m * self.yaw_rate_radps * np.sin(angle)
                  + self.speed_mps * np.cos(angle)) / self.trailer.hitch_to_axle_m
        half = np.where(held, 0.0, dt / 2)
        r = np.diff(s, axis=0)
        r[:, ANGLE] += np.where(held, 0.0, self.turned_rad) - half * (rate[:-1] + rate[1:])
        r[:, SLOW] = s[1:, SLOW] - keep * s[:-1, SLOW]
        before, after = np.tile(-np.eye(_SIZE), (n - 1, 1, 1)), np.tile(np.eye(_SIZE), (n - 1, 1, 1))
        for column in (ANGLE, CRAB):
            before[:, ANGLE, column] -= half * slope[:-1]
            after[:, ANGLE, column] -= half * slope[1:]
        before[:, SLOW, SLOW] = -keep
        info = np.full((n - 1, _SIZE), _HELD_RAD**-2)
        info[:, ANGLE] = np.where(held, _HELD_RAD**-2, 1 / (levels.slip_rad**2 * dt + self.turned_var_rad2))
        info[:, SLOW] = 1 / (slow_var * (1 - keep**2))
        # The measured angles, and what is known of the slow part and the constants at the start.
        measured = weight / (self.var_rad2 * levels.white**2)
        miss = self._miss(s)
        first = np.array([0.0, 1 / slow_var, self.common_sd_rad**-2, _CRAB_SD_RAD**-2])
        gradient, diagonal = np.zeros((n, _SIZE)), np.zeros((n, _SIZE, _SIZE))
        left, right = np.swapaxes(before, 1, 2) * info[:, None], np.swapaxes(after, 1, 2) * info[:, None]
        gradient[:-1] += (left @ r[..., None])[..., 0]
        gradient[1:] += (right @ r[..., None])[..., 0]
        diagonal[:-1] += left @ before
        diagonal[1:] += right @ after
        for row in (ANGLE, SLOW, OFFSET):
            gradient[:, row] += measured * miss
            for column in (ANGLE, SLOW, OFFSET):
                diagonal[:, row, column] += measured
        gradient[0] += first * s[0]
        diagonal[0] += np.diag(first)
        cost = 0.5 * float(np.sum(info * r**2) + np.sum(measured * miss**2) + np.sum(first * s[0]**2))
        return _System(cost, gradient, diagonal, right @ before)
