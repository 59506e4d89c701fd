"""Exact places of painted lines in a picture, once the camera is roughly known: a blurred bar is fitted to profiles
across them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.optimize import minimize
from scipy.special import erf

from analysis.course import Line
from vision.camera import Camera
from vision.marks import GroundLook
from vision.survey_cone import local_gsd

# Paint runs smoothly and a blurred bar explains its profiles; a chance ridge wanders by decimetres and explains half.
LEAST_EXPLAINED = 0.8
WORN_M, PALEST = 1.0, 0.4
"""A worn piece near a line's end is shorter than the first; paint shows at least the second share of its usual contrast
(own choice)."""
USUAL_BLUR_PX, BLUR_HELD = 0.7, (0.002, 0.0002)
"""A sharp picture's blur (sd), and how firmly the fit of a line is held to it, as a share of its profile: firmly and
loosely. Between the two lay the widths of lines of known width (10-18 cm at 2-5 cm a pixel, sharp and blurred)."""
MOST_SCATTER_M, MOST_SCATTER_PX = 0.03, 0.2
"""A line's points may scatter by its own waviness, and by the picture's resolution."""


@dataclass(frozen=True)
class PaintPlace:
    """A painted line as seen: points on its middle (n, 2) px, the sd across (m) of each, the paint's width (m), its
    sd, and the share of the examined length where paint was found."""

    points_px: np.ndarray
    sd_m: float
    width_m: float
    width_sd_m: float
    share: float


def measure_paint(look: GroundLook, camera: Camera, line: Line, *, reach_m: float = 0.5, every_m: float = 0.25,
                  block_m: float = 1.0, exclude: np.ndarray | None = None) -> PaintPlace | None:
    """Where the paint of `line` (as placed now, within `reach_m`) really runs. None when none is seen."""
    direction = np.array([line.x1_m - line.x0_m, line.y1_m - line.y0_m])
    length = float(np.hypot(*direction))
    direction /= length
    out = np.array([-direction[1], direction[0]]) * -line.yard_side  # from the edge to the paint's far side
    gsd = local_gsd(camera, ((line.x0_m + line.x1_m) / 2, (line.y0_m + line.y1_m) / 2))
    across = np.arange(-reach_m, reach_m + 1e-9, min(0.02, 0.3 * gsd))
    block_m = min(block_m, length / 6)
    every_m = min(every_m, block_m / 3)
    along = np.arange(0.5 * every_m, length, every_m)
    middle = np.array([line.x0_m, line.y0_m]) + out * line.width_m / 2
    ground = middle + along[:, None, None] * direction + across[None, :, None] * out
    px = camera.project_ground(ground.reshape(-1, 2)).reshape(ground.shape).astype(np.float32)
    h, w = look.bgr.shape[:2]
    inside = ((px[..., 0] > 1) & (px[..., 0] < w - 2) & (px[..., 1] > 1) & (px[..., 1] < h - 2)).all(1)
    if exclude is not None:
        clear = cv2.remap((exclude > 0).astype(np.uint8), px[..., 0], px[..., 1], cv2.INTER_NEAREST)
        inside &= ~(clear > 0).any(1)
    if inside.sum() < 4:
        return None
    profiles = _paint_channel(look, px[inside], across)
    block = (along[inside] / block_m).astype(int)
    names = np.unique(block)
    mean = np.stack([profiles[block == b].mean(0) for b in names])
    where = np.array([along[inside][block == b].mean() for b in names])
    width, blur, doubt = max(line.width_m, gsd), USUAL_BLUR_PX * gsd, 0.0
    centre, amplitude, explained = _bar_places(mean, across, width, blur)
    for _ in range(2):
        good = _agreeing(where, centre, amplitude)
        if good.sum() < 4:
            return None
        width, blur, doubt = _bar_shape(mean[good], centre[good], across, width, blur, gsd)
        centre, amplitude, explained = _bar_places(mean, across, width, blur)
    good = _agreeing(where, centre, amplitude)
    if good.sum() < 4:
        return None
    trend = np.polyfit(where[good], centre[good], 2)
    scatter = float(1.4826 * np.median(np.abs(centre[good] - np.polyval(trend, where[good]))))
    share_explained = float(np.median(explained[good]))
    if share_explained < LEAST_EXPLAINED or scatter > MOST_SCATTER_M + MOST_SCATTER_PX * gsd:
        return None
    points = middle + where[good, None] * direction + centre[good, None] * out
    return PaintPlace(camera.project_ground(points), max(scatter, 0.05 * gsd), width,
                      math.hypot(0.08 * gsd, 0.05 * width, doubt), float(good.sum() * block_m / length))


def _paint_channel(look: GroundLook, px: np.ndarray, across: np.ndarray) -> np.ndarray:
    """Profiles of the one mixture of the three colours (linear light) in which the paint stands out most."""
    values = look.linear_at(px)
    near = np.abs(across) < 0.3 * across[-1]
    contrast = values[:, near] - np.median(values[:, ~near], 1, keepdims=True)
    grain = values[:, ~near].reshape(-1, 3)
    grain = grain - np.median(grain, 0)
    spread = 1.4826 * np.median(np.abs(grain), 0) + 0.1
    typical = np.median(np.sort(contrast, 1)[:, -max(1, near.sum() // 4):].mean(1), 0)
    dark = np.median(np.sort(contrast, 1)[:, :max(1, near.sum() // 4)].mean(1), 0)
    typical = np.where(np.abs(dark) > 1.5 * np.abs(typical), dark, typical)
    mixture = typical / spread ** 2
    return values @ (mixture / max(np.linalg.norm(mixture), 1e-9))


def _bar(across: np.ndarray, centre: np.ndarray, width: float, blur: float) -> np.ndarray:
    """Blurred bars (len(centre), len(across)), 1 inside and 0 outside."""
    d = across[None, :] - np.asarray(centre)[:, None]
    s = blur * math.sqrt(2)
    return 0.5 * (erf((d + width / 2) / s) - erf((d - width / 2) / s))


def _bar_places(mean: np.ndarray, across: np.ndarray, width: float,
                blur: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Best place and height of a bar in each profile, over a ground that may slope, and the share it explains."""
    reach = across[-1] - width / 2 - 2 * blur
    candidates = across[np.abs(across) <= max(reach, 0.3 * across[-1])]
    q = np.linalg.qr(np.column_stack([np.ones_like(across), across]))[0]
    bars = _bar(across, candidates, width, blur)
    bars -= bars @ q @ q.T
    data = mean - mean @ q @ q.T
    dot, norm = data @ bars.T, (bars ** 2).sum(1)
    gain = np.where(dot > 0, dot, 0) ** 2 / norm
    k = np.clip(gain.argmax(1), 1, len(candidates) - 2)
    rows = np.arange(len(mean))
    a, b, c = gain[rows, k - 1], gain[rows, k], gain[rows, k + 1]
    curve = a - 2 * b + c
    shift = np.where(curve < 0, 0.5 * (a - c) / np.where(curve < 0, curve, -1), 0)
    return candidates[k] + np.clip(shift, -1, 1) * (candidates[1] - candidates[0]), dot[rows, k] / norm[k], \
        gain[rows, k] / np.maximum((data ** 2).sum(1), 1e-12)


