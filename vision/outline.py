"""Finding the vehicle in one picture, to a few decimetres: the solid that best covers what is new in the yard.

What differs from the empty yard is split in two: `changed` (any difference) and `solid-looking`
(a difference that a shadow cannot explain, since a shadow only darkens, all colours about alike; how deep and how
blue it comes out is the light's and the camera's: two readings are tried, and the outline's edges decide).
A pose is good when its silhouette is full of changed pixels and leaves few solid-looking ones
outside. Weak for a vehicle that looks like a shadow of the yard (dark grey on grey, no paint);
the fine fit (roof.py) then has to find its edges.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import minimize

from analysis.course import Course
from analysis.vehicle import Vehicle
from vision.camera import Camera
from vision.hinge import bent, middle_m, moved, ways_to_move, whole, with_middle
from vision.plate import Plate
from vision.sampling import ROUNDING
from vision.solid import Pose, fill, silhouettes_px

COARSE_M_PER_PX = 0.12
"""Working resolution of the search: a vehicle is then some 20 x 100 pixels, whatever the clip's size."""
ABOUT_LENGTHS = 0.75
"""What looks solid farther than this many vehicle lengths from a pose's middle is some other thing."""
WIDE_M, FINE_M = 1.0, 0.25
"""Steps of the search (turns as the swing of an end): at first as far as a start is off, then about two pixels."""
LEAST_FILLED, LEAST_EXPLAINED = 0.55, 0.5
"""More than half of the silhouette must be new, and of what looks solid about it more than half must lie in it
(other things may stand by)."""
SPECKS_M = 0.8
"""Specks of difference no further apart than this are one thing: less than the gap between a vehicle and a person."""
TURNS_RAD = 0.0, 0.3, -0.3
"""Headings tried against that of the rectangle about a blob: a shadow that belongs to it turns it by so much."""
JOINED_M, BLOB_SHARE = 0.35, 0.15
"""Parts of a blob no further apart than the first are one; it is something else if it covers less than the second of
what the vehicle does."""
MIDDLE_HEIGHT = 0.7
"""Share of the vehicle's height at which most of what is seen of it lies: its roof, and one wall."""
SETTLED_M, SETTLED_SHARE = 0.02, 1e-4
"""The search ends when its steps are shorter, and change the shares by less (a sixth of a working pixel)."""
TRIALS = 40  # at most, of each unknown (usual on a bundled clip: 24)
ABOUT_M = 1.0
"""So far about the vehicle is the ground that it is told from: past paint, its shadow's soft rim and its mirrors."""
LEAST_PIXELS, LEAST_KNOWN = 30, 100
"""Working pixels of a silhouette in the picture, and of known yard, below which nothing is told."""
FIRST_SWINGS_M = (1.5, -1.5)
"""How far to either side the towing vehicle's front is tried at first, against its trailer: from there a step of the
search reaches any bend that a reverse is driven with."""
MISPLACED = 0.25
"""Where the yard itself is uneven (paint, cones), half a pixel of misplacement makes a difference of this share of what
neighbouring pixels (3 x 3) span."""
CHANGED = 2.0, 5.0
"""A difference of less than the first times the ordinary one is none, of more than the second is certain."""
EDGE_M = 0.12
"""An edge counts this far to either side (one sd), so that a search is led onto it."""
EDGE_WEIGHT, EDGED = 3.0, 0.85
"""An outline on edges all along counts so much more than what it covers; less than the second is doubtful (rendered
clips: 0.85-0.95 in place, a black vehicle under an overcast sky 0.5-0.75; a metre beside 0.3-0.4, but 0.8 four metres
along, in the light of its headlamps)."""
BESIDE_ALONG_M, BESIDE_ACROSS_M, BESIDE_TURN_RAD = np.arange(-20, 21) * 0.25, np.arange(-2, 3) * 0.2, (-0.05, 0.0, 0.05)
"""How far beside such a pose it is sought: as far as headlamps or a soft shadow reach, in steps that an edge spans."""
BESIDE_TRIES = 3  # of those places a search is begun from
TINT = np.array([-1.0, 0.0, 1.0], np.float32)
"""How a shadow's tint goes with blue, green, red."""


@dataclass(frozen=True)
class Shadow:
    """What a shadow may look like: it keeps at least `least_left` of the ground's brightness, and of what it takes, the
    share of blue is less and that of red more by up to `bluer` (or the other way round, by up to `redder`)."""

    least_left: float
    bluer: float
    redder: float


