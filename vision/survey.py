"""Registration of a picture to the course, without clicks, and the survey of what stands there.

`register` finds cones and lines, works out which is which, fits a full camera, and measures where each mark and line
really is. When it cannot be trusted it says why, in words a user can act upon.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import cv2
import numpy as np

from analysis.course import Area, Course, Line, Mark, SurveyedLine, SurveyedMark
from analysis.trouble import Trouble
from vision.camera import Camera, Lens
from vision.marks import ConeSpot, GroundLook, find_cones, find_lines, look_at_ground, signal_colour, without_stripes
from vision.survey_cone import ConePlace, barrier_mask, lies, measure_cone
from vision.survey_fit import (
    BAY_PAINT_SETTING_OUT_M,
    CONE_SETTING_OUT_M,
    PAINT_SETTING_OUT_M,
    STRAIGHT_PX,
    Fit,
    PaintSeen,
    fit_camera,
    ground_sd_m,
    paint_care_seen,
    setting_out_seen_m,
)
from vision.survey_guess import LEAN_SHARE, Guess, guesses, match, same_view, spot_trust, trial_lenses
from vision.survey_paint import measure_ends, measure_paint
from vision.sway import SwaySeen

MATCH_GATE_M = 0.9  # a cone may stand half a metre off, plus what a rough camera adds
ROUGH_GATE_M = 1.2  # before the camera is fitted
LEAST_MARKS = 4  # four points fix a plane seen by a camera (a homography)
LEAST_SHARE = 0.65  # of the course's marks; of the usual seven, one may be missing and one hidden
BARRIER_LEAN_M = 0.2  # how far from its place the far edge of a barrier may look: its height seen aslant (own choice)
LEAST_MARGIN = 0.6  # marks' worth by which the best assignment must beat a really different one
SWAY_DOUBTED = 13.3
"""What the camera's sway tells of lens and tilt (four values) is left out if it makes the marks and lines fit worse by
this much (squares of standard deviations; by chance once in a hundred): vibration can feign a sway."""
LEAST_CONE_SHARE = 0.35  # of the picture's variation explained by the cone's solid
SOUGHT_CONE_SHARE = 0.75
"""The same where nothing was taken for a cone before. On rendered clips what is left of one beside or below a vehicle
comes to 0.63 at most, one in the open to 0.84-0.97."""


@dataclass(frozen=True)
class Registration:
    """A picture placed in the course frame.

    `covariance` (8, 8): turn about the camera's own axes (rad), shift in the course frame (m), log focal length, bend
    (k1 at half the longer side). `residual_px`: RMS of the paint about straight lines. `fallen`: marks that lie on the
    ground, about where; they are not among `marks`. `unseen`: names of marks not found. `other_cones_m` (n, 2): cones
    that are not in the course's list."""

    camera: Camera
    focal_sd_px: float
    marks: tuple[SurveyedMark, ...]
    lines: tuple[SurveyedLine, ...]
    residual_px: float
    covariance: np.ndarray
    fallen: tuple[SurveyedMark, ...] = ()
    unseen: tuple[str, ...] = ()
    other_cones_m: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))

    def __bool__(self) -> bool:
        return True


@dataclass(frozen=True)
class FailedRegistration:
    """Falsy. `reason` says what is wrong and `remedy` what to do about it."""

    reason: str
    remedy: str = ""

    def __bool__(self) -> bool:
        return False

    def trouble(self) -> Trouble:
        return Trouble(self.reason, remedy=self.remedy)


@dataclass(frozen=True)
class Pick:
    """A mark pointed out by hand."""

    name: str
    u_px: float
    v_px: float


