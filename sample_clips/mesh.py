"""Triangle meshes of the things in the yard, each in a frame of its own (m, z up).

A mesh carries per-corner texture coordinates and a material number; materials are flat colours or
small pictures, all in linear light. Long faces are cut into pieces below about a metre so that the
lens's distortion bends their edges as it should.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

PIECE_M = 0.8


def linear(red: float, green: float, blue: float) -> np.ndarray:
    """Linear-light colour (0..1) from display values 0..255 (sRGB curve)."""
    c = np.array([red, green, blue]) / 255.0
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


@dataclass(frozen=True)
class Mesh:
    """corners_m (n, 3, 3), anticlockwise seen from outside; uv (n, 3, 2); material (n,); solid (n,).

    `solid` numbers the box that a face belongs to, so that a box never shades itself twice.
    """

    corners_m: np.ndarray
    uv: np.ndarray
    material: np.ndarray
    solid: np.ndarray

    def placed(self, x_m: float, y_m: float, heading_rad: float, z_m: float = 0.0) -> Mesh:
        """The mesh turned about z and moved."""
        c, s = math.cos(heading_rad), math.sin(heading_rad)
        turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
        return Mesh(self.corners_m @ turn.T + [x_m, y_m, z_m], self.uv, self.material, self.solid)

    def toppled(self, towards_rad: float, angle_rad: float, hinge_m: float) -> Mesh:
        """The mesh tipped over the edge of its base at distance `hinge_m`, falling towards a direction."""
        c, s = math.cos(towards_rad), math.sin(towards_rad)
        frame = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1.0]])
        local = self.corners_m @ frame.T - [hinge_m, 0, 0]
        ca, sa = math.cos(angle_rad), math.sin(angle_rad)
        tip = np.array([[ca, 0, sa], [0, 1, 0], [-sa, 0, ca]])
        return Mesh((local @ tip.T + [hinge_m, 0, 0]) @ frame, self.uv, self.material, self.solid)


def join(meshes: Iterable[Mesh]) -> Mesh:
    parts = list(meshes)
    return Mesh(*(np.concatenate([getattr(m, k) for m in parts]) for k in ("corners_m", "uv", "material", "solid")))


def quads(corners: np.ndarray, uv: np.ndarray, material: int, solid: int = 0) -> Mesh:
    """From (n, 4, 3) corners, anticlockwise from outside, and (n, 4, 2) texture coordinates."""
    tri = np.concatenate([corners[:, [0, 1, 2]], corners[:, [0, 2, 3]]])
    tex = np.concatenate([uv[:, [0, 1, 2]], uv[:, [0, 2, 3]]])
    return Mesh(tri, tex, np.full(len(tri), material), np.full(len(tri), solid))


def _cut(a: float, b: float) -> np.ndarray:
    return np.linspace(a, b, max(2, math.ceil(abs(b - a) / PIECE_M) + 1))


def upright(z0: float, z1: float) -> np.ndarray:
    """(n, 2) the profile of an upright wall, for `prism`: heights from the top down, and how far the wall is in."""
    levels = _cut(z1, z0)
    return np.column_stack([levels, np.zeros_like(levels)])


def leaning(z0: float, z1: float, in_m: float, edge_radius_m: float) -> np.ndarray:
    """(n, 2) the profile of a wall that leans in by in_m at the top, evenly over its upper half, and goes over into the
    roof in a quarter round."""
    turn = np.linspace(math.pi / 2, 0, 6) if edge_radius_m else np.zeros(1)
    z = np.array([*(z1 - edge_radius_m * (1 - np.sin(turn))), *_cut(z1 - edge_radius_m, z0), (z0 + z1) / 2])
    z = np.unique(z.round(9))[::-1]
    rise = np.clip((z - z1 + edge_radius_m) / max(edge_radius_m, 1e-9), 0, 1)
    rounded = edge_radius_m * (1 - np.sqrt(1 - np.square(rise)))
    return np.column_stack([z, in_m * np.clip(2 * (z - z0) / (z1 - z0) - 1, 0, 1) + rounded])


def prism(
    outline: np.ndarray, profile: np.ndarray, *, side: int, top: int, solid: int = 0, lid: bool = True
) -> Mesh:
    """A body over a convex (n, 2) outline, anticlockwise, symmetric about its x axis; (m, 2) profile as of `upright`.

    Side texture: u runs 0..1 once round the outline from its first point, v 0 at the top to 1 at the
    bottom. Top texture: u 0..1 along x from rear to front, v 0..1 across from left to right.
    """
    ring = []
    for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        pieces = max(1, math.ceil(np.hypot(*(b - a)) / PIECE_M))
        ring += [a + (b - a) * i / pieces for i in range(pieces)]
    pts = np.array(ring)
    nxt = np.roll(pts, -1, axis=0)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*(nxt - pts).T))])
    along /= along[-1]
    z1, z0 = profile[0, 0], profile[-1, 0]
    parts = []
    for (za, in_a), (zb, in_b) in pairwise(profile):
        va, vb = (z1 - za) / (z1 - z0), (z1 - zb) / (z1 - z0)
        corners = np.stack(
            [
                np.column_stack([_drawn_in(pts, in_b), np.full(len(pts), zb)]),
                np.column_stack([_drawn_in(nxt, in_b), np.full(len(pts), zb)]),
                np.column_stack([_drawn_in(nxt, in_a), np.full(len(pts), za)]),
                np.column_stack([_drawn_in(pts, in_a), np.full(len(pts), za)]),
            ],
            axis=1,
        )
        uv = np.stack(
            [
                np.column_stack([along[:-1], np.full(len(pts), vb)]),
                np.column_stack([along[1:], np.full(len(pts), vb)]),
                np.column_stack([along[1:], np.full(len(pts), va)]),
                np.column_stack([along[:-1], np.full(len(pts), va)]),
            ],
            axis=1,
        )
        parts.append(quads(corners, uv, side, solid))
    if lid:
        parts.append(_lid(_drawn_in(outline, profile[0, 1]), z1, top, solid))
    return join(parts)


def _drawn_in(outline: np.ndarray, by_m: float) -> np.ndarray:
    """(n, 2) an outline whose ends and sides lie further in: its corners stay about as round as they were."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    return (low + high) / 2 + (outline - (low + high) / 2) * (1 - 2 * by_m / (high - low))


