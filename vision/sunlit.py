"""Finding a vehicle of the ground's colour by the shadow that it casts.

White on concrete or black on wet asphalt, in sun, hardly any of the vehicle differs from the empty yard but all of its
shadow does, and the search of outline.py lays the vehicle onto both. Here both are laid on together. The sun stands
still while a run is driven: one direction for all pictures, and one look of the vehicle, by which share of its
silhouette is of which kind. They are what makes all pictures together most likely, each at its best pose.
Weak without sun, where the sun is so low that most of the shadow falls outside the yard, and where the vehicle turns
so little that it and its shadow could be either way round.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from scipy.optimize import minimize

from analysis.vehicle import Vehicle
from vision.camera import Camera
from vision.hinge import middle_m, moved, ways_to_move, whole, with_middle
from vision.outline import (
    ABOUT_LENGTHS,
    COARSE_M_PER_PX,
    FINE_M,
    USUAL_SHADOW,
    WIDE_M,
    Difference,
    Sighting,
    beyond_noise,
    blob_starts,
    drawn,
    find_vehicle,
    is_ghost,
    magnitude,
    without_shadow,
)
from vision.overlap import side_by_side
from vision.solid import Pose, fill, shadows_px, silhouettes_px

GROUND, SHADED = np.array([0.95, 0.02, 0.02, 0.01]), np.array([0.10, 0.85, 0.01, 0.04])
"""How likely a pixel of bare ground, and one of the vehicle's shadow, is as in the empty yard, darker as in a shadow,
lighter as if the empty yard lay in one, or otherwise (our own estimates; only their orders of magnitude matter)."""
ANY_LOOK = np.full(4, 0.25)  # of a vehicle of which nothing is known yet
LEAST_LOOK = 0.02
"""No kind is less likely than this in the vehicle: a learnt look is not yet all that may be seen."""
ON_EDGE, OFF_EDGE = 9.0, -4.5
"""What a pixel of an outline is worth on an edge and off one, in the same measure as a pixel inside: with less, a
shadow of the vehicle's size is as good as the vehicle."""
HEADINGS_RAD = (-0.4, 0.0, 0.4)
"""Headings tried besides those of blob_starts, against the course: a blob of vehicle and shadow has the heading of
neither."""
WAYS, FAR = 8, (0.7, 2.0)
"""From so many sides is the sun tried at first, and with shadows so far for each metre of height."""
FAR_SUN, LEAST_SUN = 4.0, 0.1
"""Metres of shadow for each metre of height beyond which the sun is not looked for (it is 14 deg up), and below which
there is no shadow to go by."""
LEAST_VIEWS = 3  # or one picture alone would decide
STARTS = 6  # that a search is begun from, of a picture
KEPT, TRIED = 4, 8
"""Suns that each picture has to propose, and of all those how many are tried in earnest."""
APART = (0.2, 0.15)
"""Suns are two if further apart than the first, and this share of themselves."""
ROUNDS_M = (WIDE_M, FINE_M, FINE_M)
"""With such steps are the poses improved after look and sun are told anew, each time."""
FIRST_TRIALS, TRIALS = 25, 30  # of each unknown in a search
SETTLED_M, SETTLED = 0.02, 0.5
"""A search ends when its steps are shorter, and change what it makes as large as it can by less than a pixel does."""
LEAST_CAST = 0.4
"""Less of a shadow's rim on edges is no sun's doing: the rim of its shadow is blurred by 9 mm for each metre, that of a
clouded sky's by metres."""
LEAST_KNOWN = 0.6
"""So much of the vehicle must lie where the empty yard is known: beside it there is nothing against a pose."""
IMPOSSIBLE = -1e9  # in place of a likelihood; a number, so that a search can compare two
MOST_TURN = math.radians(80)
"""A vehicle heads no further away from the course's x axis: the exercise is driven facing the forward pair."""


@dataclass(frozen=True)
class Sun:
    """Where the vehicle's shadow falls, (2,) metres along the course's axes for each metre of height, and the look of
    the vehicle: by what shares (4,) its silhouette is of the kinds of GROUND."""

    shadow_m_per_m: np.ndarray
    look: np.ndarray


