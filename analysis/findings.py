"""What is worth telling about a run under a rule set: one small function per kind of finding, in a table.

To add a kind: name it in `rules.KINDS` with its usual severity, write a function from `Run` to `Finding`s, and
enter it in `MAKERS`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import reduce

import numpy as np

from analysis.attempt import (
    HIDDEN,
    AxleCheck,
    DryTurn,
    Final,
    Finding,
    Leg,
    Mirrors,
    Motion,
    SheetCheck,
    Steering,
    Stop,
    TrailerCheck,
    TrailerMotion,
)
from analysis.body import Body
from analysis.clearance import TRAILER, Clearances, Reading, nearer, outline_to_line, to_course_m
from analysis.course import Course, Line, Mark
from analysis.nodes import runs
from analysis.rules import Rules
from analysis.sheet_check import TRUSTED_M, is_wrong, of_one_scale, told
from analysis.track import Track
from analysis.vehicle import Vehicle
from analysis.wording import WIDE, call, clock, length, margin, words

_PUSHED_M = 0.10  # a barrier that may be touched has been pushed if met by more than this; from memory
_SHUNT_TAKES_S = 3.0  # a shunt cannot happen unseen in a shorter gap
_MOVED_BY_VEHICLE_M = 0.3  # a mark that moved while the vehicle came no nearer than this was moved by something else
_AXLE_TRUSTED_M = 0.15  # a bogie's or twin tyres' turning point may well lie this far from the axle's middle
_TRAILER_TRUSTED_M = 0.3  # a group of axles may well turn about a point this far from its middle
_NOTICED_WITHIN_S = 20.0  # a moved mark may be hidden by the vehicle for about so long


@dataclass(frozen=True)
class Run:
    """Everything the findings are made from. seen (n,) is False inside long gaps; start_wheel is (angle, sd);
    distances are of the whole combination, where there is a trailer."""

    vehicle: Vehicle
    course: Course
    rules: Rules
    track: Track
    motion: Motion
    seen: np.ndarray
    stops: tuple[Stop, ...]
    legs: tuple[Leg, ...]
    shunts: tuple[Leg, ...]
    dry: tuple[DryTurn, ...]
    start_wheel: tuple[float, float] | None
    distances: Clearances
    final: Final | None
    mirrors: Mirrors
    steering: Steering = field(default_factory=Steering)
    axle: AxleCheck | None = None
    trailer: TrailerMotion | None = None
    trailer_check: TrailerCheck | None = None
    sheet: tuple[SheetCheck, ...] = ()


def findings_of(run: Run) -> tuple[Finding, ...]:
    """All findings, in order of time within their kind; those of ignored kinds are left out."""
    out: list[Finding] = []
    for kind, maker in MAKERS.items():
        if run.rules.severity.get(kind, "note") != "ignore":
            out.extend(replace(f, points=_points(run.rules, f))
                       for f in sorted(maker(run), key=lambda f: f.t_start_s))
    return tuple(out)


def _points(rules: Rules, finding: Finding) -> int:
    """What the finding costs if it is a fault. Of shunts, those beyond the allowed number count each."""
    if finding.verdict == "ok" or finding.severity != "fault":
        return 0
    each = rules.points.get(finding.kind, 0)
    if finding.kind == "shunt_count" and finding.value is not None and finding.limit is not None:
        return each * max(1, round(finding.value - finding.limit))
    return each


def _make(run: Run, kind: str, where: str, verdict: str, span: tuple[float, float], value: float | None,
          sd: float | None, unit: str, limit: float | None, at_m: tuple[float, float] | None, sentence: str,
          severity: str | None = None) -> Finding:
    return Finding(kind, where, verdict, severity or run.rules.severity.get(kind, "note"), float(span[0]),
                   float(span[1]), value, sd, unit, limit, at_m, sentence[0].upper() + sentence[1:])


@dataclass(frozen=True)
class _Worst:
    """The least of a reading over the run against its limit."""

    k: int
    verdict: str
    value: float
    sd: float
    span: tuple[float, float]
    at_m: tuple[float, float]
    part: str


def _worst(run: Run, reading: Reading, limit: float) -> _Worst:
    """The worst seen moment; 'not seen' when all that was seen is well but a gap may hide worse."""
    t = run.motion.t_s
    value = np.where(run.seen, reading.value_m, np.inf)
    k = int(np.argmin(value))
    verdict = call(float(reading.value_m[k]), float(reading.sd_m[k]), limit)
    hidden = ~run.seen
    if verdict == "ok" and np.any(reading.value_m[hidden] - WIDE * reading.sd_m[hidden] < limit):
        verdict = "not seen"
        k = int(np.argmin(np.where(hidden, reading.value_m - WIDE * reading.sd_m, np.inf)))
    span = (float(t[k]), float(t[k]))
    for first, last in runs(reading.value_m < limit):
        if first <= k <= last:
            span = (float(t[first]), float(t[last]))
    return _Worst(k, verdict, float(reading.value_m[k]), float(reading.sd_m[k]), span,
                  (float(reading.place_m[k, 0]), float(reading.place_m[k, 1])), reading.names[reading.part[k]])


def _worst_of_bodies(run: Run, readings: list[Reading], limit: float) -> list[_Worst]:
    """The worst of each body that is not well, a crossing that both share once; of all together where all are well."""
    worst = sorted((_worst(run, r, limit) for r in readings), key=lambda w: w.value)
    out = [w for w in worst[:1] if w.verdict != "ok"]
    out += [w for w in worst[1:] if w.verdict != "ok" and not any(
        w.verdict == o.verdict and w.span[0] <= o.span[1] and o.span[0] <= w.span[1] for o in out)]
    return out or worst[:1]


def _each_crossing(run: Run, reading: Reading, limit: float) -> list[_Worst]:
    """The worst moment of each time the reading fell below its limit, or the single worst when it never did.

    Two times are one unless the reading rose clear above the limit, beyond its uncertainty, in between."""
    worst = _worst(run, reading, limit)
    below = run.seen & (reading.value_m < limit)
    clear = run.seen & (reading.value_m - WIDE * reading.sd_m > limit)
    spans: list[tuple[int, int]] = []
    for first, last in runs(below):
        if spans and not np.any(clear[spans[-1][1]:first]):
            first = spans.pop()[0]
        spans.append((first, last))
    if len(spans) < 2:
        return [worst]
    out, t = [], run.motion.t_s
    for first, last in spans:
        k = first + int(np.argmin(np.where(run.seen, reading.value_m, np.inf)[first:last + 1]))
        value, sd = float(reading.value_m[k]), float(reading.sd_m[k])
        out.append(_Worst(k, call(value, sd, limit), value, sd, (float(t[first]), float(t[last])),
                          (float(reading.place_m[k, 0]), float(reading.place_m[k, 1])),
                          reading.names[reading.part[k]]))
    return out


def _tyre_over_line(run: Run) -> Iterator[Finding]:
    full = run.rules.tyre_reading == "full_width"
    whole = "the full width of the " if full else ""
    limit = -run.rules.tyre_tolerance_m
    of_lines = [(line, w) for line in run.distances.tyre for w in _worst_of_bodies(
        run, [(d.tyre_full if full else d.tyre)[line] for d in run.distances.of_bodies], limit)]
    for line, w in of_lines:
        tyre, name, when = words(w.part) + " tyre", words(line), clock(run.motion.t_s[w.k])
        if w.verdict == "not seen":
            sentence = f"the vehicle was out of sight about {when}, when a tyre may have been over the {name}."
        elif w.verdict == "fault":
            sentence = f"{whole}{tyre} {length(w.value)} over the {name} at {when} ({margin(w.sd)})."
        elif w.verdict == "ok":
            sentence = (f"{'no tyre had its full width' if full else 'no tyre was'} over the {name}; nearest was the "
                        f"{tyre}, {length(w.value)} inside at {when} ({margin(w.sd)}).")
        else:
            side = "inside" if w.value >= 0 else "over"
            sentence = (f"{whole}{tyre} {length(w.value)} {side} the {name} at {when} ({margin(w.sd)}): too close to "
                        "call from this clip.")
        yield _make(run, "tyre_over_line", line, w.verdict, w.span, w.value, w.sd, "m", limit, w.at_m, sentence)


def _body_over_line(run: Run) -> Iterator[Finding]:
    """Bodywork, and mirrors where the rules say so, over a line; each time of its own where the rules count so."""
    mirrors = run.rules.body_reading == "with_mirrors"
    for line, reading in run.distances.body.items():
        if run.rules.count_each_crossing:
            worst = _each_crossing(run, nearer(reading, run.distances.mirror[line]) if mirrors else reading, 0.0)
        else:
            worst = _worst_of_bodies(run, [nearer(d.body[line], d.mirror[line]) if mirrors and line in d.mirror
                                           else d.body[line] for d in run.distances.of_bodies], 0.0)
        for w in worst:
            if w.verdict == "ok":
                continue
            when, name = clock(run.motion.t_s[w.k]), words(line)
            part = "bodywork or mirror" if mirrors and w.part != TRAILER else _bodywork(w.part)
            if w.verdict == "not seen":
                sentence = f"the vehicle was out of sight about {when}, when {part} may have been over the {name}."
            else:
                side = "over" if w.value < 0 else "inside"
                sentence = f"{part} {length(w.value)} {side} the {name} at {when} ({margin(w.sd)})."
            yield _make(run, "body_over_line", line, w.verdict, w.span, w.value, w.sd, "m", 0.0, w.at_m, sentence)


def _bodywork(part: str) -> str:
    """What a reading's part is called in a sentence."""
    if part.endswith(("mirror", " tyre")):
        return part
    return "the trailer's bodywork" if part == TRAILER else "bodywork"


