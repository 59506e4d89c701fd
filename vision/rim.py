"""The roof's rim: where the body lies in the roof picture, from what is roof and what is ground beyond it.

The entered outline is searched for as a whole, then each side is measured to sub-pixel in the single pictures. This
fixes the body's place once for the whole clip, the rounding of the roof's edge, and how large the roof looks, which
tells the camera's height. Weak for a roof that looks like the ground, or with a stripe right along its edge.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numba
import numpy as np

from analysis.vehicle import Solid
from vision.ground import tukey_weight
from vision.laid_out import Layout

RIM_DOUBT_M = 0.12
"""Standard deviation of the coarse poses' common error (measured: 2-8 cm after averaging)."""
CLEAN_EDGE_PX, BLURRED_EDGE_PX = 0.15, 1.5
"""Standard deviation of an edge's place: against evenly lit ground, and against the vehicle's own wall or where a
shadow's edge lies by it (from memory: 0.1-0.3 px for an edge in real video; the second is our own estimate)."""
TURN_DOUBT_RAD = RIM_DOUBT_M / 8
"""The same of their heading: the swing of an end over about a vehicle's length."""
SEARCH = ((0.35, 0.025, 2.0, 9), (0.09, 0.006, 0.33, 5), (0.03, 0.002, 0.125, 5))
"""Rounds of the search for the rim as a whole: how far either way along and across (m), in heading (rad), in size
(times the doubt about it), and in how many steps; the first reaches three doubts, each next about a step of the last.
"""
SIZE_STEPS = 5  # of each round in size: the weakest of the four
SIDE_WORTH, NO_EDGE = 4.0, 1e-3
"""Weight of the log of the share of a side that lies on an edge, and a share that is as good as none (our own choice).
"""
CORNER_M, EVERY_M = 0.15, 0.1
"""What is left out of a side at its rounded corners beyond their radius, and how far its points are apart."""
PLACE_SD_M, TURN_SD_RAD = 0.3, 0.05
"""What the rim's place is off at most before it is measured: weak, so that the measurement decides."""
USUAL_RADIUS_M, RADIUS_SD_M = 0.05, 0.15
"""Rounding of a roof's edge: what the fit starts from, and what it may be off by (our own estimate)."""
REACH_M, WINDOWS_M = 0.2, (0.10, 0.06, 0.05)
"""How far either way of the expected place a side is looked at, and the widths (sd) within which its edge is looked
for, one round after another."""
AWAY, FACING = 0.05, -0.02
"""Tangent of the viewing angle from which a side is surely turned away from the camera: beyond it lies ground, not its
own wall; and below which it surely faces the camera."""
SHARED_COUNTS = 1.0  # what is usual for an edge counts like so many stretches: two or three clear ones decide
STRETCHES = 4  # that a long side is measured in, so that its heading is seen
LEAST_SEEN = 8  # measured edges: one more than there are unknowns
BELIEVED_SIZE_SD_M = 0.03
"""How far the seen length and width may each differ from the entered ones at one common scale."""
SOLID_CONTRAST = 4.0
"""What differs from the empty yard this many times as much as the ground beside the vehicle is the vehicle."""
LEAST_STEP = 1.0
"""A step of colour lower than this many times what the ground usually differs by is no edge."""
CLEAR_EDGE = 2.0
"""A slope of colour this many times the scatter from picture to picture makes an edge half sure."""
MEDIAN_LENGTH = 1.538
"""Median length of a vector of three normal numbers of unit standard deviation (chi distribution): a colour distance
over it is one channel's."""
EDGE_WINDOW_PX, EDGE_ROUNDS, STEEPER = 0.9, 12, 1.15
"""Window (sd) in which an edge's centre is taken, about as wide as edges are blurred in real video; how often it is
moved, each time to about half the distance that is left; and a slope so many times as steep is another edge's."""
BEYOND_M, BLURRED_PX = 0.08, 2
"""Up to so far outwards of an edge there is ground, if the edge is the rim and not the inner one of a coloured border;
but for so many pixels, which the edge itself is blurred over (in coarse pictures, where a border is two pixels wide,
for one only)."""


