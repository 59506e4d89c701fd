"""What to do differently: at most three sentences and one drill, by a table of rules.

Each rule looks at findings and at the room left, and either says what happened and what would have been better, with
the place and time that show it, or says nothing. Only clear verdicts speak: what is too close to call, or was not
seen, gives no advice. The rules stand in the order in which things are worth a learner's time: first what cost the
bay, then what counts, then what only helps. The thresholds are ours (from memory of how such lessons go, no
published source); the drills are common practice, no published source.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from analysis.attempt import Advice, Attempt, Drill, Finding, Leg, Said
from analysis.findings import WIDE, clock, length, margin, words
from analysis.room.nouns import GONE, LOST, LegRoom, Limits, RoomAlong, ShuntRoom

SENTENCES = 3
_WORTH_M = 0.10  # less room than this gained or lost is not worth telling
_STRAIGHT_RAD = math.radians(2.0)
_CAUSE_WITHIN_M = 15.0  # a contact further on is not put down to a loss of room

DRILLS = {d.name: d for d in (
    Drill("first half", "Only the first half",
          "Reverse from the forward cones and stop where the moment is marked on the plan. Get out and look how the "
          "vehicle stands to the cones, drive forward again, and repeat until three stops in a row look the same."),
    Drill("place to start", "The place to start from",
          "Drive forward to the pair of cones and stop, five times, without reversing. Get out each time and measure "
          "how far the rear wheels are from where they should be."),
    Drill("round one cone", "Round one cone",
          "Reverse round a single cone in a half circle, a metre off, three times each way. Stop whenever you are "
          "not sure where the cone is, and find it in the mirror before going on."),
    Drill("roll then turn", "Roll, then turn",
          "On an empty stretch, creep and turn the wheel from straight to full lock and back without stopping, five "
          "times each way. The wheel only turns while the vehicle rolls."),
    Drill("front corner", "Where the front wheels run",
          "Along a painted line, pull forward with lock on and stop when you think the front tyre is a hand's width "
          "from it. Get out and look. Five times each side."),
    Drill("a shunt that counts", "A shunt that counts",
          "From a stop half way through the reverse, pull forward a full half vehicle length with the wheel turned "
          "early, then reverse. Compare in the mirrors how much closer to straight each length brings you."),
    Drill("stop on the mark", "Stop on the mark",
          "Straight in the bay, reverse to where you think the box begins, stop and get out to look. Five times; "
          "note what stands beside the cab when it is right."),
    Drill("slowly past the cone", "Slowly past the cone",
          "Drive and reverse past a cone no faster than somebody walks beside you, three times each way."),
    Drill("straighten up", "Straighten up in the bay",
          "From a vehicle length before the bay, reverse in with both mirrors showing the same gap to the mouth "
          "cones; stop and pull forward as soon as they differ."),
)}


@dataclass(frozen=True)
class Spoken:
    """What a rule says: what happened, what would have been better, and the evidence."""

    what: str
    instead: str
    drill: str
    t_start_s: float
    t_end_s: float
    at_m: tuple[float, float] | None
    finding: int | None = None


@dataclass(frozen=True)
class Rule:
    name: str
    speak: Callable[[Attempt, RoomAlong | None], Spoken | None]


def advice_of(attempt: Attempt, room: RoomAlong | None = None) -> Advice:
    """The first rule that speaks gives what happened, what to do instead, and the drill; the next ones what happened,
    up to three sentences. `well` is the first thing worth praise that the findings are sure of."""
    said: list[Said] = []
    drill = None
    for rule in RULES:
        spoken = rule.speak(attempt, room) if len(said) < SENTENCES else None
        if spoken is None:
            continue
        sentences = [spoken.what] if said else [spoken.what, spoken.instead]
        drill = drill or DRILLS[spoken.drill]
        said += [Said(rule.name, s[0].upper() + s[1:], spoken.t_start_s, spoken.t_end_s, spoken.at_m, spoken.finding)
                 for s in sentences]
    return Advice(tuple(said), drill, _well(attempt))


# ---- from the room left ---------------------------------------------------------------------------------------


def _lost(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    leg = _first_with(room, LOST)
    if leg is None:
        return None
    moment = leg.moment
    what = (f"from {clock(moment.t_s)} on, {place_words(attempt, moment.t_s)}, the bay could no longer be reached "
            "without a shunt.")
    saving = leg.saving
    if saving is None:
        return None
    instead = (f"up to {clock(saving.t_s)} it could: {wheel_words(attempt, saving.wheel_rad)} over the next "
               f"{saving.distance_m:.0f} m would have kept it, where the wheel was on average "
               f"{wheel_words(attempt, saving.used_rad)}.")
    return Spoken(what, instead, "first half", moment.t_from_s, moment.t_to_s, moment.at_m)


def _gone(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
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
    return Spoken(what, instead, "place to start", leg.moment.t_s, leg.moment.t_s, leg.moment.at_m)


def _start_place(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    better = _better_stop(room)
    if better is None or room is None or room.stop_map is None or not room.legs:
        return None
    where, gain_m = better
    t = attempt.legs[room.legs[0].index].t_start_s
    what = (f"stopping half a metre further {where} at the forward cones would have given {length(gain_m)} more room "
            "for the reverse.")
    return Spoken(what, "aim for that place before the reverse begins.", "place to start", t, t, room.stop_map.here_m)


def _largest_loss(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    legs = [leg for leg in (room.legs if room else ()) if leg.largest_loss is not None]
    if not legs:
        return None
    leg = max(legs, key=lambda one: one.largest_loss.lost_m if one.largest_loss else 0.0)
    loss = leg.largest_loss
    turned = abs(loss.wheel_wanted_rad - loss.wheel_used_rad) if loss else 0.0
    if loss is None or loss.lost_m - WIDE * loss.sd_m < _WORTH_M or turned < WIDE * loss.sd_wheel_used_rad:
        return None
    what = (f"the most room went between {clock(loss.t_start_s)} and {clock(loss.t_end_s)}, "
            f"{place_words(attempt, loss.t_start_s)}: {length(loss.lost_m)} ({margin(loss.sd_m)}) within "
            f"{loss.distance_m:.0f} m, with the wheel on average {wheel_words(attempt, loss.wheel_used_rad)}.")
    instead = f"{wheel_words(attempt, loss.wheel_wanted_rad)} over those metres would have kept it."
    return Spoken(what, instead, "first half", loss.t_start_s, loss.t_end_s, loss.at_m)


def _needless_shunt(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    shunt = next((s for s in (room.shunts if room else ()) if s.needed == "no"), None)
    if shunt is None:
        return None
    what = (f"the shunt at {clock(shunt.t_start_s)} was not needed: there was still {length(shunt.room_before_m)} of "
            f"room ({margin(shunt.sd_before_m)}).")
    return Spoken(what, "stop, look in both mirrors, and go on reversing while both gaps are there.",
                  "straighten up", shunt.t_start_s, shunt.t_end_s, _place(attempt, shunt.t_start_s))


def _poor_shunt(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    """A shunt that was needed and did not give the bay back, though one from the same place could have."""
    for shunt in room.shunts if room else ():
        if shunt.needed == "yes" and _still_lost(shunt) and shunt.better_m > _WORTH_M:
            longer = shunt.better_distance_m - shunt.distance_m
            what = (f"the shunt at {clock(shunt.t_start_s)} went {shunt.distance_m:.1f} m forward and did not bring "
                    "the bay back within reach.")
            how = f"{length(longer)} further forward" if longer > 0.3 else "other steering over the same metres"
            instead = f"one with {how} would have given {length(shunt.better_m)} of room."
            return Spoken(what, instead, "a shunt that counts", shunt.t_start_s, shunt.t_end_s,
                          _place(attempt, shunt.t_start_s))
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


# ---- from the findings ----------------------------------------------------------------------------------------


def _touched(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    for i, f in _faults(attempt, "mark_touched"):
        if not attempt.surveyed.has_mark(f.where):
            continue
        how, instead = _how_touched(attempt, f)
        loss = _loss_before(attempt, room, f.t_start_s)
        if loss is not None:
            instead = loss
        return Spoken(f"the {words(f.where)} was hit at {clock(f.t_start_s)}{how}.", instead, "round one cone",
                      f.t_start_s, f.t_end_s, f.at_m, i)
    return None


def _how_touched(attempt: Attempt, f: Finding) -> tuple[str, str]:
    """Which side, and whether the turn closed on the cone or the front swung out to it."""
    mark, k = attempt.surveyed.mark(f.where), _index(attempt, f.t_start_s)
    m = attempt.motion
    c, s = math.cos(m.heading_rad[k]), math.sin(m.heading_rad[k])
    dx, dy = mark.x_m - m.x_m[k], mark.y_m - m.y_m[k]
    ahead, left = c * dx + s * dy, -s * dx + c * dy
    side = "left" if left > 0 else "right"
    turned = float(m.wheel_rad[k]) * (1 if left > 0 else -1)  # positive: the wheel points to the cone's side
    if ahead < attempt.vehicle.x_rear_m:
        return ", with the rear", "stop while the cone is still in a mirror, and look again before going on."
    if turned > _STRAIGHT_RAD and ahead < attempt.vehicle.wheelbase_m:
        return (f" by the {side} side, on the inside of the turn",
                "take some lock off sooner, so that the side stays a metre off the cone.")
    if turned < -_STRAIGHT_RAD and ahead > 0:
        return (f" by the {side} side, as the front swung out",
                f"keep a metre more to the {'right' if left > 0 else 'left'} before the wheel is turned away from it.")
    return f" by the {side} side", "stop when the gap closes below half a metre, and look."


def _loss_before(attempt: Attempt, room: RoomAlong | None, t_s: float) -> str | None:
    """The steering that would have kept room, when the largest loss of the same leg led up to this time."""
    for leg in room.legs if room else ():
        loss, span = leg.largest_loss, attempt.legs[leg.index]
        if loss is None or not span.t_start_s <= t_s <= span.t_end_s or loss.t_start_s > t_s:
            continue
        sure = (loss.lost_m - WIDE * loss.sd_m > _WORTH_M
                and abs(loss.wheel_wanted_rad - loss.wheel_used_rad) > WIDE * loss.sd_wheel_used_rad)
        if sure and _rolled_m(attempt, loss.t_end_s, t_s) < _CAUSE_WITHIN_M:
            return (f"from {clock(loss.t_start_s)}, {wheel_words(attempt, loss.wheel_wanted_rad)} over "
                    f"{loss.distance_m:.0f} m would have kept {length(loss.lost_m)} more room; the wheel was on "
                    f"average {wheel_words(attempt, loss.wheel_used_rad)}.")
    return None


def _over_line(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    for i, f in _faults(attempt, "tyre_over_line"):
        leg = _leg_at(attempt, f.t_start_s)
        if leg is None or f.value is None:
            continue
        after = _rolled_m(attempt, f.t_start_s, min(f.t_end_s, leg.t_end_s))
        how = "while pulling forward" if leg.direction > 0 else "in reverse"
        what = (f"a tyre went {length(f.value)} over the {words(f.where)} {how} at {clock(f.t_start_s)}, and stayed "
                f"over it for {after:.1f} m.")
        instead = (f"stop {max(after, 0.1):.1f} m sooner, before the front tyre reaches the line."
                   if leg.direction > 0 and leg is not attempt.legs[0] and f.t_end_s >= leg.t_end_s - 0.5 else
                   "watch the wheel on that side in the mirror, and take lock off before it reaches the line.")
        return Spoken(what, instead, "front corner", f.t_start_s, f.t_end_s, f.at_m, i)
    return None


def _dry(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    for i, f in _faults(attempt, "dry_steering"):
        if f.value is None or f.sd is None:
            continue
        per_m = Limits.of(attempt.vehicle).ordinary().wheel_per_m_rad
        side = "left" if f.value > 0 else "right"
        what = (f"the wheel was turned about {abs(f.value):.0f}° to the {side} (± {WIDE * f.sd:.0f}°) while the "
                f"vehicle stood, at {clock(f.t_start_s)}.")
        rolling_m = math.radians(abs(f.value)) / per_m
        instead = f"start to roll, then turn: that much takes about {rolling_m:.1f} m of rolling."
        return Spoken(what, instead, "roll then turn", f.t_start_s, f.t_end_s, f.at_m, i)
    return None


def _stopped(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    box, final = attempt.surveyed.stopping_box, attempt.final
    for i, f in _faults(attempt, "stopping_box"):
        if f.value is None or f.sd is None or final is None or box is None:
            continue
        if final.rear_x_m > box.x_max_m:
            room_m = f" and {length(final.barrier_m)} from the barrier" if final.barrier_m else ""
            what = f"the rear stopped {length(f.value)} short of the box ({margin(f.sd)}){room_m}."
            instead = f"there was room to creep back {length(-f.value)} to {length(final.rear_x_m - box.x_min_m)} more."
        else:
            what = f"the rear went {length(f.value)} past the back of the box ({margin(f.sd)})."
            instead = f"stop {length(f.value)} to {length(box.x_max_m - final.rear_x_m)} sooner."
        return Spoken(what, instead, "stop on the mark", f.t_start_s, f.t_end_s, f.at_m, i)
    return None


def _too_many_shunts(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    for i, f in _faults(attempt, "shunt_count"):
        what = f"{attempt.shunts} shunts were taken where {attempt.rules.shunts_allowed} are allowed."
        instead = "make each one half a vehicle length or more, with the wheel turned early."
        return Spoken(what, instead, "a shunt that counts", f.t_start_s, f.t_end_s, f.at_m, i)
    return None


def _askew(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    for i, f in _faults(attempt, "final_heading", counting=False):
        if f.value is None or f.sd is None:
            continue
        what = f"the vehicle ended {abs(f.value):.1f}° askew in the bay (± {WIDE * f.sd:.1f}°)."
        instead = f"a little {'right' if f.value < 0 else 'left'} lock in the last metres of reverse straightens it."
        return Spoken(what, instead, "straighten up", f.t_start_s, f.t_end_s, f.at_m, i)
    return None


def _unseen(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    for i, f in _faults(attempt, "mark_unseen", counting=False):
        if f.value is None:
            continue
        what = (f"at {clock(f.t_start_s)} the {words(f.where)} was {length(f.value)} away where no mirror has to show "
                "it.")
        return Spoken(what, "stop before a cone leaves the mirror, and look.", "round one cone", f.t_start_s,
                      f.t_end_s, f.at_m, i)
    return None


def _fast(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    for i, f in _faults(attempt, "speed_near_mark", counting=False):
        if f.value is None:
            continue
        what = f"past the {words(f.where)} at {clock(f.t_start_s)} the vehicle did {f.value:.1f} m/s."
        instead = f"walking pace, {attempt.rules.speed_limit_mps:.1f} m/s, leaves time to steer and to stop."
        return Spoken(what, instead, "slowly past the cone", f.t_start_s, f.t_end_s, f.at_m, i)
    return None


RULES = (
    Rule("bay lost", _lost),
    Rule("bay out of reach from the start", _gone),
    Rule("cone hit", _touched),
    Rule("tyre over line", _over_line),
    Rule("stopped outside the box", _stopped),
    Rule("turned while standing", _dry),
    Rule("too many shunts", _too_many_shunts),
    Rule("shunt that did not help", _poor_shunt),
    Rule("shunt not needed", _needless_shunt),
    Rule("largest loss of room", _largest_loss),
    Rule("place to start from", _start_place),
    Rule("ended askew", _askew),
    Rule("cone out of sight", _unseen),
    Rule("fast near a cone", _fast),
)


# ---- what went well, and words ----------------------------------------------------------------------------------


def _well(attempt: Attempt) -> str | None:
    """One sentence of praise that the findings are sure of."""
    sure = {f.kind for f in attempt.findings if f.verdict == "ok"} - {f.kind for f in attempt.findings
                                                                      if f.verdict != "ok"}
    reversed_any = any(leg.direction < 0 for leg in attempt.legs)
    if reversed_any and attempt.shunts == 0 and {"shunt_count", "tyre_over_line", "mark_touched"} <= sure:
        return "The whole reverse went in one movement, clear of every line and cone."
    for kind, sentence in (("mark_touched", "No cone was touched."),
                           ("tyre_over_line", "Every tyre stayed inside the side lines."),
                           ("stopping_box", "The rear stopped inside the box."),
                           ("final_heading", "The vehicle ended straight in the bay."),
                           ("dry_steering", "The wheel was only turned while rolling.")):
        if kind in sure:
            return sentence
    return None


def wheel_words(attempt: Attempt, wheel_rad: float) -> str:
    """'about half lock to the left (21°)', of the vehicle's own lock."""
    if abs(wheel_rad) < _STRAIGHT_RAD:
        return "nearly straight"
    share = abs(wheel_rad) / attempt.vehicle.max_wheel_rad
    much = next(word for limit, word in ((0.18, "a little"), (0.29, "about a quarter lock"),
                                         (0.42, "about a third lock"), (0.58, "about half lock"),
                                         (0.71, "about two thirds lock"), (0.88, "about three quarters lock"),
                                         (math.inf, "full lock")) if share < limit)
    return f"{much} to the {'left' if wheel_rad > 0 else 'right'} ({abs(math.degrees(wheel_rad)):.0f}°)"


