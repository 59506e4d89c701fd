"""What stands in the yard and how it is painted: ground, vehicle, cones, barrier, people, a parked car."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise

import cv2
import numpy as np

from analysis.course import Area, Course, Mark
from analysis.trailer import Trailer
from analysis.vehicle import Solid, Vehicle, rounded_rectangle
from sample_clips.drive import wheel_angles
from sample_clips.mesh import Mesh, box, disc_outline, frustum, join, leaning, linear, prism, upright, wheel
from sample_clips.render import Light, Materials

SIDE_STEP_M = 0.03


@dataclass
class Palette:
    """Collects materials and hands out their numbers."""

    flats: list[np.ndarray] = field(default_factory=list)
    pictures: list[np.ndarray | None] = field(default_factory=list)

    def flat(self, colour: np.ndarray) -> int:
        self.flats.append(np.asarray(colour, float))
        self.pictures.append(None)
        return len(self.flats) - 1

    def picture(self, pixels: np.ndarray) -> int:
        """(h, w, 3) or (h, w, 4) linear light; the fourth channel is 0 in holes."""
        if pixels.shape[2] == 3:
            pixels = np.dstack([pixels, np.ones(pixels.shape[:2])])
        self.flats.append(np.zeros(3))
        self.pictures.append(pixels.astype(np.float32))
        return len(self.flats) - 1

    def materials(self) -> Materials:
        rect = np.zeros((len(self.flats), 5), np.int64)
        tall = sum(p.shape[0] for p in self.pictures if p is not None)
        wide = max((p.shape[1] for p in self.pictures if p is not None), default=1)
        atlas = np.ones((max(tall, 1), wide, 4), np.float32)
        row = 0
        for i, p in enumerate(self.pictures):
            if p is not None:
                atlas[row : row + p.shape[0], : p.shape[1]] = p
                rect[i] = (row, 0, p.shape[0], p.shape[1], int(p[..., 3].min() < 0.5))
                row += p.shape[0]
        return Materials(np.array(self.flats), rect, atlas)


def cloudy(shape: tuple[int, int], sizes_px: tuple[float, ...], rng: np.random.Generator) -> np.ndarray:
    """(h, w) smooth noise of unit variance, a sum of equal octaves of the given feature sizes."""
    out = np.zeros(shape, np.float32)
    for size in sizes_px:
        coarse = (max(2, math.ceil(shape[0] / size) + 2), max(2, math.ceil(shape[1] / size) + 2))
        field_: np.ndarray = rng.standard_normal(coarse).astype(np.float32)
        if size > 1:
            big = cv2.resize(
                field_, (math.ceil(coarse[1] * size), math.ceil(coarse[0] * size)), interpolation=cv2.INTER_CUBIC
            )
            field_ = big[: shape[0], : shape[1]]
        out += field_[: shape[0], : shape[1]]
    return (out - out.mean()) / out.std()


# --- ground -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class GroundLook:
    """Colours (display values) and wear of the yard."""

    surface: tuple[int, int, int] = (88, 88, 90)
    grass: tuple[int, int, int] = (82, 96, 58)
    kerb: tuple[int, int, int] = (150, 148, 142)
    lines: tuple[int, int, int] = (222, 186, 66)
    bay_lines: tuple[int, int, int] = (225, 225, 220)
    wear: float = 0.45
    stains: int = 40
    cracks: int = 18
    slabs_m: float = 0.0
    apron_m: float = 7.0
    old_paint: bool = False
    parking_bays: bool = False


class Ground:
    """The painted ground as a picture: albedo and sun visibility, `mpp` metres a texel, row 0 at y = y1."""

    def __init__(self, x0: float, x1: float, y0: float, y1: float, mpp: float) -> None:
        self.x0, self.y1, self.mpp = x0, y1, mpp
        self.shape = (math.ceil((y1 - y0) / mpp) + 1, math.ceil((x1 - x0) / mpp) + 1)
        self.albedo = np.zeros((*self.shape, 3), np.float32)
        self.sunlit = np.ones(self.shape, np.float32)

    def window(self, x0: float, x1: float, y0: float, y1: float) -> tuple[slice, slice, np.ndarray, np.ndarray]:
        """Rows, columns, and the (x, y) of their texel centres for a rectangle, a texel wider each way."""
        c0 = max(0, math.floor((x0 - self.x0) / self.mpp) - 1)
        c1 = min(self.shape[1], math.ceil((x1 - self.x0) / self.mpp) + 2)
        r0 = max(0, math.floor((self.y1 - y1) / self.mpp) - 1)
        r1 = min(self.shape[0], math.ceil((self.y1 - y0) / self.mpp) + 2)
        x = self.x0 + np.arange(c0, max(c0, c1)) * self.mpp
        y = self.y1 - np.arange(r0, max(r0, r1)) * self.mpp
        return slice(r0, r1), slice(c0, c1), x[None, :], y[:, None]

    def paint(
        self,
        area: tuple[float, float, float, float],
        colour: np.ndarray,
        wear: np.ndarray | float,
        stripes: tuple[float, float] | None = None,
        slope: float = 0.0,
    ) -> None:
        """Paint x0, x1, y0, y1 with exact edge coverage; `stripes` = (period, painted share) at 45 degrees.

        slope: a long thin area lies aslant by this, sheared across its length about its middle.
        """
        x0, x1, y0, y1 = area
        lean_x, lean_y = (0.0, slope) if x1 - x0 > y1 - y0 else (slope, 0.0)
        out_x, out_y = abs(lean_x) * (y1 - y0) / 2, abs(lean_y) * (x1 - x0) / 2
        rows, cols, x, y = self.window(x0 - out_x, x1 + out_x, y0 - out_y, y1 + out_y)
        x, y = x - lean_x * (y - (y0 + y1) / 2), y - lean_y * (x - (x0 + x1) / 2)
        m = self.mpp

        def share(p: np.ndarray, low: float, high: float) -> np.ndarray:
            return np.clip((np.minimum(p + m / 2, high) - np.maximum(p - m / 2, low)) / m, 0, 1)

        cover = share(x, x0, x1) * share(y, y0, y1)
        if stripes:
            phase = ((x + y) / math.sqrt(2)) % stripes[0]
            edge = np.minimum(phase, stripes[0] * stripes[1] - phase)
            edge = np.maximum(edge, phase - stripes[0])
            cover = cover * np.clip(0.5 + edge / m, 0, 1)
        worn = wear[rows, cols] if isinstance(wear, np.ndarray) else np.float32(wear)
        cover = (cover * (1 - worn))[..., None].astype(np.float32)
        self.albedo[rows, cols] = self.albedo[rows, cols] * (1 - cover) + colour.astype(np.float32) * cover

    def blot(self, points: np.ndarray, width_m: float, colour: np.ndarray, strength: float, blur_m: float) -> None:
        """A soft stroke along (n, 2) points: cracks, stains, tyre marks. Not a measured thing."""
        pad = 3 * blur_m + width_m
        rows, cols, x, y = self.window(
            points[:, 0].min() - pad, points[:, 0].max() + pad, points[:, 1].min() - pad, points[:, 1].max() + pad
        )
        if x.size == 0 or y.size == 0:
            return
        mask = np.zeros((y.size, x.size), np.uint8)
        px = np.column_stack([(points[:, 0] - x[0, 0]) / self.mpp, (y[0, 0] - points[:, 1]) / self.mpp])
        if len(px) == 1:
            cv2.circle(
                mask,
                tuple((px[0] * 16).astype(int).tolist()),
                int(width_m / 2 / self.mpp * 16),
                255,
                -1,
                cv2.LINE_AA,
                4,
            )
        else:
            cv2.polylines(
                mask, [(px * 16).astype(np.int32)], False, 255, max(1, round(width_m / self.mpp)), cv2.LINE_AA, 4
            )
        soft = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), max(0.3, blur_m / self.mpp))
        a = (soft * strength)[..., None]
        self.albedo[rows, cols] = self.albedo[rows, cols] * (1 - a) + colour.astype(np.float32) * a

    def texture(self, pixel_m: float) -> np.ndarray:
        """(H, W, 4) uint16: albedo and sun visibility, smoothed to what one pixel of `pixel_m` can hold.

        Pixels sample the texture at points, so without the smoothing edges would jump by a tenth of a pixel.
        """
        both = cv2.GaussianBlur(np.dstack([self.albedo, self.sunlit]), (0, 0), 0.4 * pixel_m / self.mpp)
        return (np.clip(both, 0, 1) * 65535 + 0.5).astype(np.uint16)


def lay_ground(ground: Ground, course: Course, look: GroundLook, rng: np.random.Generator) -> None:
    """Surface, kerb, grass, stains, cracks, and then the course's paint on top."""
    shape, m = ground.shape, ground.mpp
    xs = [ln.x0_m for ln in course.lines] + [ln.x1_m for ln in course.lines]
    ys = [ln.y0_m for ln in course.lines]
    base = linear(*look.surface)
    mottled = 1 + 0.055 * cloudy(shape, (8 / m, 3 / m, 1.1 / m), rng) + 0.05 * cloudy(shape, (0.35 / m, 0.12 / m), rng)
    mottled += 0.06 * cloudy(shape, (1.0, 2.2), rng)
    ground.albedo[:] = base.astype(np.float32) * np.clip(mottled, 0.4, 1.8)[..., None]
    tint = cloudy(shape, (6 / m,), rng)[..., None] * np.array([0.012, 0.0, -0.014], np.float32)
    ground.albedo *= 1 + tint
    x_all = ground.x0 + np.arange(shape[1]) * m
    y_all = ground.y1 - np.arange(shape[0]) * m
    if look.slabs_m:
        joint = np.zeros(shape, np.float32)
        for axis, pos in ((1, x_all), (0, y_all)):
            d = np.abs((pos + 1.3 + look.slabs_m / 2) % look.slabs_m - look.slabs_m / 2)
            near = np.clip(1.3 - d / 0.018, 0, 1).astype(np.float32)
            joint = np.maximum(joint, near[None, :] if axis == 1 else near[:, None])
        tone = rng.normal(1, 0.035, (200, 200)).astype(np.float32)
        ix = ((x_all + 1.3) // look.slabs_m).astype(int) % 200
        iy = ((y_all + 1.3) // look.slabs_m).astype(int) % 200
        ground.albedo *= (tone[np.ix_(iy, ix)] * (1 - 0.55 * joint))[..., None]
    for _ in range(look.stains):
        p = np.array([[rng.uniform(x_all[0], x_all[-1]), rng.uniform(y_all[-1], y_all[0])]])
        dark = rng.random() < 0.75
        wide = rng.uniform(0.1, 1.3)
        drops = p + rng.normal(0, wide * 0.35, (rng.integers(1, 6), 2))
        for d in drops:
            ground.blot(
                d[None],
                wide * rng.uniform(0.2, 0.9),
                base * (0.45 if dark else 1.5),
                rng.uniform(0.12, 0.5),
                wide * 0.12,
            )
    for _ in range(3):  # patches of newer surface
        cx, cy = rng.uniform(x_all[0], x_all[-1]), rng.uniform(y_all[-1], y_all[0])
        wx, wy = rng.uniform(1, 5), rng.uniform(0.6, 2.5)
        ground.paint((cx, cx + wx, cy, cy + wy), base * rng.uniform(0.62, 0.9), 0.25)
    for _ in range(look.cracks):
        n = rng.integers(10, 50)
        turn = rng.uniform(0, 2 * math.pi) + np.cumsum(rng.normal(0, 0.35, n))
        pts = np.array([rng.uniform(x_all[0], x_all[-1]), rng.uniform(y_all[-1], y_all[0])]) + np.cumsum(
            np.column_stack([np.cos(turn), np.sin(turn)]) * 0.25, axis=0
        )
        ground.blot(pts, 0.025, base * 0.3, rng.uniform(0.35, 0.75), 0.012)
    for _ in range(9):  # tyre marks of earlier runs
        x = np.linspace(rng.uniform(x_all[0], x_all[-1] - 8), rng.uniform(x_all[0] + 8, x_all[-1]), 60)
        y = rng.uniform(min(ys), max(ys)) + rng.normal(0, 1.2) * np.sin(x / rng.uniform(9, 15) + rng.uniform(0, 6))
        for off in (-1.0, 1.0):
            ground.blot(np.column_stack([x, y + off]), 0.22, base * 0.6, rng.uniform(0.08, 0.2), 0.06)
    _edge_of_yard(
        ground,
        (min(xs) - look.apron_m, max(xs) + look.apron_m, min(ys) - look.apron_m, max(ys) + look.apron_m),
        look,
        rng,
    )
    worn = np.clip(look.wear * (0.55 + 0.4 * cloudy(shape, (1.2 / m, 0.3 / m, 0.08 / m), rng)), 0.02, 0.97)
    scuff = cloudy(shape, (0.5 / m, 0.06 / m), rng)
    worn = np.where(scuff > 2.2 - look.wear, np.maximum(worn, 0.75), worn).astype(np.float32)
    if look.old_paint:
        for k in range(9):
            at = min(xs) + 4 + 2.6 * k
            ground.paint((at, at + 0.09, max(ys) + 1.5, max(ys) + 6.0), linear(200, 200, 196), np.maximum(worn, 0.6))
    if look.parking_bays:  # a row of them across the yard, and their long line beside the course's
        low, high, beside = min(ys) + 2.2, max(ys) - 1.0, linear(*look.lines)
        for k in range(8):
            at = (min(xs) + max(xs)) / 2 - 9.0 + 2.5 * k
            ground.paint((at, at + 0.1, low, low + 4.8), beside, worn)
        ground.paint((min(xs) + 2, max(xs) - 2, high + 2.2, high + 2.3), beside, worn)
        ground.paint((min(xs) + 2, max(xs) - 2, low, low + 0.1), beside, worn)
    for ln in course.lines:
        # the paint lies on the far side of the measured edge; lines run along or across the yard, or nearly so
        dx, dy = ln.x1_m - ln.x0_m, ln.y1_m - ln.y0_m
        lengthwise = abs(dx) > abs(dy)
        beyond = -ln.yard_side * ln.width_m * math.copysign(1.0, dx if lengthwise else -dy)
        if lengthwise:
            at, slope, along = (ln.y0_m + ln.y1_m) / 2, dy / dx, sorted((ln.x0_m, ln.x1_m))
            area = (*along, *sorted((at, at + beyond)))
        else:
            at, slope, along = (ln.x0_m + ln.x1_m) / 2, dx / dy, sorted((ln.y0_m, ln.y1_m))
            area = (*sorted((at, at + beyond)), *along)
        ground.paint(area, linear(*look.lines), worn, slope=slope)
    bay, stop, white = course.bay, course.stopping_box, linear(*look.bay_lines)
    for at in course.own_bay_sides_m():
        ground.paint((bay.x_min_m, bay.x_max_m, at - 0.04, at + 0.04), white, worn)
    if stop is None:
        return
    ground.paint(
        (stop.x_min_m, stop.x_max_m, stop.y_min_m, stop.y_max_m),
        linear(*look.lines),
        np.minimum(worn, 0.8),
        stripes=(0.45, 0.42),
    )
    for at in (stop.x_min_m, stop.x_max_m):
        ground.paint((at - 0.05, at + 0.05, stop.y_min_m, stop.y_max_m), linear(*look.lines), worn)


def _edge_of_yard(
    ground: Ground, yard: tuple[float, float, float, float], look: GroundLook, rng: np.random.Generator
) -> None:
    """Kerb stones and grass outside the yard's rectangle."""
    shape, m = ground.shape, ground.mpp
    x = (ground.x0 + np.arange(shape[1]) * m)[None, :]
    y = (ground.y1 - np.arange(shape[0]) * m)[:, None]
    out = np.maximum(np.maximum(yard[0] - x, x - yard[1]), np.maximum(yard[2] - y, y - yard[3])).astype(np.float32)
    ragged = out + 0.04 * cloudy(shape, (0.8 / m, 0.25 / m), rng)
    blades = (
        1
        + 0.11 * cloudy(shape, (2.5 / m, 0.8 / m), rng)
        + 0.15 * cloudy(shape, (0.3 / m, 0.1 / m), rng)
        + 0.12 * cloudy(shape, (1.0, 2.0), rng)
    )
    dry = np.clip(0.5 + 0.35 * cloudy(shape, (5 / m, 1.5 / m), rng), 0, 1)[..., None]
    green = linear(*look.grass) * (1 - dry) + linear(look.grass[0] + 24, look.grass[1] + 11, look.grass[2] + 14) * dry
    grass = np.clip(ragged / 0.05 - 1.5, 0, 1)[..., None]
    ground.albedo[:] = (
        ground.albedo * (1 - grass) + green.astype(np.float32) * np.clip(blades, 0.25, 2)[..., None] * grass
    )
    kerb = (np.clip(0.5 + out / m, 0, 1) * np.clip(0.5 + (0.15 - out) / m, 0, 1))[..., None]
    stone = linear(*look.kerb).astype(np.float32) * (1 + 0.1 * cloudy(shape, (0.9 / m, 0.1 / m), rng))[..., None]
    along = np.where((y > yard[3]) | (y < yard[2]), x, y)
    joints = np.clip(1 - np.abs((along % 1.0) - 0.5) / 0.012, 0, 1)[..., None] * 0.5
    ground.albedo[:] = ground.albedo * (1 - kerb) + stone * (1 - joints).astype(np.float32) * kerb


# --- things with height -------------------------------------------------------------------------


def cone_mesh(
    palette: Palette,
    mark: Mark,
    *,
    orange: tuple[int, int, int] = (232, 84, 34),
    pole: tuple[int, int, int] = (228, 62, 44),
) -> Mesh:
    """A banded cone on a square base, with its pole; sizes from the mark."""
    body, white, rubber = (palette.flat(linear(*c)) for c in (orange, (236, 236, 232), (48, 46, 46)))
    half, h = mark.base_half_m, mark.height_m
    parts = [box(-half, half, -half, half, 0, 0.04, side=rubber, top=rubber)]

    def radius(z: float) -> float:
        return 0.125 + (0.03 - 0.125) * (z - 0.04) / (h - 0.04)

    cuts = [0.04, 0.22, 0.36, 0.50, 0.62, h]
    for i, (a, b) in enumerate(pairwise(cuts)):
        parts.append(frustum(radius(a), radius(b), a, b, white if i % 2 else body))
    if mark.pole_height_m > h:
        red = palette.flat(linear(*pole))
        levels = np.linspace(h, mark.pole_height_m, 4)
        for i, (a, b) in enumerate(pairwise(levels)):
            parts.append(frustum(0.022, 0.022, a, b, white if i % 2 else red, points=8))
    return join(parts)


def barrier_mesh(palette: Palette, area: Area, height_m: float) -> Mesh:
    """Striped boards on feet."""
    count = max(4, round((area.y_max_m - area.y_min_m) / 0.5))
    y = np.linspace(area.y_min_m, area.y_max_m, count + 1)
    red, white, foot = (palette.flat(linear(*c)) for c in ((196, 40, 36), (232, 232, 228), (60, 60, 62)))
    parts = [
        box(area.x_min_m, area.x_max_m, a, b, 0.12, height_m, side=(red, white)[i % 2], top=(red, white)[i % 2])
        for i, (a, b) in enumerate(pairwise(y))
    ]
    for at in (y[0] + 0.3, y[-1] - 0.3, (y[0] + y[-1]) / 2):
        parts.append(box(area.x_min_m - 0.22, area.x_max_m + 0.12, at - 0.08, at + 0.08, 0, 0.12, side=foot, top=foot))
    return join(parts)


@dataclass(frozen=True)
class Clothes:
    top: int
    legs: int
    skin: int
    hair: int


def clothes(
    palette: Palette, rng: np.random.Generator, vest: bool, jacket: tuple[int, int, int] | None = None
) -> Clothes:
    shirt = linear(206, 232, 40) if vest else linear(*(rng.uniform(50, 190) + rng.uniform(-35, 35, 3)))
    if jacket:
        shirt = linear(*jacket)
    return Clothes(
        palette.flat(shirt),
        palette.flat(linear(*rng.uniform(25, 80, 3))),
        palette.flat(linear(*(np.array([214, 170, 140]) * rng.uniform(0.5, 1.0)))),
        palette.flat(linear(*rng.uniform(20, 90, 3))),
    )


@lru_cache(maxsize=256)
def person_mesh(wear: Clothes, stride: float) -> Mesh:
    """A person facing +x; `stride` -1..1 swings legs and arms (0: standing)."""
    parts = []
    for side in (-1.0, 1.0):
        swing = 0.28 * stride * side
        for z0, z1, f in ((0.0, 0.42, 1.0), (0.42, 0.84, 0.45)):
            parts.append(
                box(
                    swing * f - 0.08,
                    swing * f + 0.1,
                    side * 0.1 - 0.075,
                    side * 0.1 + 0.075,
                    z0,
                    z1,
                    side=wear.legs,
                    top=wear.legs,
                )
            )
        for z0, z1, f in ((0.78, 1.1, 1.0), (1.1, 1.42, 0.4)):
            parts.append(
                box(
                    -swing * f - 0.06,
                    -swing * f + 0.06,
                    side * 0.26 - 0.05,
                    side * 0.26 + 0.05,
                    z0,
                    z1,
                    side=wear.top if z0 > 1 else wear.skin,
                    top=wear.top,
                )
            )
    torso = disc_outline(1.0, 10) * [0.14, 0.22]
    parts.append(prism(torso, upright(0.8, 1.36), side=wear.top, top=wear.top))
    parts.append(prism(torso * [0.9, 0.8], upright(1.36, 1.45), side=wear.top, top=wear.top))
    parts.append(frustum(0.06, 0.06, 1.45, 1.52, wear.skin, 8))
    parts.append(frustum(0.085, 0.105, 1.52, 1.62, wear.skin, 10))
    parts.append(frustum(0.105, 0.10, 1.62, 1.70, wear.hair, 10))
    parts.append(frustum(0.10, 0.05, 1.70, 1.76, wear.hair, 10))
    return join(parts)


def car_mesh(palette: Palette, colour: tuple[int, int, int]) -> Mesh:
    """A parked car, 4.3 m long, about its own middle."""
    paint, glass, dark = (
        palette.flat(linear(*colour)),
        palette.flat(linear(28, 32, 38)),
        palette.flat(linear(22, 22, 22)),
    )
    parts = [
        box(-1.9, 1.9, -0.75, 0.75, 0.12, 0.3, side=dark, top=dark),
        prism(rounded_rectangle(-2.15, 2.15, 1.78, 0.35), upright(0.25, 0.95), side=paint, top=paint),
        prism(rounded_rectangle(-1.55, 0.75, 1.5, 0.3), upright(0.95, 1.3), side=glass, top=glass),
        prism(rounded_rectangle(-1.3, 0.35, 1.36, 0.25), upright(1.3, 1.46), side=paint, top=paint),
    ]
    return join(parts)


# --- vehicle ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Livery:
    """Colours (display values) of the vehicle."""

    body: tuple[int, int, int] = (176, 38, 40)
    stripe: tuple[int, int, int] = (240, 236, 226)
    roof: tuple[int, int, int] = (226, 226, 222)
    unit: tuple[int, int, int] = (205, 205, 202)
    dirt: float = 0.25


SoftSpot = tuple[tuple[float, float, float], np.ndarray, tuple[float, float], float]
"""A soft shadow: where its table lies (x, y, heading), the table, its first point and its spacing."""


@dataclass(frozen=True)
class VehicleModel:
    """The vehicle's mesh without front wheels, those wheels, its boxes (b, 6) and its soft shadow table."""

    body: Mesh
    front_wheel: Mesh
    vehicle: Vehicle
    boxes: np.ndarray
    dimness: np.ndarray
    dim_origin_m: tuple[float, float]
    dim_step_m: float

    def mesh(
        self, x_m: float, y_m: float, heading_rad: float, steer_rad: float, articulation_rad: float = 0.0
    ) -> Mesh:
        v = self.vehicle
        left, right = wheel_angles(v, np.array(steer_rad))
        wheels = [
            self.front_wheel.placed(v.wheelbase_m, side * v.track_front_m / 2, float(angle), v.wheel_radius_m)
            for side, angle in ((1, left), (-1, right))
        ]
        return join([self.body, *wheels]).placed(x_m, y_m, heading_rad)

    def boxes_at(self, x_m: float, y_m: float, heading_rad: float, articulation_rad: float = 0.0) -> np.ndarray:
        """(b, 10) the boxes with the place of their frame: x, y, cosine and sine of its heading."""
        return placed_boxes(self.boxes, x_m, y_m, heading_rad)

    def soft_spots(self, x_m: float, y_m: float, heading_rad: float, articulation_rad: float = 0.0) -> list[SoftSpot]:
        return [((x_m, y_m, heading_rad), self.dimness, self.dim_origin_m, self.dim_step_m)]


def placed_boxes(boxes: np.ndarray, x_m: float, y_m: float, heading_rad: float) -> np.ndarray:
    """(b, 6) boxes of one frame with where that is, as `draw` takes them."""
    return np.column_stack([boxes, np.tile([x_m, y_m, math.cos(heading_rad), math.sin(heading_rad)], (len(boxes), 1))])


def _round_the_side(solid: Solid) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """For each texture column round a solid: face ('front left back right' = 0..3), x, y (vehicle frame)."""
    outline = rounded_rectangle(solid.x_min_m, solid.x_max_m, solid.width_m, solid.corner_radius_m)
    closed = np.vstack([outline, outline[:1]])
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = (np.arange(math.ceil(s[-1] / SIDE_STEP_M)) + 0.5) * s[-1] / math.ceil(s[-1] / SIDE_STEP_M)
    x, y = np.interp(at, s, closed[:, 0]), np.interp(at, s, closed[:, 1])
    to_front, to_back = solid.x_max_m - x, x - solid.x_min_m
    to_side = solid.width_m / 2 - np.abs(y)
    face = np.where(
        (to_side <= to_front) & (to_side <= to_back), np.where(y > 0, 1, 3), np.where(to_front < to_back, 0, 2)
    )
    return face, x, y


def side_picture(
    vehicle: Vehicle | Trailer, solid: Solid, livery: Livery, kind: str, rng: np.random.Generator
) -> np.ndarray:
    face, x, y = _round_the_side(solid)
    rows = max(8, math.ceil((solid.z_max_m - solid.z_min_m) / SIDE_STEP_M))
    z = (solid.z_max_m - (np.arange(rows) + 0.5) * (solid.z_max_m - solid.z_min_m) / rows)[:, None]
    face, x, y = face[None, :], x[None, :], y[None, :]
    body, stripe = linear(*livery.body), linear(*livery.stripe)
    glass, dark = linear(30, 36, 42), linear(26, 26, 28)
    out: np.ndarray = np.broadcast_to(body, (rows, x.shape[1], 3)).astype(np.float32).copy()
    solidness = np.ones(out.shape[:2], np.float32)
    top = solid.z_max_m

    def put(where: np.ndarray, colour: np.ndarray) -> None:
        out[np.broadcast_to(where, out.shape[:2])] = colour

    on_side, on_front, on_back = (face == 1) | (face == 3), face == 0, face == 2
    if kind in ("bus", "coach"):
        low_glass = 1.15 if kind == "bus" else 1.7
        pillar = np.abs((x - solid.x_min_m) % 1.45 - 0.725) > 0.66
        put((z < 1.0) & (z > 0.78), stripe)
        put(on_side & (z > low_glass) & (z < top - 0.38), glass)
        put(on_side & (z > low_glass) & (z < top - 0.38) & pillar, dark)
        door_x = (solid.x_max_m - 0.95, vehicle.wheelbase_m / 2)
        doors = on_side & (face == 3) & ((np.abs(x - door_x[0]) < 0.6) | (np.abs(x - door_x[1]) < 0.65))
        if kind == "bus":
            put(doors & (z > 0.45) & (z < top - 0.5), glass * 1.3)
        put(on_front & (z > 0.95) & (z < top - 0.45), glass)
        put(on_front & (z >= top - 0.45) & (z < top - 0.15) & (np.abs(y) < 0.9), dark)
        put(on_back & (z > 1.7) & (z < top - 0.5) & (np.abs(y) < 1.0), glass)
    elif kind == "box":
        rib = np.abs((x - solid.x_min_m) % 0.6 - 0.3) < 0.02
        out[:] = linear(*livery.roof)
        out[np.broadcast_to(on_side & rib, out.shape[:2])] *= 0.72
        put((z < solid.z_min_m + 0.14) | (z > top - 0.08), linear(120, 122, 124))
        put(on_side & (np.abs(z - (top - 1.2)) < 0.28) & (np.abs(x - (solid.x_min_m + solid.x_max_m) / 2) < 1.7), body)
        put(on_back & (np.abs(y) < 0.02), dark)
    elif kind == "cab":
        put(on_front & (z > top - 1.0) & (z < top - 0.25), glass)
        put(
            on_side & (x > solid.x_max_m - 1.15) & (x < solid.x_max_m - 0.3) & (z > top - 0.95) & (z < top - 0.3), glass
        )
        put(on_front & (z < top - 1.25) & (np.abs(y) < 0.7), dark)
    lamp_z = solid.z_min_m + 0.35
    put(
        on_front & (np.abs(z - lamp_z) < 0.1) & (np.abs(np.abs(y) - solid.width_m / 2 + 0.3) < 0.16),
        linear(250, 250, 240),
    )
    on_back = on_back & (solid.x_min_m < vehicle.x_rear_m + 0.5)
    put(
        on_back & (np.abs(z - lamp_z - 0.25) < 0.15) & (np.abs(np.abs(y) - solid.width_m / 2 + 0.22) < 0.1),
        linear(190, 20, 16),
    )
    grime = np.clip((1.1 - z) / 1.1, 0, 1) * livery.dirt
    out = out * (1 - grime[..., None]) + linear(96, 88, 78) * grime[..., None]
    out *= np.clip(1 + 0.05 * cloudy(out.shape[:2], (18, 5), rng), 0.6, 1.4)[..., None]
    if solid.z_min_m < 0.8:
        for tyre_x in (0.0, vehicle.wheelbase_m):
            arch = on_side & (
                (x - tyre_x) ** 2 + (z - vehicle.wheel_radius_m) ** 2 < (vehicle.wheel_radius_m + 0.14) ** 2
            )
            solidness[np.broadcast_to(arch, solidness.shape)] = 0
    return np.dstack([out, solidness])


def roof_picture(solid: Solid, livery: Livery, rng: np.random.Generator, rim: bool) -> np.ndarray:
    step = 0.02
    h, w = math.ceil(solid.width_m / step), math.ceil((solid.x_max_m - solid.x_min_m) / step)
    out = np.broadcast_to(linear(*livery.roof), (h, w, 3)).astype(np.float32).copy()
    x = (np.arange(w) + 0.5)[None, :] * step
    y = (np.arange(h) + 0.5)[:, None] * step
    seam = np.broadcast_to(
        (np.abs(x % 1.25 - 0.6) < 0.012) | (np.abs(np.abs(y - solid.width_m / 2) - 0.62) < 0.011), (h, w)
    )
    out[seam] *= 0.78
    streaks = cv2.GaussianBlur(rng.standard_normal((h, w)).astype(np.float32), (0, 0), 2, sigmaY=22)
    grime = 0.5 * cloudy((h, w), (60, 20, 6), rng) + 0.5 * streaks / max(float(streaks.std()), 1e-6)
    out *= np.clip(1 - livery.dirt * 0.22 * (1 + grime), 0.35, 1.1)[..., None]
    if rim:
        edge = np.minimum(np.minimum(x, w * step - x), np.minimum(y, h * step - y))
        out[edge < 0.11] = linear(*livery.body) * 0.95
        out[(edge >= 0.11) & (edge < 0.135)] *= 0.6
    return out


@dataclass(frozen=True)
class Walls:
    """How far a body's walls lean in at roof height, and the rounding of its roof's edge: no data sheet tells."""

    in_m: float = 0.0
    edge_radius_m: float = 0.0


def build_vehicle(
    palette: Palette,
    vehicle: Vehicle,
    livery: Livery,
    kind: str,
    units: bool,
    rng: np.random.Generator,
    walls: Walls = Walls(),
) -> VehicleModel:
    """The vehicle's mesh from its file: `kind` bus, coach or lorry; `units` puts hatches and plant on the roof."""
    rubber, rim, dark = (palette.flat(linear(*c)) for c in ((34, 33, 33), (128, 128, 126), (30, 30, 32)))
    unit = palette.flat(linear(*livery.unit))
    parts, boxes = [], []
    half_axle = (
        min(vehicle.track_front_m - vehicle.tyre_width_front_m, vehicle.track_rear_m - vehicle.tyre_width_rear_m) / 2
    )
    for i, s in enumerate(vehicle.solids):
        what = kind if kind != "lorry" else next((w for w in ("cab", "chassis") if w in s.name), "box")
        if what == "chassis":  # of a tractor: open frame and tanks
            outline = rounded_rectangle(s.x_min_m, s.x_max_m, s.width_m, s.corner_radius_m)
            parts.append(prism(outline, upright(s.z_min_m, s.z_max_m), side=dark, top=dark, solid=i + 1))
            boxes.append((s.x_min_m, s.x_max_m, -s.width_m / 2, s.width_m / 2, s.z_min_m, s.z_max_m))
            continue
        side = palette.picture(side_picture(vehicle, s, livery, what, rng))
        roof_look = (
            Livery(livery.body, livery.stripe, livery.body, livery.unit, livery.dirt) if what == "cab" else livery
        )
        roof = palette.picture(roof_picture(s, roof_look, rng, rim=what in ("bus", "coach")))
        outline = rounded_rectangle(s.x_min_m, s.x_max_m, s.width_m, s.corner_radius_m)
        of = walls if what != "box" else Walls()  # of panels: upright, its edges sharp
        wall = leaning(s.z_min_m, s.z_max_m, of.in_m, of.edge_radius_m)
        parts.append(prism(outline, wall, side=side, top=roof, solid=i + 1))
        boxes.append((s.x_min_m, s.x_max_m, -s.width_m / 2, s.width_m / 2, s.z_min_m, s.z_max_m))
    chassis_top = (
        min(s.z_max_m for s in vehicle.solids) - 0.1
        if kind != "lorry"
        else min(s.z_max_m for s in vehicle.solids if "cab" not in s.name) - 1.0
    )
    chassis_top = max(0.4, min(chassis_top, max(s.z_min_m for s in vehicle.solids) + 0.6))
    parts.append(
        box(
            vehicle.x_rear_m + 0.25,
            vehicle.x_front_m - 0.25,
            -half_axle + 0.12,
            half_axle - 0.12,
            0.28,
            chassis_top,
            side=dark,
            top=dark,
            solid=len(boxes) + 1,
        )
    )

    def roof_box(x0: float, x1: float, y0: float, y1: float, z0: float, z1: float, material: int) -> None:
        boxes.append((x0, x1, y0, y1, z0, z1))
        parts.append(box(x0, x1, y0, y1, z0, z1, side=material, top=material, solid=len(boxes)))

    boxes.append(
        (vehicle.x_rear_m + 0.25, vehicle.x_front_m - 0.25, -half_axle + 0.12, half_axle - 0.12, 0.28, chassis_top)
    )
    main = max(vehicle.solids, key=lambda s: s.x_max_m - s.x_min_m)
    z = main.z_max_m
    if units and kind in ("bus", "coach"):
        glazed = palette.flat(linear(120, 126, 130))
        length = main.x_max_m - main.x_min_m
        for share in (0.2, 0.78) if kind == "bus" else (0.1, 0.7):
            hx = main.x_min_m + share * length
            roof_box(hx - 0.35, hx + 0.35, -0.35, 0.35, z, z + 0.09, glazed)
        ax = main.x_min_m + (0.45 if kind == "bus" else 0.32) * length
        roof_box(ax - 1.15, ax + 1.15, -0.85, 0.85, z, z + 0.26, unit)
        fan = palette.flat(linear(52, 54, 56))
        for fx in (-0.62, 0.0, 0.62):
            for fy in (-0.4, 0.4):
                parts.append(frustum(0.24, 0.24, z + 0.26, z + 0.275, fan, 12).placed(ax + fx, fy, 0))
    mirror = palette.flat(linear(24, 24, 26))
    for outline in vehicle.mirror_outlines_m():
        x0, y0 = outline.min(axis=0)
        x1, y1 = outline.max(axis=0)
        roof_box(
            x0 + 0.02,
            x1 - 0.02,
            y0 + (0.0 if y0 < 0 else 0.08),
            y1 - (0.08 if y0 < 0 else 0.0),
            vehicle.mirror_z_m - 0.25,
            vehicle.mirror_z_m + 0.22,
            mirror,
        )
        parts.append(
            box(
                (x0 + x1) / 2 - 0.03,
                (x0 + x1) / 2 + 0.03,
                y0,
                y1,
                vehicle.mirror_z_m + 0.16,
                vehicle.mirror_z_m + 0.21,
                side=mirror,
                top=mirror,
                solid=len(boxes),
            )
        )
    for side_ in (1, -1):
        rear = wheel(vehicle.wheel_radius_m, vehicle.tyre_width_rear_m, rubber, rim)
        parts.append(rear.placed(0.0, side_ * vehicle.track_rear_m / 2, 0.0, vehicle.wheel_radius_m))
    front = wheel(vehicle.wheel_radius_m, vehicle.tyre_width_front_m, rubber, rim)
    dim, origin = dimness(vehicle)
    return VehicleModel(join(parts), front, vehicle, np.array(boxes), dim, origin, 0.1)


def dimness(
    vehicle: Vehicle | Trailer, step: float = 0.1, reach: float = 5.0
) -> tuple[np.ndarray, tuple[float, float]]:
    """Share of the sky seen from the ground round and under the vehicle, in its frame (rows along y).

    Beside a long wall of height h at distance d the sky's share is (1 + d / sqrt(d^2 + h^2)) / 2; under
    the body the light falls off with the distance from the edge.
    """
    x0, x1 = vehicle.x_rear_m - reach, vehicle.x_front_m + reach
    half = vehicle.width_m / 2 + reach
    x, y = np.arange(x0, x1, step)[None, :], np.arange(-half, half, step)[:, None]
    out = np.ones((y.shape[0], x.shape[1]))
    for s in vehicle.solids:
        a = np.maximum(s.x_min_m - x, x - s.x_max_m)
        b = np.abs(y) - s.width_m / 2
        d = np.hypot(np.maximum(a, 0), np.maximum(b, 0))
        inside = -np.minimum(np.maximum(a, b), 0)
        beside = (1 + d / np.hypot(d, 0.8 * s.z_max_m)) / 2
        under = 0.06 + 0.44 * np.exp(-inside / (0.35 + 0.6 * s.z_min_m))
        out = np.minimum(out, np.where(inside > 0, under, beside))
    fade = np.clip((np.minimum(np.minimum(x - x0, x1 - x), half - np.abs(y))) / 1.5, 0, 1)
    return (1 - (1 - out) * fade).astype(np.float64), (x0, -half)


def small_dimness(radius_m: float, depth: float, step: float = 0.05) -> tuple[np.ndarray, tuple[float, float]]:
    """A round soft spot under a person or a cone."""
    reach = 4 * radius_m
    a = np.arange(-reach, reach + step, step)
    d = np.hypot(a[None, :], a[:, None])
    return 1 - depth * np.exp(-0.5 * (d / radius_m) ** 2) * np.clip((reach - d) / radius_m, 0, 1), (-reach, -reach)


def bake_shadows(ground: Ground, meshes: list[Mesh], light: Light, spots: list[tuple[float, float, float]]) -> None:
    """Put the shadows and the soft contact darkness of things that never move into the ground's picture."""
    sub = 4
    for mesh in meshes:
        flat = light.shadow_of(mesh.corners_m)[..., :2]
        rows, cols, x, y = ground.window(flat[..., 0].min(), flat[..., 0].max(), flat[..., 1].min(), flat[..., 1].max())
        if x.size == 0 or y.size == 0:
            continue
        mask = np.zeros((y.size * sub, x.size * sub), np.uint8)
        # texel centre -> sub-sample coordinates: (i + 0.5) * sub - 0.5; fillConvexPoly takes 1/16 fixed point
        px = np.stack(
            [
                ((flat[..., 0] - x[0, 0]) / ground.mpp + 0.5) * sub - 0.5,
                ((y[0, 0] - flat[..., 1]) / ground.mpp + 0.5) * sub - 0.5,
            ],
            axis=-1,
        )
        for tri in (px * 16).round().astype(np.int32):
            cv2.fillConvexPoly(mask, tri, 1, cv2.LINE_8, 4)
        cover = mask.reshape(y.size, sub, x.size, sub).mean(axis=(1, 3), dtype=np.float32)
        cover = cv2.GaussianBlur(cover, (0, 0), 0.6)
        ground.sunlit[rows, cols] = np.minimum(ground.sunlit[rows, cols], 1 - cover)
    for px_m, py_m, radius in spots:
        rows, cols, x, y = ground.window(px_m - 4 * radius, px_m + 4 * radius, py_m - 4 * radius, py_m + 4 * radius)
        dim = 1 - 0.35 * np.exp(-0.5 * ((x - px_m) ** 2 + (y - py_m) ** 2) / radius**2)
        ground.albedo[rows, cols] *= dim[..., None].astype(np.float32)