def register(bgr: np.ndarray, course: Course, *, lens: Lens | None = None,
             exclude_mask: np.ndarray | None = None) -> Registration | FailedRegistration:
    """Place one overhead picture in the course frame. `exclude_mask`: non-zero where not to look (the vehicle)."""
    look = look_at_ground(bgr)
    size = (bgr.shape[1], bgr.shape[0])
    spots = _cones_in(look, course, exclude_mask)
    lines, bend = find_lines(bgr, exclude=exclude_mask)
    if len(spots) < LEAST_MARKS:
        return FailedRegistration(
            f"only {len(spots)} cones found in the picture" if spots else "no cones found in the picture",
            "the whole course must be in view and its cones red or orange; or point the marks out by hand (--marks)")
    lenses = [lens] if lens else trial_lenses(size, bend)
    ranked = _ranked(course, look, spots, lines, lenses, exclude_mask)
    problem = _distrust(course, spots, lines, ranked)
    if problem is not None or ranked[0][1].spot_of_mark.count(None) > 1:
        mirrored = mirror_image(course)
        other = _ranked(mirrored, look, spots, lines, lenses, exclude_mask)
        if _distrust(mirrored, spots, lines, other) is None and (not ranked
                                                                 or other[0][0] > ranked[0][0] + LEAST_MARGIN):
            return FailedRegistration("the yard looks like the mirror image of the course file (bay on the other side)",
                                      "change the sign of every y in the course file, or generate it anew")
    if problem is not None:
        return problem
    return _settle(look, course, ranked[0][1].camera, spots, exclude_mask, lens_known=lens is not None)


