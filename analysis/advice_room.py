"""Rules of advice that rest on the room left: where the bay was lost, and what would have kept it."""

from __future__ import annotations

import math

from analysis.advice_words import Sooner, Spoken, place_m, place_words, rolled_m, wheel_words
from analysis.attempt import Attempt
from analysis.room.nouns import GONE, LOST, LegRoom, Loss, RoomAlong, ShuntRoom
from analysis.wording import WIDE, clock, length, margin

_WORTH_M = 0.10  # less room than this gained or lost is not worth telling
_CAUSE_WITHIN_M = 15.0  # a contact further on is not put down to a loss of room


def lost(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    leg = _first_with(room, LOST)
    if leg is None:
        return None
    moment = leg.moment
    what = (f"from {clock(moment.t_s)} on, {place_words(attempt, moment.t_s)}, the bay could no longer be reached "
            "without a shunt.")
    saving, instead = leg.saving, None
    if saving is not None:
        instead = (f"up to {clock(saving.t_s)} it could: {wheel_words(attempt, saving.wheel_rad)} over the next "
                   f"{saving.distance_m:.0f} m would have kept it, where the wheel was on average "
                   f"{wheel_words(attempt, saving.used_rad)}.")
    return Spoken(what, instead, "first half", moment.t_s, (moment.t_from_s, moment.t_to_s), moment.at_m,
                  sooner=(saving.t_s, saving.at_m) if saving else None)


def gone(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    leg = _first_with(room, GONE)
    if leg is None or room is None or leg is not room.legs[0]:
        return None
    better = _better_stop(room)
    if better is None:
        return None
    where, gain_m = better
    what = (f"from where the drive forward ended, at {clock(leg.moment.t_s)}, the bay could not be reached without a "
            "shunt.")
    instead = f"stopping half a metre further {where} gives {length(gain_m)} more room."
    return Spoken(what, instead, "place to start", leg.moment.t_s, (leg.moment.t_s, leg.moment.t_s),
                  leg.moment.at_m)


def start_place(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    better = _better_stop(room)
    if better is None or room is None or room.stop_map is None or not room.legs:
        return None
    where, gain_m = better
    t = attempt.legs[room.legs[0].index].t_start_s
    what = (f"stopping half a metre further {where} at the forward cones would have given {length(gain_m)} more room "
            "for the reverse.")
    return Spoken(what, "aim for that place before the reverse begins.", "place to start", t, (t, t),
                  room.stop_map.here_m)


def largest_loss(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    losses = [loss for leg in (room.legs if room else ()) if (loss := _clear_loss(leg))]
    if not losses:
        return None
    loss = max(losses, key=lambda one: one.lost_m)
    what = (f"the most room went between {clock(loss.t_start_s)} and {clock(loss.t_end_s)}, "
            f"{place_words(attempt, loss.t_start_s)}: {length(loss.lost_m)} ({margin(loss.sd_m)}) within "
            f"{loss.distance_m:.0f} m, with the wheel on average {wheel_words(attempt, loss.wheel_used_rad)}.")
    instead = f"{wheel_words(attempt, loss.wheel_wanted_rad)} over those metres would have kept it."
    return Spoken(what, instead, "first half", loss.t_start_s, (loss.t_start_s, loss.t_end_s), loss.at_m)


def _clear_loss(leg: LegRoom) -> Loss | None:
    """The leg's largest loss, when it is worth telling and the wheel was surely not where it should have been."""
    loss = leg.largest_loss
    if loss is None or loss.lost_m - WIDE * loss.sd_m < _WORTH_M:
        return None
    return loss if abs(loss.wheel_wanted_rad - loss.wheel_used_rad) > WIDE * loss.sd_wheel_used_rad else None


def needless_shunt(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    shunt = next((s for s in (room.shunts if room else ()) if s.needed == "no"), None)
    if shunt is None:
        return None
    what = (f"the shunt at {clock(shunt.t_start_s)} was not needed: there was still {length(shunt.room_before_m)} of "
            f"room ({margin(shunt.sd_before_m)}).")
    return Spoken(what, "stop, look in both mirrors, and go on reversing while both gaps are there.",
                  "straighten up", shunt.t_start_s, (shunt.t_start_s, shunt.t_end_s),
                  place_m(attempt, shunt.t_start_s))


def poor_shunt(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    """A shunt that was needed and did not give the bay back, though one from the same place could have."""
    for shunt in room.shunts if room else ():
        if shunt.needed == "yes" and _still_lost(shunt) and shunt.better_m > _WORTH_M:
            longer = shunt.better_distance_m - shunt.distance_m
            what = (f"the shunt at {clock(shunt.t_start_s)} went {shunt.distance_m:.1f} m forward and did not bring "
                    "the bay back within reach.")
            how = f"{length(longer)} further forward" if longer > 0.3 else "other steering over the same metres"
            instead = f"one with {how} would have given {length(shunt.better_m)} of room."
            return Spoken(what, instead, "a shunt that counts", shunt.t_start_s,
                          (shunt.t_start_s, shunt.t_end_s), place_m(attempt, shunt.t_start_s))
    return None


def _still_lost(shunt: ShuntRoom) -> bool:
    return shunt.room_after_m + WIDE * shunt.sd_after_m < 0


def _first_with(room: RoomAlong | None, verdict: str) -> LegRoom | None:
    return next((leg for leg in (room.legs if room else ()) if leg.moment.verdict == verdict), None)


def _better_stop(room: RoomAlong | None) -> tuple[str, float] | None:
    """Which way half a metre would have gained most, seen by the driver, and how much; None if not worth it."""
    stop = room.stop_map if room else None
    if stop is None:
        return None
    gains = {"to the left": stop.gain_left_m, "to the right": stop.gain_right_m, "forward": stop.gain_ahead_m,
             "back": stop.gain_back_m}
    where = max(gains, key=lambda k: gains[k] if math.isfinite(gains[k]) else -math.inf)
    gain = gains[where]
    return (where, gain) if gain - WIDE * stop.sd_here_m > _WORTH_M else None


def loss_before(attempt: Attempt, room: RoomAlong | None, t_s: float) -> tuple[str, Sooner] | None:
    """The steering that would have kept room, with its time and place, when the largest loss of the same leg led up to
    this time."""
    for leg in room.legs if room else ():
        loss, span = _clear_loss(leg), attempt.legs[leg.index]
        if (loss and span.t_start_s <= t_s <= span.t_end_s and loss.t_start_s <= t_s
                and rolled_m(attempt, loss.t_end_s, t_s) < _CAUSE_WITHIN_M):
            return (f"from {clock(loss.t_start_s)}, {wheel_words(attempt, loss.wheel_wanted_rad)} over "
                    f"{loss.distance_m:.0f} m would have kept {length(loss.lost_m)} more room; the wheel was on "
                    f"average {wheel_words(attempt, loss.wheel_used_rad)}.", (loss.t_start_s, loss.at_m))
    return None