def _lid(outline: np.ndarray, z: float, material: int, solid: int) -> Mesh:
    x0, x1 = outline[:, 0].min(), outline[:, 0].max()
    xs = np.unique(np.concatenate([outline[:, 0].round(9), _cut(x0, x1)]))
    closed = np.vstack([outline, outline[:1]])
    half = np.zeros(len(xs))
    for a, b in pairwise(closed):
        lo, hi = min(a[0], b[0]) - 1e-9, max(a[0], b[0]) + 1e-9
        inside = (xs >= lo) & (xs <= hi)
        if hi - lo < 1e-6:
            half[inside] = np.maximum(half[inside], max(a[1], b[1]))
        else:
            half[inside] = np.maximum(half[inside], a[1] + (b[1] - a[1]) * (xs[inside] - a[0]) / (b[0] - a[0]))
    wide = max(half.max(), 1e-9)
    u = (xs - x0) / (x1 - x0)
    bands = np.linspace(-1, 1, max(2, math.ceil(2 * wide / PIECE_M) + 1))
    corners, uv = [], []
    for i in range(len(xs) - 1):
        for b0, b1 in pairwise(bands):
            q = [(i, b0), (i + 1, b0), (i + 1, b1), (i, b1)]
            corners.append([[xs[j], half[j] * b, z] for j, b in q])
            uv.append([[u[j], 0.5 - 0.5 * half[j] * b / wide] for j, b in q])
    return quads(np.array(corners), np.array(uv), material, solid)


def box(
    x0: float, x1: float, y0: float, y1: float, z0: float, z1: float, *, side: int, top: int, solid: int = 0
) -> Mesh:
    middle = (y0 + y1) / 2
    half = (y1 - y0) / 2
    outline = np.array([[x1, -half], [x1, half], [x0, half], [x0, -half]])
    return prism(outline, upright(z0, z1), side=side, top=top, solid=solid).placed(0, middle, 0)


def disc_outline(radius: float, points: int = 12) -> np.ndarray:
    a = np.arange(points) * 2 * math.pi / points
    return np.column_stack([radius * np.cos(a), radius * np.sin(a)])


def frustum(radius0: float, radius1: float, z0: float, z1: float, material: int, points: int = 12) -> Mesh:
    """The side of a round cone piece, with a lid."""
    a, b = disc_outline(radius0, points), disc_outline(radius1, points)
    low, high = np.column_stack([a, np.full(points, z0)]), np.column_stack([b, np.full(points, z1)])
    corners = np.stack([low, np.roll(low, -1, 0), np.roll(high, -1, 0), high], axis=1)
    sides = quads(corners, np.zeros((points, 4, 2)), material)
    top = np.stack([np.broadcast_to([0, 0, z1], high.shape), high, np.roll(high, -1, 0)], axis=1).astype(float)
    lid = Mesh(top, np.zeros((points, 3, 2)), np.full(points, material), np.zeros(points, int))
    return join([sides, lid])


def wheel(radius: float, width: float, rubber: int, rim: int) -> Mesh:
    """A wheel about its own middle, rolling along x, axle along y."""
    n = 16
    ring = disc_outline(radius, n)  # in the (x, z) plane
    out = []
    left = np.column_stack([ring[:, 0], np.full(n, width / 2), ring[:, 1]])
    right = left * [1, -1, 1]
    tread = np.stack([left, np.roll(left, -1, 0), np.roll(right, -1, 0), right], axis=1)
    out.append(quads(tread, np.zeros((n, 4, 2)), rubber))
    for face, order in ((left, (0, 2, 1)), (right, (0, 1, 2))):
        for scale, material, push in ((1.0, rubber, 0.0), (0.55, rim, 0.012)):
            y = face[0, 1] + math.copysign(push, face[0, 1])
            rim_ring = np.column_stack([face[:, 0] * scale, np.full(n, y), face[:, 2] * scale])
            tri = np.stack([np.broadcast_to([0.0, y, 0.0], rim_ring.shape), rim_ring, np.roll(rim_ring, -1, 0)], axis=1)
            out.append(Mesh(tri[:, list(order)], np.zeros((n, 3, 2)), np.full(n, material), np.zeros(n, int)))
    return join(out)