@dataclass(frozen=True)
class SideLook:
    """One side of the roof in one picture: what differs from the empty yard (rows, cols, 3), laid out at roof height;
    by how much (colour distance) the ground beside it does; how far the side is turned away from the camera (tangent
    of the viewing angle); whether the ground by it is evenly lit."""

    picture: np.ndarray
    noise: float
    away: float
    even: bool


@dataclass(frozen=True)
class RimFit:
    """Where the rim lies in the roof picture against the entered sizes.

    along_m, across_m, turn_rad: the body's place in the present frame. size: how large
    the roof looks, as a share of the entered size, sd size_sd: not 1 when the camera's height is wrong.
    longer_m, wider_m: what is left of length and width after that. edge_radius_m: rounding of the roof's edge.
    cov (3, 3) of along, across and turn together: a turn moves a roof that lies far from the body's own origin.
    """

    along_m: float
    across_m: float
    turn_rad: float
    size: float
    size_sd: float
    longer_m: float
    wider_m: float
    edge_radius_m: float
    cov: np.ndarray


SIDES = {"left": (0.0, 1.0), "right": (0.0, -1.0), "front": (1.0, 0.0), "rear": (-1.0, 0.0)}
"""Outward directions of the rim's sides in the vehicle frame."""


def _rim_points(solid: Solid) -> dict[str, np.ndarray]:
    """Points (n, 2) along each side of the entered outline, corners left out."""
    corner = solid.corner_radius_m + CORNER_M
    along = np.arange(solid.x_min_m + corner, solid.x_max_m - corner, EVERY_M)
    across = np.arange(-solid.width_m / 2 + corner, solid.width_m / 2 - corner, EVERY_M)
    return {"left": np.column_stack([along, np.full(len(along), solid.width_m / 2)]),
            "right": np.column_stack([along, np.full(len(along), -solid.width_m / 2)]),
            "front": np.column_stack([np.full(len(across), solid.x_max_m), across]),
            "rear": np.column_stack([np.full(len(across), solid.x_min_m), across])}


def search_rim(solid: Solid, bands: Mapping[str, Layout], looks: Mapping[str, tuple[np.ndarray, np.ndarray]],
               noise: float, size_doubt: float) -> np.ndarray:
    """The rim's place to a few centimetres, (along m, across m, turn rad, size as a share): the entered outline, a
    little larger or smaller, that has an edge on every side looked at. looks: for each such side its average picture
    and scatter, from the moments it is turned away, laid out as `bands` say. noise: by how much (colour distance) the
    ground usually differs from the empty yard. size_doubt: by what share (one sd) the roof may look larger or smaller.
    """
    sides = {}
    for name, (average, scatter) in looks.items():
        nx, _ = SIDES[name]
        step = cv2.Sobel(cv2.GaussianBlur(average, (0, 0), 0.6), cv2.CV_32F, 1 if nx else 0, 0 if nx else 1,
                         scale=1 / 8)
        strength = _outermost(np.linalg.norm(step, axis=2), average, SIDES[name], bands[name].spacing_m, noise) / (
            noise / MEDIAN_LENGTH + cv2.GaussianBlur(scatter, (0, 0), 1.0))
        sides[name] = strength, _rim_points(solid)[name]
    middle = (solid.x_min_m + solid.x_max_m) / 2
    best, doubt = np.array([0.0, 0.0, 0.0, 1.0]), np.array([RIM_DOUBT_M, RIM_DOUBT_M, TURN_DOUBT_RAD, size_doubt])
    for span_m, span_rad, doubts, steps in SEARCH:
        spans = [np.linspace(-span, span, n) for span, n in ((span_m, steps), (span_m, steps), (span_rad, steps),
                                                             (doubts * size_doubt, SIZE_STEPS))]
        trials = best + np.stack(np.meshgrid(*spans, indexing="ij"), -1).reshape(-1, 4)
        # Log share of each side that lies on a clear edge (how strong it is does not matter: paint along the rim is
        # often stronger than the rim), less the distance from where the coarse poses had it.
        agree = -0.5 * np.square((trials - [0, 0, 0, 1]) / doubt).sum(axis=1)
        for name, (strength, points) in sides.items():
            band = bands[name]
            on = _on_edge(strength, band.rear_m, band.top_m, band.spacing_m, points, trials, middle)
            agree += SIDE_WORTH * np.log(on + NO_EDGE)
        best = trials[int(np.argmax(agree))]
    return best


