"""Distances along the run: tyres and body to side lines, body to marks and barrier, each with its sd.

All sds are first order: the gradient of the distance at its nearest point, times the pose's covariance, plus the
survey's own. Frames: `local` points in the body's frame, others in the course frame; metres. A body is the vehicle or
its trailer, its motion that of its own frame.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.attempt import Motion, Series
from analysis.body import Body, Solid, Tyre
from analysis.course import Area, Course, Line, Mark
from analysis.track import Track
from analysis.vehicle import Vehicle
from analysis.wording import words

TRAILER = "trailer"


@dataclass(frozen=True)
class Reading:
    """A distance along the run: value_m, sd_m (n,) and place_m (n, 2), the body's point that it belongs to.

    part (n,) is an index into `names`: which tyre, which solid or mirror; TRAILER for the trailer's bodywork. To lines,
    a tyre goes by its name in the vehicle file, to marks by its words."""

    value_m: np.ndarray
    sd_m: np.ndarray
    place_m: np.ndarray
    part: np.ndarray
    names: tuple[str, ...]

    def series(self, name: str) -> Series:
        return Series(name, self.value_m, self.sd_m)


def ackermann_rad(wheel_rad: np.ndarray, wheelbase_m: float, side_m: float) -> np.ndarray:
    """Angle of a steered wheel `side_m` to the left of the vehicle's middle, so that all wheels share one turning
    centre: cot(angle) = cot(wheel) - side / wheelbase."""
    tangent = np.tan(wheel_rad)
    return np.arctan2(tangent, 1 - side_m / wheelbase_m * tangent)


def tyre_corners_local_m(tyre: Tyre, body: Body, wheel_rad: np.ndarray) -> np.ndarray:
    """(n, 4, 2) corners of a tyre's contact patch in its body's frame."""
    a, b = tyre.length_m / 2, tyre.width_m / 2
    corners = np.array([[a, b], [-a, b], [-a, -b], [a, -b]])
    turn = ackermann_rad(np.asarray(wheel_rad, float), body.wheelbase_m, tyre.y_m) if tyre.steered \
        else np.zeros(len(wheel_rad))
    c, s = np.cos(turn)[:, None], np.sin(turn)[:, None]
    return np.stack([tyre.x_m + c * corners[:, 0] - s * corners[:, 1],
                     tyre.y_m + s * corners[:, 0] + c * corners[:, 1]], axis=-1)


def to_course_m(motion: Motion, local: np.ndarray) -> np.ndarray:
    """(n, k, 2) points of a body, or (k, 2) for all times, in the course frame."""
    c, s = np.cos(motion.heading_rad)[:, None], np.sin(motion.heading_rad)[:, None]
    return np.stack([motion.x_m[:, None] + c * local[..., 0] - s * local[..., 1],
                     motion.y_m[:, None] + s * local[..., 0] + c * local[..., 1]], axis=-1)


def tyres_to_line(motion: Motion, body: Body, line: Line, line_sd_m: float, *, full_width: bool) -> Reading:
    """The tyre that is nearest to being over the line: its outermost part, or with `full_width` its innermost."""
    tyres = body.tyres()
    readings = []
    for tyre in tyres:
        points = to_course_m(motion, tyre_corners_local_m(tyre, body, motion.wheel_rad))
        readings.append(_points_to_line(motion, points, line, line_sd_m, innermost=full_width))
    return _nearest(readings, tuple(t.name for t in tyres))


def outline_to_line(motion: Motion, local: np.ndarray, line: Line, line_sd_m: float, name: str) -> Reading:
    """The outermost point of an outline (k, 2)."""
    return _nearest([_points_to_line(motion, to_course_m(motion, local), line, line_sd_m)], (name,))


def _points_to_line(motion: Motion, points: np.ndarray, line: Line, line_sd_m: float,
                    innermost: bool = False) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    value = line.clearance_m(points)
    worst = np.argmax(value, axis=1) if innermost else np.argmin(value, axis=1)
    k = np.arange(len(worst))
    place = points[k, worst]
    normal = np.tile(line_normal(line), (len(worst), 1))
    apart = line.clearance_m(np.column_stack([motion.x_m, motion.y_m]))
    return value[k, worst], _sd(motion, place, normal, apart, line_sd_m), place


def line_normal(line: Line) -> np.ndarray:
    """Unit vector (2,) from the line into the yard."""
    d = np.array([line.x1_m - line.x0_m, line.y1_m - line.y0_m])
    return line.yard_side * np.array([-d[1], d[0]]) / np.hypot(*d)


def _pose_slope(motion: Motion, place: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """(n, 3) derivative, with respect to x, y, heading, of how far a body's point lies along `normal` (n, 2)."""
    arm = place - np.column_stack([motion.x_m, motion.y_m])
    return np.column_stack([normal, normal[:, 1] * arm[:, 0] - normal[:, 0] * arm[:, 1]])