def _agreeing(where: np.ndarray, centre: np.ndarray, amplitude: np.ndarray) -> np.ndarray:
    """Profiles with enough paint, whose places agree with a gentle curve (robust)."""
    good = amplitude > 0.4 * np.median(amplitude[amplitude > 0]) if (amplitude > 0).any() else amplitude > 0
    for _ in range(6):
        if good.sum() < 4:
            return good
        trend = np.polyval(np.polyfit(where[good], centre[good], 2 if good.sum() > 8 else 1), where)
        off = np.abs(centre - trend)
        good = (amplitude > 0.4 * np.median(amplitude[good])) & (off < max(3 * 1.4826 * np.median(off[good]), 0.01))
    return good


def _bar_shape(mean: np.ndarray, centre: np.ndarray, across: np.ndarray, width: float, blur: float,
               gsd: float) -> tuple[float, float, float]:
    """Common width and blur (m) of the paint, from all good profiles laid over each other, and how far the width is
    open to how sharp the picture is: a line of a few pixels looks almost like a narrower one seen less sharply."""
    d = (across[None, :] - centre[:, None]).ravel()
    level = np.median(mean, 1, keepdims=True)
    value = (mean - level).ravel()
    near = np.abs(d) < 0.8 * across[-1]
    bins = np.round(d[near] / (across[1] - across[0])).astype(int)
    shift = bins.min()
    count = np.bincount(bins - shift)
    profile = np.bincount(bins - shift, value[near]) / np.maximum(count, 1)
    at = (np.arange(len(profile)) + shift) * (across[1] - across[0])
    use = count > 0.3 * count.max()
    at, profile = at[use], profile[use]
    total = max(float(profile @ profile), 1e-12)
    q = np.linalg.qr(np.column_stack([np.ones_like(at), at]))[0]  # a ground that may slope
    data = profile - q @ (q.T @ profile)

    def misfit(p: np.ndarray, held: float) -> float:
        blur = max(abs(p[1]), 0.25 * gsd)
        bar = _bar(at, np.zeros(1), abs(p[0]), blur)[0]
        bar -= q @ (q.T @ bar)
        unexplained = data @ data - (bar @ data) ** 2 / max(bar @ bar, 1e-12)  # by a bar of the best height
        return float(unexplained / total + held * (math.log(blur / (USUAL_BLUR_PX * gsd)) / 0.4) ** 2)

    fits = [np.abs(minimize(misfit, [width, blur], (held,), method="Nelder-Mead",
                            options={"xatol": 1e-3, "fatol": 1e-7, "maxfev": 120}).x) for held in BLUR_HELD]
    width, blur = np.mean(fits, axis=0)
    return (float(np.clip(width, 0.03, 0.6)), float(np.clip(blur, 0.25 * gsd, 3 * gsd)),
            abs(float(fits[0][0] - fits[1][0])) / 2)


