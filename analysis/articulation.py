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

from analysis.attempt import Motion, TrailerMotion
from analysis.nodes import HEADING, SPEED, WHEEL, Smoothed
from analysis.track import Track
from analysis.trailer import trailer_pose
from analysis.trailer_problem import HELD_RAD, LEAN, SIZE, TILT, TURN, AngleLevels, TrailerProblem
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle

_LEAST_ANGLES = 20  # two seconds of looks: less is no run
_CRAB_SD_RAD = np.radians(0.1)  # how squarely a trailer's axles stand; common practice, no published source


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
    marginal = problem.linearised(state, weight, levels)[2].covariance().marginal
    pick = np.zeros((2, SIZE))
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
                    motion.speed_mps + moved[:, 3], motion.wheel_rad + moved[:, 4], cov, motion.standing,
                    motion.frame_cov, motion.strain_cov)
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
                                                   motion.standing, motion.frame_cov, motion.strain_cov))


def _problem(run: Smoothed, track: Track, vehicle: Vehicle) -> TrailerProblem:
    measured, trailer, nodes, state = track.articulation, vehicle.trailer, run.nodes, run.state
    found = 0 if measured is None else int(np.sum(measured.measured))
    if measured is None or trailer is None or found < _LEAST_ANGLES:
        raise Trouble(f"the trailer was found in only {found} frames",
                      remedy=f"at least {_LEAST_ANGLES} are needed: check that the clip shows the whole combination, "
                      "and that [trailer] in the vehicle file describes this trailer")
    ok = measured.measured & track.measured
    at = nodes.at[ok]
    n = len(nodes.t_s)
    seen = np.zeros(n, bool)
    seen[at] = True
    # The angle's error is `along` times the measured heading's, which is used already, and a rest of its own. An angle
    # that is the difference of two headings (along = -1) is left as the trailer's heading, measured by itself.
    heading_var, angle_var = track.cov[ok, 2, 2], measured.sd_rad[ok]**2
    with_heading = np.zeros(len(at)) if measured.with_heading_rad2 is None else measured.with_heading_rad2[ok]
    along = with_heading / heading_var
    information = 1 / np.maximum(angle_var - with_heading * along, 0.01 * angle_var)
    total = np.bincount(at, information, n)

    def mean(each: np.ndarray) -> np.ndarray:
        """(n,) over the track's times that share a node."""
        return np.divide(np.bincount(at, information * each, n), total, out=np.zeros(n), where=seen)

    lever = mean(-(1 + along))
    value = mean(state[at, HEADING] + measured.angle_rad[ok] + along * (state[at, HEADING] - track.heading_rad[ok]))
    var = np.divide(1.0, total, out=np.ones(n), where=seen)
    marginal = run.covariance.marginal
    lean_var = marginal[:, HEADING, HEADING]
    both = -np.einsum("nk,nk->n", marginal[1:, HEADING], run.covariance.gain[:, :, HEADING])
    keep = both / lean_var[:-1]
    gained = np.maximum(lean_var[1:] - keep * both, HELD_RAD**2)
    tilt_var = float(track.shared_cov()[2, 2])
    offset_var = max(measured.common_sd_rad**2 - tilt_var, (measured.common_sd_rad / 3)**2, HELD_RAD**2)
    yaw_rate = state[:, SPEED] * np.tan(state[:, WHEEL]) / vehicle.wheelbase_m
    first_var = np.array([offset_var, _CRAB_SD_RAD**2, lean_var[0], max(tilt_var, HELD_RAD**2)])
    return TrailerProblem(trailer, nodes.t_s, run.standing, state[:, HEADING], state[:, SPEED], yaw_rate, seen, value,
                          var, lever, keep, gained, first_var)