def _mark_touched(run: Run) -> Iterator[Finding]:
    t = run.motion.t_s
    events = {e.name: e for e in run.track.mark_events}
    for mark in run.course.marks:
        reading, name = run.distances.mark[mark.name], words(mark.name)
        w = _worst(run, reading, 0.0)
        where = (mark.x_m, mark.y_m)
        if mark.name in events:
            event = events[mark.name]
            near = (t <= event.t_s + 1.0) & (t >= event.t_s - _NOTICED_WITHIN_S)
            closest = float(np.min(reading.value_m[near])) if np.any(near) else math.inf
            if closest < _MOVED_BY_VEHICLE_M:
                # It was hit when the body first came as near as it ever did, as far as can be told.
                k = int(np.flatnonzero(near & (reading.value_m <= closest + reading.sd_m))[0])
                by = " by the trailer" if reading.names[reading.part[k]].startswith(TRAILER) else ""
                yield _make(run, "mark_touched", mark.name, "fault", (t[k], max(event.t_s, t[k])),
                            float(reading.value_m[k]), float(reading.sd_m[k]), "m", 0.0, where,
                            f"the {name} was knocked{by}: it moved {length(event.moved_m)} ({margin(event.sd_m)}), "
                            f"seen at {clock(event.t_s)}.")
                continue
            yield _make(run, "mark_touched", mark.name, "ok", (event.t_s, event.t_s), w.value, w.sd, "m", 0.0, where,
                        f"the {name} moved {length(event.moved_m)} at {clock(event.t_s)}, but the vehicle came no "
                        f"nearer than {length(w.value)}.", severity="note")
            continue
        if not math.isfinite(w.value):
            continue
        when, part = clock(t[w.k]), _bodywork(w.part)
        if w.verdict == "not seen":
            sentence = f"the vehicle was out of sight about {when}, when it may have touched the {name}."
        elif w.verdict == "fault":
            sentence = f"{part} {length(w.value)} into the {name} at {when} ({margin(w.sd)})."
        elif w.verdict == "ok":
            sentence = f"{part} passed the {name} with {length(w.value)} to spare at {when} ({margin(w.sd)})."
        else:
            sentence = (f"{part} within {length(w.value)} of the {name} at {when} ({margin(w.sd)}): too close to call "
                        "from this clip, and the cone was not seen to move.")
        yield _make(run, "mark_touched", mark.name, w.verdict, w.span, w.value, w.sd, "m", 0.0, where, sentence)


