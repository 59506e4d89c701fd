"""Cones watched through the clip: one that moves or falls is evidence of contact.

Around each mark a small square of ground is looked at (signal_square.py). The judgement is made over the whole clip: at
its place before, elsewhere or gone ever after. A person or the vehicle in front of a cone for a while is therefore not
mistaken for a fall.

Weak when a cone is hidden from its fall to the end of the clip, or moves by less than about a pixel.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from analysis.course import Course, MarkEvent, SurveyedMark
from vision.camera import Camera
from vision.signal_square import LEAST_LIKENESS, Square, best_place, red

HALF_M = 1.5  # half the watched square: a cone pushed farther is reported as gone
CORE_SHARE = 0.6  # half the cone's own square by its height: base, and body leaning outwards
VEHICLE_MARGIN_M = 0.25  # outline errors and mirrors
TIGHT_MARGIN_M = 0.1  # the same where a half-hidden cone is only asked whether it had moved already
FAR_M, FAR_LOOK_S = 4.0, 1.0  # a mark this far from the vehicle only others can move: a look a second does
MOST_HALF_HIDDEN = 60  # such looks kept between two free ones
LEAST_TELLING = 0.2  # of the pixels that the move changed, below which a half-hidden look tells nothing
REFERENCE_LOOKS = 5  # looks averaged before a mark is compared with what it was: one alone would hold its noise
LEAST_SHIFT_M = 0.06  # less than this is what wind does to a pole, and the camera to a small mark (own choice)
LEAST_LOOKS = 3  # a person or a shadow passing is over after fewer
LEAST_MASS = 0.25  # of the cone's red, below which nothing of it is left


@dataclass(frozen=True)
class HalfHidden:
    """A look at a mark with the vehicle over part of its square."""

    t_s: float
    red: np.ndarray
    covered: np.ndarray


@dataclass(frozen=True)
class Glance:
    """One free look at a mark: where its pattern is now (m, from where it was), and how alike it is (-1..1).

    The first look away from its place keeps the picture, and the half-hidden looks just before it."""

    t_s: float
    dx_m: float
    dy_m: float
    likeness: float
    red: np.ndarray | None = None
    just_before: tuple[HalfHidden, ...] = ()

    @property
    def seems_away(self) -> bool:
        return self.likeness < LEAST_LIKENESS or math.hypot(self.dx_m, self.dy_m) > LEAST_SHIFT_M


@dataclass
class _Watched:
    mark: SurveyedMark
    next_s: float = 0.0
    half_hidden: list[HalfHidden] = field(default_factory=list)
    early: list[np.ndarray] = field(default_factory=list)
    reference: np.ndarray | None = None
    glances: list[Glance] = field(default_factory=list)


class MarkWatch:
    """Call `look` at 2-5 Hz with each frame and its camera, then `events` once at the end."""

    def __init__(self, marks: Sequence[SurveyedMark], course: Course, camera: Camera) -> None:
        self._metres_per_px = camera.metres_per_pixel()
        self._square = Square.of(HALF_M, self._metres_per_px)
        height = max((m.height_m for m in course.marks), default=0.75)
        self._middle = self._square.middle(CORE_SHARE * height)
        self._marks = [_Watched(m) for m in marks]

    def look(self, t_s: float, bgr: np.ndarray, camera: Camera, vehicle_polygon_px: np.ndarray | None = None) -> None:
        """`vehicle_polygon_px` (n, 2): outline of all the picture the vehicle covers, None when it is not there."""
        vehicle = np.zeros(bgr.shape[:2], np.uint8)
        outline = None
        if vehicle_polygon_px is not None and len(vehicle_polygon_px) >= 3:
            outline = np.round(vehicle_polygon_px).astype(np.int32)
            cv2.fillPoly(vehicle, [outline], 1)
        for watched in self._marks:
            if t_s < watched.next_s:
                continue
            at = np.array([watched.mark.x_m, watched.mark.y_m])
            if outline is not None:
                u, v = camera.project_ground(at[None])[0]
                far = cv2.pointPolygonTest(outline, (float(u), float(v)), True) * self._metres_per_px < -FAR_M
                watched.next_s = t_s + FAR_LOOK_S if far else t_s
            px = self._square.pixels(camera, at, bgr.shape)
            if px is None:
                continue
            vehicle_here = cv2.remap(vehicle, px[..., 0], px[..., 1], cv2.INTER_NEAREST)
            patch = cv2.remap(bgr, px[..., 0], px[..., 1], cv2.INTER_LINEAR)
            covered = self._grown(vehicle_here, VEHICLE_MARGIN_M)
            if not covered[self._middle].any():
                self._glance(watched, t_s, red(patch, covered))
            elif watched.reference is not None and not vehicle_here.all():
                tight = self._grown(vehicle_here, TIGHT_MARGIN_M)
                watched.half_hidden.append(HalfHidden(t_s, red(patch, tight).astype(np.float16), tight > 0))
                if len(watched.half_hidden) > MOST_HALF_HIDDEN:
                    del watched.half_hidden[::2]

    def _grown(self, covered: np.ndarray, margin_m: float) -> np.ndarray:
        r = round(margin_m / self._square.step_m)
        if r == 0 or not covered.any():
            return covered
        return cv2.dilate(covered, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1, 2 * r + 1)))

    def _glance(self, watched: _Watched, t_s: float, look: np.ndarray) -> None:
        if watched.reference is None:
            watched.early.append(look)
            if len(watched.early) < REFERENCE_LOOKS:
                return
            watched.reference = np.median(watched.early, 0).astype(np.float32)
            for early in watched.early:
                watched.glances.append(self._compare(watched.reference, early, t_s))
            return
        glance = self._compare(watched.reference, look, t_s)
        if glance.seems_away and not (watched.glances and watched.glances[-1].seems_away):
            glance = replace(glance, red=look, just_before=tuple(watched.half_hidden))
        watched.half_hidden.clear()
        watched.glances.append(glance)

    def _compare(self, reference: np.ndarray, look: np.ndarray, t_s: float) -> Glance:
        """Best place of the cone's pattern, first near its own; otherwise the middle of whatever red is new."""
        template = np.ascontiguousarray(reference[self._middle])
        if template.std() < 1e-6:
            return Glance(t_s, 0.0, 0.0, 0.0)
        dx_m, dy_m, best, known = best_place(template, look, self._square.step_m)
        if known:
            return Glance(t_s, dx_m, dy_m, best)
        new = np.maximum(look - cv2.dilate(reference, np.ones((5, 5), np.uint8)), 0)
        best = min(best, 0.0)
        new[new < 0.4 * template.max()] = 0
        if new.sum() < LEAST_MASS * template[template > 0.4 * template.max()].sum():
            return Glance(t_s, math.inf, 0.0, best)
        axis = (np.arange(self._square.side) - self._square.side // 2) * self._square.step_m
        return Glance(t_s, float(new.sum(0) @ axis / new.sum()), float(new.sum(1) @ axis / new.sum()), best)

    def events(self) -> tuple[MarkEvent, ...]:
        """Marks that left their place for good. `t_s` is the first look that shows it (the uncovering, when the vehicle
        hid it). A cone that is nowhere in the watched square is given the square's half side, with as large an sd."""
        found = [e for w in self._marks if (e := self._event(w)) is not None]
        return tuple(sorted(found, key=lambda e: e.t_s))

    def _event(self, watched: _Watched) -> MarkEvent | None:
        g = watched.glances
        if len(g) < 2 * LEAST_LOOKS:
            return None
        shift = np.array([math.hypot(x.dx_m, x.dy_m) for x in g])
        settled = shift[:max(LEAST_LOOKS, len(g) // 10)]
        settled = settled[np.isfinite(settled)]
        limit = max(LEAST_SHIFT_M, 1.5 * self._square.step_m, 5 * float(np.median(settled)) if len(settled) else 0.0)
        away = (shift > limit) | (np.array([x.likeness for x in g]) < LEAST_LIKENESS)
        # the moment that best parts 'at its place' from 'away'
        wrong = np.concatenate([[0], np.cumsum(away)]) + np.concatenate([np.cumsum(~away[::-1])[::-1], [0]])
        k = int(np.argmin(wrong))
        before, after = away[:k], away[k:]
        if len(before) < LEAST_LOOKS or len(after) < LEAST_LOOKS or before.mean() > 0.2 or after.mean() < 0.8:
            return None
        t_s = _first_changed_s(watched.reference, g[k])
        seen = [x for x, a in zip(g[k:], after, strict=True) if a and math.isfinite(x.dx_m)]
        if len(seen) < LEAST_LOOKS:
            return MarkEvent(watched.mark.name, t_s, HALF_M, HALF_M)
        d = np.array([[x.dx_m, x.dy_m] for x in seen])
        moved = np.median(d, 0)
        scatter = 1.4826 * float(np.median(np.hypot(*(d - moved).T)))
        exact = np.median([x.likeness for x in seen]) > LEAST_LIKENESS
        # a fallen cone looks different: where its base went is known to about half its length
        sd = math.hypot(scatter, 0.3 * self._square.step_m) if exact else math.hypot(scatter, 0.25)
        return MarkEvent(watched.mark.name, t_s, float(np.hypot(*moved)), sd)


def _first_changed_s(before: np.ndarray | None, glance: Glance) -> float:
    """When the change was first to be seen: half-hidden looks just before the first free one are asked, on the pixels
    the move changed and the vehicle leaves free, whether they look more like after it than like before it."""
    first = glance.t_s
    if before is None or glance.red is None:
        return first
    changed = np.abs(glance.red - before) > 0.3 * before.max()
    for look in reversed(glance.just_before):
        telling = changed & ~look.covered
        if telling.sum() < LEAST_TELLING * changed.sum():
            continue
        red = look.red.astype(np.float32)[telling]
        if ((red - glance.red[telling]) ** 2).sum() > 0.5 * ((red - before[telling]) ** 2).sum():
            break
        first = look.t_s
    return first