USUAL_SHADOW, ANY_SHADOW = Shadow(0.25, 0.2, 0.0), Shadow(0.0, 0.3, 0.3)
"""Lit by the sky alone, from memory: 0.3-0.5 of the brightness in sun, and of 12,000-20,000 K against 5,500 K, which is
0.13-0.2 in shares of sRGB values. And what a camera of high contrast, with colours of its own, makes of it."""


@dataclass(frozen=True)
class Sighting:
    """A coarse pose with the share of the silhouette that is changed, of solid-looking pixels about it that it
    explains, and of its outline that lies on edges. A `ghost` is drawn in what is taken for the empty yard, not in the
    picture: the vehicle stood there so long that it was taken for the yard, and has left; `ghost_by`: one was seen
    while the vehicle was looked for."""

    pose: Pose
    filled: float
    explained: float
    edged: float
    ghost: bool
    ghost_by: bool = False

    @property
    def good(self) -> bool:
        return self.filled > LEAST_FILLED and self.explained > LEAST_EXPLAINED and not self.ghost

    @property
    def worth(self) -> float:
        return self.filled * self.explained


@dataclass(frozen=True)
class Difference:
    """`changed` and `solid` (h, w) float32 in 0..1, at `scale` of the full picture; `edges` likewise where the picture
    has an edge that the yard has not; at that scale the picture `seen` and the `empty` yard as bright, (h, w, 3)
    float32, where the latter is `known` (h, w) bool, and how far they differ anyway, `noise` (h, w)."""

    changed: np.ndarray
    solid: np.ndarray
    edges: np.ndarray
    scale: float
    seen: np.ndarray
    empty: np.ndarray
    known: np.ndarray
    noise: np.ndarray

    def solid_beyond(self, shadow: Shadow) -> np.ndarray:
        """`solid` for shadows that look otherwise than usual."""
        return _solid(self.seen, self.empty, self.known, self.noise, shadow)


def working_scale(camera: Camera) -> float:
    """The picture scale at which one pixel covers about COARSE_M_PER_PX of ground."""
    return min(1.0, camera.metres_per_pixel() / COARSE_M_PER_PX)


def difference(bgr: np.ndarray, camera: Camera, plate: Plate, yard_m: np.ndarray) -> Difference:
    """Compare a picture with the empty yard at working scale, inside the ground polygon yard_m (n, 2)."""
    scale = working_scale(camera)
    coarser = 1.0 if scale > 0.6 else 0.5
    empty, known = plate.seen_from(camera, coarser)
    if coarser < 1:  # halving first is quicker by far, and comes to the same
        bgr = cv2.resize(bgr, empty.shape[1::-1], interpolation=cv2.INTER_AREA)

    def resized(picture: np.ndarray, how: int) -> np.ndarray:
        return cv2.resize(picture, None, fx=scale / coarser, fy=scale / coarser, interpolation=how)
    small = resized(bgr, cv2.INTER_AREA).astype(np.float32)
    empty = resized(empty, cv2.INTER_AREA).astype(np.float32)
    known = resized(known.astype(np.uint8), cv2.INTER_NEAREST) > 0
    inside = np.zeros(known.shape, np.uint8)
    small_camera = Camera(camera.lens.scaled(scale), camera.rotation, camera.centre_m)
    cv2.fillPoly(inside, [np.round(small_camera.project_ground(yard_m)).astype(np.int32)], 1)
    known &= inside > 0
    if known.sum() < LEAST_KNOWN:
        nothing = np.zeros(known.shape, np.float32)
        return Difference(nothing, nothing, nothing, scale, small, empty, known & False, nothing)
    empty *= brightness_ratio(small, empty, known)
    apart = magnitude(small - empty)
    contrast = _spans(empty)
    usual = max(float(np.median(apart[known])), math.sqrt(3) * ROUNDING)
    noise = 1.4826 * usual + MISPLACED * contrast
    solid = _solid(small, empty, known, noise, USUAL_SHADOW)
    changed = np.maximum(beyond_noise(apart, noise) * known, solid)
    edges = np.clip((_spans(small) - contrast) / (CHANGED[1] * 1.4826 * usual), 0, 1) * known
    edges = cv2.GaussianBlur(edges.astype(np.float32), (0, 0), EDGE_M / COARSE_M_PER_PX)
    return Difference(changed.astype(np.float32), solid, edges, scale, small, empty, known, noise)


def beyond_noise(apart: np.ndarray, noise: np.ndarray) -> np.ndarray:
    """(h, w) in 0..1, how certain it is that a difference is one."""
    none, certain = CHANGED
    return np.clip((apart / noise - none) / (certain - none), 0, 1)