def _mark_close(run: Run) -> Iterator[Finding]:
    for mark in run.course.marks:
        w = _worst(run, run.distances.mark[mark.name], run.rules.near_mark_m)
        if w.verdict != "fault" or w.value < 0:
            continue
        yield _make(run, "mark_close", mark.name, w.verdict, w.span, w.value, w.sd, "m", run.rules.near_mark_m,
                    (mark.x_m, mark.y_m), f"close to the {words(mark.name)}: {length(w.value)} at "
                    f"{clock(run.motion.t_s[w.k])} ({margin(w.sd)}).")


def _shunt_count(run: Run) -> Iterator[Finding]:
    n, allowed = len(run.shunts), run.rules.shunts_allowed
    t = run.motion.t_s
    reverse = [leg for leg in run.legs if leg.direction < 0]
    span = (reverse[0].t_start_s, reverse[-1].t_end_s) if reverse else (t[0], t[-1])
    verdict = "ok" if n <= allowed else "fault"
    if verdict == "ok":
        for first, last in runs(~run.seen):
            if t[last] - t[first] > _SHUNT_TAKES_S and t[last] > span[0] and t[first] < span[1]:
                verdict = "not seen"
    count = "no shunts" if n == 0 else "1 shunt" if n == 1 else f"{n} shunts"
    times = f", at {', '.join(clock(leg.t_start_s) for leg in run.shunts)}" if run.shunts else ""
    hidden = "; the vehicle was out of sight long enough to hide another" if verdict == "not seen" else ""
    yield _make(run, "shunt_count", "reverse", verdict, span, float(n), 0.0, "1", float(allowed), None,
                f"{count}{times}; {allowed} allowed{hidden}.")


