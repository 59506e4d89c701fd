"""Cones and long painted lines in one overhead picture, before anything is known about the camera.

Everything is relative: colours to the ground around them, strengths to the ground's own grain, sizes to the
picture (the course fills a good part of it). What is found here are candidates; `survey` decides which are real.

Weak when cones are not red or orange, when a cone's base is under 3 px, or when paint hardly differs from the ground.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numba
import numpy as np
from scipy.optimize import minimize_scalar

CONE_HUE_RAD = math.radians(40.0)  # Lab hue of signal red-orange; half-width 45° excludes yellow paint (~85°)
GRAIN_FACTOR = 6.0  # a candidate must stand out of the ground's grain by this many standard deviations
WORKING_SIZE = 1280  # long lines are found in a picture reduced to this longer side (paint is then about 2 px wide)
MOST_POINTS = 12000  # keeps a grassy picture from costing time; two lines are a few thousand points
STRIPES_APART, STRIPES_ALIKE, STRIPES_EVEN = (1.3, 4.0), 1.35, 0.25
"""Three signal-coloured spots in a row are a striped barrier's if they are so many of their sizes apart (a stripe and
its gap; cones in a row stand ten and more apart), their sizes differ by no more than this factor, and the third lies
where the first two point to, within this share of the way (our own estimates)."""
RIDGE_FACTOR = 3.5  # the same for a single point of a painted line (many such points make a line)


@dataclass(frozen=True)
class ConeSpot:
    """A compact signal-coloured blob (px). (u, v) is the blob's middle; a tall cone's leans away from the nadir."""

    u_px: float
    v_px: float
    sd_px: float
    size_px: float
    score: float


@dataclass(frozen=True)
class LineSpot:
    """A long painted line. `points_px` (n, 2) lie on its middle, ordered along it, curved as the lens bends them;
    `straight` is (a, b, c) with a u' + b v' + c = 0, a² + b² = 1, in pixels freed from `bend` (see `unbend`)."""

    points_px: np.ndarray
    straight: tuple[float, float, float]
    length_px: float
    filled: float
    strength: float

    @property
    def score(self) -> float:
        return self.length_px * self.filled


@dataclass(frozen=True)
class GroundLook:
    """A picture bgr (h, w, 3) and its `colour` (h, w, 2) float32: a and b of Lab, less the ground's own there.

    No more of it is kept in floating point: whole pictures in that are what the most memory goes to."""

    bgr: np.ndarray
    colour: np.ndarray

    def linear_at(self, px: np.ndarray) -> np.ndarray:
        """(n, m, 3) float32, 0..100: linear light at pixels (n, m, 2) float32 inside the picture. Blur mixes light, not
        its gamma-coded values, so the middle of a blurred edge is to be sought there."""
        return np.concatenate([self._linear_about(rows) for rows in np.array_split(px, -(-len(px) // ROWS_AT_ONCE))])

    def _linear_about(self, px: np.ndarray) -> np.ndarray:
        left, top = np.maximum(np.floor(px.min(axis=(0, 1))).astype(int) - 1, 0)
        right, low = np.ceil(px.max(axis=(0, 1))).astype(int) + 2
        part = cv2.LUT(self.bgr[top:low, left:right], LINEAR_LIGHT)
        return cv2.remap(part, px[..., 0] - np.float32(left), px[..., 1] - np.float32(top), cv2.INTER_LINEAR)


ROWS_AT_ONCE = 16  # profiles across a line: no more of the picture than about them is decoded at once
CODES = np.arange(256) / 255  # all 8-bit grey levels; the numbers below are those of IEC 61966-2-1 (sRGB)
# sRGB decoding, IEC 61966-2-1; video's BT.709 curve is close enough to it
LINEAR_LIGHT = (100 * np.where(CODES <= 0.04045, CODES / 12.92, ((CODES + 0.055) / 1.055) ** 2.4)).astype(np.float32)


def look_at_ground(bgr: np.ndarray) -> GroundLook:
    """The picture's colour less that of the ground."""
    return GroundLook(bgr, cv2.merge(_less_ground(bgr, (1, 2))))