def _solid(seen: np.ndarray, empty: np.ndarray, known: np.ndarray, noise: np.ndarray, shadow: Shadow) -> np.ndarray:
    solid = beyond_noise(magnitude(without_shadow(seen, empty, shadow)), noise) * known
    # A roof of the ground's colour differs from it in specks only: what lies between many of them is one thing.
    joined = cv2.morphologyEx((solid > 0.05).astype(np.uint8), cv2.MORPH_CLOSE, _disc(SPECKS_M))
    return np.maximum(solid, cv2.morphologyEx(joined, cv2.MORPH_OPEN, _disc(SPECKS_M))).astype(np.float32)


def _spans(bgr: np.ndarray) -> np.ndarray:
    """(h, w) what each pixel's 3 x 3 neighbours span, over the three channels."""
    return magnitude(cv2.morphologyEx(bgr, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)))


def _disc(across_m: float) -> np.ndarray:
    size = 2 * round(across_m / 2 / COARSE_M_PER_PX) + 1
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))


def brightness_ratio(bgr: np.ndarray, empty: np.ndarray, known: np.ndarray) -> float:
    """How bright a picture is against the empty yard's (h, w, 3), over the pixels `known` (h, w) bool."""
    return float(np.median(_sum(bgr)[known] / np.maximum(_sum(empty)[known], 1)))


def without_shadow(bgr: np.ndarray, empty: np.ndarray, shadow: Shadow) -> np.ndarray:
    """What differs from the empty yard, (h, w, 3) signed, beyond what a shadow can do. Least squares, by pixel."""
    dimmed = empty - bgr
    tinted = empty * TINT
    both, tint = _sum(empty * tinted), _sum(tinted * tinted)
    whole, apart, apart_tint = _sum(empty * empty), _sum(dimmed * empty), _sum(dimmed * tinted)
    # Of the shares of both together only how they stand to each other is kept; without any dimming there is no tint.
    bluer = np.clip((whole * apart_tint - both * apart) / np.maximum(tint * apart - both * apart_tint, 1),
                    -shadow.redder, shadow.bluer)
    taken = empty + bluer[..., None] * tinted
    share = np.clip(_sum(dimmed * taken) / np.maximum(_sum(taken * taken), 1), 0.0, 1 - shadow.least_left)
    return bgr - empty + share[..., None] * taken


def _sum(bgr: np.ndarray) -> np.ndarray:
    """(h, w) of the three channels."""
    return cv2.transform(bgr, np.ones((1, 3)))


def magnitude(bgr: np.ndarray) -> np.ndarray:
    """(h, w) of each pixel's three channels as a vector."""
    return np.sqrt(_sum(bgr * bgr))


def yard_polygon_m(course: Course, vehicle: Vehicle) -> np.ndarray:
    """(n, 2) ground polygon in which the vehicle is looked for: the course and half a vehicle around it."""
    points = [[m.x_m, m.y_m] for m in course.marks] + [[x, y] for ln in course.lines
                                                     for x, y in ((ln.x0_m, ln.y0_m), (ln.x1_m, ln.y1_m))]
    (x0, y0), (x1, y1) = np.min(points, axis=0), np.max(points, axis=0)
    length = whole(vehicle).length_m
    along, across = length / 2, length / 3
    xs, n = np.linspace(x0 - along, x1 + along, 9), 9  # many points: a bent lens bends the long sides
    return np.concatenate([np.column_stack([xs, np.full(n, y0 - across)]),
                           np.column_stack([xs[::-1], np.full(n, y1 + across)])])


def find_vehicle(diff: Difference, camera: Camera, vehicle: Vehicle, near: Pose | None = None) -> Sighting | None:
    """The best coarse pose, or None when nothing of the vehicle's size is new. Heading is taken within 90° of
    `near`'s, or of the course's x axis: the exercise is driven facing the forward pair."""
    small = Camera(camera.lens.scaled(diff.scale), camera.rotation, camera.centre_m)
    ghost_by = False
    settled: list[tuple[Difference, Sighting]] = []
    for shadow in (USUAL_SHADOW, ANY_SHADOW):
        reading = diff if shadow is USUAL_SHADOW else replace(diff, solid=diff.solid_beyond(shadow))
        best, ghost = _best_covering(reading, small, vehicle, near)
        ghost_by |= ghost
        if best is None:
            continue
        pose = _improve(reading, small, vehicle, best.pose, FINE_M, EDGE_WEIGHT)
        settled.append((reading, _judged(reading, small, vehicle, pose)))
        if settled[-1][1].edged >= EDGED:
            break
    if not settled:
        return None
    reading, sighting = max(settled, key=lambda s: (s[1].good, s[1].edged))
    if sighting.edged < EDGED:
        sighting = _judged(reading, small, vehicle, _sought_beside(reading, small, vehicle, sighting.pose))
    return replace(sighting, ghost_by=ghost_by)