def _dry_steering(run: Run) -> Iterator[Finding]:
    rules = run.rules
    tolerance = math.degrees(rules.dry_tolerance_rad)
    for turn in run.dry:
        verdict = ("fault" if turn.probability >= rules.dry_probability else
                   "ok" if turn.probability <= 1 - rules.dry_probability else "too close to call")
        angle, half = math.degrees(turn.angle_rad), WIDE * math.degrees(turn.sd_rad)
        side = "left" if angle > 0 else "right"
        figures = f"{abs(angle):.0f}° to the {side} ± {half:.0f}°"
        when = f"at the stop at {clock(turn.t_start_s)}"
        if verdict == "fault":
            sentence = f"wheel turned while standing, {when}: {figures}."
        elif verdict == "ok":
            sentence = f"no sign of the wheel being turned while standing, {when}."
        else:
            sentence = (f"the wheel may have been turned while standing, {when}: {figures}; "
                        f"{100 * turn.probability:.0f} % likely to be more than {tolerance:.0f}°.")
        k = int(np.argmin(np.abs(run.motion.t_s - turn.t_end_s)))
        yield _make(run, "dry_steering", "stop", verdict, (turn.t_start_s, turn.t_end_s), angle,
                    math.degrees(turn.sd_rad), "deg", tolerance, _front_axle(run, k), sentence)
    if run.start_wheel and run.legs:
        angle, sd = math.degrees(run.start_wheel[0]), math.degrees(run.start_wheel[1])
        if abs(angle) - WIDE * sd > tolerance:
            end = run.stops[0].t_end_s
            side = "left" if angle > 0 else "right"
            yield _make(run, "dry_steering", "start", "not seen", (run.stops[0].t_start_s, end), angle, sd, "deg",
                        tolerance, _front_axle(run, 0),
                        f"the wheel already stood {abs(angle):.0f}° to the {side} (± {WIDE * sd:.0f}°) when the "
                        "vehicle first moved off; when it was turned is not in the clip.", severity="note")


