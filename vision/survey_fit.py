"""The camera that best explains all cones and paint together, and how well it is known.

Paint is trusted more than cones: it is straight whatever its place, and it was laid with more care than a cone is put
down. Every nominal place enters with an honest spread and a robust cost, so that one cone half a metre off, or a line
that is not where the file says, does not drag the course frame.
"""

from __future__ import annotations

import math
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
# What lens to expect when no lens file is given: field of view across the longer side about 70°, 52-90° within two
# sd; bend (k1 at half the longer side) within ±0.12 at two sd.
FIELD_OF_VIEW_RAD = math.radians(70)
LOG_FOCAL_SD = 0.2  # before looking, the focal length is known to a fifth from the guess
BEND_SD = 0.06  # before looking, k1 is taken to lie this near to none (own choice)
STRAIGHT_PX = 0.12  # straightness of paint as seen: least error of a place along a line (px), common to a stretch


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
    `residual_px`: RMS of the paint about straight lines."""

    camera: Camera
    covariance: np.ndarray
    line_shifts_m: dict[str, tuple[float, float]]
    line_sd_m: dict[str, float]
    residual_px: float


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
    px = [cone_px] + [p.paint.points_px for p in paints] + [np.array([e for _, e in p.ends_px]).reshape(-1, 2)
                                                            for p in paints]
    cuts = np.cumsum([len(p) for p in px])[:-1]
    all_px = np.vstack(px)
    focal0 = focal_of_view(max(camera.lens.width_px, camera.lens.height_px), FIELD_OF_VIEW_RAD)
    gsd = camera.metres_per_pixel()
    start = np.concatenate([np.zeros(6), [math.log(camera.lens.fx / focal0), bend_of(camera.lens)],
                            np.zeros(2 * len(paints))])

    def camera_at(q: np.ndarray) -> Camera:
        moved = camera.moved(q[:3], q[3:6])
        return moved if lens_known else replace(moved, lens=lens_with(camera.lens, focal0 * math.exp(q[6]), q[7]))

    def misfit(q: np.ndarray) -> np.ndarray:
        parts = np.split(camera_at(q).to_ground(all_px), cuts)
        r = [_robust((np.hypot(*(parts[0] - cone_at).T)) / cone_sd)[:, None] * _unit(parts[0] - cone_at)]
        for k, seen in enumerate(paints):
            beyond, share = _beyond(seen.line, parts[1 + k])
            shifts = q[8 + 2 * k:10 + 2 * k]
            middle = shifts[0] * (1 - share) + shifts[1] * share + seen.paint.width_m / 2
            # neighbouring places along a line share their errors: about one in three is independent
            r.append((beyond - middle) / max(seen.paint.sd_m, STRAIGHT_PX * gsd) / math.sqrt(3))
            r.append(_robust(shifts / (paint_care * seen.setting_out_m)))
            for (end, _), at in zip(seen.ends_px, parts[1 + len(paints) + k], strict=True):
                r.append(_robust(np.array([_end_offset(seen.line, end, at)
                                           / (paint_care * PAINT_END_SETTING_OUT_M)])))
        if lens_known:
            r.append(np.array([q[6] - start[6], q[7] - start[7]]) / 1e-6)
        else:
            r.append(np.array([q[6] / LOG_FOCAL_SD, q[7] / BEND_SD]))
        if sway is not None:
            r.append(sway.misfit(camera_at(q)))
        return np.nan_to_num(np.concatenate([np.ravel(x) for x in r]), nan=1e3)

    scale = np.concatenate([[0.01, 0.01, 0.01, 0.3, 0.3, 0.3, 0.1, 0.01], np.full(2 * len(paints), 0.05)])
    result = least_squares(misfit, start, x_scale=scale, max_nfev=60)
    q = result.x
    jacobian = result.jac / 1.0
    covariance = np.linalg.pinv(jacobian.T @ jacobian, hermitian=True)
    fitted = camera_at(q)
    shifts, sds, squares, count = {}, {}, 0.0, 0
    for k, seen in enumerate(paints):
        beyond, share = _beyond(seen.line, fitted.to_ground(seen.paint.points_px))
        s = q[8 + 2 * k:10 + 2 * k]
        off = beyond - (s[0] * (1 - share) + s[1] * share + seen.paint.width_m / 2)
        squares, count = squares + float((off ** 2).sum()), count + len(off)
        shifts[seen.line.name] = (float(s[0]), float(s[1]))
        var = covariance[8 + 2 * k:10 + 2 * k, 8 + 2 * k:10 + 2 * k].trace() / 2
        sds[seen.line.name] = math.sqrt(var)
    residual = math.sqrt(squares / count) / fitted.metres_per_pixel() if count else 0.0
    return Fit(fitted, covariance[:8, :8], shifts, sds, residual)


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

    The usual spread enters with the weight of one value; the course frame itself has used up four; a value far off
    counts no more than three usual sd."""
    off = [shift / p.setting_out_m for p in paints for shift in fit.line_shifts_m[p.line.name]]
    for p in paints:
        for line in (ln for ln in course.lines if ln.name == p.line.name):
            off += [_end_offset(line, end, fit.camera.to_ground(px[None])[0]) / PAINT_END_SETTING_OUT_M
                    for end, px in p.ends_px]
    squares = float(np.minimum(np.square(off), 9.0).sum())
    return math.sqrt((1 + squares) / (1 + max(len(off) - 4, 0)))


def ground_sd_m(fit: Fit, px: np.ndarray, lens_known: bool) -> np.ndarray:
    """One-sigma error (m, root of the mean of both axes' variances) of ground places of pixels, from the camera's."""
    base = fit.camera.to_ground(px)
    columns = []
    steps = np.array([1e-5] * 3 + [1e-3] * 3 + [1e-4, 1e-5])
    focal, bend = fit.camera.lens.fx, bend_of(fit.camera.lens)
    for k, step in enumerate(steps):
        d = np.zeros(8)
        d[k] = step
        moved = fit.camera.moved(d[:3], d[3:6])
        if not lens_known and k >= 6:
            moved = replace(moved, lens=lens_with(moved.lens, focal * math.exp(d[6]), bend + d[7]))
        columns.append((moved.to_ground(px) - base) / step)
    j = np.stack(columns, -1)
    var = np.einsum("nik,kl,nil->n", j, fit.covariance, j) / 2
    return np.sqrt(np.maximum(var, 0))


def _robust(r: np.ndarray) -> np.ndarray:
    """Cauchy cost as a residual: grows like r up to one sd, then only like the root of a logarithm."""
    return np.sign(r) * np.sqrt(np.log1p(r * r))


def _unit(d: np.ndarray) -> np.ndarray:
    return d / np.maximum(np.hypot(*d.T), 1e-9)[:, None]


def _beyond(line: Line, points_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distance of points from the edge towards the paint's side, and their place along the line (0..1)."""
    d = np.array([line.x1_m - line.x0_m, line.y1_m - line.y0_m])
    return -line.clearance_m(points_m), (points_m - [line.x0_m, line.y0_m]) @ d / (d @ d)


def _end_offset(line: Line, end: int, at_m: np.ndarray) -> float:
    d = np.array([line.x1_m - line.x0_m, line.y1_m - line.y0_m])
    d /= np.hypot(*d)
    return float((at_m - ([line.x0_m, line.y0_m] if end == 0 else [line.x1_m, line.y1_m])) @ d)