def _best_covering(diff: Difference, camera: Camera, vehicle: Vehicle,
                   near: Pose | None) -> tuple[Sighting | None, bool]:
    """The pose that covers best what is new, and whether a ghost was met on the way."""
    best: Sighting | None = None
    ghost_by = False
    # Of a vehicle that looks like a shadow hardly anything looks solid, but much has changed.
    for layer in (diff.solid, diff.changed):
        for start in [near] if near is not None else blob_starts(layer, camera, vehicle):
            sighting = _judged(diff, camera, vehicle, _improve(diff, camera, vehicle, start, WIDE_M))
            if near is None and math.cos(sighting.pose.heading_rad) < 0:
                continue  # from both ends a box looks alike
            ghost_by |= sighting.ghost
            if best is None or (not sighting.ghost, sighting.worth) > (not best.ghost, best.worth):
                best = sighting
        if near is not None or (best is not None and best.good):
            break
    return best, ghost_by


def _sought_beside(diff: Difference, camera: Camera, vehicle: Vehicle, pose: Pose) -> Pose:
    """The pose, or one beside it, whose outline lies best on edges, where that of `pose` hardly does: a dark vehicle
    and its soft shadow change alike, the ground in its headlamps looks as solid as it does."""
    about = _About.of(diff, camera, vehicle, pose)

    def score(p: Pose) -> float:
        return about.worth(silhouettes_px(vehicle, p, camera), EDGE_WEIGHT)

    middle = whole(vehicle).middle_x_m
    beside = [pose.shifted(along + middle * (1 - math.cos(turn)), across - middle * math.sin(turn), turn)
              for along, across, turn in itertools.product(BESIDE_ALONG_M, BESIDE_ACROSS_M, BESIDE_TURN_RAD)]
    best = sorted(beside, key=score)[-BESIDE_TRIES:]
    return max([pose, *(_improve(diff, camera, vehicle, p, FINE_M, EDGE_WEIGHT) for p in best)], key=score)


def blob_starts(layer: np.ndarray, camera: Camera, vehicle: Vehicle) -> list[Pose]:
    """Start poses from connected regions of a layer's pixels of about the right size."""
    starts: list[Pose] = []
    expected = whole(vehicle).length_m * vehicle.width_m / COARSE_M_PER_PX**2
    mask = (layer > 0.5).astype(np.uint8)
    closing = 2 * round(JOINED_M / COARSE_M_PER_PX) + 1
    closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((closing, closing), np.uint8))
    opened = cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(opened)
    for i in np.argsort(-stats[1:, cv2.CC_STAT_AREA])[:3] + 1:  # the first is what is not in the mask
        if stats[i, cv2.CC_STAT_AREA] < BLOB_SHARE * expected:
            continue
        v, u = np.nonzero(labels == i)
        ground = camera.to_ground(np.column_stack([u, v]).astype(float), vehicle.height_m * MIDDLE_HEIGHT)
        ground = ground[np.isfinite(ground).all(axis=1)]
        if len(ground) < 10:
            continue
        (cx, cy), (a, b), angle = cv2.minAreaRect(ground.astype(np.float32))
        heading = math.radians(angle if a >= b else angle + 90)
        heading = math.atan(math.tan(heading))  # facing +x
        for turn in TURNS_RAD:
            starts.append(with_middle(vehicle, np.array([cx, cy]), heading + turn))
        if vehicle.trailer is not None:
            straight = starts[-len(TURNS_RAD)]
            starts += [bent(vehicle, straight, np.array([0.0, 0.0, 0.0, swing])) for swing in FIRST_SWINGS_M]
    return starts


