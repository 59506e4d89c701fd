"""The lens and the camera's tilt from the camera's own sway: no mark, no line and no vehicle is needed.

A drone that drifts and nods sees the same flat ground from many places. All those views agree only for the right focal
length, bend and tilt: a bundle adjustment over a plane whose scale and place stay free (planar self-calibration;
Triggs, "Autocalibration from planar scenes", 1998). The ground's own texture is what is compared, some thousand pixels
in every picture, each against its mean over all pictures.

Weak for a camera that hardly moves (a mast), and for the focal length where the view is within a few degrees of the
vertical: the stated covariance then grows. A constant roll of the shutter or an off-centre lens is not told apart; a
shutter that rolls while the camera shakes is noticed, and nothing is told.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from vision.camera import Camera
from vision.ground import CORRELATED, inside_polygon, pose_from_ground, strong_pixels, tukey_weight
from vision.overlap import side_by_side
from vision.plate import Plate
from vision.sampling import Grey, flattened, sample

POINTS = 16000
"""Of ground that are compared: with 4000, five rendered clips' focal lengths came out 1.7-3.8 % off, with 16000 0.6-1.8
%, with 32000 no better but slower."""
ROUNDS = 12  # it settles sooner, or not at all (own choice)
LEAST_PICTURES = 5  # fewer leave the mean over all of them to each one
LEAST_SEEN = 60
"""A view that sees fewer of the spots than this is left out."""
BELIEVED = np.array([0.3, 0.06, 0.03, 0.1, 0.1])
"""Standard deviation of what is sought before looking: log focal, k1, k2, tilt about both axes (rad)."""
LEAST_SWAY = 0.004
"""Movement of the picture, as a share of its width, below which a sway tells nothing that coding does not feign."""
REPEATED = 1.0
"""Grey levels by which a picture differs, on the whole, from the one before if that is only coded anew."""
SETTLED = 0.1
"""A step below this share of its standard deviation ends the search."""
SCATTER = 1.5
"""The estimate strays this much more than the pixels' noise alone says (so it did on 18 rendered clips, whose lens is
known): compression and resampling move all pixels of a neighbourhood alike."""
TORN = 10.0
"""Views that pull this many times further apart (variance) than their noise are each bent in a way of their own: what
they agree on is no lens (ten rendered clips: at most 2.2; a shutter that rolls while the camera shakes: 60)."""
_STEPS = np.array([1e-3, 1e-3, 1e-3, 1e-4, 1e-4])
"""For numerical slopes: about a tenth of a pixel at the edge of the picture."""
_POSE_SCALE = np.array([30.0, 30.0, 30.0, 1.0, 1.0, 1.0])  # so that turns (rad) and shifts (m) move pixels alike


@dataclass(frozen=True)
class SwaySeen:
    """What the sway tells of the plate's view: its `camera`, laid back onto the ground as it was known before, the
    `cameras` of all pictures beside it, and `view_of` it with covariance cov (4, 4)."""

    camera: Camera
    cameras: tuple[Camera, ...]
    view: np.ndarray
    cov: np.ndarray

    def misfit(self, camera: Camera) -> np.ndarray:
        """(4,) how far a camera of that view is from what the sway tells, in standard deviations (whitened)."""
        return np.linalg.solve(np.linalg.cholesky(self.cov), view_of(camera) - self.view)


def view_of(camera: Camera) -> np.ndarray:
    """(4,) log focal length in px, k1, and the ground's normal in the camera frame (first two components)."""
    return np.array([np.log(camera.lens.fx), camera.lens.dist[0], *camera.rotation[:2, 2]])


