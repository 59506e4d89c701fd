"""The exact place of one cone in a picture, once the camera is roughly known.

A cone is measured as the solid it is: base plate, conical body and pole are projected, each with a brightness of its
own, and moved over the ground until they explain the picture; so its height and lean do not shift it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import minimize

from analysis.course import Area, Mark
from vision.camera import Camera
from vision.survey_cone_drawn import BLUR_PX, lying_m, misfit, rings_px, solid_m
from vision.survey_guess import LEAN_SHARE

SURELY_STANDS = 0.9  # share explained by a cone that stands, above which it is not asked whether it lies
LIES_BETTER = 0.85
"""A lying cone must leave less than this share of what a standing one leaves. On rendered clips two that lay left at
most 0.76, and none of 95 that stood, seen from straight above to far aslant, less than 0.94."""
LEAST_LYING_SHARE = 0.62
"""What lies must look like it, too: share of the picture's variation that it explains (rendered clips: 0.69-0.84; 0.46
of a cone that stood half hidden by a vehicle)."""
FIRST_STEPS = np.array([0.1, 0.1, 0.2])
"""Of the search for a cone that lies or stands: half its base (m, m), and the angle (rad) a lying one may be seen
amiss."""
CONE_SD_PX = 0.3  # least error of a cone's place, however clear it is: it is no perfect cone of the stated size
LIT_SIDE = 0.07
"""The sun lights one side of a cone, and that side is seen: its place errs by this share of half its base (rms of
nine rendered yards, against their lines; twice that at most)."""


@dataclass(frozen=True)
class ConePlace:
    """Middle of a cone's base on the ground (m, by the camera used) and in the picture (px), sd in metres.

    `share` is the part of the picture's variation there that the cone explains (0..1)."""

    x_m: float
    y_m: float
    u_px: float
    v_px: float
    sd_m: float
    share: float

    @property
    def at_m(self) -> tuple[float, float]:
        return self.x_m, self.y_m


def measure_cone(red: np.ndarray, camera: Camera, mark: Mark, start_m: tuple[float, float],
                 barrier: Area | None = None, barrier_height_m: float = 1.0) -> ConePlace | None:
    """Move the projected cone over the ground near `start_m` until it fits the signal-colour picture `red`.

    It is first tried on a grid of third-of-base steps, for its stripes can fit one stripe farther along. None when it
    lies outside the picture or nothing fits."""
    reach_m = _reach_m(mark)
    box = _box_px(camera, mark, start_m, reach_m, red.shape)
    if box is None:
        return None
    u0, v0, u1, v1 = box
    gsd = local_gsd(camera, start_m)
    watched = _watched(camera, mark, start_m, box, reach_m, barrier, barrier_height_m)
    if watched.sum() < 12:
        return None
    patch = red[v0:v1, u0:u1].astype(float)
    data = patch[watched]
    total = _variation(data)
    if total <= 0:
        return None
    view, solid = replace(camera, lens=camera.lens.cropped(u0, v0)), solid_m(mark)

    def misfit_at(place: np.ndarray) -> float:
        return float(misfit(rings_px(view, solid, place), patch, watched))

    step = max(0.35 * mark.base_half_m, 0.7 * gsd)
    around = np.arange(-3, 4) * step
    tried = np.array([[start_m[0] + dx, start_m[1] + dy] for dx in around for dy in around])
    costs = np.array([misfit_at(q) for q in tried])
    place = tried[int(np.argmin(costs))]
    fit = minimize(misfit_at, place, method="Nelder-Mead",
                   options={"initial_simplex": place + step * np.array([[0.5, 0.3], [-0.5, 0.3], [0.0, -0.6]]),
                            "xatol": 0.02 * gsd, "fatol": 1e-4 * total, "maxfev": 60})
    place, best = fit.x, float(fit.fun)
    share = 1 - best / total
    noise = best / max(watched.sum() / 6 - 5, 2)  # neighbouring pixels of compressed colour are not independent
    h = 0.5 * gsd
    bend = max(min(misfit_at(place + d) + misfit_at(place - d) - 2 * best for d in (np.array([h, 0]), np.array([0, h])))
               / h ** 2, 1e-9)
    # a rival place that fits nearly as well (stripes alike, a cone half hidden or in the dark) is honest doubt
    likely = np.exp(-0.5 * np.maximum(costs - best, 0.0) / noise)
    rival = ((tried - place) ** 2).sum(axis=1)
    far = rival > step ** 2
    doubt = math.sqrt(float((likely * rival)[far].sum()) / (1 + float(likely[far].sum())))
    sd = math.hypot(math.sqrt(2 * noise / bend / 6), CONE_SD_PX * gsd, LIT_SIDE * mark.base_half_m, doubt)
    u, v = camera.project_ground(place[None])[0]
    return ConePlace(float(place[0]), float(place[1]), float(u), float(v), sd, share)


