"""The trailer along the run: a fixed-interval smoother for its heading, behind that of the towing vehicle.

The trailer turns as its coupling is moved sideways (`trailer.articulation_rate_radps`), so its heading follows from the
angle between the two bodies: where the trailer is seen to turn, that angle is known, and with it the towing vehicle's
heading. One state per time: the trailer's heading; the slowly varying part of its measurement error; how far the towing
vehicle's heading is off (a Markov chain with the covariance that its own smoother gives); and three constants of the
run: what all frames share of the two headings' errors, and the crab angle, by which the trailer's axles stand out of
square. All are found together by Gauss-Newton on a block-tridiagonal system: linear in the run's length. A measured
angle is an outlier with a probability worked out as the iteration goes, gaps are times without a measurement, and while
the vehicle stands both headings are held.

Cascaded, not joint: what the trailer tells of the towing vehicle's heading corrects that, and the rest of its motion as
far as its error goes with the heading's at the same time; the steering is not estimated anew. What that loses, by the
linearised model at 1 m/s with both headings measured to 0.1 degrees ten times a second: the wheel angle is known to
0.57 degrees (one sd, while rolling); jointly it would be 0.57 before a semi-trailer and 0.56 before a short trailer.

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

TURN, SLOW, OFFSET, CRAB, LEAN, TILT = range(6)
_SIZE = 6  # numbers of the state

_LEAST_ANGLES = 20  # two seconds of looks: less is no run
_CRAB_SD_RAD = np.radians(0.1)  # how squarely a trailer's axles stand; common practice, no published source
_HELD_RAD = 1e-6  # 'exactly', for the arithmetic
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
class Angles:
    """The smoother's result at the run's nodes (n,): the trailer's heading, by how much the towing vehicle's is to be
    corrected, and the covariance (n, 2, 2) of the two; weight of each measured angle, 1 for a good one, about 0 for an
    outlier or none."""

    trailer_heading_rad: np.ndarray
    correction_rad: np.ndarray
    cov: np.ndarray
    weight: np.ndarray
    levels: AngleLevels


def smoothed_angles(run: Smoothed, track: Track, vehicle: Vehicle) -> Angles:
    """The trailer's heading at the nodes of a smoothed run. Raises Trouble when the trailer was hardly ever found."""
    problem = _problem(run, track, vehicle)
    state, weight, levels = problem.first_guess(), problem.seen.astype(float), AngleLevels()
    # A first look with wide noise finds the outliers; then the noise is estimated without them.
    state, weight = problem.solve(state, weight, replace(levels, white=3.0))
    state, weight = problem.solve(state, weight, levels)
    levels = problem.likely_levels(state, weight)
    state, weight = problem.solve(state, weight, levels)
    marginal = problem.system(state, weight, levels).factor().covariance().marginal
    pick = np.zeros((2, _SIZE))
    pick[0, TURN] = pick[1, LEAN] = pick[1, TILT] = 1.0
    return Angles(state[:, TURN], state[:, LEAN] + state[:, TILT], pick @ marginal @ pick.T, weight, levels)


def log_evidence(run: Smoothed, track: Track, vehicle: Vehicle, angles: Angles) -> float:
    """How probable the measured angles are (natural log, up to a constant) with this vehicle's sizes, by Laplace's
    approximation; weights and levels are those of `angles`."""
    problem = _problem(run, track, vehicle)
    state, _ = problem.solve(problem.first_guess(), angles.weight, angles.levels, robust=False)
    return problem.log_evidence(state, angles.weight, angles.levels)


def with_trailer(angles: Angles, run: Smoothed, motion: Motion, vehicle: Vehicle) -> tuple[Motion, TrailerMotion]:
    """The towing vehicle's motion as the trailer corrects it, and the trailer's, at the motion's times."""
    assert vehicle.trailer is not None
    trailer, at, n = vehicle.trailer, run.nodes.at, len(run.nodes.at)
    heading, correction, both = angles.trailer_heading_rad[at], angles.correction_rad[at], angles.cov[at]
    # The heading's error goes with that of the other columns: a correction of it corrects them too.
    share = motion.cov[:, :, 2] / motion.cov[:, 2, 2, None]
    known = motion.cov[:, 2, 2] - both[:, 1, 1]
    cov = motion.cov - known[:, None, None] * share[:, :, None] * share[:, None, :]
    moved = share * correction[:, None]
    better = Motion(motion.t_s, motion.x_m + moved[:, 0], motion.y_m + moved[:, 1], motion.heading_rad + correction,
                    motion.speed_mps + moved[:, 3], motion.wheel_rad + moved[:, 4], cov, motion.standing)
    h, back = trailer.hitch_x_m, trailer.hitch_to_axle_m
    slope = np.zeros((n, 3, 4))  # of the trailer's (x, y, heading) by the vehicle's and the trailer's heading
    slope[:, 0, 0] = slope[:, 1, 1] = slope[:, 2, 3] = 1.0
    slope[:, 0, 2], slope[:, 1, 2] = -h * np.sin(better.heading_rad), h * np.cos(better.heading_rad)
    slope[:, 0, 3], slope[:, 1, 3] = back * np.sin(heading), -back * np.cos(heading)
    given = np.zeros((n, 4, 4))
    given[:, :3, :3], given[:, 3, 3] = cov[:, :3, :3], both[:, 0, 0]
    given[:, :3, 3] = given[:, 3, :3] = share[:, :3] * both[:, 0, 1, None]
    angle = heading - better.heading_rad
    x, y, _ = trailer_pose(better.x_m, better.y_m, better.heading_rad, angle, trailer)
    theirs = np.zeros((n, 5, 5))
    theirs[:, :3, :3], theirs[:, 3, 3] = slope @ given @ np.swapaxes(slope, 1, 2), cov[:, 3, 3]
    sideways = h * better.speed_mps * np.tan(better.wheel_rad) / vehicle.wheelbase_m
    speed = better.speed_mps * np.cos(angle) + sideways * np.sin(angle)
    sd = np.sqrt(both[:, 0, 0] + both[:, 1, 1] - 2 * both[:, 0, 1])
    return better, TrailerMotion(angle, sd, Motion(motion.t_s, x, y, heading, speed, np.zeros(n), theirs,
                                                   motion.standing))