def sun_seen(diffs: Sequence[Difference], cameras: Sequence[Camera], vehicle: Vehicle) -> Sun | None:
    """The sun by which pictures, and the vehicle with its shadow in them, are most likely; None without one that most
    of the pictures show. `diffs` are against a yard as it is when the vehicle does not shade it."""
    views = [v for v in side_by_side(lambda d, c: _View(d, c, vehicle), diffs, cameras) if v.blobs]
    if len(views) < LEAST_VIEWS:
        return None
    suns = [np.zeros(2)]
    for proposed in side_by_side(_proposals, views):
        suns += [s for s in proposed if not _like_any(s, suns)]
    first = sorted(side_by_side(lambda s: _fitted(views, s), suns), key=lambda fits: -sum(f.worth for f in fits))
    found = side_by_side(lambda fits: _jointly(views, fits), first[:TRIED])
    _, sun, good = max(found, key=lambda f: f[0])
    return sun if good > len(views) / 2 and np.linalg.norm(sun.shadow_m_per_m) > LEAST_SUN else None


def sighted(diff: Difference, camera: Camera, vehicle: Vehicle, sun: Sun | None,
            near: Pose | None = None) -> Sighting | None:
    """The best coarse pose, by the vehicle's shadow too if there is a sun."""
    search = find_vehicle if sun is None else partial(find_sunlit, sun=sun)
    return search(diff, camera, vehicle, near=near)


def find_sunlit(diff: Difference, camera: Camera, vehicle: Vehicle, sun: Sun,
                near: Pose | None = None) -> Sighting | None:
    """The best coarse pose, or None when nothing of the vehicle's size is new; what `filled` and `explained` say is
    said of the shadow, and of the vehicle and its shadow."""
    view = _View(diff, camera, vehicle, near)
    gain, shadow = view.gain(sun.look), sun.shadow_m_per_m
    fits = (view.fits([shadow], gain, TRIALS, False) if near is None
            else [view.improved(p, shadow, gain, FINE_M, TRIALS) for p in view.near])
    if not fits:
        return None
    best = max(fits, key=lambda f: f.worth)
    return view.sighting(view.improved(best.pose, shadow, gain, FINE_M, TRIALS).pose, shadow)


@dataclass(frozen=True)
class _Fit:
    worth: float
    pose: Pose
    shadow_m_per_m: np.ndarray


