"""The wheel angle with which the vehicle comes to rest or moves off, from the path on that side of the stop alone.

How well it is known hangs on what the driver does while rolling next to the stop. Either the wheel is held there, and
the first metre tells its angle to a degree, or it is being turned, and the path hardly tells how far it had come. So
the wheel is a switching process: held, or turned at a rate that lasts for a while. All histories of it, one for each
time of the latest switch, are followed at once by Kalman filters from some seconds away up to the stop. What comes
out is a mixture of Gaussians.

With the speed known from the smoothed run, heading and lateral place are linear in the tangent of the wheel angle.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import log_ndtr

from analysis.driving import DRIVER, integrated_ou
from analysis.mixture import Mixture, joined
from analysis.nodes import BIAS, HEADING, SPEED, WHEEL, Sensed, Smoothed, X, Y
from analysis.problem import SLIP_M, SLIP_RAD
from analysis.vehicle import Vehicle

_WINDOW_S = 10.0  # what is further away says little of the wheel at the edge (own choice)
_HISTORIES = 50  # the likeliest are kept: bounds the work (own choice)
_HOPELESS = 20.0  # a history less likely than the best by more than this power of e is dropped
_LOCK_SD_RAD = np.radians(2.0)  # how far a vehicle file's greatest wheel angle is trusted
_FAR_M, _FAR_RAD = 0.3, 0.05  # about where the smoothed run lies, nothing better is known beforehand

# The state, relative to the smoothed run: lateral place, heading, tangent of the wheel angle, its rate, and the
# slowly varying errors of the first two.
_PLACE, _TURNED, _TAN, _RATE, _PLACE_BIAS, _TURNED_BIAS = range(6)
_SIZE = 6  # numbers of the state
_HELD, _TURNING = 0, 1


@dataclass(frozen=True)
class EdgeWheel:
    """A mixture of Gaussians for the wheel at an edge of a stop: weight (h,) sums to 1; mean_rad, var_rad2 (h,).

    bound_rad2 is the posterior Cramer-Rao bound of the variance given when the driver turned the wheel, averaged over
    what is likely: what the poses would leave open if none were an outlier."""

    weight: np.ndarray
    mean_rad: np.ndarray
    var_rad2: np.ndarray
    bound_rad2: float

    @property
    def angle_rad(self) -> float:
        return float(self.weight @ self.mean_rad)

    @property
    def sd_rad(self) -> float:
        return float(np.sqrt(self.weight @ (self.var_rad2 + (self.mean_rad - self.angle_rad)**2)))


@dataclass(frozen=True)
class _Histories:
    """Mixtures in which the wheel is held and in which it is being turned."""

    held: Mixture
    turning: Mixture


def wheel_at_edge(run: Smoothed, vehicle: Vehicle, first: int, last: int, *, after: bool,
                  sd_edge_s: float) -> EdgeWheel:
    """The wheel as the vehicle moves off `after` standing at the nodes `first` to `last`, or came to rest there.

    sd_edge_s: how well it is known when that was. Poses much closer together than a tenth of a second only cost time:
    give the thinned run."""
    weight, mean, var = _mixture(run, vehicle, first, last, after, sd_edge_s)
    ideal_weight, _, ideal_var = _mixture(_without_outliers(run), vehicle, first, last, after, sd_edge_s)
    return EdgeWheel(weight, mean, var, float(ideal_weight @ ideal_var))


def _without_outliers(run: Smoothed) -> Smoothed:
    """The run as if each outlier had been measured where the smoothed run has it."""
    nodes = run.nodes
    good = (run.weight > 0.5)[:, None]
    pose = np.where(good, nodes.pose, run.state[:, :3] + run.state[:, BIAS:])
    return replace(run, nodes=replace(nodes, pose=pose), weight=nodes.seen.astype(float))


def _mixture(run: Smoothed, vehicle: Vehicle, first: int, last: int, after: bool,
             sd_edge_s: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weights, means (rad) and variances (rad2) of the wheel at the edge."""
    nodes, weight = run.nodes, run.weight
    rolling = _rolling(run, last, 1) if after else _rolling(run, first, -1)
    order = [*rolling[::-1], *(range(last, first - 1, -1) if after else range(first, last + 1))]
    cov = nodes.cov * run.levels.white**2
    bias_sd = np.sqrt(run.levels.slow_var(nodes))
    across = np.column_stack([-np.sin(run.state[:, HEADING]), np.cos(run.state[:, HEADING])])
    place = np.einsum("ni,ni->n", nodes.pose[:, :2] - run.state[:, :2], across)
    place_var = np.einsum("ni,nij,nj->n", across, cov[:, :2, :2], across)
    both = np.einsum("ni,ni->n", across, cov[:, :2, 2])
    now = _start(run, vehicle, bias_sd)
    for here, there in zip([None, *order[:-1]], order, strict=True):
        if here is not None:
            now = _later(now, run, vehicle, here, there, across, bias_sd)
        if weight[there] > 1e-3:
            # First the heading, then what of the place does not hang together with it.
            turned = nodes.pose[there, 2] - run.state[there, HEADING]
            share = both[there] / cov[there, 2, 2]
            rest = place_var[there] - share * both[there]
            for row, value, var in ((_HEADING_ROW, turned, cov[there, 2, 2]),
                                    (_PLACE_ROW - share * _HEADING_ROW, place[there] - share * turned, rest)):
                now = _Histories(now.held.observed(row, value, var / weight[there]),
                                 now.turning.observed(row, value, var / weight[there]))
        edge = last if after else first
        if nodes.sensed is not None and (there == edge or not run.standing[there]):
            now = _sensed(now, nodes.sensed, there, run, vehicle)
    everything = joined(now.held, now.turning)
    tangent, var = everything.mean[:, _TAN], everything.cov[:, _TAN, _TAN]
    var = var + (everything.mean[:, _RATE]**2 + everything.cov[:, _RATE, _RATE]) * sd_edge_s**2
    angle = np.arctan(tangent)
    angle_var = var * np.cos(angle)**4
    log_w = everything.log_w + log_ndtr((vehicle.max_wheel_rad - np.abs(angle))
                                        / np.sqrt(angle_var + _LOCK_SD_RAD**2))
    share = np.exp(log_w - np.max(log_w))
    return share / share.sum(), angle, angle_var