def _problem(run: Smoothed, track: Track, vehicle: Vehicle) -> _Problem:
    measured, trailer, nodes, state = track.articulation, vehicle.trailer, run.nodes, run.state
    found = 0 if measured is None else int(np.sum(measured.measured))
    if measured is None or trailer is None or found < _LEAST_ANGLES:
        raise Trouble(f"the trailer was found in only {found} frames",
                      remedy=f"at least {_LEAST_ANGLES} are needed: check that the clip shows the whole combination, "
                      "and that [trailer] in the vehicle file describes this trailer")
    ok = measured.measured & track.measured
    at = nodes.at[ok]
    n = len(nodes.t_s)
    seen, value, var, lever = np.zeros(n, bool), np.zeros(n), np.ones(n), np.zeros(n)
    seen[at] = True
    # The angle's error is `along` times the measured heading's, which is used already, and a rest of its own. An angle
    # that is the difference of two headings (along = -1) is left as the trailer's heading, measured by itself.
    heading_var, angle_var = track.cov[ok, 2, 2], measured.sd_rad[ok]**2
    with_heading = np.zeros(len(at)) if measured.with_heading_rad2 is None else measured.with_heading_rad2[ok]
    along = with_heading / heading_var
    lever[at] = -(1 + along)
    value[at] = state[at, HEADING] + measured.angle_rad[ok] + along * (state[at, HEADING] - track.heading_rad[ok])
    var[at] = np.maximum(angle_var - with_heading * along, 0.01 * angle_var)
    marginal = run.covariance.marginal
    lean_var = marginal[:, HEADING, HEADING]
    both = -np.einsum("nk,nk->n", marginal[1:, HEADING], run.covariance.gain[:, :, HEADING])
    keep = both / lean_var[:-1]
    gained = np.maximum(lean_var[1:] - keep * both, _HELD_RAD**2)
    tilt_var = float(track.common_cov[2, 2])
    offset_var = max(measured.common_sd_rad**2 - tilt_var, (measured.common_sd_rad / 3)**2, _HELD_RAD**2)
    yaw_rate = state[:, SPEED] * np.tan(state[:, WHEEL]) / vehicle.wheelbase_m
    first_var = np.array([offset_var, _CRAB_SD_RAD**2, lean_var[0], max(tilt_var, _HELD_RAD**2)])
    return _Problem(trailer, nodes.t_s, run.standing, state[:, HEADING], state[:, SPEED], yaw_rate, seen, value, var,
                    lever, keep, gained, first_var)


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
        state = np.zeros((len(self.t_s), _SIZE))
        clean = medfilt(np.pad(self.value_rad[self.seen], 3, mode="edge"), 7)[3:-3]
        state[:, TURN] = np.interp(self.t_s, self.t_s[self.seen], clean)
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

    def system(self, s: np.ndarray, weight: np.ndarray, levels: AngleLevels) -> _System:
        """Cost, gradient and Gauss-Newton matrix at a state."""
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
        before, after = np.tile(-np.eye(_SIZE), (n - 1, 1, 1)), np.tile(np.eye(_SIZE), (n - 1, 1, 1))
        for column, sign in ((TURN, 1.0), (CRAB, 1.0), (LEAN, -1.0), (TILT, -1.0)):
            before[:, TURN, column] -= sign * half * slope[:-1]
            after[:, TURN, column] -= sign * half * slope[1:]
        before[:, SLOW, SLOW], before[:, LEAN, LEAN] = -fade, -self.keep
        info = np.full((n - 1, _SIZE), _HELD_RAD**-2)
        info[:, TURN] = np.where(held, _HELD_RAD**-2, 1 / (levels.slip_rad**2 * dt))
        info[:, SLOW] = 1 / (slow_var * (1 - fade**2))
        info[:, LEAN] = 1 / self.gained_rad2
        # The measured angles, and what is known of the slow part and the constants at the start.
        seen_by = np.zeros((n, _SIZE))
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
        return _System(cost, gradient, diagonal, right @ before)