@numba.njit(cache=True, nogil=True)
def _on_edge(strength, rear_m, top_m, spacing_m, points_m, trials, middle_m):  # pragma: no cover (compiled)
    """(m,) what share of points (n, 2) of the entered outline lie on an edge of `strength` (rows, cols), for each of
    trials (m, 4)."""
    rows, cols = strength.shape
    share = np.zeros(len(trials))
    for t in range(len(trials)):
        along, across, turn, size = trials[t]
        total = 0.0
        for i in range(len(points_m)):
            x, y = size * (points_m[i, 0] - middle_m), size * points_m[i, 1]
            u = (middle_m + x - turn * y + along - rear_m) / spacing_m
            v = (top_m - y - turn * x - across) / spacing_m
            u, v = min(max(u, 0.0), cols - 1.001), min(max(v, 0.0), rows - 1.001)
            iu, iv = int(u), int(v)
            fu, fv = u - iu, v - iv
            edge = ((1 - fv) * ((1 - fu) * strength[iv, iu] + fu * strength[iv, iu + 1])
                    + fv * ((1 - fu) * strength[iv + 1, iu] + fu * strength[iv + 1, iu + 1]))
            total += edge / (edge + CLEAR_EDGE)
        share[t] = total / len(points_m)
    return share


def rounded_edge_shift(tangent: np.ndarray | float) -> np.ndarray | float:
    """How far inside its true place the far edge of a roof looks, in units of the edge's rounding radius.

    Seen under the angle a from the vertical across the roof, the outermost visible point of a quarter round is where
    the ray touches it; followed up to roof height it lies at 1 - 1/cos a + tan a radii inside (plane geometry)."""
    return 1 - np.sqrt(1 + np.square(tangent)) + tangent