def _sd(motion: Motion, place: np.ndarray, normal: np.ndarray, apart_m: np.ndarray | float,
        other_sd_m: float) -> np.ndarray:
    """(n,) of a distance along `normal` (n, 2) from a body's point `place` (n, 2) to something else, known to
    other_sd_m. apart_m (n,): from the body's origin to that along the normal, which is as uncertain as the yard's scale
    there (the body's own size is not)."""
    slope = _pose_slope(motion, place, normal)
    own = np.einsum("ni,nij,nj->n", slope, motion.cov[:, :3, :3], slope)
    return np.sqrt(own + motion.stretch_var(normal) * np.square(apart_m) + other_sd_m**2)


def _nearest(readings: list[tuple[np.ndarray, np.ndarray, np.ndarray]], names: tuple[str, ...]) -> Reading:
    """At each time the reading with the least value."""
    values = np.array([r[0] for r in readings])
    part = np.argmin(values, axis=0)
    k = np.arange(len(part))
    return Reading(values[part, k], np.array([r[1] for r in readings])[part, k],
                   np.array([r[2] for r in readings])[part, k], part, names)


def nearer(a: Reading, b: Reading) -> Reading:
    """At each time the lesser of two readings."""
    second = b.value_m < a.value_m
    return Reading(np.where(second, b.value_m, a.value_m), np.where(second, b.sd_m, a.sd_m),
                   np.where(second[:, None], b.place_m, a.place_m),
                   np.where(second, b.part + len(a.names), a.part), a.names + b.names)