class _View:
    """One picture's difference by kinds of pixels, (4, h, w) in 0..1 and 0 where the yard is not known."""

    def __init__(self, diff: Difference, camera: Camera, vehicle: Vehicle, near: Pose | None = None) -> None:
        self.diff, self.vehicle = diff, vehicle
        self.camera = Camera(camera.lens.scaled(diff.scale), camera.rotation, camera.centre_m)
        unlike = beyond_noise(magnitude(without_shadow(diff.empty, diff.seen, USUAL_SHADOW)), diff.noise)
        shaded, lighter, other = diff.changed - diff.solid, diff.solid * (1 - unlike), diff.solid * unlike
        kinds = np.stack([1 - diff.changed, shaded, lighter, other]).clip(0, 1)
        self.known = diff.known.astype(np.float32)
        self.kinds = (kinds * diff.known).astype(np.float32)
        self.in_shadow = self.gain(SHADED)
        self.blobs = blob_starts(diff.changed, self.camera, vehicle)
        # Of a black vehicle the search without a shadow knows the place well.
        alone = find_vehicle(diff, camera, vehicle, near) if self.blobs or near is not None else None
        self.near = [p for p in (near, None if alone is None else alone.pose) if p is not None]
        self.on_edge = ((ON_EDGE - OFF_EDGE) * diff.edges + OFF_EDGE).astype(np.float32)

    def gain(self, look: np.ndarray) -> np.ndarray:
        """(h, w) by how much each pixel is likelier (log) in something of that look than as bare ground."""
        return np.tensordot(np.log(look / GROUND).astype(np.float32), self.kinds, 1)

    def starts(self, shadow_m_per_m: np.ndarray) -> list[Pose]:
        """Poses from which vehicle and shadow together lie on what is new in the picture."""
        away = -shadow_m_per_m * self.vehicle.height_m / 2
        found = list(self.near)
        for pose in self.blobs:
            found += [with_middle(self.vehicle, middle_m(self.vehicle, pose) + away, h, pose.articulation_rad)
                      for h in (pose.heading_rad, *HEADINGS_RAD)]
        return [p for p in dict.fromkeys(found) if _faces(p)]

    def fits(self, suns: Sequence[np.ndarray], gain: np.ndarray, trials: int, sun_too: bool) -> list[_Fit]:
        """What the likeliest starts under some suns lead to, the best first."""
        tried = sorted(((start, sun) for sun in suns for start in self.starts(sun)),
                       key=lambda t: -self.worth(t[0], t[1], gain))[:STARTS]
        return sorted((self.improved(start, sun, gain, WIDE_M, trials, sun_too) for start, sun in tried),
                      key=lambda f: -f.worth)

    def improved(self, start: Pose, shadow_m_per_m: np.ndarray, gain: np.ndarray, step_m: float, trials: int,
                 sun_too: bool = False) -> _Fit:
        """The best pose about `start`, by steps that begin with step_m, and the sun with it if that is asked for."""
        ways = ways_to_move(self.vehicle)

        def at(p: np.ndarray) -> tuple[Pose, np.ndarray]:
            more = p[ways:] / self.vehicle.height_m if sun_too else 0.0
            return moved(self.vehicle, start, p[:ways]), shadow_m_per_m + more
        unknown = ways + 2 * sun_too
        simplex = step_m * np.vstack([np.zeros(unknown), np.eye(unknown)])
        got = minimize(lambda p: -self.worth(*at(p), gain), np.zeros(unknown), method="Nelder-Mead", options={
            "initial_simplex": simplex, "xatol": SETTLED_M, "fatol": SETTLED, "maxfev": trials * unknown})
        return _Fit(-got.fun, *at(got.x))

    def worth(self, pose: Pose, shadow_m_per_m: np.ndarray, gain: np.ndarray) -> float:
        """By how much the picture is likelier (log) with the vehicle and its shadow there than without."""
        if not _faces(pose) or np.linalg.norm(shadow_m_per_m) > FAR_SUN:
            return IMPOSSIBLE
        body, shadow, outline, rim, corner = self._masks(pose, shadow_m_per_m)
        if _total(self.known, body, corner) < LEAST_KNOWN * cv2.countNonZero(body):
            return IMPOSSIBLE
        parts = ((gain, body), (self.in_shadow, shadow), (self.on_edge, outline | rim))
        return sum(_total(values, mask, corner) for values, mask in parts)

    def looks(self, pose: Pose) -> np.ndarray:
        """(4,) shares of the silhouette by kind."""
        body, _, _, _, corner = self._masks(pose, np.zeros(2))
        return np.array([_total(k, body, corner) for k in self.kinds]) / max(cv2.countNonZero(body), 1)

    def sighting(self, pose: Pose, shadow_m_per_m: np.ndarray) -> Sighting:
        body, shadow, outline, rim, corner = self._masks(pose, shadow_m_per_m)
        filled = _total(self.kinds[1], shadow, corner) / max(_total(self.known, shadow, corner), 1.0)
        explained = _total(self.diff.changed, body | shadow, corner) / max(self._changed_about(pose), 1.0)
        edged = _total(self.diff.edges, outline | rim, corner) / max(cv2.countNonZero(outline | rim), 1)
        outlines = silhouettes_px(self.vehicle, pose, self.camera)
        return Sighting(pose, filled, explained, edged, is_ghost(self.diff, outlines))

    def _changed_about(self, pose: Pose) -> float:
        """Pixels that changed about a pose; what did farther away is some other thing."""
        at = self.camera.project_ground(middle_m(self.vehicle, pose)[None], self.vehicle.height_m / 2)[0]
        reach_px = round(ABOUT_LENGTHS * whole(self.vehicle).length_m / COARSE_M_PER_PX)
        about = np.zeros(self.diff.changed.shape, np.uint8)
        cv2.circle(about, np.round(at).astype(int).tolist(), reach_px, 1, -1)
        return _total(self.diff.changed, about, np.zeros(2, int))

    def cast(self, pose: Pose, shadow_m_per_m: np.ndarray) -> float:
        """How much of the rim of the shadow lies on edges."""
        _, _, _, rim, corner = self._masks(pose, shadow_m_per_m)
        return _total(self.diff.edges, rim, corner) / max(_total(self.known, rim, corner), 1.0)

    def _masks(self, pose: Pose, shadow_m_per_m: np.ndarray) -> tuple[np.ndarray, ...]:
        """uint8 masks of the vehicle, of its shadow beside it, of its outline and of the shadow's rim, all of the
        smallest part of the picture with both in it, and (u, v) where that begins: some thousand are made of one."""
        bodies = silhouettes_px(self.vehicle, pose, self.camera)
        shadows = shadows_px(self.vehicle, pose, self.camera, shadow_m_per_m)
        px = np.concatenate(bodies + shadows)
        size = np.array(self.diff.changed.shape[::-1])
        corner = np.clip(np.floor(px.min(axis=0)) - 1, 0, size - 1).astype(int)
        end = np.clip(np.ceil(px.max(axis=0)) + 2, corner + 1, size).astype(int)
        shape = (int(end[1] - corner[1]), int(end[0] - corner[0]))
        bodies, shadows = [b - corner for b in bodies], [s - corner for s in shadows]
        body, shadow = fill(bodies, shape), fill(shadows, shape)
        outline, rim = drawn(bodies, shape), drawn(shadows, shape)
        shadow[body > 0] = 0
        rim[(body | outline) > 0] = 0
        return body, shadow, outline, rim, corner


