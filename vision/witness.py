"""Cones as witnesses that a picture was not placed beside its place: they stand, whatever shadows do around them.

Lines hold a picture from the side only, and along them the shadows of trees may be all that a coarse picture shows of
the ground. What is red and compact in the reference picture is looked for around where the placed camera has it. Weak
where fewer than three are free, and for less than about two pixels: a cone is tall, and the camera moves.
"""

from __future__ import annotations

from functools import cached_property

import cv2
import numpy as np

from vision.camera import Camera
from vision.marks import find_cones
from vision.signal_square import Square, best_place, red

MOST_WITNESSES, LEAST_WITNESSES = 12, 3  # two may both have been hit; more than a dozen cost time (own choice)
LOOK_M, CORE_M = 1.3, 0.45  # how far off a witness is looked for; half of what is remembered of it: a cone and its lean
TOGETHER_M, TOGETHER_PX = 0.08, 1.5
"""Witnesses say the same if they are within this of each other: what a cone's height brings, and its pixels; being off
by less together is no slide."""
MAJORITY = 0.6  # of those seen: a cone may have been hit, and a jacket walks (own choice)


class Witnesses:
    """The red, compact things of a reference picture bgr (h, w, 3); usable (h, w) bool: what is known of it."""

    def __init__(self, bgr: np.ndarray, camera: Camera, usable: np.ndarray) -> None:
        self._bgr, self._camera, self._usable = bgr, camera, usable
        pixel_m = camera.metres_per_pixel()
        self._square = Square.of(LOOK_M, pixel_m)
        self.within_m = max(TOGETHER_M, TOGETHER_PX * pixel_m)

    @cached_property
    def _known(self) -> list[tuple[np.ndarray, np.ndarray]]:
        """Each one's place (2,) m, and its pattern."""
        small = cv2.resize(self._bgr, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        spots = np.array([(s.u_px, s.v_px) for s in find_cones(small, limit=MOST_WITNESSES)]).reshape(-1, 2)
        known = []
        for place in self._camera.to_ground(2 * spots + 0.5):
            px = self._square.pixels(self._camera, place, self._bgr.shape) if np.isfinite(place).all() else None
            if px is None:
                continue
            free = cv2.remap(self._usable.astype(np.uint8), px[..., 0], px[..., 1], cv2.INTER_NEAREST)
            core = self._square.middle(CORE_M)
            if free[core].all():
                known.append((place, np.ascontiguousarray(self._pattern(self._bgr, px, free == 0)[core])))
        return known

    @staticmethod
    def _pattern(bgr: np.ndarray, px: np.ndarray, covered: np.ndarray) -> np.ndarray:
        return red(cv2.remap(bgr, px[..., 0], px[..., 1], cv2.INTER_LINEAR), covered)

    def shift_m(self, bgr: np.ndarray, camera: Camera, avoid_px: np.ndarray | None) -> np.ndarray | None:
        """(2,) how far off (m) the witnesses lie by this camera, as most of those seen have it; None where they are too
        few or do not agree. avoid_px (n, 2): a polygon (vehicle) to leave out."""
        vehicle = np.zeros(bgr.shape[:2], np.uint8)
        if avoid_px is not None and len(avoid_px) >= 3:
            cv2.fillPoly(vehicle, [np.round(avoid_px).astype(np.int32)], 1)
        off = []
        for place, pattern in self._known:
            px = self._square.pixels(camera, place, bgr.shape)
            if px is None:
                continue
            covered = cv2.remap(vehicle, px[..., 0], px[..., 1], cv2.INTER_NEAREST)
            dx, dy, _, found = best_place(pattern, self._pattern(bgr, px, covered), self._square.step_m)
            if found:
                off.append((dx, dy))
        if len(off) < LEAST_WITNESSES:
            return None
        each = np.array(off)
        # the place that most agree on: a median would lie between two opinions
        apart = np.linalg.norm(each[:, None] - each[None], axis=2) < self.within_m
        most = apart[int(np.argmax(apart.sum(axis=1)))]
        return each[most].mean(axis=0) if most.sum() >= max(LEAST_WITNESSES, MAJORITY * len(each)) else None