def fit_rim(solid: Solid, bands: Mapping[str, Layout], looks: Sequence[Mapping[str, SideLook]], start: np.ndarray,
            noise: float, size_doubt: float) -> RimFit | None:
    """The rim to sub-pixel, from the single pictures: in each, the sides turned away from the camera are measured,
    since beyond them lies ground and not the vehicle's own wall. Robust linear least squares on the place, the
    common size, what length and width differ beyond it, and the rounding of the roof's edge. Arguments as of
    `search_rim`, whose result is `start`."""
    s, h = solid, next(iter(bands.values())).spacing_m
    points = _rim_points(s)
    length, width = s.x_max_m - s.x_min_m, s.width_m
    pixels = max(3, round(REACH_M / h))
    reach = np.arange(-pixels, pixels + 1) * h
    # along, across, turn, size - 1, longer, wider, edge radius
    believed = np.array([PLACE_SD_M, PLACE_SD_M, TURN_SD_RAD, size_doubt, BELIEVED_SIZE_SD_M, BELIEVED_SIZE_SD_M,
                         RADIUS_SD_M])
    found = np.array([*start[:3], start[3] - 1, 0.0, 0.0, USUAL_RADIUS_M])
    for window_m in WINDOWS_M:
        rows, seen, sds, stretches = [], [], [], []
        for sides in looks:
            for side, look in sides.items():
                nx, ny = SIDES[side]
                if look.away < FACING:
                    continue
                inward = float(rounded_edge_shift(max(look.away, 0.0)))
                for k, part in enumerate(np.array_split(points[side], 1 if nx else STRETCHES)):
                    x, y = part.mean(axis=0)
                    sign = nx or ny
                    row = ((1.0, 0.0, -y, sign * length / 2, sign / 2, 0.0, -sign * inward) if nx else
                           (0.0, 1.0, x, sign * width / 2, 0.0, sign / 2, -sign * inward))
                    expected = float(np.dot(row, found))
                    offset = _edge_offset(bands[side], look.picture, part, (nx, ny), expected, reach, window_m, noise)
                    if offset is not None:
                        rows.append(row)
                        seen.append(offset)
                        stretches.append(f"{side} {k}")
                        sds.append(h * (CLEAN_EDGE_PX if look.away > AWAY and look.even else BLURRED_EDGE_PX))
        if len(rows) < LEAST_SEEN:
            return None
        a, b, sd = np.array(rows), np.array(seen), np.array(sds)
        for _ in range(8):  # from what is found already: all edges alike would let a few wrong ones bend the sizes
            residual = (b - a @ found) / sd
            scatter = max(1.4826 * float(np.median(np.abs(residual))), 1.0)
            w = tukey_weight(residual, scatter) / sd**2
            normal = (a * w[:, None]).T @ a + np.diag(1 / believed**2)
            found = np.linalg.solve(normal, (a * w[:, None]).T @ b)
    cov = _cov_of_stretches(a, b - a @ found, w / scatter**2, stretches, believed, CLEAN_EDGE_PX * h)
    # What the roof looks too long by, its two ends share in a way that nobody knows: anywhere from all at the one to
    # all at the other (an even distribution's variance). Not so what it looks too wide by: its sides are each other's
    # mirror image.
    cov[0, 0] += found[4]**2 / 12
    return RimFit(float(found[0]), float(found[1]), float(found[2]), 1 + float(found[3]), float(np.sqrt(cov[3, 3])),
                  float(found[4]), float(found[5]), max(float(found[6]), 0.0), cov[:3, :3])


def _cov_of_stretches(a: np.ndarray, residual: np.ndarray, weight: np.ndarray, stretches: Sequence[str],
                      believed: np.ndarray, edge_sd_m: float) -> np.ndarray:
    """(7, 7) of what is found, each stretch of a side counting as one sighting however many pictures it is seen in.

    The same edge is seen again and again in like light, and errs alike (clustered errors; Liang & Zeger 1986). By how
    much is seen from how far the stretches' means stray from what is found; what is usual for an edge, edge_sd_m,
    counts as much as SHARED_COUNTS of them. a (n, 7), residual (n,) m, weight (n,) 1/m2 and stretch of all sightings.
    """
    of, rows, means, own = np.array(stretches), [], [], []
    for stretch in np.unique(of[weight > 0]):
        w = weight[of == stretch]
        rows.append(w @ a[of == stretch] / w.sum())
        means.append(w @ residual[of == stretch] / w.sum())
        own.append(1 / w.sum())
    r, mean, var = np.array(rows), np.array(means), np.array(own)
    clear = var < edge_sd_m**2  # the others' means stray by their own noise
    used_up = np.linalg.matrix_rank(r[clear][:, [0, 1, 2, 4, 5]], 1e-6) if clear.any() else 0
    shared = (SHARED_COUNTS * edge_sd_m**2 + np.square(mean[clear]).sum()) / (SHARED_COUNTS + clear.sum() - used_up)
    return np.linalg.inv((r / (var + shared)[:, None]).T @ r + np.diag(1 / believed**2))


def _outermost(step: np.ndarray, look: np.ndarray, outward: tuple[float, float], spacing_m: float,
               noise: float) -> np.ndarray:
    """Edge strength, kept only where what lies a little further out is ground (small in `look`)."""
    near, far = _beyond_px(spacing_m)
    line = np.zeros(2 * far + 1, np.uint8)
    line[far + near:] = 1
    across = bool(outward[0])  # rows run against y
    line = line if (outward[0] or -outward[1]) > 0 else line[::-1]
    beyond = cv2.dilate(np.linalg.norm(look, axis=2), line[None] if across else line[:, None],
                        borderType=cv2.BORDER_REPLICATE)
    return step * np.exp(-0.5 * (beyond / (SOLID_CONTRAST * noise)) ** 2)