def _less_ground(bgr: np.ndarray, channels: Sequence[int]) -> list[np.ndarray]:
    """Channels of Lab (h, w) float32, L 0..100, less the slowly varying ground's: the local median over about a
    sixteenth of the picture."""
    h, w = bgr.shape[:2]
    lab = bgr.astype(np.float32)
    lab /= 255  # in place, as below
    cv2.cvtColor(lab, cv2.COLOR_BGR2LAB, dst=lab)
    step, window = _ground_step(h, w)
    small = cv2.resize(lab, (max(1, w // step), max(1, h // step)), interpolation=cv2.INTER_AREA)
    planes = [cv2.extractChannel(lab, c) for c in channels]
    del lab
    for c, plane in zip(channels, planes, strict=True):
        scale, zero = (2.55, 0) if c == 0 else (1.0, 128)  # as 8 bits
        ground = (_median8(small[..., c] * np.float32(scale) + zero, window) - zero) / np.float32(scale)
        soft = cv2.GaussianBlur(ground, (0, 0), window / 6)
        cv2.subtract(plane, cv2.resize(soft, (w, h), interpolation=cv2.INTER_LINEAR), dst=plane)
    return planes


def _ground_step(h: int, w: int) -> tuple[int, int]:
    """Reduction of the picture for the ground's own colour, and the odd window of its median in the reduced one."""
    step = max(1, max(h, w) // 320)
    return step, 2 * (max(h, w) // step // 32) + 1


def _grain(planes: Sequence[np.ndarray]) -> np.ndarray:
    """(h, w) one sd of the ground's texture and noise, of several channels together: local median of the mean absolute
    offset."""
    h, w = planes[0].shape
    step, window = _ground_step(h, w)
    small = []
    for plane in planes:
        spread = cv2.resize(np.abs(plane), (max(1, w // step), max(1, h // step)), interpolation=cv2.INTER_AREA)
        small.append(np.maximum(_median8(spread * 8, window) / 8 * 1.25, 0.4))
    return cv2.resize(np.linalg.norm(small, axis=0), (w, h), interpolation=cv2.INTER_LINEAR)


def _median8(channel: np.ndarray, window: int) -> np.ndarray:
    return cv2.medianBlur(np.clip(channel, 0, 255).astype(np.uint8), window).astype(np.float32)


def signal_colour(colour: np.ndarray) -> np.ndarray:
    """How much redder-and-oranger than the ground (h, w), in Lab units, 0 and up: chroma along the hue less that across
    it. colour (h, w, 2): a and b less the ground's."""
    c, s = math.cos(CONE_HUE_RAD), math.sin(CONE_HUE_RAD)
    turned = cv2.transform(colour, np.array([[c, s], [-s, c]]))
    red = np.abs(turned[..., 1])
    np.subtract(turned[..., 0], red, out=red)
    return np.maximum(red, 0, out=red)


def find_cones(bgr: np.ndarray, *, base_px: tuple[float, float] | None = None, exclude: np.ndarray | None = None,
               look: GroundLook | None = None, limit: int = 60) -> list[ConeSpot]:
    """Candidate cones, best first. `base_px` is the range the base's width may have in this picture (default: the
    picture's longer side shows between 30 m and 140 m); `exclude` is a mask (non-zero: do not look there)."""
    look = look or look_at_ground(bgr)
    long_side = max(bgr.shape[:2])
    low, high = base_px or (0.36 * long_side / 140, 0.36 * long_side / 30)
    # noise is averaged over a third of the smallest base before anything is called red
    soft = cv2.GaussianBlur(look.colour, (0, 0), max(0.5, low / 3))
    red, grain = signal_colour(soft), _grain(cv2.split(soft))
    if exclude is not None:
        red[exclude > 0] = 0
    longest = 3.2 * high  # a 0.75 m cone with a 0.36 m base seen 40° off the nadir is 3 bases long
    seeds = red > GRAIN_FACTOR * grain
    bright = float(np.percentile(red[seeds], 95)) if seeds.any() else 0.0
    spots: list[ConeSpot] = []
    # a cone touching something larger and red (a barrier) comes apart from it at a higher level
    for level in (0.0, 0.3 * bright, 0.55 * bright):
        _, label, stats, _ = cv2.connectedComponentsWithStats((seeds & (red > level)).astype(np.uint8), connectivity=8)
        for i, (x, y, w, h, area) in enumerate(stats[1:], 1):
            if area < 0.3 * low * low or max(w, h) > 2 * longest:
                continue
            part = np.where(label[y:y + h, x:x + w] == i, red[y:y + h, x:x + w], 0)
            for spot in _blobs(part, x, y, low, longest):
                if all(math.hypot(spot.u_px - s.u_px, spot.v_px - s.v_px) > low for s in spots):
                    spots.append(spot)
    spots.sort(key=lambda s: -s.score)
    return spots[:limit]


def _blobs(part: np.ndarray, x: int, y: int, low: float, longest: float) -> list[ConeSpot]:
    """Spots in one red patch with its corner at (x, y): its core (over 0.4 of its peak), and where the core is in
    pieces also each piece, for a cone may touch its neighbour; none that is not as compact as a cone."""
    top = max(1, part.size // 20)
    peak = float(np.partition(part.ravel(), -top)[-top:].mean())
    core = (part > 0.4 * peak).astype(np.uint8)
    count, label = cv2.connectedComponents(core, connectivity=4)
    pieces = [core > 0] + ([label == k for k in range(1, count)] if count > 2 else [])
    v, u = np.mgrid[y:y + part.shape[0], x:x + part.shape[1]]
    spots = []
    for piece in pieces:
        area = int(piece.sum())
        columns, rows = np.flatnonzero(piece.any(0)), np.flatnonzero(piece.any(1))
        size = max(np.ptp(columns), np.ptp(rows)) + 1 if area else 0
        if size > longest or area < max(0.3 * low * low, 0.15 * size * size):
            continue
        weight = part * piece
        total, side = weight.sum(), math.sqrt(area)
        spots.append(ConeSpot(float((u * weight).sum() / total), float((v * weight).sum() / total),
                              0.1 + 0.15 * side, side, float(part[piece].max())))
    return spots


def without_stripes(spots: Sequence[ConeSpot]) -> list[ConeSpot]:
    """The spots that are no stripes of a barrier: three or more alike, close together and evenly in a row."""
    at = np.array([(s.u_px, s.v_px) for s in spots]).reshape(-1, 2)
    size = np.array([s.size_px for s in spots])
    stripes: set[int] = set()
    for j in range(len(spots)):
        way = at - at[j]
        apart = np.hypot(*way.T) / size[j]
        alike = np.maximum(size / size[j], size[j] / size) < STRIPES_ALIKE
        near = np.flatnonzero(alike & (apart > STRIPES_APART[0]) & (apart < STRIPES_APART[1]))
        for i, k in itertools.combinations(near, 2):
            if np.hypot(*(way[i] + way[k])) < STRIPES_EVEN * min(apart[i], apart[k]) * size[j]:
                stripes |= {int(i), j, int(k)}
    return [s for i, s in enumerate(spots) if i not in stripes]


def unbend(px: np.ndarray, bend: float, size: tuple[int, int]) -> np.ndarray:
    """Pixels freed from radial distortion: r_seen = r (1 + bend (r / r0)²), r0 half the longer side, about the middle.

    `bend` is k1 (r0 / f)² of the Brown model: what a picture tells of k1 before f is known."""
    middle = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    seen = (np.asarray(px, float) - middle) / (max(size) / 2)
    free = seen.copy()
    for _ in range(8):
        free = seen / (1 + bend * np.sum(free * free, -1, keepdims=True))
    return free * (max(size) / 2) + middle


def find_lines(bgr: np.ndarray, *, exclude: np.ndarray | None = None, bend: float | None = None,
               limit: int = 16) -> tuple[list[LineSpot], float]:
    """Long painted lines, best first, and the lens's bend (see `unbend`) under which they are straightest.

    Ridge points (brighter or more coloured than both sides) vote for straight lines after undoing each of a range of
    bends; the bend that gathers the votes into the sharpest peaks wins. Give `bend` when the lens is known."""
    size = (bgr.shape[1], bgr.shape[0])
    factor = max(size) / WORKING_SIZE
    if factor > 1.1:
        small = cv2.resize(bgr, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
        if exclude is not None:
            exclude = cv2.resize(exclude, small.shape[1::-1], interpolation=cv2.INTER_NEAREST)
        lines, bend = find_lines(small, exclude=exclude, bend=bend, limit=limit)
        return [_enlarged(line, factor) for line in lines], bend
    points, direction, strength = ridge_points(bgr, exclude)
    if len(points) < 20:
        return [], bend or 0.0
    if bend is not None:
        return _gather(points, *_straighten(points, direction, bend, size), strength, size, limit), bend
    sharpness = {k: _votes(*_straighten(points, direction, k, size), strength, size).sharpness() for k in BENDS}
    bend = max(sharpness, key=lambda k: sharpness[k])
    for _ in range(4):  # with a loose hold on the lines, for they are bent until the bend is known
        lines = _gather(points, *_straighten(points, direction, bend, size), strength, size, 4, looseness=2.5)
        before, bend = bend, _straightest_bend(lines, bend, size)
        if abs(bend - before) < 1e-3:
            break
    return _gather(points, *_straighten(points, direction, bend, size), strength, size, limit), bend


def _enlarged(line: LineSpot, factor: float) -> LineSpot:
    """A line found in a reduced picture, in pixels of the full one (pixel centres at whole numbers)."""
    a, b, c = line.straight
    return LineSpot((line.points_px + 0.5) * factor - 0.5, (a, b, c * factor + (a + b) * (1 - factor) / 2),
                    line.length_px * factor, line.filled, line.strength)


BENDS = tuple(round(-0.20 + 0.02 * i, 2) for i in range(14))  # barrel (negative) of a wide lens to mild pincushion


def _straightest_bend(lines: list[LineSpot], start: float, size: tuple[int, int]) -> float:
    """Refine the bend: least absolute distance of the long lines' points from straight, near `start`."""
    long = [ln.points_px for ln in lines if ln.length_px > max(size) / 6 and ln.filled > 0.5][:6]
    if not long:
        return start

    def crookedness(bend: float) -> float:
        total = 0.0
        for p in long:
            free = unbend(p, bend, size)
            n, c = _fit_straight(free, np.ones(len(free)))
            total += float(np.minimum(np.abs(free @ n + c), max(size) / 250).sum())
        return total

    return float(minimize_scalar(crookedness, bounds=(start - 0.03, start + 0.03), method="bounded",
                                 options={"xatol": 5e-4}).x)


def ridge_points(bgr: np.ndarray, exclude: np.ndarray | None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Points (n, 2) on thin ridges of paint, their direction (rad, along the ridge) and strength in grain sds."""
    h, w = bgr.shape[:2]
    best = np.zeros((h, w), np.float32)
    across = np.zeros((h, w), np.float32)
    width0 = max(1.0, max(h, w) / 1280)
    paint = [plane / _grain([plane]) for plane in _less_ground(bgr, (0, 2))]  # white, and yellow
    for sigma in (width0, 2 * width0):
        for channel in paint:
            # the cap keeps one glaring patch (a white roof) from ringing far beyond itself
            smooth = cv2.GaussianBlur(np.clip(channel, -30, 30), (0, 0), sigma)
            xx = cv2.Sobel(smooth, cv2.CV_32F, 2, 0, ksize=3) / 4
            yy = cv2.Sobel(smooth, cv2.CV_32F, 0, 2, ksize=3) / 4
            xy = cv2.Sobel(smooth, cv2.CV_32F, 1, 1, ksize=3) / 4
            root = np.sqrt(((xx - yy) / 2) ** 2 + xy ** 2)
            low, high = (xx + yy) / 2 - root, (xx + yy) / 2 + root
            ridge = (-low - 1.5 * np.abs(high)) * sigma ** 2 * 1.6
            take = ridge > best
            best = np.where(take, ridge, best)
            across = np.where(take, 0.5 * np.arctan2(2 * xy, xx - yy) + np.pi / 2, across)
    if exclude is not None:
        best[exclude > 0] = 0
    step_u, step_v = np.cos(across), np.sin(across)
    v, u = np.nonzero(best > RIDGE_FACTOR)
    inside = (u > 1) & (v > 1) & (u < w - 2) & (v < h - 2)
    u, v = u[inside], v[inside]
    du, dv = step_u[v, u], step_v[v, u]
    here = best[v, u]
    ahead, behind = sample(best, u + du, v + dv), sample(best, u - du, v - dv)
    crest = (here >= ahead) & (here >= behind)
    u, v, du, dv, here, ahead, behind = (x[crest] for x in (u, v, du, dv, here, ahead, behind))
    shift = 0.5 * (ahead - behind) / np.maximum(2 * here - ahead - behind, 1e-6)
    points = np.column_stack([u + np.clip(shift, -0.6, 0.6) * du, v + np.clip(shift, -0.6, 0.6) * dv])
    if len(points) > MOST_POINTS:
        strongest = np.argpartition(-here, MOST_POINTS)[:MOST_POINTS]
        points, du, dv, here = points[strongest], du[strongest], dv[strongest], here[strongest]
    return points, np.arctan2(du, -dv), here


def sample(image: np.ndarray, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Bilinear values (n,) of a single-channel picture at pixels, in rows short enough for OpenCV."""
    rows, width = max(1, -(-len(u) // 4096)), 4096
    at = np.zeros((2, rows * width), np.float32)
    at[0, :len(u)], at[1, :len(u)] = u, v
    return cv2.remap(image, at[0].reshape(rows, width), at[1].reshape(rows, width), cv2.INTER_LINEAR).ravel()[:len(u)]


def _straighten(points: np.ndarray, direction: np.ndarray, bend: float,
                size: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    free = unbend(points, bend, size)
    ahead = unbend(points + np.column_stack([np.cos(direction), np.sin(direction)]), bend, size) - free
    return free, np.arctan2(ahead[:, 1], ahead[:, 0])


TURN_RAD = math.radians(0.25)
"""Step of the vote's directions."""


@dataclass(frozen=True)
class _Vote:
    """Votes (720, n) over a line's normal angle, in steps of TURN_RAD, and its offset from the picture's middle, in
    steps of cell_px from -reach_px."""

    table: np.ndarray
    cell_px: float
    reach_px: float

    def sharpness(self) -> float:
        """How much the forty strongest cells hold (sum of squares)."""
        least = np.partition(self.table.max(axis=1), -40)[-40]  # no cell below it is one of them
        return float((np.sort(self.table[self.table >= least])[-40:] ** 2).sum())

    def strongest(self) -> tuple[float, float]:
        """Normal angle (rad) and offset (px) of the line with most votes."""
        i, j = divmod(int(np.argmax(self.table)), self.table.shape[1])
        return i * TURN_RAD, (j + 0.5) * self.cell_px - self.reach_px


def _votes(free: np.ndarray, angle: np.ndarray, strength: np.ndarray, size: tuple[int, int]) -> _Vote:
    """Each point votes for the lines through it that run within 2.5° of its own direction."""
    cell, reach = max(size) / 480, math.hypot(*size) / 2 * 1.3
    turns = round(math.pi / TURN_RAD)
    table = np.zeros((turns, int(2 * reach / cell) + 1))
    a = np.arange(turns) * TURN_RAD
    _cast(free - [(size[0] - 1) / 2, (size[1] - 1) / 2], np.round((angle + np.pi / 2) / TURN_RAD).astype(int),
          np.minimum(strength / RIDGE_FACTOR, 4).astype(float), np.cos(a), np.sin(a), reach, cell, table)
    return _Vote(table, cell, reach)


@numba.njit(cache=True, nogil=True)
def _cast(at, normal, weight, cos, sin, reach, cell, table):  # pragma: no cover (compiled)
    turns, bins = table.shape
    for i in range(len(at)):
        for t in range(normal[i] - 10, normal[i] + 11):
            k = t % turns
            j = int((at[i, 0] * cos[k] + at[i, 1] * sin[k] + reach) / cell)
            table[k, min(max(j, 0), bins - 1)] += weight[i]


def _gather(points: np.ndarray, free: np.ndarray, angle: np.ndarray, strength: np.ndarray, size: tuple[int, int],
            limit: int, looseness: float = 1.0) -> list[LineSpot]:
    """Take out the strongest line, again and again."""
    middle = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    tolerance = looseness * max(size) / 500
    alive = np.ones(len(points), bool)
    lines: list[LineSpot] = []
    for _ in range(3 * limit):
        if alive.sum() < 20 or len(lines) >= limit:
            break
        index = np.flatnonzero(alive)
        normal, offset = _votes(free[index], angle[index], strength[index], size).strongest()
        n = np.array([math.cos(normal), math.sin(normal)])
        c = -(offset + n @ middle)
        member = index[np.abs(free[index] @ n + c) < 2 * tolerance]
        for _ in range(4):
            if len(member) < 8:
                break
            n, c = _fit_straight(free[member], strength[member])
            aligned = np.abs(np.cos(angle - math.atan2(n[1], n[0]))) < 0.35
            member = np.flatnonzero(alive & aligned & (np.abs(free @ n + c) < tolerance))
        if len(member) < 8:
            alive[index[np.abs(free[index] @ n + c) < tolerance]] = False
            continue
        alive[member] = False
        run = _longest_run(free[member] @ np.array([-n[1], n[0]]), size)
        kept = member[run]
        along = free[kept] @ np.array([-n[1], n[0]])
        length = float(np.ptp(along)) if len(kept) else 0.0
        if length < max(size) / 16:
            continue
        cell = max(size) / 160
        filled = len(np.unique((along / cell).astype(int))) / (length / cell + 1)
        kept = kept[np.argsort(along)]
        lines.append(LineSpot(points[kept], (float(n[0]), float(n[1]), float(c)), length, min(1.0, filled),
                              float(np.median(strength[kept]))))
    return sorted(lines, key=lambda s: -s.score)


def _fit_straight(p: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, float]:
    w = np.minimum(weight / RIDGE_FACTOR, 4)
    mean = (p * w[:, None]).sum(0) / w.sum()
    _, _, vt = np.linalg.svd((p - mean) * np.sqrt(w)[:, None], full_matrices=False)
    return vt[1], float(-vt[1] @ mean)


def _longest_run(along: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """Indices of the longest stretch without a gap over a twelfth of the picture (a vehicle's length may hide more,
    but then either part will do)."""
    order = np.argsort(along)
    s = along[order]
    breaks = np.flatnonzero(np.diff(s) > max(size) / 12)
    starts, ends = np.r_[0, breaks + 1], np.r_[breaks, len(s) - 1]
    best = int(np.argmax((s[ends] - s[starts]) * np.minimum(1, (ends - starts) / 8)))
    return order[starts[best]:ends[best] + 1]