def lens_from_sway(pictures: Sequence[np.ndarray], cameras: Sequence[Camera],
                   hidden_px: Sequence[np.ndarray | None], plate: Plate) -> SwaySeen | None:
    """pictures (h, w, 3) with their cameras, all of one lens; hidden_px[i] a polygon (n, 2) not to be looked at (the
    vehicle); plate: the empty yard, whose view is the one reported.
    None with too few pictures, a camera that stands still, no agreement, or pictures each bent in its own way."""
    if len(pictures) < LEAST_PICTURES or _swayed(cameras) < LEAST_SWAY:
        return None
    flats = [flattened(p) for p in pictures]
    hidden_px = [_whole(p) if i and _repeats(p, pictures[i - 1]) else h
                 for i, (p, h) in enumerate(zip(pictures, hidden_px, strict=True))]
    px = strong_pixels(flattened(plate.bgr).whole(), plate.known, POINTS).astype(float)
    found, views, total = plate.camera, list(cameras), np.zeros(5)
    cov = np.diag(BELIEVED**2)
    for _ in range(ROUNDS):
        information, pull = np.diag(BELIEVED**-2), -total / BELIEVED**2
        views, i, pulls = _settled(flats, views, hidden_px, found, px)
        cov = np.linalg.inv(information + i)
        step = cov @ (pull + pulls.sum(axis=0))
        after = varied(plate.camera, total + step)
        views = _carried(views, found, after)
        found, total = after, total + step
        if np.all(np.abs(step) < SETTLED * np.sqrt(np.diag(cov))):
            break
    else:
        if np.any(np.abs(step) > np.sqrt(np.diag(cov))):
            return None
    slope = np.stack([(view_of(varied(found, e)) - view_of(varied(found, -e))) / (2 * e.max())
                      for e in np.diag(_STEPS)])
    apart = _disagreement(cov, pulls)
    if apart > TORN:
        return None
    laid = _laid_like(found, plate.camera, px)
    return SwaySeen(laid(found), tuple(laid(view) for view in views), view_of(found),
                    SCATTER**2 * apart * slope.T @ cov @ slope)


def _repeats(picture: np.ndarray, before: np.ndarray) -> bool:
    """Whether a picture is the one before once more, as of a recording that hangs: it shares that one's noise, and
    would be believed for agreeing with it."""
    return bool(np.abs(picture[::8, ::8].astype(np.int16) - before[::8, ::8]).mean() < REPEATED)


def _whole(picture: np.ndarray) -> np.ndarray:
    """A polygon (4, 2) px about all of a picture."""
    h, w = picture.shape[:2]
    return np.array([[-1, -1], [w, -1], [w, h], [-1, h]], float)


def _disagreement(cov: np.ndarray, pulls: np.ndarray) -> float:
    """By how much (a factor on cov (k, k), at least 1) the views pull the common numbers further apart, pulls (views,
    k), than their pixels' noise lets expect: pictures bent each in its own way, as by a rolling shutter that shakes.
    The largest factor in any direction, of the covariance that views as independent wholes give (cluster-robust
    covariance; Liang and Zeger 1986)."""
    root = np.linalg.cholesky(cov)
    apart = pulls @ root
    return max(1.0, float(np.linalg.eigvalsh(apart.T @ apart)[-1]) * len(pulls) / (len(pulls) - 1))


def _swayed(cameras: Sequence[Camera]) -> float:
    """How far the ground in the middle and in the corners of the first view moves in the picture, as a share of its
    width: standard deviation over all views, of the corner that moves most."""
    lens = cameras[0].lens
    w, h = lens.width_px - 1, lens.height_px - 1
    ground = cameras[0].to_ground(np.array([[w / 2, h / 2], [0, 0], [w, 0], [0, h], [w, h]], float))
    ground = ground[np.isfinite(ground).all(axis=1)]
    at = np.array([c.project_ground(ground) for c in cameras])
    return float(np.hypot(*at.std(axis=0).T).max()) / lens.width_px


