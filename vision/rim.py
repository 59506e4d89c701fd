"""The roof's rim: where the body lies in the roof picture, from what is roof and what is ground beyond it.

The entered outline is searched for as a whole, then each side is measured to sub-pixel in the single pictures. This
fixes the body's place once for the whole clip, the rounding of the roof's edge, and how large the roof looks, which
tells the camera's height. Weak for a roof that looks like the ground, or with a stripe right along its edge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from analysis.vehicle import Solid
from vision.ground import tukey_weight
from vision.roof import Roof

RIM_DOUBT_M = 0.12
"""Standard deviation of the coarse poses' common error (measured: 2-8 cm after averaging)."""
CLEAN_EDGE_PX, BLURRED_EDGE_PX = 0.3, 1.5
"""Standard deviation of an edge's place: against evenly lit ground, and against the vehicle's own wall or where a
shadow's edge lies by it (from memory: 0.1-0.3 px for an edge in real video; the second is our own estimate)."""
BELIEVED_SIZE_SD_M = 0.03
"""How far the seen length and width may each differ from the entered ones at one common scale."""
SOLID_CONTRAST = 12.0
"""Grey levels beyond which a difference from the ground (shadows taken away) is taken for the vehicle."""


@dataclass(frozen=True)
class SideLook:
    """One side of the roof in one picture: what differs from the empty yard (rows, cols, 3), laid out at roof height;
    how far it is turned away from the camera (tangent of the viewing angle); whether the ground by it is evenly lit."""

    picture: np.ndarray
    away: float
    even: bool


@dataclass(frozen=True)
class RimFit:
    """Where the rim lies in the roof picture against the entered sizes.

    along_m, across_m, turn_rad: the body's place in the present frame, with sd of each. size: how large
    the roof looks, as a share of the entered size, sd size_sd: not 1 when the camera's height is wrong.
    longer_m, wider_m: what is left of length and width after that. edge_radius_m: rounding of the roof's edge.
    cov (3, 3) of along, across and turn together: a turn moves a roof that lies far from the body's own origin.
    """

    along_m: float
    across_m: float
    turn_rad: float
    sd: tuple[float, float, float]
    size: float
    size_sd: float
    longer_m: float
    wider_m: float
    edge_radius_m: float
    cov: np.ndarray


SIDES = {"left": (0.0, 1.0), "right": (0.0, -1.0), "front": (1.0, 0.0), "rear": (-1.0, 0.0)}
"""Outward directions of the rim's sides in the vehicle frame."""