def register_any(pictures: Sequence[np.ndarray], course: Course, name: str, *, lens: Lens | None = None,
                 picks: Sequence[Pick] | None = None,
                 known: Mapping[int, Registration | FailedRegistration] | None = None) -> tuple[int, Registration]:
    """The picture (its index) that shows the most of the course among a few of a clip's, and its registration; with
    `picks`, the first picture; `known`: what came of some pictures before. Raises Trouble about the clip `name` when
    none shows it."""
    if picks:
        size = pictures[0].shape[1], pictures[0].shape[0]
        return 0, register_from_picks(picks, course, size, lens=lens, bgr=pictures[0])
    best: tuple[int, Registration] | None = None
    failure: FailedRegistration | None = None
    n = len(pictures)
    for at in dict.fromkeys((n // 2, 0, n - 1, n // 4, 3 * n // 4)):
        got = known[at] if known and at in known else register(pictures[at], course, lens=lens)
        if isinstance(got, FailedRegistration):
            failure = failure or got
            continue
        if best is None or len(got.unseen) < len(best[1].unseen):
            best = at, got
        if not got.unseen:
            break
    if best is None:
        assert failure is not None
        raise failure.trouble().at(name)
    return best


def refine(registration: Registration, bgr: np.ndarray, course: Course, *, lens_known: bool = False,
           exclude_mask: np.ndarray | None = None,
           sway: SwaySeen | None = None) -> Registration | FailedRegistration:
    """Measure and fit again on another picture from the same place (say, the yard's plate without the vehicle);
    sway: what the camera's own movement tells of that view's lens and tilt."""
    look = look_at_ground(bgr)
    spots = _cones_in(look, course, exclude_mask)
    return _settle(look, course, registration.camera, spots, exclude_mask, lens_known=lens_known, sway=sway)


def register_from_picks(picks: Sequence[Pick], course: Course, size: tuple[int, int], *, lens: Lens | None = None,
                        bgr: np.ndarray | None = None) -> Registration:
    """Registration from marks pointed out by hand, snapped to the cones when the picture is given.

    Raises Trouble when there are too few picks, an unknown name, or they do not fit the course."""
    for p in picks:
        if not course.has_mark(p.name):
            raise Trouble(f"'{p.name}' is not a mark of the course", where="marks",
                          remedy="use these names: " + ", ".join(m.name for m in course.marks))
        if not (0 <= p.u_px < size[0] and 0 <= p.v_px < size[1]):
            raise Trouble(f"'{p.name}' at ({p.u_px:g}, {p.v_px:g}) is outside the picture", where="marks",
                          remedy=f"columns are 0 to {size[0] - 1}, rows 0 to {size[1] - 1}")
    if len({p.name for p in picks}) < LEAST_MARKS:
        raise Trouble(f"{len({p.name for p in picks})} marks are picked", where="marks",
                      remedy=f"pick at least {LEAST_MARKS} different marks, spread over the whole course")
    chosen = {p.name: p for p in picks}
    named = replace(course, marks=tuple(m for m in course.marks if m.name in chosen))
    spots = [ConeSpot(chosen[m.name].u_px, chosen[m.name].v_px, 2.0, 5.0, 50.0) for m in named.marks]
    lenses = [lens] if lens else trial_lenses(size, 0.0)
    found = [g for g in guesses(named, spots, [], lenses) if g.spot_of_mark == tuple(range(len(spots)))]
    if not found:
        raise Trouble("the picked marks do not fit the course", where="marks",
                      remedy="check that names and places belong together and that the course file fits this yard")
    camera = found[0].camera
    if bgr is None:
        cones = {m.name: ConePlace(m.x_m, m.y_m, s.u_px, s.v_px, 2 * camera.metres_per_pixel(), 1.0)
                 for m, s in zip(named.marks, spots, strict=True)}
        fit = fit_camera(course, camera, cones, [], lens_known=lens is not None)
        return _report(course, fit, cones, [], np.zeros((0, 2)), lens_known=lens is not None, fallen={})
    look = look_at_ground(bgr)
    got = _settle(look, course, camera, find_cones(bgr, look=look), None, lens_known=lens is not None,
                  picked={m.name: s for m, s in zip(named.marks, spots, strict=True)})
    if isinstance(got, FailedRegistration):
        raise got.trouble()
    return got


def _cones_in(look: GroundLook, course: Course, exclude: np.ndarray | None) -> list[ConeSpot]:
    """Candidate cones of the course's size; a barrier's stripes would stand in for cones beside it."""
    base_px = base_range_px(course, max(look.bgr.shape[:2]))
    return without_stripes(find_cones(look.bgr, base_px=base_px, exclude=exclude, look=look))


def base_range_px(course: Course, long_side_px: int) -> tuple[float, float]:
    """Range of a cone base's width (px): the picture's longer side shows between 0.6 and 3.5 course lengths."""
    xy = np.array([[m.x_m, m.y_m] for m in course.marks])
    extent = max(float(np.ptp(xy, axis=0).max()), 5.0)
    base = 2 * float(np.median([m.base_half_m for m in course.marks]))
    return base * long_side_px / (3.5 * extent), base * long_side_px / (0.6 * extent)


def mirror_image(course: Course) -> Course:
    """The same course with left and right exchanged (names of marks stay with their nominal places' mirror)."""
    def flip(a: Area | None) -> Area | None:
        return Area(a.x_min_m, a.x_max_m, -a.y_max_m, -a.y_min_m) if a else None

    return replace(course, marks=tuple(replace(m, y_m=-m.y_m) for m in course.marks),
                   lines=tuple(replace(ln, y0_m=-ln.y0_m, y1_m=-ln.y1_m, yard_side=-ln.yard_side)
                               for ln in course.lines),
                   bay=Area(course.bay.x_min_m, course.bay.x_max_m, -course.bay.y_max_m, -course.bay.y_min_m),
                   stopping_box=flip(course.stopping_box), barrier=flip(course.barrier))


def bay_sides(course: Course) -> tuple[Line, ...]:
    """The bay's own long sides as painted lines (often white); their paint is taken as centred on the bay's edge."""
    b, w = course.bay, 0.1
    return tuple(Line("bay_left" if y == b.y_max_m else "bay_right", b.x_min_m, y - side * w / 2, b.x_max_m,
                      y - side * w / 2, w, -side)
                 for y in course.own_bay_sides_m() for side in [1 if y == b.y_max_m else -1])


def _ranked(course: Course, look: GroundLook, spots: list[ConeSpot], lines: list, lenses: list[Lens],
            exclude: np.ndarray | None) -> list[tuple[float, Guess]]:
    """Guesses with the paint's word added: each bay side or side line seen where it should be counts up to a mark."""
    ranked: list[tuple[float, Guess]] = []
    best_of: dict[tuple[int | None, ...], Guess] = {}
    for g in guesses(course, spots, lines, lenses):
        best_of.setdefault(g.spot_of_mark, g)
    for g in list(best_of.values())[:4]:
        if ranked and g.score < 0.5 * ranked[0][1].score:
            break
        score = g.score
        for line in (*course.lines, *bay_sides(course)):
            seen = measure_paint(look, g.camera, line, reach_m=0.6, every_m=0.5, exclude=exclude)
            score += min(1.0, seen.share) if seen else 0.0
        ranked.append((score, g))
    return sorted(ranked, key=lambda s: -s[0])


def _distrust(course: Course, spots: list[ConeSpot], lines: list,
              ranked: list[tuple[float, Guess]]) -> FailedRegistration | None:
    by_hand = "or point the marks out by hand (--marks)"
    if not ranked:
        return FailedRegistration(
            f"{len(spots)} cones and {len(lines)} painted lines were found but they do not fit the course",
            f"check that the course file is that of this yard, and that the whole course is in view; {by_hand}")
    best = ranked[0][1]
    seen = [i for i in best.spot_of_mark if i is not None]
    if len(seen) < max(LEAST_MARKS, math.ceil(LEAST_SHARE * len(course.marks))) or best.score < 0.3 * len(course.marks):
        few_lines = f", and only {len(lines)} long painted lines" if len(lines) < 2 else ""
        return FailedRegistration(
            f"only {len(seen)} of the course's {len(course.marks)} marks could be found{few_lines}",
            f"the whole course must be in view, set out to within half a metre of the course file; {by_hand}")
    places = np.array([[m.x_m, m.y_m] for m in course.marks])
    for score, g in ranked[1:]:
        if not same_view(g.camera, best.camera, places) and score > ranked[0][0] - LEAST_MARGIN:
            return FailedRegistration("the cones fit the course in two different ways",
                                      f"take away cones that do not belong to the course, {by_hand}")
    return None


def _settle(look: GroundLook, course: Course, camera: Camera, spots: list[ConeSpot], exclude: np.ndarray | None, *,
            lens_known: bool, picked: dict[str, ConeSpot] | None = None,
            sway: SwaySeen | None = None) -> Registration | FailedRegistration:
    """Measure, fit, and measure again with the better camera, and without marks that then turn out to lie."""
    red = signal_colour(look.colour)
    if exclude is not None:
        red[exclude > 0] = 0
    placed = course
    cones: dict[str, ConePlace] = {}
    fallen: dict[str, ConePlace] = {}
    paints: list[PaintSeen] = []
    fit: Fit | None = None
    spread_m, care = CONE_SETTING_OUT_M, 1.0
    for turn in range(3):
        spots = _off_the_barrier(spots, course, camera, look.bgr.shape[1::-1])
        cones = _measure_cones(red, course, camera, spots, picked, cones)
        if turn == 1 and picked is None:
            fallen = {name: c for name, c in cones.items()
                      if lies(red, camera, course.mark(name), c, course.barrier, course.barrier_height_m)}
        cones = {name: c for name, c in cones.items() if name not in fallen}
        paints = _measure_paints(look, placed, camera, exclude, reach_m=0.6 if turn == 0 else 0.4)
        if len(cones) < 3:
            return FailedRegistration(f"only {len(cones)} of the course's marks look like cones from above",
                                      "the cones must be in view and not covered; or point the marks out by hand")
        fitted = partial(fit_camera, course, camera, cones,
                         [replace(p, line=_nominal(course, p.line.name)) for p in paints], lens_known=lens_known,
                         cone_setting_out_m=spread_m, paint_care=care)
        fit = fitted(sway=sway)
        if turn == 0 and sway is not None and fit.misfit > (alone := fitted()).misfit + SWAY_DOUBTED:
            fit, sway = alone, None
        camera = fit.camera
        spread_m = setting_out_seen_m(course, camera, cones)
        care = paint_care_seen(fit, paints, course)
        placed = _placed(course, fit, paints)
    assert fit is not None
    limit = 2.5 * max(camera.lens.width_px, camera.lens.height_px) / 1280
    if fit.residual_px > limit:
        return FailedRegistration(f"the painted lines do not come out straight ({fit.residual_px:.1f} px)",
                                  "the lens bends too much: calibrate it (tailtrace lens) and give the lens file")
    others = _other_cones(course, camera, spots, cones, fallen)
    return _report(course, fit, cones, paints, others, lens_known=lens_known, fallen=fallen)


def _other_cones(course: Course, camera: Camera, spots: list[ConeSpot], cones: dict[str, ConePlace],
                 fallen: dict[str, ConePlace]) -> np.ndarray:
    """(n, 2) ground places (m) of cones that are none of the course's marks."""
    trust = spot_trust(spots)
    rest = [[s.u_px, s.v_px] for s, t in zip(spots, trust, strict=True) if t > 0.8]
    if not rest:
        return np.zeros((0, 2))
    ground = camera.to_ground(np.array(rest), LEAN_SHARE * float(np.median([m.height_m for m in course.marks])))
    apart = 2 * max(m.base_half_m + m.height_m / 2 for m in course.marks)
    length = max(max(m.height_m, m.pole_height_m) for m in course.marks)
    kept = [(np.array(c.at_m), apart) for c in cones.values()]
    kept += [(np.array(c.at_m), apart + length) for c in fallen.values()]  # its tip may be taken for a cone
    found = []
    for g in ground:
        if all(np.hypot(*(g - k)) > far for k, far in kept):
            kept.append((g, apart))
            found.append(g)
    return np.array(found).reshape(-1, 2)


def _off_the_barrier(spots: list[ConeSpot], course: Course, camera: Camera, size: tuple[int, int]) -> list[ConeSpot]:
    """Spots that are not one of the barrier's red stripes (a cone before it may lean into its outline a little)."""
    if course.barrier is None:
        return spots
    mask = barrier_mask(camera, course.barrier, course.barrier_height_m, (0, 0, *size))
    depth_px = cv2.distanceTransform(mask, cv2.DIST_L2, 3)
    limit_px = BARRIER_LEAN_M / camera.metres_per_pixel()
    return [s for s in spots if depth_px[round(s.v_px), round(s.u_px)] < limit_px]


def _measure_cones(red: np.ndarray, course: Course, camera: Camera, spots: list[ConeSpot],
                   picked: dict[str, ConeSpot] | None, before: dict[str, ConePlace]) -> dict[str, ConePlace]:
    """Each mark's cone measured as a solid; `before` are the places found with the previous, rougher camera."""
    if picked is not None:
        taken: list[tuple[Mark, ConeSpot]] = [(m, picked[m.name]) for m in course.marks if m.name in picked]
    else:
        matched = match(course, camera, spots, MATCH_GATE_M if before else ROUGH_GATE_M)
        taken = [(m, spots[i]) for m, i in zip(course.marks, matched, strict=True) if i is not None]
    cones = {}
    for mark, spot in taken:
        x, y = camera.to_ground(np.array([[spot.u_px, spot.v_px]]), LEAN_SHARE * mark.height_m)[0]
        start = (float(x), float(y))
        if mark.name in before:
            u, v = before[mark.name].u_px, before[mark.name].v_px
            x1, y1 = camera.to_ground(np.array([[u, v]]))[0]
            if math.hypot(x1 - x, y1 - y) < mark.base_half_m + mark.height_m:
                start = (float(x1), float(y1))
        place = measure_cone(red, camera, mark, start, course.barrier, course.barrier_height_m)
        if place is not None and place.share > LEAST_CONE_SHARE:
            cones[mark.name] = place
        elif picked is not None:
            cones[mark.name] = ConePlace(float(x), float(y), spot.u_px, spot.v_px, 2 * camera.metres_per_pixel(), 0.0)
    if before and picked is None:
        cones |= _sought(red, course, camera, cones)
    return cones


def _sought(red: np.ndarray, course: Course, camera: Camera, seen: dict[str, ConePlace]) -> dict[str, ConePlace]:
    """Cones where the course file has a mark and no spot was found: one that leans into a stripe of the barrier, or
    stands on bright hatching, is no patch of its own."""
    found: dict[str, ConePlace] = {}
    for mark in course.marks:
        if mark.name in seen:
            continue
        place = measure_cone(red, camera, mark, (mark.x_m, mark.y_m), course.barrier, course.barrier_height_m)
        if place is not None and place.share > SOUGHT_CONE_SHARE and all(
                math.dist(place.at_m, c.at_m) > 2 * mark.base_half_m for c in (*seen.values(), *found.values())):
            found[mark.name] = place
    return found


def _measure_paints(look: GroundLook, course: Course, camera: Camera, exclude: np.ndarray | None,
                    reach_m: float) -> list[PaintSeen]:
    paints = []
    for line in course.lines:
        paint = measure_paint(look, camera, line, reach_m=reach_m, exclude=exclude)
        if paint is not None and paint.share > 0.2:
            ends = measure_ends(look, camera, line, paint)
            paints.append(PaintSeen(line, paint, PAINT_SETTING_OUT_M, tuple((e, px) for e, _, px in ends)))
    for line in bay_sides(course):
        paint = measure_paint(look, camera, line, reach_m=min(reach_m, 0.4), exclude=exclude)
        if paint is not None and paint.share > 0.5:
            paints.append(PaintSeen(line, paint, BAY_PAINT_SETTING_OUT_M))
    return paints


def _nominal(course: Course, name: str) -> Line:
    return next(ln for ln in (*course.lines, *bay_sides(course)) if ln.name == name)


def _placed(course: Course, fit: Fit, paints: list[PaintSeen]) -> Course:
    """The course with its lines where their paint was found."""
    width = {p.line.name: p.paint.width_m for p in paints}
    return replace(course, lines=tuple(
        replace(_shifted(ln, fit.line_shifts_m[ln.name]), width_m=width[ln.name]) if ln.name in width else ln
        for ln in course.lines))


def _shifted(line: Line, shifts_m: tuple[float, float]) -> Line:
    d = np.array([line.x1_m - line.x0_m, line.y1_m - line.y0_m])
    out = np.array([-d[1], d[0]]) / np.hypot(*d) * -line.yard_side
    (x0, y0), (x1, y1) = out * shifts_m[0], out * shifts_m[1]
    return replace(line, x0_m=line.x0_m + float(x0), y0_m=line.y0_m + float(y0),
                   x1_m=line.x1_m + float(x1), y1_m=line.y1_m + float(y1))


def _report(course: Course, fit: Fit, cones: dict[str, ConePlace], paints: list[PaintSeen], others: np.ndarray, *,
            lens_known: bool, fallen: dict[str, ConePlace]) -> Registration:
    def surveyed(places: dict[str, ConePlace]) -> tuple[SurveyedMark, ...]:
        out = []
        for m in (m for m in course.marks if m.name in places):
            px = np.array([[places[m.name].u_px, places[m.name].v_px]])
            x, y = fit.camera.to_ground(px)[0]
            frame_sd = float(ground_sd_m(fit, px)[0])
            out.append(SurveyedMark(m.name, float(x), float(y), places[m.name].sd_m, m.x_m, m.y_m, frame_sd))
        return tuple(out)

    lines = []
    for p in paints:
        if any(ln.name == p.line.name for ln in course.lines):
            ln = _shifted(_nominal(course, p.line.name), fit.line_shifts_m[p.line.name])
            own_sd = math.hypot(p.paint.width_sd_m / 2, STRAIGHT_PX * fit.camera.metres_per_pixel())
            lines.append(SurveyedLine(ln.name, ln.x0_m, ln.y0_m, ln.x1_m, ln.y1_m, own_sd, fit.line_sd_m[ln.name]))
    focal_sd = 0.0 if lens_known else fit.camera.lens.fx * math.sqrt(max(fit.covariance[6, 6], 0.0))
    unseen = tuple(m.name for m in course.marks if m.name not in cones and m.name not in fallen)
    return Registration(fit.camera, focal_sd, surveyed(cones), tuple(lines), fit.residual_px, fit.covariance,
                        surveyed(fallen), unseen, others)