def _crawl_steering(run: Run) -> Iterator[Finding]:
    limit = math.degrees(run.rules.crawl_limit_rad_per_m)
    for turn in run.steering.crawls:
        value, sd = math.degrees(turn.per_m_rad), math.degrees(turn.sd_per_m_rad)
        verdict = call(-abs(value), sd, -limit)
        if verdict == "ok":
            continue
        side, when = "left" if value > 0 else "right", clock(turn.t_start_s)
        k = int(np.argmin(np.abs(run.motion.t_s - turn.t_start_s)))
        doubt = ": too close to call" if verdict == "too close to call" else ""
        yield _make(run, "crawl_steering", "leg", verdict, (turn.t_start_s, turn.t_end_s), value, sd, "deg/m", limit,
                    _front_axle(run, k), f"wheel turned {abs(value):.0f}° to the {side} (± {WIDE * sd:.0f}°) within "
                    f"one metre of rolling at {when}; limit {limit:.0f}°{doubt}.")


def _data_sheet(run: Run) -> Iterator[Finding]:
    """Do the vehicle and its trailer turn about the axles that their file states, and look as large?"""
    t = run.motion.t_s
    check, towed = run.axle, run.trailer_check
    if check is not None and abs(check.offset_m) - WIDE * check.sd_m > _AXLE_TRUSTED_M:
        side = "ahead of" if check.offset_m > 0 else "behind"
        yield _make(run, "data_sheet", "rear axle", "fault", (t[0], t[-1]), check.offset_m, check.sd_m, "m",
                    _AXLE_TRUSTED_M, None, f"the vehicle turns about a point {length(check.offset_m)} {side} the rear "
                    f"axle in its file ({margin(check.sd_m)}): wrong data sheet or wrong vehicle? Measure wheelbase "
                    "and front overhang; clearances and wheel angles here may be off.", severity="note")
    if towed is not None and abs(towed.hitch_to_axle_m - towed.stated_m) - WIDE * towed.sd_m > _TRAILER_TRUSTED_M:
        yield _make(run, "data_sheet", "trailer axle", "fault", (t[0], t[-1]), towed.hitch_to_axle_m - towed.stated_m,
                    towed.sd_m, "m", _TRAILER_TRUSTED_M, None, f"the trailer turns about a point "
                    f"{length(towed.hitch_to_axle_m)} behind the coupling ({margin(towed.sd_m)}), not "
                    f"{length(towed.stated_m)} as in its file: wrong data sheet, wrong trailer, or a lifted or steered "
                    "axle? Measure from the coupling to the middle of the axles that stand on the ground; clearances "
                    "of the trailer here may be off.", severity="note")
    for sheet in run.sheet:
        if is_wrong(sheet) and not (sheet.what == "width" and of_one_scale(run.sheet)):
            yield _make(run, "data_sheet", sheet.what, "fault", (t[0], t[-1]), sheet.seen_m - sheet.entered_m,
                        sheet.sd_m, "m", TRUSTED_M[sheet.what], None, told(sheet, run.sheet), severity="note")


def _jack_knife(run: Run) -> Iterator[Finding]:
    """Did the combination bend further than the rules or its data sheet allow?"""
    trailer, towed = run.vehicle.trailer, run.trailer
    if trailer is None or towed is None:
        return
    limit = min(run.rules.articulation_limit_rad or math.inf, trailer.max_articulation_rad)
    k = int(np.argmax(np.where(run.seen, np.abs(towed.angle_rad), -1.0)))
    verdict = call(-abs(float(towed.angle_rad[k])), float(towed.sd_rad[k]), -limit)
    t, hidden = run.motion.t_s, ~run.seen
    span = next(((float(t[a]), float(t[b])) for a, b in runs(np.abs(towed.angle_rad) > limit) if a <= k <= b),
                (float(t[k]), float(t[k])))
    angle, sd = math.degrees(towed.angle_rad[k]), math.degrees(towed.sd_rad[k])
    bent = (f"{abs(angle):.0f}° between vehicle and trailer (± {WIDE * sd:.1f}°), its tail to the "
            f"{'right' if angle > 0 else 'left'}, at {clock(t[k])}")
    allowed = f"{math.degrees(limit):.0f}°"
    sentence = {"ok": f"at most {bent}; limit {allowed}.", "fault": f"{bent}: beyond the limit of {allowed}."}.get(
        verdict, f"{bent}; limit {allowed}: too close to call from this clip.")
    if verdict == "ok" and np.any(np.abs(towed.angle_rad[hidden]) + WIDE * towed.sd_rad[hidden] > limit):
        verdict, sentence = "not seen", f"the combination was out of sight when it may have bent beyond {allowed}."
    at = to_course_m(run.motion, np.array([[trailer.hitch_x_m, 0.0]]))[k, 0]
    yield _make(run, "jack_knife", "coupling", verdict, span, angle, sd, "deg", math.degrees(limit),
                (float(at[0]), float(at[1])), sentence)


