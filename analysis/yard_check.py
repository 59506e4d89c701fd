"""Is the course set out as planned? Each mark's error with its interval, and how to move it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.course import Course, SurveyedLine, SurveyedMark
from analysis.wording import WIDE, length, margin, words

TOLERANCE_M = 0.10  # as far as a cone set out by tape with care may be off; common practice, no published source
_WORTH_SAYING_M = 0.03  # nobody sets a cone out more exactly (own choice)


@dataclass(frozen=True)
class Placed:
    """A mark's error: off_m from its planned place, to be moved by (dx_m, dy_m). verdict: 'ok' surely within the
    tolerance, 'fault' surely beyond it, 'too close to call', 'not seen' (figures are then None)."""

    name: str
    verdict: str
    off_m: float | None
    sd_m: float | None
    dx_m: float | None
    dy_m: float | None
    sentence: str


@dataclass(frozen=True)
class LinePlaced:
    """How far a line's two ends lie outside (positive) or inside their planned place, and the sd across it."""

    name: str
    near_m: float
    far_m: float
    sd_m: float
    sentence: str


def marks_placed(course: Course, surveyed: tuple[SurveyedMark, ...],
                 tolerance_m: float = TOLERANCE_M) -> tuple[Placed, ...]:
    """Every mark of the course, those to be moved farthest first, then those not seen, then the others."""
    found = {m.name: m for m in surveyed}
    out = [_placed(course, found[m.name], tolerance_m) if m.name in found else
           Placed(m.name, "not seen", None, None, None, None, f"The {words(m.name)} was not found: is it standing, and "
                  "uncovered?") for m in course.marks]
    rank = {"fault": 0, "not seen": 1, "too close to call": 2, "ok": 3}
    return tuple(sorted(out, key=lambda p: (rank[p.verdict], -(p.off_m or 0.0))))


def _placed(course: Course, mark: SurveyedMark, tolerance_m: float) -> Placed:
    dx, dy = mark.nominal_x_m - mark.x_m, mark.nominal_y_m - mark.y_m
    sd, name = mark.in_course_sd_m, words(mark.name)
    off, half = math.hypot(dx, dy), WIDE * sd
    if off + half <= tolerance_m:
        verdict, sentence = "ok", f"The {name} stands within {length(tolerance_m)} of its place."
    elif off - half > tolerance_m:
        verdict, sentence = "fault", f"Move the {name} {move(course, dx, dy)} ({margin(sd)})."
    else:
        verdict = "too close to call"
        sentence = (f"The {name} seems to be {length(off)} off ({margin(sd)}): measure it with the tape, it may "
                    f"have to go {move(course, dx, dy)}.")
    return Placed(mark.name, verdict, off, sd, dx, dy, sentence)


def move(course: Course, dx_m: float, dy_m: float) -> str:
    """'0.28 m towards the barrier and 0.05 m towards the left side' (as seen from the bay); the lesser part only when
    it matters."""
    back = "towards the barrier" if course.barrier else "towards the bay's back line"
    out = "towards the forward cones" if course.has_mark("forward_left") else "away from the bay's back line"
    parts = [(abs(dx_m), back if dx_m < 0 else out),
             (abs(dy_m), f"towards the {'left' if dy_m > 0 else 'right'} side")]
    worth = max(_WORTH_SAYING_M, 0.15 * math.hypot(dx_m, dy_m))
    told = [f"{value:.2f} m {where}" for value, where in sorted(parts, reverse=True) if value >= worth]
    return " and ".join(told) if told else "not at all"


def lines_placed(course: Course, surveyed: tuple[SurveyedLine, ...]) -> tuple[LinePlaced, ...]:
    """Each painted line that was seen, against the course file."""
    planned, out = {ln.name: ln for ln in course.lines}, []
    for ln in surveyed:
        near, far = (-planned[ln.name].clearance_m(np.array([[ln.x0_m, ln.y0_m], [ln.x1_m, ln.y1_m]]))).tolist()
        worst = max(near, far, key=abs)
        if abs(worst) <= WIDE * ln.in_course_sd_m + _WORTH_SAYING_M:
            sentence = f"The {words(ln.name)} runs as the course file says ({margin(ln.in_course_sd_m)})."
        else:
            sentence = (f"The {words(ln.name)} runs up to {length(worst)} {'outside' if worst > 0 else 'inside'} the "
                        f"course file's place ({margin(ln.in_course_sd_m)}): paint stays, so correct the course file.")
        out.append(LinePlaced(ln.name, near, far, ln.in_course_sd_m, sentence))
    return tuple(out)
