"""Camera and rasteriser.

The camera is OpenCV's pinhole with radial distortion k1, k2: Xc = R (X - C), pixel (0, 0) is the
centre of the top-left pixel. The ground (z = 0) is sampled per pixel along undistorted rays; things
with height are z-buffered triangles on a grid of sub-samples whose own centres are tested, so edges
are unbiased to a fraction of a sub-sample. All light is linear until `develop`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numba as nb
import numpy as np

from sample_clips.mesh import Mesh

SUB = 4  # sub-samples per pixel along each axis


@dataclass(frozen=True)
class Lens:
    """Focal length and principal point (px), radial distortion, picture size (px)."""

    width: int
    height: int
    focal_px: float
    k1: float = 0.0
    k2: float = 0.0

    @property
    def matrix(self) -> np.ndarray:
        return np.array(
            [[self.focal_px, 0, (self.width - 1) / 2], [0, self.focal_px, (self.height - 1) / 2], [0, 0, 1.0]]
        )

    def rays(self) -> np.ndarray:
        """(h, w, 2) undistorted normalised coordinates of every pixel centre (Newton on the radius)."""
        k = self.matrix
        xd = (np.arange(self.width) - k[0, 2]) / self.focal_px
        yd = (np.arange(self.height) - k[1, 2]) / self.focal_px
        gx, gy = np.meshgrid(xd, yd)
        rd = np.hypot(gx, gy)
        r = rd.copy()
        for _ in range(12):
            r2 = r * r
            f = r * (1 + self.k1 * r2 + self.k2 * r2 * r2) - rd
            r = r - f / (1 + 3 * self.k1 * r2 + 5 * self.k2 * r2 * r2)
        scale = np.where(rd > 1e-12, r / np.maximum(rd, 1e-12), 1.0)
        return np.stack([gx * scale, gy * scale], axis=-1).astype(np.float32)


@dataclass(frozen=True)
class Camera:
    """One frame's camera: lens, rotation (world to camera) and centre (m)."""

    lens: Lens
    rotation: np.ndarray
    centre_m: np.ndarray

    def project(self, points_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(..., 2) pixels and (...,) depths (m) of (..., 3) points."""
        c = (points_m - self.centre_m) @ self.rotation.T
        z = np.maximum(c[..., 2], 0.1)
        x, y = c[..., 0] / z, c[..., 1] / z
        r2 = x * x + y * y
        d = 1 + self.lens.k1 * r2 + self.lens.k2 * r2 * r2
        k = self.lens.matrix
        return np.stack([self.lens.focal_px * x * d + k[0, 2], self.lens.focal_px * y * d + k[1, 2]], axis=-1), c[
            ..., 2
        ]


@dataclass(frozen=True)
class Light:
    """Sun direction (unit, towards the sun), sun and sky strength (linear RGB)."""

    to_sun: np.ndarray
    sun: np.ndarray
    sky: np.ndarray

    def shadow_of(self, corners_m: np.ndarray) -> np.ndarray:
        """Where (..., 3) points throw their shadow on the ground."""
        t = corners_m[..., 2:3] / self.to_sun[2]
        return corners_m - t * self.to_sun


@dataclass(frozen=True)
class Materials:
    """All surfaces of a scene. A material is a flat colour, or a rectangle of one big picture.

    flat (m, 3) linear; rect (m, 5) row, column, height, width in `atlas` (height 0: flat) and 1 when the
    picture has holes; atlas (H, W, 4) linear colour and solidity (0: a hole in the surface).
    """

    flat: np.ndarray
    rect: np.ndarray
    atlas: np.ndarray


@nb.njit(cache=True, fastmath=True)
def sample_ground(out, rays, rotations, centres, texture, x0, y1, mpp, sun, sky, veil, dome):
    """Linear light of the ground for every pixel: albedo times (sky + sun where it is seen).

    texture (H, W, 4) uint16: albedo and sun visibility, row 0 at y = y1, column 0 at x = x0 (texel centres),
    mpp metres a texel; veil, dome (h, w): this frame's sun and sky visibility; the mean over the given cameras
    (several within one exposure) is taken.
    """
    h, w = rays.shape[0], rays.shape[1]
    th, tw = texture.shape[0], texture.shape[1]
    taps = rotations.shape[0]
    scale = np.float32(1.0 / 65535.0 / taps)
    inv = np.float32(1.0 / mpp)
    for j in range(h):
        for i in range(w):
            rx, ry = rays[j, i, 0], rays[j, i, 1]
            a0 = np.float32(0)
            a1 = np.float32(0)
            a2 = np.float32(0)
            vis = np.float32(0)
            for k in range(taps):
                r = rotations[k]
                dx = r[0, 0] * rx + r[1, 0] * ry + r[2, 0]
                dy = r[0, 1] * rx + r[1, 1] * ry + r[2, 1]
                dz = r[0, 2] * rx + r[1, 2] * ry + r[2, 2]
                s = -centres[k, 2] / min(dz, np.float32(-1e-3))
                u = (centres[k, 0] + s * dx - x0) * inv
                v = (y1 - centres[k, 1] - s * dy) * inv
                u = min(max(u, np.float32(0)), np.float32(tw - 1.001))
                v = min(max(v, np.float32(0)), np.float32(th - 1.001))
                iu, iv = int(u), int(v)
                fu, fv = u - np.float32(iu), v - np.float32(iv)
                w11 = fu * fv
                w10 = fv - w11
                w01 = fu - w11
                w00 = np.float32(1) - fu - fv + w11
                p, q = texture[iv, iu], texture[iv, iu + 1]
                m, n = texture[iv + 1, iu], texture[iv + 1, iu + 1]
                a0 += w00 * p[0] + w01 * q[0] + w10 * m[0] + w11 * n[0]
                a1 += w00 * p[1] + w01 * q[1] + w10 * m[1] + w11 * n[1]
                a2 += w00 * p[2] + w01 * q[2] + w10 * m[2] + w11 * n[2]
                vis += w00 * p[3] + w01 * q[3] + w10 * m[3] + w11 * n[3]
            vis = min(vis * scale, veil[j, i])
            out[j, i, 0] = a0 * scale * (sky[0] * dome[j, i] + sun[0] * vis)
            out[j, i, 1] = a1 * scale * (sky[1] * dome[j, i] + sun[1] * vis)
            out[j, i, 2] = a2 * scale * (sky[2] * dome[j, i] + sun[2] * vis)


@nb.njit(cache=True, fastmath=True)
def dim_by_map(dome, rays, rotation, centre, rect, place, table, u0, v0, step):
    """Multiply `dome` inside the pixel rectangle by a table given in a thing's own frame (rows along its y).

    table (n, m): value at x = u0 + column * step, y = v0 + row * step; 1 outside. place: x, y, heading.
    """
    c, s = math.cos(place[2]), math.sin(place[2])
    for j in range(rect[1], rect[3]):
        for i in range(rect[0], rect[2]):
            rx, ry = rays[j, i, 0], rays[j, i, 1]
            dx = rotation[0, 0] * rx + rotation[1, 0] * ry + rotation[2, 0]
            dy = rotation[0, 1] * rx + rotation[1, 1] * ry + rotation[2, 1]
            dz = rotation[0, 2] * rx + rotation[1, 2] * ry + rotation[2, 2]
            t = -centre[2] / min(dz, -1e-3)
            gx, gy = centre[0] + t * dx - place[0], centre[1] + t * dy - place[1]
            u = (gx * c + gy * s - u0) / step
            v = (-gx * s + gy * c - v0) / step
            if u < 0 or v < 0 or u >= table.shape[1] - 1 or v >= table.shape[0] - 1:
                continue
            iu, iv = int(u), int(v)
            fu, fv = u - iu, v - iv
            dome[j, i] *= (1 - fv) * ((1 - fu) * table[iv, iu] + fu * table[iv, iu + 1]) + fv * (
                (1 - fu) * table[iv + 1, iu] + fu * table[iv + 1, iu + 1]
            )


@nb.njit(cache=True)
def _planes(px, iz):
    """Affine coefficients (value = a x + b y + c) that carry the corners' weights over the picture."""
    out = np.empty((3, 3))
    area = (px[1, 0] - px[0, 0]) * (px[2, 1] - px[0, 1]) - (px[2, 0] - px[0, 0]) * (px[1, 1] - px[0, 1])
    for k in range(3):
        a, b = px[(k + 1) % 3], px[(k + 2) % 3]
        out[k, 0] = (a[1] - b[1]) / area * iz[k]
        out[k, 1] = (b[0] - a[0]) / area * iz[k]
        out[k, 2] = (a[0] * b[1] - b[0] * a[1]) / area * iz[k]
    return out


@nb.njit(cache=True)
def rasterise(px, depth, uv, material, rect, atlas, left, top, ids, zinv, sub, cull):
    """Fill `ids` (H, W int32, -1 empty) and `zinv` with the nearest triangle at each sub-sample's centre.

    px (n, 3, 2) full-picture pixels; ids covers the rectangle from pixel (left, top), `sub` samples a pixel.
    Returns (n, 3, 3): the planes of weight/depth of every drawn triangle.
    """
    rows, cols = ids.shape
    planes = np.zeros((px.shape[0], 3, 3))
    for t in range(px.shape[0]):
        p = px[t]
        area = (p[1, 0] - p[0, 0]) * (p[2, 1] - p[0, 1]) - (p[2, 0] - p[0, 0]) * (p[1, 1] - p[0, 1])
        if abs(area) < 1e-12 or (cull and area > 0):  # anticlockwise in the world is clockwise with y down
            continue
        iz = 1.0 / depth[t]
        planes[t] = _planes(p, iz)
        pl = planes[t]
        holes = rect[material[t], 2] > 0 and rect[material[t], 4] > 0
        ylow = min(p[0, 1], p[1, 1], p[2, 1])
        yhigh = max(p[0, 1], p[1, 1], p[2, 1])
        # sub-sample row r has its centre at y = top - 0.5 + (r + 0.5) / sub
        r0 = max(0, math.ceil((ylow - top + 0.5) * sub - 0.5))
        r1 = min(rows - 1, math.floor((yhigh - top + 0.5) * sub - 0.5))
        for r in range(r0, r1 + 1):
            y = top - 0.5 + (r + 0.5) / sub
            xl, xr = 1e18, -1e18
            for k in range(3):
                ax, ay, bx, by = p[k, 0], p[k, 1], p[(k + 1) % 3, 0], p[(k + 1) % 3, 1]
                if (ay <= y < by) or (by <= y < ay):
                    x = ax + (bx - ax) * (y - ay) / (by - ay)
                    xl, xr = min(xl, x), max(xr, x)
            if xr < xl:
                continue
            c0 = max(0, math.ceil((xl - left + 0.5) * sub - 0.5))
            c1 = min(cols - 1, math.ceil((xr - left + 0.5) * sub - 0.5) - 1)
            for c in range(c0, c1 + 1):
                x = left - 0.5 + (c + 0.5) / sub
                w0 = pl[0, 0] * x + pl[0, 1] * y + pl[0, 2]
                w1 = pl[1, 0] * x + pl[1, 1] * y + pl[1, 2]
                w2 = pl[2, 0] * x + pl[2, 1] * y + pl[2, 2]
                z = w0 + w1 + w2
                if z <= zinv[r, c]:
                    continue
                if holes:
                    m = material[t]
                    tu = (w0 * uv[t, 0, 0] + w1 * uv[t, 1, 0] + w2 * uv[t, 2, 0]) / z
                    tv = (w0 * uv[t, 0, 1] + w1 * uv[t, 1, 1] + w2 * uv[t, 2, 1]) / z
                    row = rect[m, 0] + min(max(int(tv * rect[m, 2]), 0), rect[m, 2] - 1)
                    col = rect[m, 1] + min(max(int(tu * rect[m, 3]), 0), rect[m, 3] - 1)
                    if atlas[row, col, 3] < 0.5:
                        continue
                zinv[r, c] = z
                ids[r, c] = t
    return planes


@nb.njit(cache=True, fastmath=True)
def _shaded_by_box(point, to_sun, boxes, own):
    """Does the ray from a point along to_sun (course frame, pointing up) meet a box other than `own`?"""
    q, e = np.empty(3), np.empty(3)
    q[2], e[2] = point[2], to_sun[2]
    for b in range(boxes.shape[0]):
        if b + 1 == own or boxes[b, 5] <= q[2]:
            continue
        cs, sn = boxes[b, 8], boxes[b, 9]
        gx, gy = point[0] - boxes[b, 6], point[1] - boxes[b, 7]
        q[0], q[1] = gx * cs + gy * sn, -gx * sn + gy * cs
        e[0], e[1] = to_sun[0] * cs + to_sun[1] * sn, -to_sun[0] * sn + to_sun[1] * cs
        t0, t1 = 1e-3, (boxes[b, 5] - q[2]) / e[2]
        t0 = max(t0, (boxes[b, 4] - q[2]) / e[2])
        for k in range(2):
            if abs(e[k]) < 1e-9:
                if q[k] < boxes[b, 2 * k] or q[k] > boxes[b, 2 * k + 1]:
                    t1 = -1.0
                continue
            near = (boxes[b, 2 * k] - q[k]) / e[k]
            far = (boxes[b, 2 * k + 1] - q[k]) / e[k]
            t0, t1 = max(t0, min(near, far)), min(t1, max(near, far))
        if t0 < t1:
            return True
    return False


@nb.njit(cache=True, fastmath=True)
def resolve(
    total,
    cover,
    ids,
    planes,
    corners,
    normal,
    uv,
    material,
    solid,
    flat,
    rect,
    atlas,
    left,
    top,
    to_sun,
    sun,
    sky,
    boxes,
    cast,
):
    """Light the sub-samples and add them to `total` (h, w, 3) and `cover` (h, w) of the rectangle.

    A pixel that lies within one triangle is lit at SUB of its samples only, one in each row and column.
    """
    rows, cols = ids.shape
    q = np.empty(3)
    for j in range(rows // SUB):
        for i in range(cols // SUB):
            first = ids[j * SUB, i * SUB]
            inside = first >= 0
            for r in range(j * SUB, j * SUB + SUB):
                for c in range(i * SUB, i * SUB + SUB):
                    inside = inside and ids[r, c] == first
            share = 1.0 / SUB if inside else 1.0 / (SUB * SUB)
            for r in range(j * SUB, j * SUB + SUB):
                y = top - 0.5 + (r + 0.5) / SUB
                for c in range(i * SUB, i * SUB + SUB):
                    t = ids[r, c]
                    if t < 0 or (inside and c % SUB != (2 * (r % SUB) + 1) % (SUB + 1)):
                        continue
                    x = left - 0.5 + (c + 0.5) / SUB
                    w0 = planes[t, 0, 0] * x + planes[t, 0, 1] * y + planes[t, 0, 2]
                    w1 = planes[t, 1, 0] * x + planes[t, 1, 1] * y + planes[t, 1, 2]
                    w2 = planes[t, 2, 0] * x + planes[t, 2, 1] * y + planes[t, 2, 2]
                    z = w0 + w1 + w2
                    w0 /= z
                    w1 /= z
                    w2 /= z
                    m = material[t]
                    facing = normal[t, 0] * to_sun[0] + normal[t, 1] * to_sun[1] + normal[t, 2] * to_sun[2]
                    lit = max(facing, 0.0)
                    if lit > 0 and cast:
                        for k in range(3):
                            q[k] = w0 * corners[t, 0, k] + w1 * corners[t, 1, k] + w2 * corners[t, 2, k]
                        if _shaded_by_box(q, to_sun, boxes, solid[t]):
                            lit = 0.0
                    dome = 0.55 + 0.45 * normal[t, 2]
                    for k in range(3):
                        albedo = flat[m, k]
                        if rect[m, 2] > 0:
                            tu = w0 * uv[t, 0, 0] + w1 * uv[t, 1, 0] + w2 * uv[t, 2, 0]
                            tv = w0 * uv[t, 0, 1] + w1 * uv[t, 1, 1] + w2 * uv[t, 2, 1]
                            row = rect[m, 0] + min(max(int(tv * rect[m, 2]), 0), rect[m, 2] - 1)
                            col = rect[m, 1] + min(max(int(tu * rect[m, 3]), 0), rect[m, 3] - 1)
                            albedo = atlas[row, col, k]
                        total[j, i, k] += share * albedo * (sky[k] * dome + sun[k] * lit)
                    cover[j, i] += share


def normals(corners_m: np.ndarray) -> np.ndarray:
    n = np.cross(corners_m[:, 1] - corners_m[:, 0], corners_m[:, 2] - corners_m[:, 0])
    return n / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-12)


def frame_rect(px: np.ndarray, lens: Lens, pad: int = 2) -> tuple[int, int, int, int] | None:
    """Left, top, right, bottom (exclusive) of the pixels that (..., 2) points may touch; None when outside."""
    low = np.floor(px.reshape(-1, 2).min(axis=0)).astype(int) - pad
    high = np.ceil(px.reshape(-1, 2).max(axis=0)).astype(int) + pad + 1
    left, top = max(0, low[0]), max(0, low[1])
    right, bottom = min(lens.width, high[0]), min(lens.height, high[1])
    return (left, top, right, bottom) if left < right and top < bottom else None


def ground_mask(camera: Camera, corners_m: np.ndarray, rect: tuple[int, int, int, int], sub: int = SUB) -> np.ndarray:
    """(h, w) share of each pixel of the rectangle covered by the union of (n, 3, 3) flat triangles."""
    px, depth = camera.project(corners_m)
    left, top, right, bottom = rect
    ids = np.full(((bottom - top) * sub, (right - left) * sub), -1, np.int32)
    zinv = np.zeros(ids.shape, np.float32)
    count = len(px)
    rasterise(
        px,
        depth,
        np.zeros((count, 3, 2)),
        np.zeros(count, np.int64),
        np.zeros((1, 5), np.int64),
        np.zeros((1, 1, 4), np.float32),
        left,
        top,
        ids,
        zinv,
        sub,
        False,
    )
    return (ids >= 0).reshape(bottom - top, sub, right - left, sub).mean(axis=(1, 3), dtype=np.float32)


def draw(
    picture: np.ndarray,
    shots: list[tuple[Camera, Mesh, np.ndarray]],
    light: Light,
    materials: Materials,
    cast: bool,
) -> None:
    """Draw a mesh over the linear picture in place, as the mean of its shots within the exposure.

    shots: per sub-exposure the camera, the placed mesh and the boxes (b, 10) that may throw shadows on it (solid
    number = index + 1): extent in x, y, z in the box's own frame, and where that is: x, y, cosine and sine.
    """
    projected = [camera.project(mesh.corners_m) for camera, mesh, _ in shots]
    rect = frame_rect(np.concatenate([px.reshape(-1, 2) for px, _ in projected]), shots[0][0].lens)
    if rect is None:
        return
    left, top, right, bottom = rect
    total = np.zeros((bottom - top, right - left, 3))
    cover = np.zeros((bottom - top, right - left))
    for (px, depth), (_, mesh, boxes) in zip(projected, shots, strict=True):
        ids = np.full(((bottom - top) * SUB, (right - left) * SUB), -1, np.int32)
        zinv = np.zeros(ids.shape, np.float32)
        planes = rasterise(
            px, depth, mesh.uv, mesh.material, materials.rect, materials.atlas, left, top, ids, zinv, SUB, True
        )
        resolve(
            total,
            cover,
            ids,
            planes,
            mesh.corners_m,
            normals(mesh.corners_m),
            mesh.uv,
            mesh.material,
            mesh.solid,
            materials.flat,
            materials.rect,
            materials.atlas,
            left,
            top,
            light.to_sun,
            light.sun,
            light.sky,
            boxes,
            cast,
        )
    crop = picture[top:bottom, left:right]
    crop *= (1 - cover / len(shots))[..., None].astype(np.float32)
    crop += (total / len(shots)).astype(np.float32)


@nb.njit(cache=True, fastmath=True)
def develop(linear, fall, gain, curve, grain, out):
    """Exposure by colour, fall-off to the corners, tone curve and sensor noise: linear float32 to 8 bit RGB."""
    h, w = out.shape[0], out.shape[1]
    top = curve.shape[0] - 1
    for j in range(h):
        for i in range(w):
            g = fall[j, i] * top
            for k in range(3):
                index = min(max(int(linear[j, i, k] * gain[k] * g + np.float32(0.5)), 0), top)
                value = curve[index] + grain[j, i, k] + np.float32(0.5)
                out[j, i, k] = np.uint8(min(max(value, np.float32(0)), np.float32(255)))


def tone_curve(contrast: float, levels: int = 16384) -> np.ndarray:
    """(levels,) display values 0..255 of linear light 0..1: the sRGB curve with an S of that strength."""
    x = np.linspace(0, 1, levels)
    s = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    return (255 * ((1 - contrast) * s + contrast * s * s * (3 - 2 * s))).astype(np.float32)
