"""Room left along an attempt: the curves, and the parts of the story put together."""

from __future__ import annotations

import numpy as np

from analysis.attempt import Attempt, Leg
from analysis.motion import bridged
from analysis.room.field import FLOOR_M, RoomField, states_of
from analysis.room.leg_story import Told, leg_room
from analysis.room.nouns import HeadingBeside, PlannedRun, RoomAlong, ShuntRoom
from analysis.room.places import stop_map
from analysis.room.runs import best_run
from analysis.room.smooth import smoothed
from analysis.stops import shunts_of
from analysis.wording import WIDE

STEP_M, STEP_S = 0.2, 1.0  # the curve has a point at least every so much rolled, and every so much time
_STATE = [0, 1, 2, 4]  # x, y, heading and wheel in Motion's covariance


def room_along(attempt: Attempt, field: RoomField, ordinary: RoomField) -> RoomAlong:
    """Room left along a run. `field` is for all the vehicle can do, `ordinary` for ordinary steering, both on the
    course as surveyed. Survey and motion give the sds; the field's own error is added.

    Weak where the wheel angle is: standing, and just after moving off, it is known to some degrees only.
    """
    told = told_of(attempt, field)
    shunts = shunts_of(attempt.legs, attempt.rules.shunt_min_forward_m)
    forward = next((leg for leg, after in zip(attempt.legs, attempt.legs[1:], strict=False)
                    if leg.direction > 0 > after.direction), None)
    reverse = [(k, leg) for k, leg in enumerate(attempt.legs) if leg.direction < 0]
    legs = [story for k, leg in reverse if (story := leg_room(told, ordinary, k, leg))]
    reference = _reference(told, reverse[0][1]) if reverse else None
    places = None
    if forward and np.isfinite(told.room_at(forward.t_end_s)):
        places = stop_map(field, told.at(forward.t_end_s), told.sd_at(forward.t_end_s))
    ideal = smoothed(field, best_run(field, (*places.best_m, places.heading_rad))) \
        if places and places.room_best_m > 0 else None
    return RoomAlong(told.t_s, told.room_m, told.sd_m, field.grid_sd_m, tuple(legs),
                     tuple(_shunt(told, attempt.legs.index(leg), leg) for leg in shunts
                           if np.isfinite(told.room_at(leg.t_start_s)) and np.isfinite(told.room_at(leg.t_end_s))),
                     places, reference, ideal, _beside(told, reverse[0][1], reference) if reverse else None)


def told_of(attempt: Attempt, field: RoomField) -> Told:
    """The curves: room with 0, 1, ... shunts at thinned times, with their sds."""
    motion = attempt.motion
    at = thinned(motion.t_s, motion.speed_mps)
    states = states_of(motion.x_m, motion.y_m, motion.heading_rad, motion.wheel_rad)
    seen = bridged(attempt.track)
    cov = motion.cov[at][:, _STATE][:, :, _STATE]
    room, sd = [], []
    for k in range(field.shunts + 1):
        value, spread = with_sd(field, states[at], cov, k)
        room.append(np.where(seen[at], value, np.nan))
        sd.append(np.where(seen[at], np.hypot(np.hypot(spread, field.grid_sd_m), _survey_sd_m(attempt)), np.nan))
    rolled = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(motion.t_s) * (motion.speed_mps[1:]
                                                                           + motion.speed_mps[:-1]) / 2))])
    return Told(field, motion, at, motion.t_s[at], np.array(room), np.array(sd), states, rolled)


def thinned(t_s: np.ndarray, speed_mps: np.ndarray) -> np.ndarray:
    """Indices into the motion, both ends among them."""
    out, rolled = [0], 0.0
    for k in range(1, len(t_s)):
        rolled += abs(speed_mps[k]) * (t_s[k] - t_s[k - 1])
        if rolled >= STEP_M or t_s[k] - t_s[out[-1]] >= STEP_S or k == len(t_s) - 1:
            out.append(k)
            rolled = 0.0
    return np.array(out)


def with_sd(field: RoomField, states: np.ndarray, cov: np.ndarray, shunts: int) -> tuple[np.ndarray, np.ndarray]:
    """Room (n,) of states (n, 4) and its sd from their covariance (n, 4, 4): half the difference between one sd
    either way along each independent direction of error."""
    lock = field.limits.max_wheel_rad
    values, vectors = np.linalg.eigh(cov)
    var = np.zeros(len(states))
    for k in range(4):
        off = vectors[:, :, k] * np.sqrt(np.maximum(values[:, k], 0.0))[:, None]
        pair = []
        for sign in (1, -1):
            moved = states + sign * off
            moved[:, 3] = np.clip(moved[:, 3], -lock, lock)
            pair.append(field.room_m(moved[:, 0], moved[:, 1], moved[:, 2], moved[:, 3], shunts))
        var += np.nan_to_num((pair[0] - pair[1]) / 2) ** 2
    x, y, heading, wheel = states.T
    return field.room_m(x, y, heading, wheel, shunts), np.sqrt(var)


def _survey_sd_m(attempt: Attempt) -> float:
    """The sd with which marks and lines are known where they stand."""
    every = [m.sd_m for m in attempt.track.marks] + [ln.sd_m for ln in attempt.track.lines]
    return float(np.median(every)) if every else 0.0


def _reference(told: Told, leg: Leg) -> PlannedRun | None:
    """The run with the most room from where the first reverse began, with no more shunts than it needs."""
    state = told.at(leg.t_start_s)
    for shunts in range(told.field.shunts + 1):
        run = best_run(told.field, (state[0], state[1], state[2]), state[3], shunts)
        if run.reaches and run.room_m > 0:
            return smoothed(told.field, run)
    return None


def _shunt(told: Told, index: int, leg: Leg) -> ShuntRoom:
    before, after = told.room_at(leg.t_start_s), told.room_at(leg.t_end_s)
    sd_before, sd_after = told.sd_at(leg.t_start_s), told.sd_at(leg.t_end_s)
    needed = "yes" if before + WIDE * sd_before < 0 else "no" if before - WIDE * sd_before > 0 else "too close to call"
    state = told.at(leg.t_start_s)
    better = best_run(told.field, (state[0], state[1], state[2]), state[3], 1, forward_first=True)
    forward = better.distance_m[better.direction > 0]
    return ShuntRoom(index, leg.t_start_s, leg.t_end_s, needed, before, sd_before, after, sd_after,
                     better.room_m if better.reaches else FLOOR_M, float(forward[-1]) if len(forward) else 0.0,
                     leg.distance_m)


def _beside(told: Told, leg: Leg, reference: PlannedRun | None) -> HeadingBeside | None:
    """The first reverse leg's heading beside that of the reference, as far as both reverse without a shunt."""
    if reference is None:
        return None
    first = np.cumprod(reference.direction < 0).astype(bool)
    use = told.at_index[(told.t_s >= leg.t_start_s) & (told.t_s <= leg.t_end_s)]
    x = told.states[use, 0]
    falling = np.concatenate([[True], x[1:] < np.minimum.accumulate(x)[:-1]])
    use = use[falling & (x >= reference.x_m[first].min()) & (x <= reference.x_m[first].max())]
    x = told.states[use, 0]
    planned = np.interp(x, reference.x_m[first][::-1], reference.heading_rad[first][::-1])
    return HeadingBeside(x, told.states[use, 2], planned, told.motion.sd(2)[use])