def _sensed(now: _Histories, sensed: Sensed, k: int, run: Smoothed, vehicle: Vehicle) -> _Histories:
    """The histories after what a sensor log says of the wheel at node k."""
    speed = run.state[k, SPEED] / vehicle.wheelbase_m
    for column, slope in ((1, speed), (2, 1.0)):
        value, information = sensed.value[k, column], sensed.information[k, column]
        if information > 0 and abs(slope) > 0.01:
            scale = 1.0 if column == 1 else np.cos(value)**2  # of a wheel angle's error to that of its tangent
            row, seen = slope * np.eye(_SIZE)[_TAN], value if column == 1 else np.tan(value)
            var = 1 / information / scale**2
            now = _Histories(now.held.observed(row, seen, var), now.turning.observed(row, seen, var))
    return now


_PLACE_ROW = np.eye(_SIZE)[_PLACE] + np.eye(_SIZE)[_PLACE_BIAS]
_HEADING_ROW = np.eye(_SIZE)[_TURNED] + np.eye(_SIZE)[_TURNED_BIAS]


def _rolling(run: Smoothed, edge: int, step: int) -> list[int]:
    """Nodes rolled through on one side of a stop, from its edge outward, to the next stop or as far as matters."""
    out, k = [], edge + step
    while 0 <= k < len(run.standing) and not run.standing[k] \
            and abs(run.nodes.t_s[k] - run.nodes.t_s[edge]) < _WINDOW_S:
        out.append(k)
        k += step
    return out


def _start(run: Smoothed, vehicle: Vehicle, bias_sd: np.ndarray) -> _Histories:
    wheel = np.tan(vehicle.max_wheel_rad)
    var = np.array([_FAR_M**2, _FAR_RAD**2, wheel**2, 0.0, bias_sd[:2].max()**2, bias_sd[2]**2])
    held = Mixture(np.log([DRIVER.hold_s]), np.zeros((1, _SIZE)), np.diag(var)[None])
    var[_RATE] = DRIVER.turn_rate(run.levels.rate_radps)**2
    return _Histories(held, Mixture(np.log([DRIVER.turn_s]), np.zeros((1, _SIZE)), np.diag(var)[None]))