@dataclass(frozen=True)
class _RimGuess:
    along_m: float = 0.0
    across_m: float = 0.0
    turn_rad: float = 0.0
    size: float = 1.0

    def place(self, solid: Solid, points_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Where points of the entered outline lie in the roof picture (m)."""
        middle = (solid.x_min_m + solid.x_max_m) / 2
        x, y = self.size * (points_m[:, 0] - middle), self.size * points_m[:, 1]
        return middle + x - self.turn_rad * y + self.along_m, y + self.turn_rad * x + self.across_m


def _rim_points(solid: Solid) -> dict[str, np.ndarray]:
    """Points (n, 2) every 10 cm along each side of the entered outline, corners left out."""
    corner = solid.corner_radius_m + 0.15
    along = np.arange(solid.x_min_m + corner, solid.x_max_m - corner, 0.1)
    across = np.arange(-solid.width_m / 2 + corner, solid.width_m / 2 - corner, 0.1)
    return {"left": np.column_stack([along, np.full(len(along), solid.width_m / 2)]),
            "right": np.column_stack([along, np.full(len(along), -solid.width_m / 2)]),
            "front": np.column_stack([np.full(len(across), solid.x_max_m), across]),
            "rear": np.column_stack([np.full(len(across), solid.x_min_m), across])}


def search_rim(roof: Roof, looks: dict[str, tuple[np.ndarray, np.ndarray]], size_doubt: float) -> _RimGuess:
    """The rim's place to a few centimetres: the entered outline, a little larger or smaller, that has an edge on
    every side looked at. looks: for each such side its average picture and scatter, from the moments it is turned away.
    size_doubt: by what share (one sd) the roof may look larger or smaller."""
    strength = {}
    for name in looks:
        nx, _ = SIDES[name]
        picture = cv2.GaussianBlur(looks[name][0], (0, 0), 0.6)
        step = cv2.Sobel(picture, cv2.CV_32F, 1 if nx else 0, 0 if nx else 1, scale=1 / 8)
        strength[name] = _outermost(np.linalg.norm(step, axis=2), looks[name][0], SIDES[name], roof.spacing_m) / (
            2.0 + cv2.GaussianBlur(looks[name][1], (0, 0), 1.0))
    points = {side: p for side, p in _rim_points(roof.solid).items() if side in looks}

    def agreement(g: _RimGuess) -> float:
        """Log share of each side that lies on a clear edge (how strong it is does not matter: paint along the
        rim is often stronger than the rim), less the distance from where the coarse poses had it."""
        total = -0.5 * ((g.along_m / RIM_DOUBT_M) ** 2 + (g.across_m / RIM_DOUBT_M) ** 2
                        + (g.turn_rad * 8 / RIM_DOUBT_M) ** 2 + ((g.size - 1) / size_doubt) ** 2)
        for side, p in points.items():
            edge = _at(roof, strength[side], *g.place(roof.solid, p))
            total += 4 * math.log(float((edge / (edge + 2.0)).mean()) + 1e-3)
        return total

    best = _RimGuess()
    for span_m, span_rad, span_size, steps in ((0.35, 0.025, 2 * size_doubt, 9), (0.09, 0.006, size_doubt / 3, 5),
                                               (0.03, 0.002, size_doubt / 8, 5)):
        trials = [_RimGuess(best.along_m + a, best.across_m + b, best.turn_rad + c, best.size + d)
                  for a in np.linspace(-span_m, span_m, steps) for b in np.linspace(-span_m, span_m, steps)
                  for c in np.linspace(-span_rad, span_rad, steps) for d in np.linspace(-span_size, span_size, 5)]
        best = max(trials, key=agreement)
    return best


def rounded_edge_shift(tangent: np.ndarray | float) -> np.ndarray | float:
    """How far inside its true place the far edge of a roof looks, in units of the edge's rounding radius.

    Seen under the angle a from the vertical across the roof, the outermost visible point of a quarter round is where
    the ray touches it; followed up to roof height it lies at 1 - 1/cos a + tan a radii inside (plane geometry)."""
    return 1 - np.sqrt(1 + np.square(tangent)) + tangent


def fit_rim(roof: Roof, looks: Sequence[dict[str, SideLook]], start: _RimGuess, size_doubt: float) -> RimFit | None:
    """The rim to sub-pixel, from the single pictures: in each, the sides turned away from the camera are measured,
    since beyond them lies ground and not the vehicle's own wall. Robust linear least squares on the place, the
    common size, what length and width differ beyond it, and the rounding of the roof's edge."""
    s, h = roof.solid, roof.spacing_m
    points = _rim_points(s)
    length, width = s.x_max_m - s.x_min_m, s.width_m
    reach = np.arange(-max(3, round(0.2 / h)), max(3, round(0.2 / h)) + 1) * h
    # along, across, turn, size - 1, longer, wider, edge radius
    believed = np.array([0.3, 0.3, 0.05, size_doubt, BELIEVED_SIZE_SD_M, BELIEVED_SIZE_SD_M, 0.15])
    found = np.array([start.along_m, start.across_m, start.turn_rad, start.size - 1, 0.0, 0.0, 0.05])
    spread = believed
    for window_m in (0.10, 0.06, 0.05):
        rows, seen, sds = [], [], []
        for sides in looks:
            for side, look in sides.items():
                nx, ny = SIDES[side]
                if look.away < -0.02:
                    continue
                inward = float(rounded_edge_shift(max(look.away, 0.0)))
                for part in np.array_split(points[side], 1 if nx else 4):
                    x, y = part.mean(axis=0)
                    sign = nx or ny
                    row = ((1.0, 0.0, -y, sign * length / 2, sign / 2, 0.0, -sign * inward) if nx else
                           (0.0, 1.0, x, sign * width / 2, 0.0, sign / 2, -sign * inward))
                    expected = float(np.dot(row, found))
                    offset = _edge_offset(roof, look.picture, part, (nx, ny), expected, reach, window_m)
                    if offset is not None:
                        rows.append(row)
                        seen.append(offset)
                        sds.append(h * (CLEAN_EDGE_PX if look.away > 0.05 and look.even else BLURRED_EDGE_PX))
        if len(rows) < 8:
            return None
        a, b, sd = np.array(rows), np.array(seen), np.array(sds)
        weight = np.ones(len(b))
        for _ in range(8):
            w = weight / sd**2
            normal = (a * w[:, None]).T @ a + np.diag(1 / believed**2)
            found = np.linalg.solve(normal, (a * w[:, None]).T @ b)
            residual = (b - a @ found) / sd
            scatter = max(1.4826 * float(np.median(np.abs(residual))), 1.0)
            weight = tukey_weight(residual, scatter)
        cov = np.linalg.inv(normal) * scatter**2
        spread = np.sqrt(np.diag(np.linalg.inv(normal))) * scatter
    # The same edge is seen again and again in like light: its mean is no better than half a single sighting.
    floor = 0.5 * CLEAN_EDGE_PX * h
    sd_place = (max(float(spread[0]), floor), max(float(spread[1]), floor), max(float(spread[2]), floor / length))
    return RimFit(float(found[0]), float(found[1]), float(found[2]), sd_place, 1 + float(found[3]),
                  max(float(spread[3]), floor / length), float(found[4]), float(found[5]), max(float(found[6]), 0.0),
                  _no_better(cov[:3, :3], np.array([floor, floor, floor / length]), (s.x_min_m + s.x_max_m) / 2))


def _no_better(cov: np.ndarray, sd: np.ndarray, middle_m: float) -> np.ndarray:
    """(3, 3) of along, across, turn about the origin, made no less than `sd` (3,) about the roof's middle."""
    shift = np.eye(3)
    shift[1, 2] = middle_m
    there = shift @ cov @ shift.T
    there[range(3), range(3)] = np.maximum(np.diag(there), sd**2)
    back = np.linalg.inv(shift)
    return back @ there @ back.T


def _outermost(step: np.ndarray, look: np.ndarray, outward: tuple[float, float], spacing_m: float) -> np.ndarray:
    """Edge strength, kept only where what lies a little further out is ground (small in `look`)."""
    reach = max(1.0, 0.08 / spacing_m)
    shift = np.array([[1, 0, outward[0] * reach], [0, 1, -outward[1] * reach]], np.float32)
    beyond = cv2.warpAffine(np.linalg.norm(look, axis=2), shift, step.shape[::-1],
                            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)
    return step * np.exp(-0.5 * (beyond / SOLID_CONTRAST) ** 2)


def _edge_offset(roof: Roof, patch: np.ndarray, part: np.ndarray, outward: tuple[float, float], expected_m: float,
                 reach_m: np.ndarray, window_m: float) -> float | None:
    """Sub-pixel place (m along the side's normal axis, from the entered outline) of the outermost edge near
    `expected_m` along a stretch of a side."""
    d = reach_m + expected_m
    along = np.zeros_like(d)
    end = bool(outward[0])
    x = part[:, :1] + (d if end else along)[None]
    y = part[:, 1:] + (along if end else d)[None]
    colour = _at(roof, patch, x, y).mean(axis=0)
    step = np.linalg.norm(np.diff(colour, axis=0), axis=1)
    sign = outward[0] or outward[1]
    reach = max(1, round(0.08 / roof.spacing_m))
    index = np.clip(np.arange(len(step)) + (1 + reach if sign > 0 else -reach), 0, len(d) - 1)
    beyond = np.linalg.norm(colour[index], axis=1)
    between = (reach_m[:-1] + reach_m[1:]) / 2
    i = int(np.argmax(step * np.exp(-0.5 * (between / window_m) ** 2 - 0.5 * (beyond / SOLID_CONTRAST) ** 2)))
    if not 0 < i < len(step) - 1 or step[i] < 3.0:
        return None
    w = step[i - 1:i + 2] - 0.5 * min(step[i - 1], step[i + 1])
    return float(d[0] + (between[i] - reach_m[0]) + (reach_m[1] - reach_m[0]) * (w[2] - w[0]) / max(w.sum(), 1e-6))


def _at(roof: Roof, picture: np.ndarray, x_m: np.ndarray, y_m: np.ndarray) -> np.ndarray:
    left, top = roof.corner_m
    col = ((x_m - left) / roof.spacing_m).astype(np.float32)
    row = ((top - y_m) / roof.spacing_m).astype(np.float32)
    return np.squeeze(cv2.remap(picture, col, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