def varied(camera: Camera, change: np.ndarray) -> Camera:
    """The camera with change (5,) of log focal, k1, k2 and turns about its first two axes (rad). Its height grows with
    the focal length, and the bend keeps its size in the picture."""
    ratio = float(np.exp(change[0]))
    lens = camera.lens.zoomed(ratio)
    k1, k2, *others = lens.dist
    lens = replace(lens, dist=(k1 + change[1], k2 + change[2], *others))
    turned = camera.moved(np.array([change[3], change[4], 0.0]), np.zeros(3))
    return Camera(lens, turned.rotation, camera.centre_m * [1, 1, ratio])


def _settled(flats: Sequence[Grey], views: Sequence[Camera], hidden_px: Sequence[np.ndarray | None],
             base: Camera, px: np.ndarray) -> tuple[list[Camera], np.ndarray, np.ndarray]:
    """One round of Gauss-Newton: the views moved to agree best, and what they say of the five common numbers
    (information (5, 5), right side of each view (views, 5)) with each view's own six taken out."""
    looked = _looked_up(flats, views, hidden_px, base, px)
    common, own = _slopes(looked, views, base)
    known = np.isfinite(common).all(axis=2)  # not so where a trial of a strong bend folds the picture's corners
    common[~known] = 0
    out, residuals, weights = [], [], []
    for i, view in enumerate(views):
        seen = np.isfinite(looked.values[i]) & known[i]
        if seen.sum() < LEAST_SEEN:  # it tells nothing
            out.append(view)
            residuals.append(np.zeros(len(seen)))
            weights.append(np.zeros(len(seen)))
            continue
        ref = looked.mean[seen]
        gain = float((looked.values[i, seen] * ref).sum() / max((ref * ref).sum(), 1e-6))
        residual = np.where(seen, looked.values[i] / max(gain, 0.2) - looked.mean, 0.0)
        sigma = max(1.4826 * float(np.median(np.abs(residual[seen]))), 0.3)
        weight = np.where(seen, np.sqrt(tukey_weight(residual, sigma) / (sigma**2 * CORRELATED)), 0.0)
        # What a change of the view's own six numbers can do is taken out of what the common ones do.
        absorbed = np.linalg.lstsq(own[i] * weight[:, None] / _POSE_SCALE,
                                   np.column_stack([common[i], residual]) * weight[:, None], rcond=None)[0]
        step = -absorbed[:, 5] / _POSE_SCALE
        out.append(view.moved(step[:3], step[3:]))
        common[i] -= own[i] / _POSE_SCALE @ absorbed[:, :5]
        residuals.append(residual - own[i] / _POSE_SCALE @ absorbed[:, 5])
        weights.append(weight)
    shown = np.array(weights)
    common -= np.einsum("in,ink->nk", shown, common) / np.maximum(shown.sum(axis=0), 1e-9)[:, None]  # the mean follows
    left, rest = common * shown[..., None], np.array(residuals) * shown
    return out, np.einsum("ink,inl->kl", left, left), -np.einsum("ink,in->ik", left, rest)


@dataclass(frozen=True)
class _LookedUp:
    """Spots of ground that enough views see: px (n, 2) in the base view, ground_m (n, 3), values (views, n) in each
    view (NaN where not seen), their mean (n,), and the ground's slope of grey per metre (n, 2)."""

    px: np.ndarray
    ground_m: np.ndarray
    values: np.ndarray
    mean: np.ndarray
    slope: np.ndarray


