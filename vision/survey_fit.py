"""The camera that best explains all cones and paint together, and how well it is known.

Paint is trusted more than cones: it is straight whatever its place, and it was laid with more care than a cone is put
down. Every nominal place enters with an honest spread and a robust cost, so that one cone half a metre off, or a line
that is not where the file says, does not drag the course frame.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from analysis.course import Course, Line
from vision.camera import Camera, Lens
from vision.survey_cone import ConePlace
from vision.survey_paint import PaintPlace
from vision.sway import SwaySeen

# How far things are set out from their nominal place (one sd, m). Common practice, no published source.
CONE_SETTING_OUT_M = 0.15  # before the cones of this yard are seen; counts as much as one cone
PAINT_SETTING_OUT_M = 0.04  # how exactly a line is painted (own estimate; no published figure)
BAY_PAINT_SETTING_OUT_M = 0.06  # the same of the bay, which is often taped
PAINT_END_SETTING_OUT_M = 0.06  # the same of where a line ends
EDGE_PX, END_PX = 0.2, 0.4  # least error of where paint is seen, across it and at its ends: they share what bends them
USUAL_CARE = 0.3  # these three count as much as so many values seen in this yard (own choice)
# What lens to expect when no lens file is given: field of view across the longer side about 70°, 52-90° within two
# sd; bend (k1 at half the longer side) within ±0.12 at two sd.
FIELD_OF_VIEW_RAD = math.radians(70)
LOG_FOCAL_SD = 0.2  # before looking, the focal length is known to a fifth from the guess
BEND_SD = 0.06  # before looking, k1 is taken to lie this near to none (own choice)
STRAIGHT_PX = 0.12  # straightness of paint as seen: least error of a place along a line (px), common to a stretch
STEP = 1.5e-8  # of the numerical slopes: root of the rounding error; what is sought is about 1 in its unit
SETTLED = 1e-5  # share of the misfit by which a step must still lessen it; smaller steps moved no mark by 0.2 mm
MOST_STEPS = 60  # it settles sooner, or hangs on cones that do not belong (own choice)


@dataclass(frozen=True)
class PaintSeen:
    line: Line
    paint: PaintPlace
    setting_out_m: float
    ends_px: tuple[tuple[int, np.ndarray], ...] = ()


@dataclass(frozen=True)
class Fit:
    """`covariance` (8, 8) of (turn about the camera's axes, rad; shift in the course frame, m; log focal; bend).

    `line_shifts_m`: for each painted line seen, how far its two ends lie beyond nominal (towards the paint's side).
    `residual_px`: RMS of the paint about straight lines. `misfit`: the least sum of squares, in standard deviations."""

    camera: Camera
    covariance: np.ndarray
    line_shifts_m: dict[str, tuple[float, float]]
    line_sd_m: dict[str, float]
    residual_px: float
    misfit: float


def focal_of_view(size_px: int, fov_rad: float) -> float:
    return size_px / 2 / math.tan(fov_rad / 2)


def bend_of(lens: Lens) -> float:
    return lens.dist[0] * (max(lens.width_px, lens.height_px) / 2 / lens.fx) ** 2


def lens_with(lens: Lens, focal_px: float, bend: float) -> Lens:
    k1 = bend * (2 * focal_px / max(lens.width_px, lens.height_px)) ** 2
    return replace(lens, fx=focal_px, fy=focal_px * lens.fy / lens.fx, dist=(k1, *lens.dist[1:]))


def fit_camera(course: Course, camera: Camera, cones: dict[str, ConePlace], paints: list[PaintSeen], *,
               lens_known: bool, cone_setting_out_m: float = CONE_SETTING_OUT_M, paint_care: float = 1.0,
               sway: SwaySeen | None = None) -> Fit:
    """Robust least squares over the camera's place, its focal length and bend (unless known), and the lines' places.

    paint_care: the spread with which this yard's paint was laid, as a share of the usual one.

    sway: what the camera's own movement tells of lens and tilt, weighed with the marks and lines."""
    marks = [m for m in course.marks if m.name in cones]
    cone_px = np.array([[cones[m.name].u_px, cones[m.name].v_px] for m in marks]).reshape(-1, 2)
    cone_at = np.array([[m.x_m, m.y_m] for m in marks]).reshape(-1, 2)
    cone_sd = np.array([math.hypot(cone_setting_out_m, cones[m.name].sd_m) for m in marks])
    edges = _Edges.of([p.line for p in paints])
    points_px = [p.paint.points_px for p in paints]
    line_of = np.repeat(np.arange(len(paints)), [len(p) for p in points_px]).astype(int)
    ends = [(k, end, px) for k, p in enumerate(paints) for end, px in p.ends_px]
    end_line, end_at = np.array([k for k, _, _ in ends], int), np.array([end for _, end, _ in ends], float)
    all_px = np.vstack([cone_px, *points_px, np.array([px for _, _, px in ends]).reshape(-1, 2)])
    cuts = [len(marks), len(marks) + len(line_of)]
    focal0 = focal_of_view(max(camera.lens.width_px, camera.lens.height_px), FIELD_OF_VIEW_RAD)
    gsd = camera.metres_per_pixel()
    start = np.concatenate([np.zeros(6), [math.log(camera.lens.fx / focal0), bend_of(camera.lens)],
                            np.zeros(2 * len(paints))])
    half_width = np.array([p.paint.width_m / 2 for p in paints])
    # neighbouring places along a line share their errors: about one in three is independent
    point_sd = np.array([max(p.paint.sd_m, STRAIGHT_PX * gsd) for p in paints]) * math.sqrt(3)
    shift_sd = np.repeat([math.hypot(paint_care * p.setting_out_m, EDGE_PX * gsd) for p in paints], 2)
    end_sd = math.hypot(paint_care * PAINT_END_SETTING_OUT_M, END_PX * gsd)

    def camera_at(q: np.ndarray) -> Camera:
        moved = camera.moved(q[:3], q[3:6])
        return moved if lens_known else replace(moved, lens=lens_with(camera.lens, focal0 * math.exp(q[6]), q[7]))

    def misfit(q: np.ndarray) -> np.ndarray:
        at, on_line, at_end = np.split(camera_at(q).to_ground(all_px), cuts)
        off = np.hypot(*(at - cone_at).T) / cone_sd
        off_line = edges.off(line_of, on_line, q[8:], half_width)
        off_end = edges.along_m(end_line, at_end) - end_at * edges.length_m[end_line]
        known = q[6:8] - start[6:8]
        return np.nan_to_num(np.concatenate([
            (_robust(off)[:, None] * _unit(at - cone_at)).ravel(), off_line / point_sd[line_of],
            _robust(q[8:] / shift_sd), _robust(off_end / end_sd),
            known / 1e-6 if lens_known else q[6:8] / [LOG_FOCAL_SD, BEND_SD],
            sway.misfit(camera_at(q)) if sway is not None else []]), nan=1e3)

    def slopes(q: np.ndarray) -> np.ndarray:
        """All lines' shifts are tried at once, for each moves its own line's values only."""
        lines = np.arange(len(paints))
        here, rows = misfit(q), np.concatenate([np.full(2 * len(marks), -1), line_of, np.repeat(lines, 2)])
        out = np.zeros((len(here), len(q)))
        for k in range(8):
            out[:, k] = (misfit(q + STEP * np.eye(len(q))[k]) - here) / STEP
        for end in range(2):
            tried = q.copy()
            tried[8 + end::2] += STEP
            change, i = (misfit(tried) - here) / STEP, np.flatnonzero(rows >= 0)
            out[i, 8 + 2 * rows[i] + end] = change[i]
        return out

    scale = np.concatenate([[0.01, 0.01, 0.01, 0.3, 0.3, 0.3, 0.1, 0.01], np.full(2 * len(paints), 0.05)])
    result = least_squares(misfit, start, slopes, x_scale=scale, ftol=SETTLED, max_nfev=MOST_STEPS)
    q = result.x
    covariance = np.linalg.pinv(result.jac.T @ result.jac, hermitian=True)
    fitted = camera_at(q)
    shifts, sds = {}, {}
    for k, seen in enumerate(paints):
        own = slice(8 + 2 * k, 10 + 2 * k)
        shifts[seen.line.name] = (float(q[own][0]), float(q[own][1]))
        sds[seen.line.name] = math.sqrt(covariance[own, own].trace() / 2)
    off = edges.off(line_of, fitted.to_ground(all_px[cuts[0]:cuts[1]]), q[8:], half_width)
    residual = float(np.sqrt((off ** 2).mean())) / fitted.metres_per_pixel() if len(off) else 0.0
    return Fit(fitted, covariance[:8, :8], shifts, sds, residual, 2 * float(result.cost))


def setting_out_seen_m(course: Course, camera: Camera, cones: dict[str, ConePlace]) -> float:
    """How carefully this yard's cones were put down (one sd per axis, m), from the fitted camera.

    The usual spread enters with the weight of one cone (two values); the fit itself has used up about four values;
    one cone far off counts no more than three usual sd."""
    squares = 0.0
    for m in course.marks:
        if m.name in cones:
            x, y = camera.to_ground(np.array([[cones[m.name].u_px, cones[m.name].v_px]]))[0]
            squares += min((x - m.x_m) ** 2 + (y - m.y_m) ** 2, (3 * CONE_SETTING_OUT_M) ** 2)
    free = max(2 * len(cones) - 4, 0)
    return math.sqrt((2 * CONE_SETTING_OUT_M ** 2 + squares) / (2 + free))


def paint_care_seen(fit: Fit, paints: list[PaintSeen], course: Course) -> float:
    """With what spread this yard's paint was laid, as a share of the usual one, from how well its lines agree with each
    other and with the course file.

    The usual spread enters with the weight of USUAL_CARE values; the course frame itself has used up four; a value far
    off counts no more than three usual sd."""
    off = [shift / p.setting_out_m for p in paints for shift in fit.line_shifts_m[p.line.name]]
    for p in paints:
        for line in (ln for ln in course.lines if ln.name == p.line.name):
            off += [_end_offset_m(line, end, fit.camera.to_ground(px[None])) / PAINT_END_SETTING_OUT_M
                    for end, px in p.ends_px]
    squares = float(np.minimum(np.square(off), 9.0).sum())
    return math.sqrt((USUAL_CARE + squares) / (USUAL_CARE + max(len(off) - 4, 0)))


STEPS = np.array([1e-5, 1e-5, 1e-5, 1e-3, 1e-3, 1e-3, 1e-4, 1e-5])
"""By which each of a Fit's eight numbers is moved for a slope: small against what bends it, large against rounding."""


def moved_by(camera: Camera, by: np.ndarray) -> Camera:
    """The camera with each of a Fit's eight numbers changed by `by` (8,)."""
    lens = lens_with(camera.lens, camera.lens.fx * math.exp(by[6]), bend_of(camera.lens) + float(by[7]))
    return replace(camera.moved(by[:3], by[3:6]), lens=lens)


def ground_sd_m(fit: Fit, px: np.ndarray) -> np.ndarray:
    """One-sigma error (m, root of the mean of both axes' variances) of ground places of pixels, from the camera's."""
    base = fit.camera.to_ground(px)
    slopes = [(moved_by(fit.camera, by).to_ground(px) - base) / step
              for by, step in zip(np.diag(STEPS), STEPS, strict=True)]
    j = np.stack(slopes, -1)
    var = np.einsum("nik,kl,nil->n", j, fit.covariance, j) / 2
    return np.sqrt(np.maximum(var, 0))


def _end_offset_m(line: Line, end: int, at_m: np.ndarray) -> float:
    edge = _Edges.of([line])
    return float((edge.along_m(np.zeros(1, int), at_m) - end * edge.length_m)[0])


def _robust(r: np.ndarray) -> np.ndarray:
    """Cauchy cost as a residual: grows like r up to one sd, then only like the root of a logarithm."""
    return np.sign(r) * np.sqrt(np.log1p(r * r))


def _unit(d: np.ndarray) -> np.ndarray:
    return d / np.maximum(np.hypot(*d.T), 1e-9)[:, None]


@dataclass(frozen=True)
class _Edges:
    """The lines' edges, one row each: where they start, their direction and the one towards the paint (unit vectors),
    and their length."""

    start_m: np.ndarray
    direction: np.ndarray
    out: np.ndarray
    length_m: np.ndarray

    @classmethod
    def of(cls, lines: Sequence[Line]) -> _Edges:
        ends = np.array([[ln.x0_m, ln.y0_m, ln.x1_m, ln.y1_m] for ln in lines]).reshape(-1, 4)
        across = ends[:, 2:] - ends[:, :2]
        length = np.hypot(*across.T)
        d = across / length[:, None]
        yard_side = np.array([ln.yard_side for ln in lines]).reshape(-1, 1)
        return cls(ends[:, :2], d, np.column_stack([d[:, 1], -d[:, 0]]) * yard_side, length)

    def along_m(self, k: np.ndarray, points_m: np.ndarray) -> np.ndarray:
        """(n,) how far along the line k (n,) each point (n, 2) lies."""
        return ((points_m - self.start_m[k]) * self.direction[k]).sum(axis=1)

    def off(self, k: np.ndarray, points_m: np.ndarray, shifts_m: np.ndarray, half_width_m: np.ndarray) -> np.ndarray:
        """(n,) m from the middle of the paint of line k, whose two ends lie shifts_m (two a line) beyond nominal."""
        share = self.along_m(k, points_m) / self.length_m[k]
        ends = shifts_m.reshape(-1, 2)[k]
        middle = ends[:, 0] * (1 - share) + ends[:, 1] * share + half_width_m[k]
        return ((points_m - self.start_m[k]) * self.out[k]).sum(axis=1) - middle