def _front_axle(run: Run, k: int) -> tuple[float, float]:
    p = to_course_m(run.motion, np.array([[run.vehicle.wheelbase_m, 0.0]]))[k, 0]
    return float(p[0]), float(p[1])


def _end_not_seen(run: Run, kind: str, where: str) -> Finding:
    t = float(run.motion.t_s[-1])
    last = run.motion.t_s[np.flatnonzero(run.seen)[-1]] if np.any(run.seen) else t
    return _make(run, kind, where, "not seen", (last, t), None, None, "m", None, None,
                 "the end of the run was not seen.")


def _stopping_box(run: Run) -> Iterator[Finding]:
    if not run.rules.rear_inside_box or run.course.stopping_box is None:
        return
    if run.final is None:
        yield _end_not_seen(run, "stopping_box", "stopping box")
        return
    box, final = run.course.stopping_box, run.final
    t = float(run.motion.t_s[-1])
    short, beyond = box.x_max_m - final.rear_x_m, final.rear_x_m - box.x_min_m
    inside = min(short, beyond)
    verdict = call(inside, final.sd_rear_x_m, 0.0)
    if inside >= 0:
        place = (f"inside the stopping box, {length(beyond)} from the back line and {length(short)} from its front "
                 "edge")
    else:
        place = f"{length(inside)} short of the stopping box" if short < 0 else f"{length(inside)} past the back line"
    doubt = ": too close to call from this clip" if verdict == "too close to call" else ""
    rear = "the trailer's rear" if run.trailer else "rear"
    yield _make(run, "stopping_box", "stopping box", verdict, (t, t), inside, final.sd_rear_x_m, "m", 0.0,
                (final.rear_x_m, final.lateral_m), f"{rear} {place} ({margin(final.sd_rear_x_m)}){doubt}.")


def _barrier(run: Run) -> Iterator[Finding]:
    if run.distances.barrier is None:
        return
    limit = -_PUSHED_M if run.rules.barrier_touch_allowed else 0.0
    w = _worst(run, run.distances.barrier, limit)
    when = clock(run.motion.t_s[w.k])
    if w.verdict == "not seen":
        sentence = f"the vehicle was out of sight about {when}, when it may have met the barrier."
    elif w.value >= 0:
        sentence = f"rear came to {length(w.value)} from the barrier ({margin(w.sd)})."
    else:
        sentence = f"rear met the barrier by {length(w.value)} at {when} ({margin(w.sd)})."
    yield _make(run, "barrier", "barrier", w.verdict, w.span, w.value, w.sd, "m", limit, w.at_m, sentence)


def _final_heading(run: Run) -> Iterator[Finding]:
    if run.final is None:
        yield _end_not_seen(run, "final_heading", "bay")
        return
    final, limit = run.final, run.rules.final_heading_limit_rad
    t = float(run.motion.t_s[-1])
    verdict = call(-abs(final.heading_rad), final.sd_heading_rad, -limit)
    angle, sd = math.degrees(final.heading_rad), math.degrees(final.sd_heading_rad)
    side = "left" if angle > 0 else "right"
    nose = "with the trailer's front" if run.trailer else "nose"
    lean = f"{nose} {abs(angle):.1f}° to the {side} of the bay's line" if abs(angle) >= 0.05 else "square in the bay"
    yield _make(run, "final_heading", "bay", verdict, (t, t), angle, sd, "deg", math.degrees(limit),
                (final.rear_x_m, final.lateral_m), f"finished {lean} (± {WIDE * sd:.1f}°).")


