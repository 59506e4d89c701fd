"""The empty yard: what the reference view would show without anything that moves.

The plate is the per-pixel median (or another share) of pictures spread over the clip, each laid onto the reference
view through the ground plane, with the vehicle left out where its place is already known.
Weak where the vehicle stands over one spot in more than half of the pictures and its place is
not yet known: such pixels are found out on the second building, when it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numba
import numpy as np

from vision.camera import Camera
from vision.overlap import side_by_side
from vision.solid import fill
from vision.sorting import sort_columns, sorting

MAP_STEP = 8
"""Coarse grid of the warping maps; in between they are bilinear (error < 0.01 px for real lenses)."""

BAND_PX = 64
"""Rows built in one go, a multiple of MAP_STEP: how they are split then does not change them."""

LEAST_UNSHADED = 2
"""So many pictures, at least, must show a spot far from the vehicle for the others to be left out: of one alone nobody
knows whether somebody walks there."""


@dataclass(frozen=True)
class Plate:
    """bgr (h, w, 3) uint8 in the view of `camera`; known (h, w) bool where enough pictures agreed."""

    bgr: np.ndarray
    camera: Camera
    known: np.ndarray

    def seen_from(self, camera: Camera, scale: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
        """The plate as another camera would see it, (bgr, known), at `scale` times that camera's size."""
        lens = camera.lens.scaled(scale)
        map_u, map_v = ground_map(Camera(lens, camera.rotation, camera.centre_m), self.camera)
        bgr = cv2.remap(self.bgr, map_u, map_v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        known = cv2.remap(self.known.astype(np.uint8), map_u, map_v, cv2.INTER_NEAREST, borderValue=0)
        return bgr, known > 0


def ground_map(target: Camera, source: Camera) -> tuple[np.ndarray, np.ndarray]:
    """Maps for cv2.remap: for each pixel of `target`'s view, where `source` sees that spot of the ground."""
    w, h = target.lens.width_px, target.lens.height_px
    us = np.arange(0, w + MAP_STEP, MAP_STEP, dtype=float)
    vs = np.arange(0, h + MAP_STEP, MAP_STEP, dtype=float)
    nodes = np.stack(np.meshgrid(us, vs), -1).reshape(-1, 2)
    px = source.project_ground(target.to_ground(nodes)).reshape(len(vs), len(us), 2).astype(np.float32)
    spread = np.array([[1 / MAP_STEP, 0, 0], [0, 1 / MAP_STEP, 0]], np.float32)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return (cv2.warpAffine(px[..., 0], spread, (w, h), flags=flags, borderMode=cv2.BORDER_REPLICATE),
            cv2.warpAffine(px[..., 1], spread, (w, h), flags=flags, borderMode=cv2.BORDER_REPLICATE))


def build_plate(pictures: Sequence[np.ndarray], cameras: Sequence[Camera], reference: Camera,
                hidden_px: Sequence[np.ndarray | None] | None = None,
                shaded_px: Sequence[np.ndarray | None] | None = None, darker: float = 0.5) -> Plate:
    """pictures (h, w, 3) uint8 with their cameras; hidden_px[i] a convex polygon (n, 2) in picture i not to be used,
    shaded_px[i] one that is used only of spots that hardly any other picture shows. What is taken of each spot is the
    value that the share `darker` of its pictures stay below.

    Band by band, so that the pictures laid out are never in memory all at once."""
    w, h = reference.lens.width_px, reference.lens.height_px
    level = [max(float(p[::8, ::8].mean()), 1.0) for p in pictures]
    even = [float(np.median(level)) / each for each in level]
    hidden, shaded = ([None if px is None else _laid(px, camera, reference)
                       for px, camera in zip(polygons or [None] * len(pictures), cameras, strict=True)]
                      for polygons in (hidden_px, shaded_px))
    plate, known = np.empty((h, w, 3), np.uint8), np.empty((h, w), bool)
    enough = max(min(3, len(pictures)), len(pictures) // 6)

    pairs = sorting(len(pictures))

    def band(top: int) -> None:
        rows = min(BAND_PX, h - top)
        view = Camera(replace(reference.lens.cropped(0, top), height_px=rows), reference.rotation, reference.centre_m)
        stack, usable = np.empty((len(pictures), rows, w, 3), np.uint8), np.empty((len(pictures), rows, w), bool)
        unshaded = np.empty_like(usable)
        for i, (picture, camera) in enumerate(zip(pictures, cameras, strict=True)):
            map_u, map_v = ground_map(view, camera)
            laid = cv2.remap(picture, map_u, map_v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            cv2.convertScaleAbs(laid, stack[i], alpha=even[i])
            usable[i] = _inside(map_u, w) & _inside(map_v, h) & _outside(hidden[i], top, (rows, w))
            unshaded[i] = usable[i] & _outside(shaded[i], top, (rows, w))
        known[top:top + rows] = usable.sum(axis=0, dtype=np.uint8) >= enough
        usable &= unshaded | (unshaded.sum(axis=0, dtype=np.uint8) < LEAST_UNSHADED)
        count = usable.sum(axis=0, dtype=np.uint8)
        for laid, shown in zip(stack, usable, strict=True):
            if not shown.all():
                laid[~shown & (count > 0)] = 255  # sorted behind all that count
        count[count == 0] = len(pictures)
        _shares(stack.reshape(len(pictures), -1), count.ravel(), pairs, darker, plate[top:top + rows].reshape(-1))

    side_by_side(band, range(0, h, BAND_PX))
    return Plate(plate, reference, known)


def _inside(at: np.ndarray, size: int) -> np.ndarray | bool:
    """Where coordinates lie within 0..size - 1; mostly all do."""
    return (at.min() >= 0 and at.max() <= size - 1) or ((at >= 0) & (at <= size - 1))


def _outside(polygon: np.ndarray | None, top: int, shape: tuple[int, int]) -> np.ndarray | bool:
    """Where in a band from row `top` a polygon (n, 2) px does not lie; everywhere without one."""
    return True if polygon is None else fill([polygon - [0, top]], shape) == 0


def _laid(px: np.ndarray, camera: Camera, reference: Camera) -> np.ndarray | None:
    """A polygon (n, 2) in one camera's picture as it lies in another's, both looking at the ground; None where it does
    not lie on the ground."""
    ground = camera.to_ground(px)
    ground = ground[np.isfinite(ground).all(axis=1)]
    return reference.project_ground(ground) if len(ground) >= 3 else None


TILE = 512
"""Bytes of each picture sorted in one go, so that all pictures' stay in the processor's nearest memory."""


@numba.njit(cache=True, nogil=True)
def _shares(stack, count, pairs, darker, out):  # pragma: no cover (compiled)
    """Of the `count` (m,) smallest of the values (n, 3 m) uint8 of each pixel the one that the share `darker` of the
    others is below (a half: the lower median), into `out` (3 m,)."""
    n, m = stack.shape
    tile = np.empty((n, TILE), np.uint8)
    for left in range(0, m, TILE):
        size = min(TILE, m - left)
        for i in range(n):
            for k in range(size):
                tile[i, k] = stack[i, left + k]
        sort_columns(tile, pairs)
        for k in range(size):
            out[left + k] = tile[int((count[(left + k) // 3] - 1) * darker), k]
