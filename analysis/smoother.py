"""The fixed-interval smoother: the most probable motion given every measured pose, and its covariance.

All states of the run (see nodes) are found together by Gauss-Newton on a block-tridiagonal system, so cost is linear in
the length of the run. A pose is an outlier with a probability that is worked out as the iteration goes (contaminated
normal), gaps are times without a measurement, and while the vehicle stands its pose is held and only the wheel may
move.

Weak when the reference point is far from the axle that does not slip sideways (wrong wheelbase or
wrong vehicle): the heading then does not follow from the path.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.optimize import minimize
from scipy.special import gammaincinv

from analysis.driving import DRIVER
from analysis.nodes import BIAS, HEADING, SIZE, SPEED, STEP_S, WHEEL, Levels, Nodes, Smoothed, running_median
from analysis.problem import Problem
from analysis.vehicle import Vehicle

_OUTLIER_SHARE, _OUTLIER_WIDTH = 0.02, 10.0  # one pose in fifty is wild, ten times as far off as stated (own estimate)
_MEDIAN_D2 = 2 * float(gammaincinv(1.5, 0.5))  # of a pose that errs as stated: of chi-squared, three degrees of freedom
_CLOSE = 1e-4  # the iteration ends when no state (m, rad, s) changes by more


def first_guess(nodes: Nodes, vehicle: Vehicle) -> np.ndarray:
    """A state (n, SIZE) to start the iteration from; its crude differences do not reach the result."""
    seen = nodes.seen
    state = np.zeros((len(nodes.t_s), SIZE))
    for i in range(3):
        state[:, i] = np.interp(nodes.t_s, nodes.t_s[seen], running_median(nodes.pose[seen, i], 3))
    wide = max(1, round(0.8 / np.median(np.minimum(np.diff(nodes.t_s), STEP_S))))
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
    problem = Problem(nodes, vehicle, standing)
    state = state.copy()
    state[standing, SPEED] = 0.0
    info = problem.informations(levels, weight)
    for _ in range(40):
        if robust:
            weight = _inlier_weight(nodes, state, levels)
            info = replace(info, poses=problem.measured_information * (weight / levels.white**2)[:, None, None])
        system = problem.linearise(state, levels, info)
        step = -system.factor().solve(system.gradient)
        size = 1.0
        while problem.cost(state + size * step, levels, info) > system.cost + 1e-9 and size > 0.02:
            size /= 2
        state = state + size * step
        if np.max(np.abs(step[:, :BIAS])) < _CLOSE:
            break
    if robust:
        weight = _inlier_weight(nodes, state, levels)
        info = problem.informations(levels, weight)
    covariance = problem.linearise(state, levels, info).factor().covariance()
    return Smoothed(nodes, state, standing, weight, levels, covariance)


def likely_levels(run: Smoothed, vehicle: Vehicle) -> Levels:
    """The levels that make the track most probable (Laplace's approximation about the given run)."""
    problem = Problem(run.nodes, vehicle, run.standing)
    system = problem.relinearise(run.state, run.levels, run.weight)
    # Before looking. Against the truth of nine rendered clips, errors were 1.1-3.8 times the stated ones from frame to
    # frame and 0.8-6 times slowly varying (memory 0.4-5 s).
    usual = np.log([DRIVER.rolling_rate * vehicle.wheel_rate_radps, 2.0, 1.5])
    spread = np.array([0.7, 1.0, 1.0])

    least = _least_white(run)

    def levels_at(p: np.ndarray) -> Levels:
        rate, white, slow = (float(v) for v in np.exp(p))
        return replace(run.levels, rate_radps=max(rate, DRIVER.least_rate * vehicle.wheel_rate_radps),
                       white=max(white, least), slow=slow)

    def badness(p: np.ndarray) -> float:
        levels = levels_at(p)
        evidence = system(levels).log_evidence(problem.log_information(levels))
        return 0.5 * float(np.sum(((p - usual) / spread)**2)) - evidence

    start = np.log([run.levels.rate_radps, run.levels.white, run.levels.slow])
    simplex = start + np.vstack([np.zeros(3), np.diag([0.4, 0.3, 0.5])])
    best = minimize(badness, start, method="Nelder-Mead",
                    options={"initial_simplex": simplex, "xatol": 0.05, "fatol": 0.1, "maxfev": 40})
    return levels_at(best.x)


def _least_white(run: Smoothed) -> float:
    """The white level that half of the poses need while rolling: most poses are no outliers, however small a level
    would make them look so."""
    rolling = run.nodes.seen & ~run.standing
    d2 = _misses2(run.nodes, run.state)[rolling]
    return float(np.sqrt(np.median(d2) / _MEDIAN_D2)) if len(d2) else 0.0


def log_evidence(run: Smoothed, nodes: Nodes, vehicle: Vehicle) -> float:
    """How probable the poses of `nodes` are (natural log, up to a constant), by Laplace's approximation near `run`."""
    problem = Problem(nodes, vehicle, run.standing)
    info = problem.informations(run.levels, run.weight)
    state = run.state
    for _ in range(2):
        system = problem.linearise(state, run.levels, info)
        state = state - system.factor().solve(system.gradient)
    return problem.linearise(state, run.levels, info).log_evidence(problem.log_information(run.levels))


def _inlier_weight(nodes: Nodes, state: np.ndarray, levels: Levels) -> np.ndarray:
    """(n,) expected weight of each pose when a small share of them has errors `_OUTLIER_WIDTH` times as large."""
    d2 = _misses2(nodes, state) / levels.white**2
    log_odds = np.log((1 - _OUTLIER_SHARE) / _OUTLIER_SHARE) + 3 * np.log(_OUTLIER_WIDTH) \
        - 0.5 * d2 * (1 - _OUTLIER_WIDTH**-2)
    good = 1 / (1 + np.exp(-np.clip(log_odds, -50, 50)))
    # Beyond the broad component, the pull keeps falling: an error has no natural size.
    far = 1 / np.maximum(1.0, d2 / (3 * _OUTLIER_WIDTH**2))
    return np.where(nodes.seen, good + (1 - good) * far / _OUTLIER_WIDTH**2, 0.0)


def _misses2(nodes: Nodes, state: np.ndarray) -> np.ndarray:
    """(n,) squared distance of each pose from the state, slow error included, in stated sds."""
    miss = nodes.pose - state[:, :3] - state[:, BIAS:]
    return np.einsum("ni,ni->n", miss, np.linalg.solve(nodes.cov, miss[..., None])[..., 0])