def distance_to_box(local: np.ndarray, x_min_m: float, x_max_m: float, y_min_m: float, y_max_m: float,
                    radius_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Signed distance (...) of points (..., 2) to a rectangle with rounded corners, negative inside, and the unit
    gradient (..., 2)."""
    middle = np.array([(x_min_m + x_max_m) / 2, (y_min_m + y_max_m) / 2])
    half = np.array([(x_max_m - x_min_m) / 2, (y_max_m - y_min_m) / 2])
    radius = min(radius_m, *half)
    p = np.asarray(local, float) - middle
    q = np.abs(p) - (half - radius)
    out = np.maximum(q, 0)
    length = np.hypot(out[..., 0], out[..., 1])
    deepest = np.max(q, axis=-1)
    outside = deepest > 0
    side = np.where(p >= 0, 1.0, -1.0)
    inward = np.stack([q[..., 0] >= q[..., 1], q[..., 0] < q[..., 1]], axis=-1).astype(float)
    gradient = side * np.where(outside[..., None], out / np.maximum(length, 1e-12)[..., None], inward)
    return np.where(outside, length, deepest) - radius, gradient


def body_to_mark(motion: Motion, body: Body, mark: Mark, mark_sd_m: float) -> Reading:
    """Body to a mark's base, negative when they overlap. The base counts as a circle; solids and mirrors that
    pass above the mark (with its pole) are left out, and above the cone only the pole is there to be touched. Under a
    body that passes above, the wheels are what meets a cone (the steered ones, always under the cab, aside)."""
    readings, names = [], []
    for solid in body.solids:
        reach = mark_reach_m(mark, solid.z_min_m)
        if reach is not None:
            readings.append(_solid_to_point(motion, solid, mark, mark_sd_m, reach))
            names.append(solid.name if isinstance(body, Vehicle) else TRAILER)
    if all(solid.z_min_m >= mark.height_m for solid in body.solids):
        r = body.wheel_radius_m
        for tyre in (t for t in body.tyres() if not t.steered):
            box = (tyre.x_m - r, tyre.x_m + r, tyre.y_m - tyre.width_m / 2, tyre.y_m + tyre.width_m / 2, 0.0)
            readings.append(_box_to_point(motion, box, mark, mark_sd_m, mark.base_half_m))
            names.append(f"{words(tyre.name)} tyre")
    reach = mark_reach_m(mark, body.mirror_z_m - MIRROR_HANGS_M) if isinstance(body, Vehicle) else None
    if isinstance(body, Vehicle) and reach is not None:
        for name, outline in zip(("left mirror", "right mirror"), body.mirror_outlines_m(), strict=True):
            (x0, y0), (x1, y1) = outline.min(axis=0), outline.max(axis=0)
            readings.append(_box_to_point(motion, (x0, x1, y0, y1, 0.0), mark, mark_sd_m, reach))
            names.append(name)
    if not readings:
        far = np.full(len(motion.t_s), np.inf)
        return Reading(far, np.zeros_like(far), np.zeros((len(far), 2)), np.zeros(len(far), int), ("body",))
    return _nearest(readings, tuple(names))


_POLE_M = 0.02  # radius of a pole; common practice, no published source
MIRROR_HANGS_M = 0.2  # about how far a mirror reaches below its middle


def mark_reach_m(mark: Mark, from_z_m: float) -> float | None:
    """The mark's radius as met by something whose underside is at `from_z_m`; None when it passes above."""
    if from_z_m < mark.height_m:
        return mark.base_half_m
    return _POLE_M if from_z_m < mark.pole_height_m else None


def _solid_to_point(motion: Motion, solid: Solid, mark: Mark, mark_sd_m: float,
                    reach_m: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    box = (solid.x_min_m, solid.x_max_m, -solid.width_m / 2, solid.width_m / 2, solid.corner_radius_m)
    return _box_to_point(motion, box, mark, mark_sd_m, reach_m)


def _box_to_point(motion: Motion, box: tuple[float, float, float, float, float], mark: Mark, mark_sd_m: float,
                  reach_m: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    c, s = np.cos(motion.heading_rad), np.sin(motion.heading_rad)
    dx, dy = mark.x_m - motion.x_m, mark.y_m - motion.y_m
    local = np.column_stack([c * dx + s * dy, -s * dx + c * dy])
    distance, away = distance_to_box(local, *box)
    normal = np.column_stack([c * away[:, 0] - s * away[:, 1], s * away[:, 0] + c * away[:, 1]])
    place = np.array([mark.x_m, mark.y_m]) - normal * distance[:, None]
    return distance - reach_m, _sd(motion, place, normal, dx * normal[:, 0] + dy * normal[:, 1], mark_sd_m), place


def body_to_barrier(motion: Motion, body: Body, barrier: Area, sd_m: float) -> Reading:
    """Body to the barrier; of two convex outlines apart, the nearest points include a corner of one of them.

    The vehicle comes from the front, so what is behind the barrier has gone through it: it counts as solid there.
    """
    outline = to_course_m(motion, body.body_outline_m())
    behind = barrier.x_min_m - body.length_m
    distance, away = distance_to_box(outline, behind, barrier.x_max_m, barrier.y_min_m, barrier.y_max_m, 0.0)
    worst = np.argmin(distance, axis=1)
    k = np.arange(len(worst))
    place = outline[k, worst]
    # its place is that of the course file: how far it is off in the course frame has the yard's scale in it
    readings = [(distance[k, worst], _sd(motion, place, away[k, worst], 0.0, sd_m), place)]
    box = (body.x_rear_m, body.x_front_m, -body.width_m / 2, body.width_m / 2, body.corner_radius_m)
    for y in (barrier.y_min_m, barrier.y_max_m):
        readings.append(_box_to_point(motion, box, Mark("barrier", barrier.x_max_m, y), sd_m, 0.0))
    return _nearest(readings, (bodywork_of(body),) * len(readings))


def bodywork_of(body: Body) -> str:
    """What its bodywork is called in a reading."""
    return "body" if isinstance(body, Vehicle) else TRAILER


@dataclass(frozen=True)
class Clearances:
    """Everything measured along the run, by line and mark name. usual_sd_m: of the places of surveyed marks; each: what
    it was put together from, for a vehicle with its trailer."""

    tyre: dict[str, Reading]
    tyre_full: dict[str, Reading]
    body: dict[str, Reading]
    mirror: dict[str, Reading]
    mark: dict[str, Reading]
    barrier: Reading | None
    usual_sd_m: float = 0.0
    each: tuple[Clearances, ...] = ()

    @property
    def of_bodies(self) -> tuple[Clearances, ...]:
        """Of the vehicle and, where it draws one, of the trailer, each alone."""
        return self.each or (self,)

    def line_series(self) -> dict[str, Series]:
        """'tyre_left' (any part), 'tyre_full_left' (full width), 'body_left', 'mirror_left' and so on."""
        out = {}
        for what, readings in (("tyre", self.tyre), ("tyre_full", self.tyre_full), ("body", self.body),
                               ("mirror", self.mirror)):
            for line, reading in readings.items():
                name = f"{what}_{line.removeprefix('side_')}"
                out[name] = reading.series(name)
        return out


def clearances(motion: Motion, body: Body, surveyed: Course, track: Track, size_sd_m: float) -> Clearances:
    """All distances along the run of one body to the course as it really stands. size_sd_m: of each of its sizes: half
    a width is half as far off, a tyre's outer side by half of track and tyre width."""
    mark_sd = {m.name: m.sd_m for m in track.marks}
    line_sd = {ln.name: ln.sd_m for ln in track.lines}
    # What was not surveyed stands in the course frame only.
    usual_sd = float(np.median([m.in_course_sd_m for m in track.marks])) if track.marks else 0.0
    outline, what = body.body_outline_m(), bodywork_of(body)
    mirrors = np.concatenate(body.mirror_outlines_m()) if isinstance(body, Vehicle) else None
    side_sd, tyre_sd = size_sd_m / 2, size_sd_m / math.sqrt(2)
    lines = [(ln, line_sd.get(ln.name, usual_sd)) for ln in surveyed.lines]
    by_tyre = [(ln, math.hypot(sd, tyre_sd)) for ln, sd in lines]
    by_side = [(ln, math.hypot(sd, side_sd)) for ln, sd in lines]
    return Clearances(
        {ln.name: tyres_to_line(motion, body, ln, sd, full_width=False) for ln, sd in by_tyre},
        {ln.name: tyres_to_line(motion, body, ln, sd, full_width=True) for ln, sd in by_tyre},
        {ln.name: outline_to_line(motion, outline, ln, sd, what) for ln, sd in by_side},
        {ln.name: outline_to_line(motion, mirrors, ln, sd, "mirror") for ln, sd in by_side if mirrors is not None},
        {m.name: body_to_mark(motion, body, m, math.hypot(mark_sd.get(m.name, usual_sd), side_sd))
         for m in surveyed.marks},
        body_to_barrier(motion, body, surveyed.barrier, math.hypot(usual_sd, side_sd)) if surveyed.barrier else None,
        usual_sd)


def of_both(vehicle: Clearances, trailer: Clearances) -> Clearances:
    """What is nearest of the whole combination; mirrors are the vehicle's."""
    def each(a: dict[str, Reading], b: dict[str, Reading]) -> dict[str, Reading]:
        return {name: nearer(a[name], b[name]) for name in a}
    barrier = nearer(vehicle.barrier, trailer.barrier) if vehicle.barrier and trailer.barrier else None
    return Clearances(each(vehicle.tyre, trailer.tyre), each(vehicle.tyre_full, trailer.tyre_full),
                      each(vehicle.body, trailer.body), vehicle.mirror, each(vehicle.mark, trailer.mark), barrier,
                      vehicle.usual_sd_m, (vehicle, trailer))