@dataclass(frozen=True)
class _About:
    """The part of a difference about a pose in which all trials are made: its first column and row, `changed`, `edges`,
    and `solid` where it is not some other thing, with the sum of that."""

    left_top: np.ndarray
    changed: np.ndarray
    solid: np.ndarray
    edges: np.ndarray
    total_solid: float

    @classmethod
    def of(cls, diff: Difference, camera: Camera, vehicle: Vehicle, pose: Pose) -> _About:
        middle_px = camera.project_ground(middle_m(vehicle, pose)[None], vehicle.height_m / 2)[0]
        reach_px = ABOUT_LENGTHS * whole(vehicle).length_m / COARSE_M_PER_PX
        size = np.array(diff.changed.shape[::-1])
        left, top = np.clip(middle_px - reach_px, 0, size - 1).astype(int)
        right, low = np.clip(middle_px + reach_px, [left + 1, top + 1], size).astype(int)
        v, u = np.ogrid[top:low, left:right]
        solid = diff.solid[top:low, left:right] * (np.hypot(u - middle_px[0], v - middle_px[1]) < reach_px)
        part = slice(top, low), slice(left, right)
        return cls(np.array([left, top]), diff.changed[part], solid, diff.edges[part], float(solid.sum()) + 1e-6)

    def edged(self, outlines: list[np.ndarray]) -> float:
        """How much of the outlines (n, 2) px each lies on edges."""
        return cv2.mean(self.edges, drawn([o - self.left_top for o in outlines], self.edges.shape))[0]

    def shares(self, outlines: list[np.ndarray]) -> tuple[float, float]:
        """How much of the outlines is changed, and how much of what looks solid lies within them."""
        mask = fill([o - self.left_top for o in outlines], self.changed.shape)
        area = cv2.countNonZero(mask)
        if area < LEAST_PIXELS:
            return 0.0, 0.0
        return cv2.mean(self.changed, mask)[0], cv2.mean(self.solid, mask)[0] * area / self.total_solid

    def worth(self, outlines: list[np.ndarray], edge_weight: float) -> float:
        """What a search makes as large as it can."""
        edged = edge_weight * self.edged(outlines) if edge_weight else 0.0
        return sum(self.shares(outlines)) + edged


def drawn(outlines: list[np.ndarray], shape: tuple[int, ...]) -> np.ndarray:
    """uint8 mask (h, w) of the lines themselves."""
    mask = np.zeros(shape[:2], np.uint8)
    for o in outlines:
        cv2.polylines(mask, [np.round(o).astype(np.int32)], True, 1)
    return mask


def _judged(diff: Difference, camera: Camera, vehicle: Vehicle, pose: Pose) -> Sighting:
    outlines = silhouettes_px(vehicle, pose, camera)
    about = _About.of(diff, camera, vehicle, pose)
    filled, explained = about.shares(outlines)
    return Sighting(pose, filled, explained, about.edged(outlines), is_ghost(diff, outlines))


def _improve(diff: Difference, camera: Camera, vehicle: Vehicle, start: Pose, step_m: float,
             edge_weight: float = 0.0) -> Pose:
    """The best pose about `start`, by steps that begin with step_m (turns as the swing of an end)."""
    about = _About.of(diff, camera, vehicle, start)  # some hundred trials are made

    def cost(p: np.ndarray) -> float:
        return -about.worth(silhouettes_px(vehicle, moved(vehicle, start, p), camera), edge_weight)

    unknown = ways_to_move(vehicle)
    simplex = step_m * np.vstack([np.zeros(unknown), np.eye(unknown)])
    return moved(vehicle, start, minimize(cost, np.zeros(unknown), method="Nelder-Mead", options={
        "initial_simplex": simplex, "xatol": SETTLED_M, "fatol": SETTLED_SHARE, "maxfev": TRIALS * unknown}).x)


def is_ghost(diff: Difference, outlines: list[np.ndarray]) -> bool:
    """Whether what has been made out between a picture and the empty yard is drawn in the latter: what lies within the
    outlines differs there more from what lies about them, and there is more of an edge along them. (Of a
    vehicle that stands on paint the second alone would be said, of one of the ground's colour the first.)"""
    reach = _disc(2 * ABOUT_M)
    px = np.concatenate(outlines)
    size = np.array(diff.seen.shape[1::-1])
    left, top = np.clip(np.floor(px.min(axis=0)) - len(reach), 0, size - 1).astype(int)
    right, low = np.clip(np.ceil(px.max(axis=0)) + len(reach), [left + 1, top + 1], size).astype(int)
    part = slice(top, low), slice(left, right)
    outlines = [o - [left, top] for o in outlines]
    inside = fill(outlines, (low - top, right - left))
    about = cv2.dilate(inside, reach) - inside
    edge = drawn(outlines, inside.shape)
    if min(cv2.countNonZero(m) for m in (inside, about, edge)) < LEAST_PIXELS:
        return False

    def stands_out(bgr: np.ndarray) -> tuple[float, float]:
        apart = np.median(bgr[inside > 0], axis=0) - np.median(bgr[about > 0], axis=0)
        return float(np.linalg.norm(apart)), cv2.mean(_spans(bgr), edge)[0]

    return all(s < e for s, e in zip(stands_out(diff.seen[part]), stands_out(diff.empty[part]), strict=True))
