"""Small squares of ground with something of signal colour in them: where its pattern lies, against where it lay.

Always looked at in the same ground coordinates, so that the camera's sway drops out. What counts is the pattern against
the ground beside it: shadows and brightness change its strength, not its place. Weak for what is under about 4 pixels,
and for the lean of a tall thing under a camera that has moved far.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.camera import Camera
from vision.marks import signal_colour

LEAST_LIKENESS = 0.5  # correlation with its earlier look below which a cone is not recognised
LEAST_STRENGTH = 0.25  # contrast against its earlier look; deep shade leaves about 0.4
FINEST_M, COARSEST_M, PIXELS = 0.02, 0.06, 1.4  # step of the square: so many pixels, within reason


@dataclass(frozen=True)
class Square:
    """A square of ground, half_m to each side of its middle, looked at every step_m; `side` points along each edge."""

    step_m: float
    side: int
    grid_m: np.ndarray  # (side * side, 2)

    @staticmethod
    def of(half_m: float, metres_per_px: float) -> Square:
        """As fine as the picture is worth."""
        step_m = max(FINEST_M, min(COARSEST_M, PIXELS * metres_per_px))
        n = round(half_m / step_m)
        axis = np.arange(-n, n + 1) * step_m
        return Square(step_m, 2 * n + 1, np.stack(np.meshgrid(axis, axis), -1).reshape(-1, 2))

    def pixels(self, camera: Camera, at_m: np.ndarray, shape: tuple[int, ...]) -> np.ndarray | None:
        """(side, side, 2) float32: where the camera sees the square about at_m (2,); None if not all of it is in the
        picture."""
        px = camera.project_ground(self.grid_m + at_m).astype(np.float32).reshape(self.side, self.side, 2)
        outside = (px < 1).any() or (px[..., 0] > shape[1] - 2).any() or (px[..., 1] > shape[0] - 2).any()
        return None if outside else px

    def middle(self, half_m: float) -> tuple[slice, slice]:
        """Its points within half_m of the middle, both ways."""
        c, r = self.side // 2, round(half_m / self.step_m)
        return slice(c - r, c + r + 1), slice(c - r, c + r + 1)


def red(patch: np.ndarray, covered: np.ndarray) -> np.ndarray:
    """How much redder than its own ground a patch bgr is, 0 where it is covered (non-zero)."""
    lab = cv2.cvtColor(patch, cv2.COLOR_BGR2LAB).astype(np.float32)
    free = lab[covered == 0]
    ground = np.median((free if len(free) else lab.reshape(-1, 3))[::4], 0).astype(np.float32)  # any share will do
    out = signal_colour((lab - ground)[..., 1:])
    out[covered > 0] = 0
    return cv2.GaussianBlur(out, (0, 0), 1.0)


def best_place(template: np.ndarray, square: np.ndarray, step_m: float) -> tuple[float, float, float, bool]:
    """Where in a square a template from its middle is found again: how far off (m) along columns and rows, how alike it
    is there (-1..1), and whether that is enough to know it by."""
    likeness = cv2.matchTemplate(square, template, cv2.TM_CCOEFF_NORMED)
    n = likeness.shape[0] // 2
    v, u = np.mgrid[-n:n + 1, -n:n + 1] * step_m
    # another cone in the square (a pair stands close) is as alike as itself: near places are preferred
    preferred = likeness - 0.1 * np.hypot(u, v)
    j, i = divmod(int(np.argmax(preferred)), preferred.shape[1])
    best = float(likeness[j, i])
    there = square[j:j + template.shape[0], i:i + template.shape[1]]
    du, dv = _sub_step(likeness, i, j)
    # likeness says nothing of strength: bare ground's grain may look like anything
    known = best > LEAST_LIKENESS and bool(there.std() > LEAST_STRENGTH * template.std())
    return (i - n + du) * step_m, (j - n + dv) * step_m, best, known


def _sub_step(score: np.ndarray, i: int, j: int) -> tuple[float, float]:
    """Offset of the peak from the cell (i, j), by a parabola along each axis."""
    def along(a: float, b: float, c: float) -> float:
        curve = a - 2 * b + c
        return 0.5 * (a - c) / curve if curve < -1e-12 else 0.0

    h, w = score.shape
    du = along(*(float(score[j, i + k]) for k in (-1, 0, 1))) if 0 < i < w - 1 else 0.0
    dv = along(*(float(score[j + k, i]) for k in (-1, 0, 1))) if 0 < j < h - 1 else 0.0
    return float(np.clip(du, -0.5, 0.5)), float(np.clip(dv, -0.5, 0.5))