def _forward_pair(run: Run) -> Iterator[Finding]:
    """Did the middle of the front come level with the forward pair, between its two cones?"""
    if not run.rules.forward_pair_must_reach or not run.course.has_marks("forward_left", "forward_right"):
        return
    a, b = run.course.mark("forward_left"), run.course.mark("forward_right")
    front = to_course_m(run.motion, np.array([[run.vehicle.x_front_m, 0.0]]))[:, 0]
    ahead = _ahead_of_pair(front, a, b)
    level = np.where(run.seen, ahead, -np.inf)
    k = int(np.argmax(level))
    value, sd = float(level[k]), float(run.motion.sd(0)[k])
    verdict = call(value, sd, 0.0)
    across = (front[k] - [a.x_m, a.y_m]) @ [b.x_m - a.x_m, b.y_m - a.y_m] / ((b.x_m - a.x_m)**2 + (b.y_m - a.y_m)**2)
    when = clock(run.motion.t_s[k])
    hidden = ~run.seen
    if verdict == "fault" and np.any(ahead[hidden] + WIDE * run.motion.sd(0)[hidden] >= 0):
        verdict, sentence = "not seen", "the vehicle was out of sight when it may have reached the forward cones."
    elif verdict != "fault" and not 0 < across < 1:
        verdict, sentence = "fault", f"the front passed outside the forward cones at {when}."
    elif value < 0:
        sentence = f"the front stopped {length(value)} short of the forward cones at {when} ({margin(sd)})."
    else:
        sentence = f"the front came {length(value)} past the forward cones at {when} ({margin(sd)})."
    yield _make(run, "forward_pair", "forward pair", verdict, (run.motion.t_s[k],) * 2, value, sd, "m", 0.0,
                (float(front[k, 0]), float(front[k, 1])), sentence)


def _ahead_of_pair(front: np.ndarray, a: Mark, b: Mark) -> np.ndarray:
    """(n,) how far points (n, 2) are past the line through the pair, away from the bay (m)."""
    d = np.array([b.x_m - a.x_m, b.y_m - a.y_m])
    normal = np.array([d[1], -d[0]]) / np.hypot(*d)
    if normal[0] < 0:
        normal = -normal
    return (front - [a.x_m, a.y_m]) @ normal


def _inside_bay(run: Run) -> Iterator[Finding]:
    """Is the whole body inside the bay at the end, its front past the first cones?"""
    if not run.rules.whole_inside_bay:
        return
    if run.final is None:
        yield _end_not_seen(run, "inside_bay", "bay")
        return
    sides = {"bay's " + name + (" line" if name in ("front", "back") else " side"): line
             for name, line in run.course.bay.sides().items()}
    if run.course.has_marks("mouth_left", "mouth_right"):  # where the first cones really stand
        a, b = run.course.mark("mouth_right"), run.course.mark("mouth_left")
        del sides["bay's front line"]
        sides["first cones"] = Line("first cones", a.x_m, a.y_m, b.x_m, b.y_m, 0.1, 1)
    bodies: list[tuple[Body, Motion]] = [(run.vehicle, run.motion)]
    if run.vehicle.trailer and run.trailer:
        bodies.append((run.vehicle.trailer, run.trailer.body))
    sd_m = run.distances.usual_sd_m
    readings = {name: reduce(nearer, (outline_to_line(motion, body.body_outline_m(), line, sd_m, name)
                                      for body, motion in bodies)) for name, line in sides.items()}
    worst = min(readings, key=lambda name: readings[name].value_m[-1])
    value, sd = float(readings[worst].value_m[-1]), float(readings[worst].sd_m[-1])
    verdict, t = call(value, sd, 0.0), float(run.motion.t_s[-1])
    if worst == "first cones":
        place = f"front {length(value)} {'past' if value >= 0 else 'short of passing'} the first cones"
    else:
        place = f"bodywork {length(value)} {'inside' if value >= 0 else 'over'} the {worst}"
    doubt = ": too close to call from this clip" if verdict == "too close to call" else ""
    whole = "whole vehicle inside the bay at the end; nearest: " if verdict == "ok" else "at the end, "
    p = readings[worst].place_m[-1]
    yield _make(run, "inside_bay", worst, verdict, (t, t), value, sd, "m", 0.0, (float(p[0]), float(p[1])),
                f"{whole}{place} ({margin(sd)}){doubt}.")


