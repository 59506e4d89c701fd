"""One reverse leg's story: what could still be kept as it went on, when it was lost, and what would have saved it.

The worst clearance that a whole leg can still have is the lesser of what it had so far and the room left ahead. By the
principle of the value function it never rises, whatever is steered, and it ends at what was achieved: so each of its
falls is the price of the steering at that place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.attempt import Leg, Motion
from analysis.room.field import RoomField
from analysis.room.nouns import GONE, KEPT, LOST, UNSURE, LegRoom, Loss, LostMoment, PlannedRun, Saving
from analysis.room.runs import best_run
from analysis.room.solids import clearances_m
from analysis.wording import WIDE

_WINDOW_M = 4.0  # the largest loss is looked for within so much rolled
_WORTH_M = 0.03  # a smaller loss is within what the field can tell
_HELD_M = 8.0, 1.0  # what a run does first: to where its wheel changes side, at most and at least so far


@dataclass(frozen=True)
class Told:
    """The motion with its room left: at_index (n,) into the motion and t_s (n,) are the thinned times; room_m, sd_m
    (shunts + 1, n); states (N, 4) and rolled_m (N,) at all times of the motion."""

    field: RoomField
    motion: Motion
    at_index: np.ndarray
    t_s: np.ndarray
    room_m: np.ndarray
    sd_m: np.ndarray
    states: np.ndarray
    rolled_m: np.ndarray

    def at(self, t_s: float) -> np.ndarray:
        """The state (4,) nearest to a time."""
        return self.states[int(np.argmin(np.abs(self.motion.t_s - t_s)))]

    def room_at(self, t_s: float) -> float:
        """Room left without a shunt, at the thinned time nearest to t_s."""
        return float(self.room_m[0, int(np.argmin(np.abs(self.t_s - t_s)))])

    def sd_at(self, t_s: float) -> float:
        return float(self.sd_m[0, int(np.argmin(np.abs(self.t_s - t_s)))])

    def wheel_over(self, first: int, distance_m: float) -> tuple[float, float]:
        """(mean wheel, its sd) of the driver over the metres rolled from an index into the motion on."""
        last = int(np.searchsorted(self.rolled_m, self.rolled_m[first] + distance_m))
        stretch = slice(first, max(min(last, len(self.rolled_m) - 1), first + 1) + 1)
        step = np.diff(self.rolled_m[stretch], prepend=self.rolled_m[first]) + 1e-9
        mean = float(np.average(self.states[stretch, 3], weights=step))
        return mean, float(np.average(self.motion.sd(4)[stretch], weights=step))


def leg_room(told: Told, ordinary: RoomField, index: int, leg: Leg) -> LegRoom | None:
    """The story of a reverse leg; None where too little of it was seen or the field does not reach."""
    use = np.flatnonzero((told.t_s >= leg.t_start_s) & (told.t_s <= leg.t_end_s) & np.isfinite(told.room_m[0]))
    if len(use) < 2:
        return None
    all_of_leg = np.flatnonzero((told.motion.t_s >= told.t_s[use[0]]) & (told.motion.t_s <= told.t_s[use[-1]]))
    past = np.minimum.accumulate(clearances_m(told.field.numbers, told.states[all_of_leg]))
    past = past[told.at_index[use] - all_of_leg[0]]
    kept, sd = never_rising(np.minimum(past, told.room_m[0, use]), told.sd_m[0, use])
    t = told.t_s[use]
    moment = lost_moment(t, kept, sd, told.states[told.at_index[use], :2])
    saving = _saving(told, ordinary, use, past, moment) if moment.verdict == LOST else None
    return LegRoom(index, t, kept, sd, moment, saving, _largest_loss(told, use, kept, sd))


def never_rising(value: np.ndarray, sd: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The least so far (n,), with the sd that belongs to it."""
    lowest = np.minimum.accumulate(value)
    new = np.concatenate([[True], lowest[1:] < lowest[:-1]])
    return lowest, sd[np.maximum.accumulate(np.where(new, np.arange(len(value)), 0))]


