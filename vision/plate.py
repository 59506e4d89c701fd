"""The empty yard: what the reference view would show without anything that moves.

The plate is the per-pixel median of pictures spread over the clip, each laid onto the reference
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

MAP_STEP = 8
"""Coarse grid of the warping maps; in between they are bilinear (error < 0.01 px for real lenses)."""

BAND_PX = 64
"""Rows built in one go, a multiple of MAP_STEP: how they are split then does not change them."""


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
                hidden_px: Sequence[np.ndarray | None] | None = None) -> Plate:
    """pictures (h, w, 3) uint8 with their cameras; hidden_px[i] a convex polygon (n, 2) in picture i not to be used.

    Band by band, so that the pictures laid out are never in memory all at once."""
    w, h = reference.lens.width_px, reference.lens.height_px
    level = [max(float(p[::8, ::8].mean()), 1.0) for p in pictures]
    even = [float(np.median(level)) / each for each in level]
    hidden = [None if px is None else _laid(px, camera, reference)
              for px, camera in zip(hidden_px or [None] * len(pictures), cameras, strict=True)]
    plate, known = np.empty((h, w, 3), np.uint8), np.empty((h, w), bool)
    enough = max(min(3, len(pictures)), len(pictures) // 6)

    def band(top: int) -> None:
        rows = min(BAND_PX, h - top)
        view = Camera(replace(reference.lens.cropped(0, top), height_px=rows), reference.rotation, reference.centre_m)
        stack, usable = np.empty((len(pictures), rows, w, 3), np.uint8), np.empty((len(pictures), rows, w), bool)
        for i, (picture, camera) in enumerate(zip(pictures, cameras, strict=True)):
            map_u, map_v = ground_map(view, camera)
            laid = cv2.remap(picture, map_u, map_v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            stack[i] = cv2.convertScaleAbs(laid, alpha=even[i])
            usable[i] = (map_u >= 0) & (map_v >= 0) & (map_u <= w - 1) & (map_v <= h - 1)
            polygon = hidden[i]
            if polygon is not None:
                usable[i] &= fill([polygon - [0, top]], (rows, w)) == 0
        _medians(stack, usable, plate[top:top + rows])
        known[top:top + rows] = usable.sum(axis=0, dtype=np.uint8) >= enough

    side_by_side(band, range(0, h, BAND_PX))
    return Plate(plate, reference, known)


def _laid(px: np.ndarray, camera: Camera, reference: Camera) -> np.ndarray | None:
    """A polygon (n, 2) in one camera's picture as it lies in another's, both looking at the ground; None where it does
    not lie on the ground."""
    ground = camera.to_ground(px)
    ground = ground[np.isfinite(ground).all(axis=1)]
    return reference.project_ground(ground) if len(ground) >= 3 else None


@numba.njit(cache=True, nogil=True)
def _medians(stack, usable, out):  # pragma: no cover (compiled)
    """Lower median of each pixel's usable values (n, h, w, 3) into `out` (h, w, 3); of all where none is usable."""
    n, h, w, _ = stack.shape
    values = np.empty(n, np.uint8)
    for v in range(h):
        for u in range(w):
            any_usable = usable[:, v, u].any()
            for c in range(3):
                m = 0
                for i in range(n):
                    if usable[i, v, u] or not any_usable:
                        new = stack[i, v, u, c]
                        k = m
                        while k > 0 and values[k - 1] > new:
                            values[k] = values[k - 1]
                            k -= 1
                        values[k] = new
                        m += 1
                out[v, u, c] = values[(m - 1) // 2]