def place_words(attempt: Attempt, t_s: float) -> str:
    """Where the rear of the vehicle was, by the nearest landmark along the course."""
    k = _index(attempt, t_s)
    m, course = attempt.motion, attempt.surveyed
    rear_x = float(m.x_m[k] + attempt.vehicle.x_rear_m * math.cos(m.heading_rad[k]))
    landmarks = {"the mouth of the bay": course.bay.x_max_m}
    if course.has_mark("pivot"):
        landmarks["the pivot cone"] = course.mark("pivot").x_m
    name = min(landmarks, key=lambda n: abs(rear_x - landmarks[n]))
    off = rear_x - landmarks[name]
    if abs(off) < 0.5:
        return f"with the rear level with {name}"
    return f"with the rear {abs(off):.0f} m {'before' if off > 0 else 'past'} {name}"


def _faults(attempt: Attempt, kind: str, *, counting: bool = True) -> Iterator[tuple[int, Finding]]:
    """Findings of a kind that are faults for sure, the worst first; with `counting` only those that count."""
    found = [(i, f) for i, f in enumerate(attempt.findings)
             if f.kind == kind and f.verdict == "fault" and (f.counts or not counting)]
    return iter(sorted(found, key=lambda p: -abs((p[1].value or 0.0) - (p[1].limit or 0.0))))


def _index(attempt: Attempt, t_s: float) -> int:
    return int(np.argmin(np.abs(attempt.motion.t_s - t_s)))


def _place(attempt: Attempt, t_s: float) -> tuple[float, float]:
    k = _index(attempt, t_s)
    return float(attempt.motion.x_m[k]), float(attempt.motion.y_m[k])


def _leg_at(attempt: Attempt, t_s: float) -> Leg | None:
    return next((leg for leg in attempt.legs if leg.t_start_s <= t_s <= leg.t_end_s), None)


def _rolled_m(attempt: Attempt, from_s: float, to_s: float) -> float:
    """Distance rolled between two times (m)."""
    m = attempt.motion
    inside = (m.t_s >= from_s) & (m.t_s <= to_s)
    return float(np.trapezoid(np.abs(m.speed_mps[inside]), m.t_s[inside]))