def lost_moment(t: np.ndarray, kept: np.ndarray, sd: np.ndarray, place_m: np.ndarray) -> LostMoment:
    """When what could be kept (n,), which never rises, fell below zero, by its sd (n,); place_m (n, 2)."""
    surely, perhaps = kept + WIDE * sd < 0, kept - WIDE * sd < 0
    end = len(t) - 1
    crossed = int(np.argmax(kept < 0)) if (kept < 0).any() else -1
    when = float(t[int(np.argmin(kept))])
    if crossed > 0:
        when = float(np.interp(0.0, kept[[crossed, crossed - 1]], t[[crossed, crossed - 1]]))
    # between the last time that it was surely there and the first that it surely was not
    first = max(int(np.argmax(perhaps)) - 1, 0) if perhaps.any() else end
    last = int(np.argmax(surely)) if surely.any() else end
    if surely[0]:
        verdict, when, first, last = GONE, float(t[0]), 0, 0
    elif surely.any():
        verdict = LOST
    elif perhaps.any():
        verdict = UNSURE
    else:
        verdict, when = KEPT, float(t[end])
    x, y = (float(np.interp(when, t, place_m[:, k])) for k in (0, 1))
    return LostMoment(verdict, when, float(min(t[first], when)), float(max(t[last], when)), (x, y))


def _saving(told: Told, ordinary: RoomField, use: np.ndarray, past: np.ndarray, moment: LostMoment) -> Saving | None:
    before = np.flatnonzero(told.t_s[use] <= moment.t_s)
    states = told.states[told.at_index[use[before]]]
    room = np.minimum(past[before], ordinary.room_m(*states.T))
    could = np.flatnonzero(room > told.field.grid_sd_m)
    if not len(could):
        return None
    k = could[-1]
    x, y, heading, wheel = (float(v) for v in states[k])
    run = best_run(ordinary, (x, y, heading), wheel)
    if not run.reaches or run.room_m < 0:
        return None
    distance, angle = first_steering(run)
    used, _ = told.wheel_over(int(told.at_index[use[k]]), distance)
    return Saving(float(told.t_s[use[k]]), (x, y), angle, distance, used, run)


def first_steering(run: PlannedRun) -> tuple[float, float]:
    """(metres, mean wheel angle) of what a run does first: until its wheel has changed side."""
    most, least = _HELD_M
    within = run.distance_m <= most
    wheel, rolled = run.wheel_rad[within], run.distance_m[within]
    # the side that it steers to: where it stands once it had time to turn
    side = np.sign(wheel[np.searchsorted(rolled, min(2.0, rolled[-1])) - 1])
    other = np.flatnonzero((wheel * side < 0) & (rolled > least))
    last = other[0] if len(other) else len(wheel) - 1
    return float(rolled[last]), mean_over(run, float(rolled[last]))


def mean_over(run: PlannedRun, distance_m: float) -> float:
    """Mean wheel angle of a run over its first metres."""
    within = run.distance_m <= max(distance_m, float(run.distance_m[min(1, len(run.distance_m) - 1)]))
    return float(np.average(run.wheel_rad[within], weights=np.diff(run.distance_m[within], prepend=0.0) + 1e-9))


def _largest_loss(told: Told, use: np.ndarray, kept: np.ndarray, sd: np.ndarray) -> Loss | None:
    rolled = told.rolled_m[told.at_index[use]]
    ends = np.searchsorted(rolled, rolled + _WINDOW_M, side="right") - 1
    drop = kept - kept[ends]
    a = int(np.argmax(drop))
    b = int(ends[a])
    lost = float(drop[a])
    if lost < _WORTH_M:
        return None
    # without the flat ends of the window
    a += int(np.argmax(kept[a:b + 1] < kept[a] - 0.02 * lost)) - 1
    b = a + int(np.argmax(kept[a:b + 1] <= kept[b] + 0.02 * lost))
    distance = float(rolled[b] - rolled[a])
    first = int(told.at_index[use[a]])
    x, y, heading, wheel = (float(v) for v in told.states[first])
    used, sd_used = told.wheel_over(first, distance)
    wanted = mean_over(best_run(told.field, (x, y, heading), wheel), distance)
    return Loss(float(told.t_s[use[a]]), float(told.t_s[use[b]]), (x, y), distance, lost,
                float(np.hypot(sd[a], sd[b])), float(kept[a]), float(kept[b]), used, sd_used, wanted)