def _last_paint(level: np.ndarray, step: int, reach: int) -> int | None:
    """The last place (index) of paint about where a line steps from paint to none: wear takes paint away in pieces, so
    what still lies within `reach` places beyond the step is of the line. None if it goes on to the end of that."""
    painted = np.flatnonzero(level[step - 4:step + reach] >= PALEST) + step - 4
    if not len(painted) or painted[-1] >= min(step + reach, len(level)) - 5:
        return None
    return int(painted[-1])


def measure_ends(look: GroundLook, camera: Camera, line: Line, paint: PaintPlace, *,
                 reach_m: float = 1.6) -> list[tuple[int, float, np.ndarray]]:
    """Where the paint stops: (end 0 or 1, distance in m beyond the nominal end, pixel) for each end in view.

    `line` is taken as lying where its paint was measured; the end is the best single step from paint to no paint."""
    start, stop = np.array([line.x0_m, line.y0_m]), np.array([line.x1_m, line.y1_m])
    length = float(np.hypot(*(stop - start)))
    direction = (stop - start) / length
    ground = camera.to_ground(paint.points_px)
    along, across = (ground - start) @ direction, (ground - start) @ np.array([-direction[1], direction[0]])
    trend = np.polyfit(along, across, 1)
    h, w = look.bgr.shape[:2]
    found = []
    for end, sign in ((0, -1.0), (1, 1.0)):
        nominal = 0.0 if end == 0 else length
        gsd = local_gsd(camera, tuple(start if end == 0 else stop))
        s = np.arange(-reach_m, reach_m, 0.25 * gsd)  # outwards
        a = nominal + sign * s
        rows = []
        for offset in (0.0, -0.45, 0.45):
            y = np.polyval(trend, a) + offset
            p = start + a[:, None] * direction + y[:, None] * np.array([-direction[1], direction[0]])
            px = camera.project_ground(p).astype(np.float32)
            if (px < 2).any() or (px[:, 0] > w - 3).any() or (px[:, 1] > h - 3).any():
                break
            rows.append(look.linear_at(px[:, None])[:, 0])
        if len(rows) < 3:
            continue
        contrast = rows[0] - (rows[1] + rows[2]) / 2
        inner = contrast[s < -0.4 * reach_m]
        paintwards = np.median(inner, 0)
        level = contrast @ paintwards / max(float(paintwards @ paintwards), 1e-9)
        cost = np.cumsum((level - 1) ** 2) + np.cumsum((level ** 2)[::-1])[::-1] - level ** 2
        k = int(np.argmin(cost))
        steps = max(cost[0], cost[-1]) - cost[k]
        if not 4 < k < len(s) - 5 or cost[k] > 0.35 * len(s) or steps < 0.1 * len(s):
            continue
        last = _last_paint(level, k, round(WORN_M / (s[1] - s[0])))
        if last is None:
            continue
        half = 0.5 * min(1.0, float(level[max(last - 4, 0):last + 1].max()))  # worn paint may be pale to its very end
        i = last + int(np.argmax(level[last:] < half)) - 1
        at = float(s[i] + (level[i] - half) / (level[i] - level[i + 1]) * (s[1] - s[0]))
        where = nominal + sign * at
        p = start + where * direction + np.polyval(trend, where) * np.array([-direction[1], direction[0]])
        found.append((end, at, camera.project_ground(p[None])[0]))
    return found
