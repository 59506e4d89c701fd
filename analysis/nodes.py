"""The nouns of the smoothed run: the times at which the motion is estimated, what was measured there, and the result.

One state per time, in columns: x, y, heading, speed, acceleration, wheel, wheel rate and the slowly varying part of the
measurement error of x, y, heading.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from analysis.chain import Covariance
from analysis.track import Track

X, Y, HEADING, SPEED, ACCEL, WHEEL, RATE, BIAS = range(8)  # BIAS is the first of three
SIZE = 10  # numbers of the state

STEP_S = 0.15  # longest time between states while rolling; a gap in the track is filled with unmeasured ones
_THIN_S = 0.1  # within that, poses are as good as their mean
# So they are within this while the vehicle stands: the slow error's usual memory, over more of which it averages away.
_REST_S = 2.0
_REST_M = 0.03  # what moves no more rocks on its springs, or its measured place wanders (own estimate)
_KEPT = 3  # so many _REST_S at either end of a standstill are left as they are, for its edges to be found in


@dataclass(frozen=True)
class Sensed:
    """Measurements of a sensor log at the nodes: value (n, 3) and information (n, 3), zero where there is none, of
    speed (m/s), yaw rate (rad/s) and wheel (rad)."""

    value: np.ndarray
    information: np.ndarray


@dataclass(frozen=True)
class Nodes:
    """The times at which the motion is estimated: the track's, and more inside gaps.

    t_s (n,); pose (n, 3) and cov (n, 3, 3) as measured where `seen`; typical_var (3,) the usual stated variance of
    one pose; at (m,) the places of the track's times, of which several may share one; what a sensor log adds, if there
    is one."""

    t_s: np.ndarray
    pose: np.ndarray
    cov: np.ndarray
    seen: np.ndarray
    typical_var: np.ndarray
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
    slow: float = 1.0
    slow_time_s: float = 2.0

    def slow_var(self, nodes: Nodes) -> np.ndarray:
        """(3,) variance of the slow error of x, y (m2) and heading (rad2)."""
        return self.slow**2 * nodes.typical_var


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
        parts = max(1, int(np.ceil((b - a) / STEP_S - 1e-9)))
        times.append(np.linspace(a, b, parts + 1)[1:])
    at = np.cumsum([len(t) for t in times]) - 1
    t = np.concatenate(times)
    pose, cov = np.zeros((len(t), 3)), np.tile(np.eye(3), (len(t), 1, 1))
    seen = np.zeros(len(t), bool)
    seen[at] = track.measured
    ok = track.measured
    pose[at[ok]] = np.column_stack([track.x_m, track.y_m, track.heading_rad])[ok]
    cov[at[ok]] = track.cov[ok]
    return Nodes(t, pose, cov, seen, np.median(np.diagonal(track.cov[ok], axis1=1, axis2=2), axis=0), at)


def rested(nodes: Nodes) -> Nodes:
    """The nodes with the poses inside long standstills replaced by their means over two seconds, so that what is judged
    hardly grows while a camera is left running. Ends of standstills and all driving stay as they are."""
    stretch = np.floor((nodes.t_s - nodes.t_s[0]) / _REST_S + 1e-6).astype(int)
    inside = _inside_standstills(nodes, stretch)[stretch]
    new = np.concatenate([[True], (np.diff(stretch) > 0) | ~inside[1:]])
    if np.all(new):
        return nodes
    group = np.cumsum(new) - 1
    pose, cov, seen = _means(nodes.pose, nodes.cov, nodes.seen.astype(float), np.flatnonzero(new))
    return replace(nodes, t_s=np.bincount(group, nodes.t_s) / np.bincount(group), pose=pose, cov=cov, seen=seen,
                   at=group[nodes.at])


def _inside_standstills(nodes: Nodes, stretch: np.ndarray) -> np.ndarray:
    """(m,) bool: the stretches of time, 0 to m - 1, long before and after which the vehicle stood, judged by the middle
    place in each. `stretch` (n,) says in which a node lies."""
    count = int(stretch[-1]) + 1
    place = np.full((count, 2), np.nan)
    for k, (a, b) in enumerate(pairwise(np.searchsorted(stretch, np.arange(count + 1)))):
        if np.any(nodes.seen[a:b]):
            place[k] = np.median(nodes.pose[a:b, :2][nodes.seen[a:b]], axis=0)
    out = np.zeros(count, bool)
    begin = 0
    for k in range(1, count + 1):
        if k == count or not np.all(np.ptp(place[begin:k + 1], axis=0) <= _REST_M):  # nan: nothing was measured
            out[begin + _KEPT:max(k - _KEPT, 0)] = True
            begin = k
    return out


def _means(value: np.ndarray, cov: np.ndarray, used: np.ndarray,
           first: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean (m, 3) of the measured values (n, 3) of each group by information and use (n,), its covariance, and whether
    anything was used. Groups begin at `first` (m,)."""
    information = np.linalg.inv(cov) * used[:, None, None]
    seen = np.add.reduceat(used, first) > 1e-6
    total = np.linalg.inv(np.where(seen[:, None, None], np.add.reduceat(information, first), np.eye(3)))
    pull = np.add.reduceat((information @ value[..., None])[..., 0], first)
    return (total @ pull[..., None])[..., 0], total, seen


def thinned(run: Smoothed) -> Smoothed:
    """The run at about every tenth of a second: of the poses of a few nodes that all stand or all roll, their mean
    about the smoothed run, each by its information and weight, stands at the middle one. Nothing is lost by it but
    time to compute; the covariance of the states does not come along. What a sensor log says is left as it is at the
    nodes that remain."""
    t, n = run.nodes.t_s, len(run.nodes.t_s)
    changes = np.concatenate([[False], run.standing[1:] != run.standing[:-1]])
    group = np.cumsum(changes) * n + np.floor((t - t[0]) / _THIN_S + 1e-6)
    first = np.flatnonzero(np.concatenate([[True], np.diff(group) > 0]))
    if len(first) == n:
        return run
    middle = (first + np.append(first[1:], n) - 1) // 2
    nodes, used = run.nodes, np.where(run.nodes.seen, run.weight, 0.0)
    miss, cov, seen = _means(nodes.pose - run.state[:, :3], nodes.cov, used, first)
    state = run.state[middle]
    pose = np.where(seen[:, None], state[:, :3] + miss, 0.0)
    sensed = nodes.sensed and Sensed(nodes.sensed.value[middle], nodes.sensed.information[middle])
    return replace(run, nodes=Nodes(t[middle], pose, cov, seen, nodes.typical_var, np.arange(len(middle)), sensed),
                   state=state, standing=run.standing[middle], weight=seen.astype(float))


def running_median(values: np.ndarray, reach: int) -> np.ndarray:
    """(n,) median of each value with `reach` neighbours on either side; beyond the ends, the last value goes on."""
    around = sliding_window_view(np.pad(values, reach, mode="edge"), 2 * reach + 1)
    return np.asarray(np.median(around, axis=1))


def runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """First and last index of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