def _beyond_px(spacing_m: float) -> tuple[int, int]:
    """From how many pixels outwards of an edge to how many there is ground, if it is the rim."""
    far = max(1, round(BEYOND_M / spacing_m))
    return min(BLURRED_PX, max(1, far - 1)), far


def _edge_offset(band: Layout, look: np.ndarray, part: np.ndarray, outward: tuple[float, float], expected_m: float,
                 reach_m: np.ndarray, window_m: float, noise: float) -> float | None:
    """Sub-pixel place (m along the side's normal axis, from the entered outline) of the outermost edge near
    `expected_m` along a stretch of a side."""
    d = reach_m + expected_m
    along = np.zeros_like(d)
    end = bool(outward[0])
    x = part[:, :1] + (d if end else along)[None]
    y = part[:, 1:] + (along if end else d)[None]
    colour = np.median(band.at(look, x, y), axis=0)  # a mirror or a person covers a part of a stretch
    step = np.linalg.norm(np.diff(colour, axis=0), axis=1)
    sign = outward[0] or outward[1]
    near, far = _beyond_px(band.spacing_m)
    out = np.arange(near, far + 1)[:, None]
    index = np.clip(np.arange(len(step)) + (1 + out if sign > 0 else -out), 0, len(d) - 1)
    beyond = np.linalg.norm(colour, axis=1)[index].max(axis=0)
    between = (reach_m[:-1] + reach_m[1:]) / 2
    ground = np.exp(-0.5 * (beyond / (SOLID_CONTRAST * noise)) ** 2)
    i = int(np.argmax(step * ground * np.exp(-0.5 * (between / window_m) ** 2)))
    if not 0 < i < len(step) - 1 or step[i] < LEAST_STEP * noise or ground[i] < NO_EDGE:
        return None  # no edge, or none with ground beyond it, as where a shadow ends beside the rim
    slope = step * ground
    while 0 < i < len(slope) - 1 and slope[i] < max(slope[i - 1], slope[i + 1]):
        i += 1 if slope[i + 1] > slope[i - 1] else -1
    return expected_m + centre_of_edge(step, between, i)


def centre_of_edge(step: np.ndarray, at_m: np.ndarray, steepest: int) -> float:
    """The middle of an edge, from the slopes `step` (n,) at evenly spaced places at_m (n,): the place to which they are
    alike on both sides, found as the mean under a window that is moved to that mean, again and again (mean shift;
    Cheng 1995). Of a blurred edge it is the middle to a few hundredths of a pixel wherever between two pixels that
    lies, which three pixels' weights are not. As far to either side as no other edge begins."""
    reach = max(1, min(_own_flank(step[steepest::-1]), _own_flank(step[steepest:])))
    edge = slice(max(steepest - reach, 0), steepest + reach + 1)
    wide_m = EDGE_WINDOW_PX * (at_m[1] - at_m[0])
    centre_m = float(at_m[steepest])
    for _ in range(EDGE_ROUNDS):
        w = step[edge] * np.exp(-0.5 * ((at_m[edge] - centre_m) / wide_m) ** 2)
        centre_m = float((w @ at_m[edge]) / max(float(w.sum()), 1e-6))
    return centre_m


def _own_flank(step: np.ndarray) -> int:
    """How many slopes after the first, the steepest of its edge, still belong to it: until they rise again from less
    than half, or on to something steeper."""
    rises = np.diff(step) > 0
    steeper_later = np.maximum.accumulate(step[::-1])[::-1][1:] > STEEPER * step[0]
    other = rises & ((step[:-1] < step[0] / 2) | steeper_later)
    return int(np.argmax(other)) if other.any() else len(step) - 1