def _looks(run: Run) -> Iterator[Finding]:
    """Getting out to look is not seen from above; the rule set's number is told, to be counted by a person."""
    if run.rules.looks_allowed is None:
        return
    t = run.motion.t_s
    n = run.rules.looks_allowed
    yield _make(run, "looks", "driver", "not seen", (t[0], t[-1]), None, None, "1", float(n), None,
                f"whether the driver got out to look is not measured from above; {n} allowed: count them yourself.",
                severity="note")


def _speed_near_mark(run: Run) -> Iterator[Finding]:
    nearest = np.min([r.value_m for r in run.distances.mark.values()], axis=0)
    near = run.seen & (nearest < run.rules.near_mark_m)
    if not np.any(near):
        return
    speed = np.abs(run.motion.speed_mps)
    k = int(np.argmax(np.where(near, speed, -1)))
    sd = float(run.motion.sd(3)[k])
    verdict = call(-float(speed[k]), sd, -run.rules.speed_limit_mps)
    name = min(run.distances.mark, key=lambda m: float(run.distances.mark[m].value_m[k]))
    t = float(run.motion.t_s[k])
    yield _make(run, "speed_near_mark", name, verdict, (t, t), float(speed[k]), sd, "m/s", run.rules.speed_limit_mps,
                (float(run.motion.x_m[k]), float(run.motion.y_m[k])),
                f"{speed[k]:.1f} m/s (± {WIDE * sd:.1f}) near the {words(name)} at {clock(t)}; "
                f"limit {run.rules.speed_limit_mps:.1f} m/s.")


def _mark_unseen(run: Run) -> Iterator[Finding]:
    """While reversing, a mark near the body in neither mirror's field."""
    t = run.motion.t_s
    reversing = np.zeros(len(t), bool)
    for leg in run.legs:
        reversing |= (leg.direction < 0) & (t >= leg.t_start_s) & (t <= leg.t_end_s)
    for mark in run.course.marks:
        if mark.name not in run.mirrors.views:
            continue
        reading = run.distances.mark[mark.name]
        hidden = reversing & run.seen & (run.mirrors.views[mark.name].state == HIDDEN)
        k = int(np.argmin(np.where(hidden, reading.value_m, np.inf)))
        value, sd, limit = float(reading.value_m[k]), float(reading.sd_m[k]), run.rules.unseen_mark_m
        if not hidden[k] or call(value, sd, limit) != "fault":
            continue
        span = next((float(t[a]), float(t[b])) for a, b in runs(hidden & (reading.value_m < limit)) if a <= k <= b)
        yield _make(run, "mark_unseen", mark.name, "fault", span, value, sd, "m", limit, (mark.x_m, mark.y_m),
                    f"the {words(mark.name)} was {length(value)} away ({margin(sd)}) at {clock(t[k])} where no mirror "
                    "has to show it (a model of the mirrors, not of where the driver looked).")


MAKERS: dict[str, Callable[[Run], Iterator[Finding]]] = {
    "tyre_over_line": _tyre_over_line,
    "body_over_line": _body_over_line,
    "mark_touched": _mark_touched,
    "mark_close": _mark_close,
    "shunt_count": _shunt_count,
    "dry_steering": _dry_steering,
    "crawl_steering": _crawl_steering,
    "stopping_box": _stopping_box,
    "barrier": _barrier,
    "final_heading": _final_heading,
    "forward_pair": _forward_pair,
    "speed_near_mark": _speed_near_mark,
    "inside_bay": _inside_bay,
    "looks": _looks,
    "mark_unseen": _mark_unseen,
    "jack_knife": _jack_knife,
    "data_sheet": _data_sheet,
}