def _total(values: np.ndarray, mask: np.ndarray, corner: np.ndarray) -> float:
    """Sum of (h, w) values over a mask of the part of them that begins at corner (u, v)."""
    u, v = corner
    return cv2.mean(values[v:v + mask.shape[0], u:u + mask.shape[1]], mask)[0] * cv2.countNonZero(mask)


def _faces(pose: Pose) -> bool:
    return math.cos(pose.heading_rad) > math.cos(MOST_TURN)


def _like_any(sun: np.ndarray, suns: Sequence[np.ndarray]) -> bool:
    least, share = APART
    return any(np.linalg.norm(sun - s) < least + share * np.linalg.norm(s) for s in suns)


def _proposals(view: _View) -> list[np.ndarray]:
    """Suns (2,) that explain one picture by itself, the best first."""
    ways = [far * np.array([math.cos(a), math.sin(a)]) for far in FAR for a in np.arange(WAYS) * 2 * math.pi / WAYS]
    kept: list[np.ndarray] = []
    for fit in view.fits(ways, view.gain(ANY_LOOK), FIRST_TRIALS, True):
        if len(kept) < KEPT and not _like_any(fit.shadow_m_per_m, kept):
            kept.append(fit.shadow_m_per_m)
    return kept


def _fitted(views: Sequence[_View], shadow_m_per_m: np.ndarray) -> list[_Fit]:
    """Each picture's best pose under one sun."""
    return [view.fits([shadow_m_per_m], view.gain(ANY_LOOK), TRIALS, False)[0] for view in views]


def _jointly(views: Sequence[_View], fits: Sequence[_Fit]) -> tuple[float, Sun, int]:
    """How likely the pictures are with such a sun, the sun itself, and how many of the pictures show it."""
    lit = bool(fits[0].shadow_m_per_m.any())
    for step_m in ROUNDS_M:
        look = np.median([v.looks(f.pose) for v, f in zip(views, fits, strict=True)], axis=0).clip(LEAST_LOOK)
        sun = Sun(np.median([f.shadow_m_per_m for f in fits], axis=0), look / look.sum())
        gains = [v.gain(sun.look) for v in views]
        fits = [v.improved(f.pose, sun.shadow_m_per_m, g, step_m, TRIALS, sun_too=lit)
                for v, g, f in zip(views, gains, fits, strict=True)]
    worth = sum(v.worth(f.pose, sun.shadow_m_per_m, g) for v, g, f in zip(views, gains, fits, strict=True))
    shadow = sun.shadow_m_per_m
    return worth, sun, sum(v.sighting(f.pose, shadow).good and v.cast(f.pose, shadow) > LEAST_CAST
                           for v, f in zip(views, fits, strict=True))