def _looked_up(flats: Sequence[Grey], views: Sequence[Camera], hidden_px: Sequence[np.ndarray | None],
               base: Camera, px: np.ndarray) -> _LookedUp:
    ground = np.column_stack([base.to_ground(px), np.zeros(len(px))])
    finite = np.isfinite(ground).all(axis=1)
    ground, px = ground[finite], px[finite]
    n = len(px)
    values, slopes = np.full((len(views), n), np.nan), np.full((len(views), n, 2), np.nan)

    def look(i: int) -> None:
        hidden = hidden_px[i]
        keep = np.ones(n, bool) if hidden is None else ~inside_polygon(views[i].project(ground), hidden)
        got = sample(flats[i], views[i], ground, keep)
        values[i, got.seen], slopes[i, got.seen] = got.value, (got.slope @ views[i].rotation)[:, :2]

    side_by_side(look, range(len(views)))
    often = np.isfinite(values).sum(axis=0) >= max(3, len(views) // 2)
    # The slope in one picture alone would hold that picture's noise.
    return _LookedUp(px[often], ground[often], values[:, often], np.nanmedian(values[:, often], axis=0),
                     np.nanmean(slopes[:, often], axis=0))


def _slopes(looked: _LookedUp, views: Sequence[Camera], base: Camera) -> tuple[np.ndarray, list[np.ndarray]]:
    """How grey changes in each view with the five common numbers, (views, n, 5), and with its own six, (n, 6) each."""
    trials = [(varied(base, e), varied(base, -e)) for e in np.diag(_STEPS)]
    ground_moved = [a.to_ground(looked.px) - b.to_ground(looked.px) for a, b in trials]
    common = np.zeros((len(views), len(looked.px), 5))
    own = []
    for i, view in enumerate(views):
        # Grey per metre that a spot moves against the camera; along its ray nothing changes: which tells it upwards.
        ray = looked.ground_m - view.centre_m
        up = -(looked.slope * ray[:, :2]).sum(axis=1) / ray[:, 2]
        grey = np.column_stack([looked.slope, up])
        own.append(np.hstack([np.cross(ray @ view.rotation.T, grey @ view.rotation.T), -grey]))
        here = view.project(looked.ground_m)
        for k, (a, b) in enumerate(trials):
            moved = ground_moved[k]
            if a.lens != b.lens:
                moved = moved - replace(view, lens=a.lens).to_ground(here) + replace(view, lens=b.lens).to_ground(here)
            raised = view.centre_m[2] * (a.centre_m[2] - b.centre_m[2]) / base.centre_m[2]
            common[i, :, k] = ((looked.slope * moved).sum(axis=1) - up * raised) / (2 * _STEPS[k])
    return common, own


def _carried(views: Sequence[Camera], before: Camera, after: Camera) -> list[Camera]:
    """The views under the changed base camera: each sees the same pixels of ground where that camera now puts them."""
    lens = after.lens
    grid = np.stack(np.meshgrid(np.linspace(0, lens.width_px - 1, 12), np.linspace(0, lens.height_px - 1, 8)), -1)
    then, now = before.to_ground(grid.reshape(-1, 2)), after.to_ground(grid.reshape(-1, 2))
    finite = np.isfinite(then).all(axis=1) & np.isfinite(now).all(axis=1)
    out = []
    for view in views:
        start = Camera(lens, after.rotation @ before.rotation.T @ view.rotation,
                       view.centre_m * [1, 1, after.centre_m[2] / before.centre_m[2]])
        out.append(pose_from_ground(now[finite], view.project_ground(then[finite]), lens, start) or start)
    return out


def _laid_like(camera: Camera, before: Camera, px: np.ndarray) -> Callable[[Camera], Camera]:
    """What lays the ground of `camera`, shifted, turned about the vertical and scaled, so that its pixels px (n, 2)
    fall, on the whole, where `before` saw them (least squares; Umeyama 1991)."""
    now, then = camera.to_ground(px), before.to_ground(px)
    finite = np.isfinite(now).all(axis=1) & np.isfinite(then).all(axis=1)
    a, b = now[finite] @ [1, 1j], then[finite] @ [1, 1j]
    factor = np.vdot(a - a.mean(), b - b.mean()) / np.vdot(a - a.mean(), a - a.mean()).real
    scale, c, s = abs(factor), factor.real / abs(factor), factor.imag / abs(factor)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    shift = b.mean() - factor * a.mean()

    def lay(view: Camera) -> Camera:
        return Camera(view.lens, view.rotation @ turn.T, scale * turn @ view.centre_m + [shift.real, shift.imag, 0])
    return lay
