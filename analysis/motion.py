"""From a track to the smoothed motion: noise, standstills and the wheel angle, each estimated given the others."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from analysis.attempt import Motion, SensorUse
from analysis.driving import DRIVER
from analysis.nodes import HEADING, SPEED, WHEEL, Levels, Nodes, Smoothed, X, Y, nodes_of, rested, runs, thinned
from analysis.sensorlog import SensorLog, sensed_by
from analysis.smoother import first_guess, likely_levels, smooth
from analysis.standing import Along, standing_probability
from analysis.stopedges import sharpened
from analysis.track import Track, turns
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle

_LEAST_POSES = 20  # two seconds of looks: less is no run
_WIDE = 4.0  # the first look takes the noise this much larger, so that good poses are not thrown out
_EDGE_SPEED_MPS = 0.1  # about the speed at which coming to rest is noticed
_ROCKING_M = 0.03  # springs and tyres after braking (own estimate)
# The place wanders by this much over some seconds even where most of the run looks steadier. Against the truth of nine
# rendered clips: 0.13-0.7 cm along the vehicle with a memory of 1-5 s.
_LEAST_SLOW_M = 0.003
_FAST_MPS = 0.5  # faster than any stop is come to unnoticed
# How far the body may point off its path, times the square of the lateral acceleration (m/s2): a fiftieth of a degree
# at 1 m/s on a circle of 10 m, several degrees where a vehicle is driven fast. By order of magnitude, no source.
_SLIP_RAD = np.radians(2.0)
_GAP_S = 1.0  # the smoother's motion across a longer gap is a guess that nothing should be judged by


def with_sensors(run: Smoothed, vehicle: Vehicle, log: SensorLog) -> tuple[Smoothed, SensorUse]:
    """The run smoothed again with a sensor log's measurements, standing where it stood, and how the log was used.

    Raises Trouble when the log does not fit the run."""
    nodes, use = sensed_by(log, run, vehicle)
    better = smooth(nodes, vehicle, run.standing, run.levels, run.state, run.weight)
    sds = [float(np.mean(np.sqrt(r.covariance.marginal[~r.standing, WHEEL, WHEEL]))) for r in (run, better)]
    return better, replace(use, mean_sd_wheel_without_rad=sds[0], mean_sd_wheel_with_rad=sds[1])


def estimate(track: Track, vehicle: Vehicle) -> tuple[Smoothed, np.ndarray]:
    """The smoothed run and the probability (n,) of standing at its nodes.

    Raises Trouble when the track has too few poses to say anything.
    """
    if int(np.sum(track.measured)) < _LEAST_POSES:
        raise Trouble(f"the vehicle was found in only {int(np.sum(track.measured))} frames",
                      remedy=f"at least {_LEAST_POSES} are needed: check that the clip shows the whole exercise and "
                      "that the vehicle file describes this vehicle")
    nodes = rested(nodes_of(track))
    nowhere = np.zeros(len(nodes.t_s), bool)
    weight = nodes.seen.astype(float)
    usual = Levels(DRIVER.rolling_rate * vehicle.wheel_rate_radps)
    # A first look with wide noise finds the gross outliers. It is narrowed from above only: under too small a noise
    # good poses pass for outliers, and without them the noise seems as small as that.
    first = smooth(nodes, vehicle, nowhere, replace(usual, white=_WIDE), first_guess(nodes, vehicle), weight)
    nodes = _slipping(nodes, first.state, vehicle)
    run = thinned(replace(first, nodes=nodes))
    run = smooth(run.nodes, vehicle, run.standing, likely_levels(run, vehicle), run.state, run.weight)
    for _ in range(2):
        along = along_path(run)
        probability = sharpened(along, settled(standing_probability(along), run))
        run = smooth(run.nodes, vehicle, held(probability), run.levels, run.state, run.weight)
        run = smooth(run.nodes, vehicle, run.standing, likely_levels(run, vehicle), run.state, run.weight)
    if run.nodes is not nodes:
        probability = np.interp(nodes.t_s, run.nodes.t_s, probability)
        run = smooth(nodes, vehicle, held(probability), run.levels, first.state, first.weight)
    return run, probability


def _slipping(nodes: Nodes, state: np.ndarray, vehicle: Vehicle) -> Nodes:
    """The nodes with headings as uncertain as fast turns make them: the tyres slip sideways."""
    lateral_mps2 = state[:, SPEED]**2 * np.tan(state[:, WHEEL]) / vehicle.wheelbase_m
    cov = nodes.cov.copy()
    cov[:, 2, 2] += (_SLIP_RAD * lateral_mps2**2)**2
    return replace(nodes, cov=cov)


def along_path(run: Smoothed) -> Along:
    """The measured distance along the smoothed path."""
    nodes, state = run.nodes, run.state
    heading = np.column_stack([np.cos(state[:, HEADING]), np.sin(state[:, HEADING])])
    v = state[:, SPEED]
    travelled = np.concatenate([[0.0], np.cumsum(np.diff(nodes.t_s) * (v[1:] + v[:-1]) / 2)])
    miss = np.einsum("ni,ni->n", nodes.pose[:, :2] - state[:, :2], heading)
    stated = np.einsum("ni,nij,nj->n", heading, nodes.cov[:, :2, :2], heading)
    used = nodes.seen & (run.weight > 1e-3)
    var = np.full(len(v), np.inf)
    var[used] = stated[used] * run.levels.white**2 / run.weight[used]
    bias_sd = max(float(np.sqrt(np.mean(run.levels.slow_var(nodes)[:2]))), _LEAST_SLOW_M)
    return Along(nodes.t_s, travelled + miss, var, bias_sd, run.levels.slow_time_s, _surely_rolling(run))


def _surely_rolling(run: Smoothed) -> np.ndarray:
    """(n,) bool: faster than half a metre a second for a second before and after."""
    t = run.nodes.t_s
    out = np.zeros(len(t), bool)
    for first, last in runs(np.abs(run.state[:, SPEED]) > _FAST_MPS):
        out[first:last + 1] = (t[first:last + 1] > t[first] + 1.0) & (t[first:last + 1] < t[last] - 1.0)
    return out


def settled(probability: np.ndarray, run: Smoothed) -> np.ndarray:
    """The probabilities (n,) of standing with standstills joined between which the vehicle moved less than
    `_ROCKING_M`: it rocked on its springs or the measurement wandered."""
    out = probability.copy()
    v, t = run.state[:, SPEED], run.nodes.t_s
    travelled = np.concatenate([[0.0], np.cumsum(np.diff(t) * (v[1:] + v[:-1]) / 2)])
    for (_, last), (first, _) in pairwise(runs(probability > 0.5)):
        if np.ptp(travelled[last:first + 1]) < _ROCKING_M:
            out[last:first + 1] = min(out[last], out[first])
    return out


def held(probability: np.ndarray) -> np.ndarray:
    """(n,) bool: nodes at which the vehicle stands, more likely than not; a lone node is not a standstill."""
    mask = probability > 0.5
    for first, last in runs(mask):
        if first == last:
            mask[first] = False
    return mask


def motion_of(run: Smoothed, probability: np.ndarray, track: Track) -> Motion:
    """The motion at the track's times, in course axes, with the parts of the error that frames share added."""
    columns = [X, Y, HEADING, SPEED, WHEEL]
    at = run.nodes.at
    state = np.column_stack([np.interp(track.t_s, run.nodes.t_s, column) for column in run.state.T])
    cov = run.covariance.marginal[at][:, columns][:, :, columns]
    turn = turns(state[:, HEADING])
    cov[:, :3, :3] += turn @ track.common_cov @ np.swapaxes(turn, 1, 2)
    if track.lean_cov is not None:
        cov[:, :3, :3] += track.lean_cov
    # Where it is open whether the vehicle already stands, its speed is as well.
    cov[:, 3, 3] += probability[at] * (1 - probability[at]) * _EDGE_SPEED_MPS**2
    x, y, heading, speed, wheel = state[:, columns].T
    return Motion(track.t_s, x, y, heading, speed, wheel, cov, probability[at], track.frame_cov, track.strain_cov)


def bridged(track: Track) -> np.ndarray:
    """(n,) bool: False inside a gap longer than a second, where the smoothed motion is not to be relied on."""
    out = np.ones(len(track.t_s), bool)
    for first, last in runs(~track.measured):
        before = track.t_s[max(first - 1, 0)]
        after = track.t_s[min(last + 1, len(out) - 1)]
        if after - before > _GAP_S:
            out[first:last + 1] = False
    return out
