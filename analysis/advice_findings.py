"""Rules of advice that rest on the findings: what counts against the run, and what to do about it."""

from __future__ import annotations

import math
from collections.abc import Iterator

from analysis.advice_room import loss_before
from analysis.advice_words import Spoken, index_at, leg_at, rolled_m, wheel_before_rad
from analysis.attempt import Attempt, Finding
from analysis.room.nouns import Limits, RoomAlong
from analysis.wording import WIDE, clock, length, margin, words

_STRAIGHT_RAD = math.radians(2.0)  # a wheel within this is held straight by any driver
_LED_UP_M = 3.0  # the metres before a touch whose steering brought it about


def touched(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    for i, f in _faults(attempt, "mark_touched"):
        if not attempt.surveyed.has_mark(f.where):
            continue
        how, instead = _how_touched(attempt, f)
        instead, sooner = loss_before(attempt, room, f.t_start_s) or (instead, None)
        what = f"the {words(f.where)} was hit at {clock(f.t_start_s)}{how}."
        return Spoken(what, instead, "round one cone", *_shown(f), i, sooner)
    return None


def _how_touched(attempt: Attempt, f: Finding) -> tuple[str, str]:
    """Which side, and whether the turn closed on the cone or the front swung out to it."""
    if attempt.trailer:
        return "", "stop when the gap closes below half a metre, and look; pull forward before it closes further."
    mark, k = attempt.surveyed.mark(f.where), index_at(attempt, f.t_start_s)
    m = attempt.motion
    c, s = math.cos(m.heading_rad[k]), math.sin(m.heading_rad[k])
    dx, dy = mark.x_m - m.x_m[k], mark.y_m - m.y_m[k]
    ahead, left = c * dx + s * dy, -s * dx + c * dy
    side = "left" if left > 0 else "right"
    turned = wheel_before_rad(attempt, f.t_start_s, _LED_UP_M) * (1 if left > 0 else -1)  # positive: to the cone's side
    if ahead < attempt.vehicle.x_rear_m:
        return ", with the rear", "stop while the cone is still in a mirror, and look again before going on."
    if turned > _STRAIGHT_RAD and ahead < attempt.vehicle.wheelbase_m:
        return (f" by the {side} side, on the inside of the turn",
                "take some lock off sooner, so that the side stays a metre off the cone.")
    if turned < -_STRAIGHT_RAD and ahead > 0:
        return (f" by the {side} side, as the front swung out",
                f"keep a metre more to the {'right' if left > 0 else 'left'} before the wheel is turned away from it.")
    return f" by the {side} side", "stop when the gap closes below half a metre, and look."


def over_line(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    for i, f in _faults(attempt, "tyre_over_line"):
        leg = leg_at(attempt, f.t_start_s)
        if leg is None or f.value is None:
            continue
        after = rolled_m(attempt, f.t_start_s, min(f.t_end_s, leg.t_end_s))
        how = "while pulling forward" if leg.direction > 0 else "in reverse"
        what = (f"a tyre went {length(f.value)} over the {words(f.where)} {how} at {clock(f.t_start_s)}, and stayed "
                f"over it for {after:.1f} m.")
        instead = ("stop before a tyre reaches the line, and pull forward until vehicle and trailer stand in line."
                   if attempt.trailer else
                   f"stop {max(after, 0.1):.1f} m sooner, before the front tyre reaches the line."
                   if leg.direction > 0 and leg is not attempt.legs[0] and f.t_end_s >= leg.t_end_s - 0.5 else
                   "watch the wheel on that side in the mirror, and take lock off before it reaches the line.")
        return Spoken(what, instead, "follow the trailer" if attempt.trailer else "front corner", *_shown(f), i)
    return None


def dry(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    for i, f in _faults(attempt, "dry_steering"):
        if f.value is None or f.sd is None:
            continue
        per_m = Limits.of(attempt.vehicle).ordinary().wheel_per_m_rad
        side = "left" if f.value > 0 else "right"
        what = (f"the wheel was turned about {abs(f.value):.0f}° to the {side} (± {WIDE * f.sd:.0f}°) while the "
                f"vehicle stood, at {clock(f.t_start_s)}.")
        rolling_m = math.radians(abs(f.value)) / per_m
        instead = f"start to roll, then turn: that much takes about {rolling_m:.1f} m of rolling."
        return Spoken(what, instead, "roll then turn", *_shown(f), i)
    return None


def folded(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    for i, f in _faults(attempt, "jack_knife"):
        if f.value is None or f.sd is None:
            continue
        what = (f"vehicle and trailer folded to {abs(f.value):.0f}° (± {WIDE * f.sd:.0f}°) at {clock(f.t_start_s)}, "
                f"where {f.limit:.0f}° is the limit.")
        instead = "when the trailer begins to fold, stop and pull forward: reversing on only folds it further."
        return Spoken(what, instead, "follow the trailer", *_shown(f), i)
    return None


def stopped(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
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
        return Spoken(what, instead, "stop on the mark", *_shown(f), i)
    return None


def too_many_shunts(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    for i, f in _faults(attempt, "shunt_count"):
        what = f"{attempt.shunts} shunts were taken where {attempt.rules.shunts_allowed} are allowed."
        instead = "make each one half a vehicle length or more, with the wheel turned early."
        return Spoken(what, instead, "a shunt that counts", *_shown(f), i)
    return None


def askew(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    for i, f in _faults(attempt, "final_heading", counting=False):
        if f.value is None or f.sd is None:
            continue
        last = "trailer" if attempt.trailer else "vehicle"
        what = f"the {last} ended {abs(f.value):.1f}° askew in the bay (± {WIDE * f.sd:.1f}°)."
        instead = ("pull forward until vehicle and trailer stand in line with the bay, then reverse straight."
                   if attempt.trailer else
                   f"a little {'right' if f.value < 0 else 'left'} lock in the last metres of reverse straightens it.")
        return Spoken(what, instead, "straighten up", *_shown(f), i)
    return None


def unseen(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    for i, f in _faults(attempt, "mark_unseen", counting=False):
        if f.value is None:
            continue
        what = (f"at {clock(f.t_start_s)} the {words(f.where)} was {length(f.value)} away where no mirror has to show "
                "it.")
        return Spoken(what, "stop before a cone leaves the mirror, and look.", "round one cone",
                      *_shown(f), i)
    return None


def fast(attempt: Attempt, room: RoomAlong | None) -> Spoken | None:
    for i, f in _faults(attempt, "speed_near_mark", counting=False):
        if f.value is None:
            continue
        what = (f"the vehicle passed the {words(f.where)} at {3.6 * f.value:.0f} km/h ({f.value:.1f} m/s), at "
                f"{clock(f.t_start_s)}: faster than walking pace.")
        limit = attempt.rules.speed_limit_mps
        instead = f"no more than {3.6 * limit:.0f} km/h ({limit:.1f} m/s) leaves time to steer and to stop."
        return Spoken(what, instead, "slowly past the cone", *_shown(f), i)
    return None


def _shown(f: Finding) -> tuple[float, tuple[float, float], tuple[float, float] | None]:
    return f.t_start_s, (f.t_start_s, f.t_end_s), f.at_m


def _faults(attempt: Attempt, kind: str, *, counting: bool = True) -> Iterator[tuple[int, Finding]]:
    """Findings of a kind that are faults for sure, the worst first; with `counting` only those that count."""
    found = [(i, f) for i, f in enumerate(attempt.findings)
             if f.kind == kind and f.verdict == "fault" and (f.counts or not counting)]
    return iter(sorted(found, key=lambda p: -abs((p[1].value or 0.0) - (p[1].limit or 0.0))))