def _later(now: _Histories, run: Smoothed, vehicle: Vehicle, here: int, there: int, across: np.ndarray,
           bias_sd: np.ndarray) -> _Histories:
    """The histories at the node `there`, having been at `here` next to it; time may run backward."""
    dt = float(run.nodes.t_s[there] - run.nodes.t_s[here])
    a, b = run.state[here], run.state[there]
    forget = np.exp(-abs(dt) / run.levels.slow_time_s)
    f, q, shift = np.eye(_SIZE), np.zeros((_SIZE, _SIZE)), np.zeros(_SIZE)
    for i, sd in ((_PLACE_BIAS, bias_sd[:2].max()), (_TURNED_BIAS, bias_sd[2])):
        f[i, i], q[i, i] = forget, sd**2 * (1 - forget**2)
    if run.standing[here] and run.standing[there]:
        return _Histories(*(Mixture(m.log_w, m.mean @ f.T, f @ m.cov @ f.T + q) for m in (now.held, now.turning)))
    now = _switched(now, abs(dt), DRIVER.turn_rate(run.levels.rate_radps) / np.cos(a[WHEEL])**2)
    rolled = dt * (a[SPEED] + b[SPEED]) / 2
    shift[_PLACE] = -(b[[X, Y]] - a[[X, Y]]) @ (across[here] + across[there]) / 2
    shift[_TURNED] = -(b[HEADING] - a[HEADING])
    q[_PLACE, _PLACE], q[_TURNED, _TURNED] = SLIP_M**2 * abs(dt), SLIP_RAD**2 * abs(dt)
    slope = 1 / np.cos(a[WHEEL])**2

    def moved(m: Mixture, move: np.ndarray, noise: np.ndarray) -> Mixture:
        g, n = f.copy(), q.copy()
        g[_TAN:_RATE + 1, _TAN:_RATE + 1], n[_TAN:_RATE + 1, _TAN:_RATE + 1] = move, noise
        # The heading turns with the mean of the two tangents, the place with the mean of the two headings.
        turn = np.eye(_SIZE)
        turn[_TURNED, _TAN] = rolled / vehicle.wheelbase_m / 2
        side = np.eye(_SIZE)
        side[_PLACE, _TURNED] = rolled / 2
        g, through = side @ turn @ g @ turn @ side, side @ turn
        n = through @ n @ through.T
        return Mixture(m.log_w, m.mean @ g.T + through @ shift, g @ m.cov @ g.T + n)

    drift = np.diag([(DRIVER.hold_drift * slope)**2 * abs(dt), 0.0])
    move, noise = integrated_ou(abs(dt), DRIVER.turn_rate(run.levels.rate_radps) * slope, DRIVER.turn_time_s)
    sign = np.diag([1.0, np.sign(dt)])
    move = np.array([[1.0, move[1, 1]], [0.0, move[2, 1]]])
    return _Histories(moved(now.held, np.diag([1.0, 0.0]), drift),
                      moved(now.turning, sign @ move @ sign, sign @ noise[1:, 1:] @ sign))


def _switched(now: _Histories, seconds: float, rate: float) -> _Histories:
    """After a chance to begin turning and to stop turning."""
    begin, end = -np.expm1(-seconds / DRIVER.hold_s), -np.expm1(-seconds / DRIVER.turn_s)
    began = now.held.merged().weighted(np.log(begin))
    began.cov[0, _RATE, _RATE] = rate**2
    ended = now.turning.merged().weighted(np.log(end))
    ended.mean[0, _RATE] = 0.0
    ended.cov[0, _RATE, :] = ended.cov[0, :, _RATE] = 0.0
    held = _likeliest(joined(now.held.weighted(np.log1p(-begin)), ended))
    return _Histories(held, _likeliest(joined(now.turning.weighted(np.log1p(-end)), began)))


def _likeliest(histories: Mixture) -> Mixture:
    keep = histories.log_w > np.max(histories.log_w) - _HOPELESS
    if np.sum(keep) > _HISTORIES:
        keep = np.argsort(histories.log_w)[-_HISTORIES:]
    return histories[keep]