def lies(red: np.ndarray, camera: Camera, mark: Mark, place: ConePlace, barrier: Area | None = None,
         barrier_height_m: float = 1.0) -> bool:
    """Whether what was measured at `place` as a cone that stands is the same cone lying there.

    Lying must explain better both what was measured and all around it: what is red beside a cone, or a cone seen so
    aslant that it looks as long as it is high, then decides nothing."""
    box = _box_px(camera, mark, place.at_m, mark.height_m, red.shape)
    if box is None or place.share > SURELY_STANDS:
        return False
    u0, v0, u1, v1 = box
    near, around = (_watched(camera, mark, place.at_m, box, grow_m, barrier, barrier_height_m)
                    for grow_m in (_reach_m(mark), mark.height_m))
    patch, view = red[v0:v1, u0:u1].astype(float), replace(camera, lens=camera.lens.cropped(u0, v0))
    v, u = np.nonzero(around)
    ground, weight = view.to_ground(np.column_stack([u, v])), patch[v, u]
    if not weight.any():
        return False
    middle = weight @ ground / weight.sum()
    way = np.linalg.eigh((ground - middle).T @ ((ground - middle) * weight[:, None]))[1][:, 1]

    def best(drawn: Callable[[np.ndarray], np.ndarray], starts: Sequence[np.ndarray]) -> np.ndarray:
        n = len(starts[0])
        steps = np.vstack([np.zeros(n), np.diag(FIRST_STEPS[:n])])
        fits = [minimize(lambda q: float(misfit(drawn(q), patch, around)), start, method="Nelder-Mead",
                         options={"initial_simplex": start + steps, "maxfev": 60}) for start in starts]
        return drawn(min(fits, key=lambda f: f.fun).x)

    # Of a cone that lies most red is towards the base, about a third of the way up.
    lying = best(lambda q: rings_px(view, lying_m(mark, q[2]), q[:2]),
                 [np.array([*(middle - end * mark.height_m / 3), math.atan2(end[1], end[0])]) for end in (way, -way)])
    leaning = view.to_ground(view.project_ground(middle[None]), LEAN_SHARE * mark.height_m)[0]
    standing = best(lambda q: rings_px(view, solid_m(mark), q), [np.array(place.at_m), leaning])

    def clearly(watched: np.ndarray) -> bool:
        left = misfit(lying, patch, watched)
        return bool(left < LIES_BETTER * misfit(standing, patch, watched)
                    and left < (1 - LEAST_LYING_SHARE) * _variation(patch[watched]))
    return clearly(near) and clearly(around)


def _variation(data: np.ndarray) -> float:
    """Sum of squares about what most of the pixels show, the ground: what a cone there is to explain."""
    return float(((data - np.median(data)) ** 2).sum())


def _reach_m(mark: Mark) -> float:
    """How far from where it is sought a cone may be found."""
    return 1.2 * mark.base_half_m + 0.15


def local_gsd(camera: Camera, at_m: tuple[float, float]) -> float:
    p = camera.project_ground(np.array([at_m, (at_m[0] + 0.5, at_m[1]), (at_m[0], at_m[1] + 0.5)]))
    a, b = (p[1] - p[0]) / 0.5, (p[2] - p[0]) / 0.5
    return 1 / math.sqrt(abs(a[0] * b[1] - a[1] * b[0]))


def _box_px(camera: Camera, mark: Mark, at_m: tuple[float, float], reach_m: float,
            shape: tuple[int, ...]) -> tuple[int, int, int, int] | None:
    points = rings_px(camera, solid_m(mark, reach_m), at_m).reshape(-1, 2)
    u0, v0 = np.floor(points.min(0)).astype(int)
    u1, v1 = np.ceil(points.max(0)).astype(int) + 1
    u, v = camera.project_ground(np.array([at_m]))[0]
    if not (1 <= u < shape[1] - 2 and 1 <= v < shape[0] - 2) or max(u1 - u0, v1 - v0) > max(shape[:2]) / 4:
        return None
    return max(u0, 0), max(v0, 0), min(u1, shape[1]), min(v1, shape[0])


def _fill(outline: np.ndarray, image: np.ndarray) -> None:
    cv2.fillConvexPoly(image, np.round(outline * 16).astype(np.int32), 1, cv2.LINE_8, 4)


def _watched(camera: Camera, mark: Mark, at_m: tuple[float, float], box: tuple[int, int, int, int], reach_m: float,
             barrier: Area | None, barrier_height_m: float) -> np.ndarray:
    """Pixels that decide: around the cone wherever it may be within reach, off the (striped, red) barrier."""
    u0, v0, u1, v1 = box
    mask = np.zeros((v1 - v0, u1 - u0), np.uint8)
    for rings in rings_px(camera, solid_m(mark, reach_m), at_m):
        _fill(cv2.convexHull((rings.reshape(-1, 2) - [u0, v0]).astype(np.float32))[:, 0], mask)
    return (mask > 0) & _off_barrier(camera, barrier, barrier_height_m, box) if barrier is not None else mask > 0


def _off_barrier(camera: Camera, barrier: Area, height_m: float, box: tuple[int, int, int, int]) -> np.ndarray:
    r = math.ceil(2 * BLUR_PX)
    return cv2.dilate(barrier_mask(camera, barrier, height_m, box), np.ones((2 * r + 1,) * 2)) == 0


def barrier_mask(camera: Camera, barrier: Area, height_m: float, box: tuple[int, int, int, int]) -> np.ndarray:
    """1 where the barrier (5 cm larger all round) hides what is behind it, in the part of the picture `box` (px)."""
    u0, v0, u1, v1 = box
    xy = np.array([(x, y) for x in (barrier.x_min_m - 0.05, barrier.x_max_m + 0.05)
                   for y in (barrier.y_min_m - 0.05, barrier.y_max_m + 0.05)])
    points = np.vstack([camera.project_ground(xy), camera.project_ground(xy, height_m)])
    mask = np.zeros((v1 - v0, u1 - u0), np.uint8)
    hull = cv2.convexHull(np.clip(points - [u0, v0], -4000, 8000).astype(np.float32))[:, 0]
    _fill(hull, mask)
    return mask
