"""Filming a scenario: for each frame the camera, the moving things and the light, then the picture."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from analysis.course import Course, Mark
from analysis.vehicle import Vehicle, vehicle_from_table
from sample_clips.disturb import LAMP_STEP_M, Shade, lamp_light, rolled, sharpened
from sample_clips.drive import Run, body_to_point_m, find_run
from sample_clips.mesh import Mesh, box, join, linear
from sample_clips.render import (
    Camera,
    Lens,
    Light,
    develop,
    dim_by_map,
    draw,
    frame_rect,
    ground_mask,
    sample_ground,
    tone_curve,
)
from sample_clips.scenario import OtherVehicle, Scenario, Walker
from sample_clips.scene import (
    Clothes,
    Ground,
    Palette,
    bake_shadows,
    barrier_mesh,
    build_vehicle,
    car_mesh,
    clothes,
    cone_mesh,
    lay_ground,
    person_mesh,
    small_dimness,
)
from sample_clips.towing import find_towing_run
from sample_clips.trailer_mesh import coupled

SHAFT_M = 0.10  # a body (0.3 m and more above the ground) touches a cone when it comes this near to its axis
FALL_S = 0.5
COVER_MPS = 3.0  # how fast a cloth that hides the vehicle is carried, where it is carried off in two seconds
WORTH_BLURRING_PX = 0.25  # a shorter path within the exposure is drawn as if the shutter were instant


@dataclass(frozen=True)
class Contact:
    """A mark knocked over: when it was first touched, the direction in which it falls, how far its base slides."""

    mark: Mark
    t_s: float
    towards_rad: float
    slide_m: float


def find_contact(run: Run, vehicle: Vehicle, course: Course, slide_m: float = 0.15) -> Contact | None:
    """The first mark that the body touches, if any."""
    for m in course.marks:
        d = body_to_point_m(vehicle, run.x_m, run.y_m, run.heading_rad, m.x_m, m.y_m)
        hit = np.flatnonzero(d < SHAFT_M)
        if len(hit):
            t = float(run.t_s[hit[0]])
            x, y, h, *_ = run.at(t)
            eps = 1e-3
            here = (np.array([x]), np.array([y]), np.array([h]))
            gx = body_to_point_m(vehicle, *here, m.x_m + eps, m.y_m) - body_to_point_m(
                vehicle, *here, m.x_m - eps, m.y_m
            )
            gy = body_to_point_m(vehicle, *here, m.x_m, m.y_m + eps) - body_to_point_m(
                vehicle, *here, m.x_m, m.y_m - eps
            )
            return Contact(m, t, math.atan2(gy[0], gx[0]), slide_m)
    return None


class Wander:
    """A smooth random signal of about the given amplitude: sines of incommensurate periods (s)."""

    def __init__(self, amplitude: float, periods_s: tuple[float, ...], rng: np.random.Generator) -> None:
        self.periods = np.array(periods_s) * rng.uniform(0.85, 1.15, len(periods_s))
        weights = rng.uniform(0.5, 1.0, len(periods_s))
        self.weights = amplitude * weights / weights.sum()
        self.phases = rng.uniform(0, 2 * math.pi, len(periods_s))

    def __call__(self, t_s: float) -> float:
        return float(np.sum(self.weights * np.sin(2 * math.pi * t_s / self.periods + self.phases)))


def _unshaded(mesh: Mesh) -> Mesh:
    """Another vehicle's mesh without its box numbers, which would be taken for the first vehicle's."""
    return replace(mesh, solid=np.zeros_like(mesh.solid))


def _small_turn(pitch: float, roll: float, yaw: float) -> np.ndarray:
    return cv2.Rodrigues(np.array([pitch, roll, yaw]))[0]


def walker_at(w: Walker | OtherVehicle, t_s: float) -> tuple[float, float, float, float]:
    """x, y, heading and stride (0 when standing)."""
    share = min(max((t_s - w.t0_s) / (w.t1_s - w.t0_s), 0.0), 1.0)
    x, y = (w.start[k] + share * (w.end[k] - w.start[k]) for k in (0, 1))
    heading = math.atan2(w.end[1] - w.start[1], w.end[0] - w.start[0])
    walked = share * math.hypot(w.end[0] - w.start[0], w.end[1] - w.start[1])
    return x, y, heading, math.sin(2 * math.pi * walked / 1.5) if 0 < share < 1 else 0.0


class Film:
    """Builds the scene once; `frames()` then yields (h, w, 3) uint8 RGB pictures in order of time."""

    def __init__(self, scenario: Scenario) -> None:
        s = self.scenario = scenario
        rng = np.random.default_rng(s.seed)
        self.vehicle = s.vehicle_noun()
        self.set_out = s.real_course(rng)
        drive = find_towing_run if self.vehicle.trailer else find_run
        self.run = drive(self.vehicle, self.set_out, s.plan(self.set_out), rng)
        absent = {*s.missing, *s.fallen}
        self.course = replace(self.set_out, marks=tuple(m for m in self.set_out.marks if m.name not in absent))
        self.contact = find_contact(self.run, self.vehicle, self.course)
        self.lens = Lens(
            s.width, s.height, s.width / 2 / math.tan(math.radians(s.view.hfov_deg) / 2), s.view.k1, s.view.k2
        )
        self._place_camera(np.random.default_rng(s.seed + 1))
        e, a = math.radians(s.sky.elevation_deg), math.radians(s.sky.azimuth_deg)
        to_sun = np.array([math.cos(e) * math.cos(a), math.cos(e) * math.sin(a), math.sin(e)])
        self.light = Light(to_sun, s.sky.sun * np.array([1.0, 0.965, 0.90]), s.sky.sky * np.array([0.94, 0.985, 1.06]))
        self.gain = s.sky.brightness / (s.sky.sky + s.sky.sun * to_sun[2])
        self.times_s = np.arange(math.floor(self.run.t_s[-1] * s.fps) + 1) / s.fps

    def _place_camera(self, rng: np.random.Generator) -> None:
        view = self.scenario.view
        yaw, tilt = math.radians(view.yaw_deg), math.radians(view.tilt_deg)
        c, s = math.cos(yaw), math.sin(yaw)
        down = np.array([[c, s, 0], [s, -c, 0], [0, 0, -1.0]])
        rotation = (
            np.array([[1, 0, 0], [0, math.cos(tilt), -math.sin(tilt)], [0, math.sin(tilt), math.cos(tilt)]]) @ down
        )
        xs = [m.x_m for m in self.set_out.marks]
        ys = [ln.y0_m for ln in self.set_out.lines]
        aim = np.array(
            [(min(xs) + max(xs)) / 2 + view.aim_shift_m[0], (min(ys) + max(ys)) / 2 + view.aim_shift_m[1], 0]
        )
        self.nominal = rotation, aim - rotation[2] * view.altitude_m / math.cos(tilt)
        slow, shake = (21.0, 11.0, 6.3), (19.0, 3.1, 1.3, 0.62)
        periods = slow if view.kind == "drone" else shake
        sway_m, sway = view.sway_m, math.radians(view.sway_deg)
        if view.kind == "mast":
            sway_m, sway = sway_m * 0.4, sway * 0.4
        self._sway = [Wander(sway_m * f, periods, rng) for f in (1.0, 1.0, 0.5)] + [
            Wander(sway * f, periods, rng) for f in (0.7, 0.7, 1.0)
        ]
        self._drift = Wander(1.0, (37.0, 17.0, 8.0), rng)
        self._haze = Wander(1.0, (29.0, 13.0), rng)
        self._vibration = [Wander(math.radians(view.vibration_deg), (0.19, 0.11, 0.073), rng) for _ in range(3)]

    def camera(self, t_s: float) -> Camera:
        rotation, centre = self.nominal
        dx, dy, dz, pitch, roll, yaw = (w(t_s) for w in self._sway)
        pitch, roll, yaw = (a + w(t_s) for a, w in zip((pitch, roll, yaw), self._vibration, strict=True))
        share = t_s / self.run.t_s[-1] - 0.5
        dz += self.scenario.view.climb_m * share
        yaw += math.radians(self.scenario.view.turn_deg) * share
        return Camera(self.lens, _small_turn(pitch, roll, yaw) @ rotation, centre + np.array([dx, dy, dz]))

    def _speed_px(self, t_s: float) -> float:
        """About how fast the vehicle moves in the picture (px/s), the camera's own motion included."""
        seen = []
        for t in (t_s - 0.01, t_s + 0.01):
            x, y, *_ = self.run.at(t)
            seen.append(self.camera(t).project(np.array([x, y, 1.0]))[0])
        return float(np.hypot(*(seen[1] - seen[0]))) / 0.02

    def _seen_ground(self) -> tuple[float, float, float, float]:
        """x0, x1, y0, y1 of the ground in view over the whole clip, with a margin."""
        lens = self.lens
        rays = lens.rays()[
            [0, 0, 0, lens.height // 2, lens.height // 2, -1, -1, -1],
            [0, lens.width // 2, -1, 0, -1, 0, lens.width // 2, -1],
        ].astype(float)
        hits = []
        for t in np.linspace(0, self.run.t_s[-1], 60):
            cam = self.camera(float(t))
            d = np.column_stack([rays, np.ones(len(rays))]) @ cam.rotation
            hits.append(cam.centre_m[:2] - cam.centre_m[2] * d[:, :2] / np.minimum(d[:, 2:], -0.2))
        p = np.concatenate(hits)
        return p[:, 0].min() - 1.5, p[:, 0].max() + 1.5, p[:, 1].min() - 1.5, p[:, 1].max() + 1.5

    def _build(self) -> None:
        s = self.scenario
        rng = np.random.default_rng(s.seed + 2)
        palette = Palette()
        self.model = build_vehicle(palette, self.vehicle, s.livery, s.kind, s.units, rng, s.walls)
        if self.vehicle.trailer:
            self.model = coupled(palette, self.model, self.vehicle.trailer, s.livery, rng)
        turns = {m.name: rng.uniform(-0.3, 0.3) for m in self.set_out.marks}
        self.cones = {m.name: cone_mesh(palette, m).placed(m.x_m, m.y_m, turns[m.name]) for m in self.course.marks}
        self.still = [
            mesh for name, mesh in self.cones.items() if self.contact is None or name != self.contact.mark.name
        ]
        if self.course.barrier:
            self.still.append(barrier_mesh(palette, self.course.barrier, self.course.barrier_height_m))
        if s.parked_car:
            self.still.append(car_mesh(palette, s.car_colour).placed(*s.parked_car))
        self.still += self._lying_and_strange(palette)
        self.clothes: list[Clothes] = [clothes(palette, rng, w.vest, w.jacket) for w in s.walkers]
        other_rng = np.random.default_rng(s.seed + 4)
        self.other_models = [
            build_vehicle(palette, vehicle_from_table(o.vehicle), o.livery, o.kind, True, other_rng) for o in s.others
        ]
        cloth = palette.flat(linear(70, 62, 48))
        long, wide = (self.vehicle.length_m + 8) / 4, (self.vehicle.width_m + 5) / 4 + COVER_MPS
        self.cover = box(-long, long, -wide, wide, 0, 0.1, side=cloth, top=cloth)
        gsd = s.view.altitude_m / self.lens.focal_px
        ground = Ground(*self._seen_ground(), float(np.clip(0.75 * gsd, 0.018, 0.04)))
        lay_ground(ground, self.course, s.ground, rng)
        spots = [
            (m.x_m, m.y_m, 0.3) for m in self.course.marks if self.contact is None or m.name != self.contact.mark.name
        ]
        bake_shadows(ground, self.still, self.light, spots)
        if s.parked_car:
            for k in (-1.2, -0.4, 0.4, 1.2):
                bake_shadows(
                    ground,
                    [],
                    self.light,
                    [
                        (
                            s.parked_car[0] + k * math.cos(s.parked_car[2]),
                            s.parked_car[1] + k * math.sin(s.parked_car[2]),
                            0.9,
                        )
                    ],
                )
        self.ground = ground
        self.materials = palette.materials()
        self.person_dim = small_dimness(0.28, 0.35)

    def _lying_and_strange(self, palette: Palette) -> list[Mesh]:
        """Fallen cones beside their places, and the cones and the barrier of another course."""
        s, out = self.scenario, []
        for name in s.fallen:
            m = self.set_out.mark(name)
            lying = cone_mesh(palette, m).toppled(2.1, math.pi / 2, m.base_half_m)
            out.append(lying.placed(m.x_m + 0.5, m.y_m + 0.3, 0.0))
        if s.second_course_m is not None:
            dx, dy = s.second_course_m
            out += [cone_mesh(palette, m).placed(m.x_m + dx, m.y_m + dy, 0.2) for m in s.nominal_course().marks]
            if self.course.barrier:
                out.append(barrier_mesh(palette, self.course.barrier, self.course.barrier_height_m).placed(dx, dy, 0.0))
        return out

    def _cover(self, t_s: float) -> list[Mesh]:
        """The cloth halfway up between camera and vehicle, carried across; it hides the vehicle for the stated time."""
        if self.scenario.covered_s is None:
            return []
        first, last = self.scenario.covered_s
        middle = (first + last) / 2
        x, y, h, *_ = self.run.at(middle)
        c = self.vehicle.length_m / 2 + self.vehicle.x_rear_m
        roof = np.array([x + c * math.cos(h), y + c * math.sin(h), 0.0])
        at = (roof + self.camera(middle).centre_m) / 2
        across = 2 * COVER_MPS / (last - first) * (t_s - middle)
        return [self.cover.placed(at[0] - across * math.sin(h), at[1] + across * math.cos(h), h, at[2])]

    def _knocked(self, t_s: float) -> Mesh:
        """The touched cone at a time: standing, falling, lying."""
        k = self.contact
        assert k is not None
        share = min(max((t_s - k.t_s) / FALL_S, 0.0), 1.0)
        mesh = self.cones[k.mark.name].placed(-k.mark.x_m, -k.mark.y_m, 0.0)
        tipped = mesh.toppled(k.towards_rad, math.pi / 2 * share**2, k.mark.base_half_m)
        slide = k.slide_m * (1 - (1 - share) ** 2)
        return tipped.placed(
            k.mark.x_m + slide * math.cos(k.towards_rad), k.mark.y_m + slide * math.sin(k.towards_rad), 0.0
        )

    def _movers(self, t_s: float) -> list[Mesh]:
        """Everything that moves at a time, the vehicle first."""
        x, y, h, _, steer = self.run.at(t_s)
        out = [self.model.mesh(x, y, h, steer, self.run.articulation_at(t_s))]
        for w, wear in zip(self.scenario.walkers, self.clothes, strict=True):
            px, py, heading, stride = walker_at(w, t_s)
            out.append(person_mesh(wear, round(stride * 12) / 12).placed(px, py, heading))
        for o, model in zip(self.scenario.others, self.other_models, strict=True):
            out.append(_unshaded(model.mesh(*walker_at(o, t_s)[:3], 0.0)))
        if self.contact:
            out.append(self._knocked(t_s))
        return out + self._cover(t_s)

    def frames(self, only: list[int] | None = None) -> Iterator[np.ndarray]:
        """The pictures of all frames, or of the numbered ones."""
        self._build()
        s, lens = self.scenario, self.lens
        rays = lens.rays()
        texture = self.ground.texture(s.view.altitude_m / lens.focal_px)
        linear_light = np.empty((lens.height, lens.width, 3), np.float32)
        veil = np.ones((lens.height, lens.width), np.float32)
        dome = np.ones_like(veil)
        gx, gy = np.meshgrid(np.linspace(-1, 1, lens.width), np.linspace(-1, 1, lens.height) * lens.height / lens.width)
        fall = (1 - s.vignette * (gx**2 + gy**2) / 1.32).astype(np.float32)
        curve = tone_curve(s.contrast)
        rng = np.random.default_rng(s.seed + 3)
        grain = (
            rng.standard_normal((lens.height + 67, lens.width + 131, 1)) * 0.8
            + rng.standard_normal((lens.height + 67, lens.width + 131, 3)) * 0.5
        )
        grain = (grain * s.noise).astype(np.float32)
        hard = s.sky.sun > 0.02
        shades = [
            Shade(kind, depth, np.random.default_rng(s.seed + 5))
            for kind, depth in (("cloud", s.sky.cloud_shade), ("tree", s.sky.tree_shade))
            if depth
        ]
        strong = self.light.sun.mean() * self.light.to_sun[2]
        strong /= strong + self.light.sky.mean()
        for i in only if only is not None else range(len(self.times_s)):
            t = float(self.times_s[i])
            smear = s.sky.exposure_s * self._speed_px(t)
            offsets = (-0.25 * s.sky.exposure_s, 0.25 * s.sky.exposure_s) if smear > WORTH_BLURRING_PX else (0.0,)
            cameras = [self.camera(t + o) for o in offsets]
            mid = self.camera(t)
            cloud = 1 + s.sky.drift * self._haze(t)
            light = Light(self.light.to_sun, self.light.sun * cloud, self.light.sky)
            movers = self._movers(t)
            veil.fill(1)
            dome.fill(1)
            if hard:
                for mesh in movers:
                    flat = light.shadow_of(mesh.corners_m)
                    rect = frame_rect(mid.project(flat)[0], lens, 4)
                    if rect:
                        cover = cv2.GaussianBlur(ground_mask(mid, flat, rect), (0, 0), 0.7)
                        crop = veil[rect[1] : rect[3], rect[0] : rect[2]]
                        np.minimum(crop, 1 - cover, out=crop)
            self._soft_shadows(dome, rays, mid, t)
            sample_ground(
                linear_light,
                rays,
                np.array([c.rotation for c in cameras], np.float32),
                np.array([c.centre_m for c in cameras], np.float32),
                texture,
                np.float32(self.ground.x0),
                np.float32(self.ground.y1),
                np.float32(self.ground.mpp),
                light.sun.astype(np.float32),
                light.sky.astype(np.float32),
                veil,
                dome,
            )
            shots = [movers] if offsets == (0.0,) else [self._movers(t + o) for o in offsets]
            self._draw_things(linear_light, cameras, [t + o for o in offsets], shots, light, hard)
            for shade in shades:
                left = 1 - strong * (1 - shade.over(mid, rays, t))
                linear_light *= left[..., None].astype(np.float32)
            soft = cv2.GaussianBlur(linear_light, (3, 3), 0.5)
            if s.view.readout_s:
                soft = rolled(soft, rays, self.camera, t, s.view.readout_s)
            out = np.empty((lens.height, lens.width, 3), np.uint8)
            ry, rx = int(rng.integers(0, 60)), int(rng.integers(0, 120))
            gain = (self.gain * (1 + s.sky.drift * self._drift(t)) * self._stepped(t)).astype(np.float32)
            develop(soft, fall, gain, curve, grain[ry : ry + lens.height, rx : rx + lens.width], out)
            yield sharpened(out, s.sharpening) if s.sharpening else out

    def _stepped(self, t_s: float) -> np.ndarray:
        """(3,) gains: what the camera's own control changes at a third of the clip, and takes back at two thirds."""
        sky, end = self.scenario.sky, self.run.t_s[-1]
        if not end / 3 <= t_s < 2 * end / 3:
            return np.ones(3)
        return (1 + sky.step) * np.array([1 + sky.white_step / 2, 1.0, 1 - sky.white_step / 2])

    def _soft_shadows(self, dome: np.ndarray, rays: np.ndarray, camera: Camera, t_s: float) -> None:
        x, y, h, *_ = self.run.at(t_s)
        spots = self.model.soft_spots(x, y, h, self.run.articulation_at(t_s))
        spots += [((*walker_at(w, t_s)[:2], 0.0), *self.person_dim, 0.05) for w in self.scenario.walkers]
        for o, other in zip(self.scenario.others, self.other_models, strict=True):
            spots.append((walker_at(o, t_s)[:3], other.dimness, other.dim_origin_m, other.dim_step_m))
        if self.scenario.headlamps:
            spots.append(((x, y, h), *lamp_light(self.vehicle), LAMP_STEP_M))
        for place, table, origin, step in spots:
            u = origin[0] + np.array([0, table.shape[1]]) * step
            v = origin[1] + np.array([0, table.shape[0]]) * step
            corners = np.array([[a, b] for a in u for b in v])
            c, s = math.cos(place[2]), math.sin(place[2])
            world = np.column_stack(
                [
                    place[0] + corners[:, 0] * c - corners[:, 1] * s,
                    place[1] + corners[:, 0] * s + corners[:, 1] * c,
                    np.zeros(4),
                ]
            )
            rect = frame_rect(camera.project(world)[0], self.lens, 4)
            if rect:
                dim_by_map(
                    dome,
                    rays,
                    camera.rotation,
                    camera.centre_m,
                    np.array(rect),
                    np.array(place),
                    table,
                    origin[0],
                    origin[1],
                    step,
                )

    def _draw_things(
        self,
        picture: np.ndarray,
        cameras: list[Camera],
        times_s: list[float],
        moving: list[list[Mesh]],
        light: Light,
        cast: bool,
    ) -> None:
        """Draw all meshes; those whose pictures overlap share one depth buffer."""
        boxes = [self.model.boxes_at(*self.run.at(t)[:3], self.run.articulation_at(t)) for t in times_s]
        things = [[m] * len(times_s) for m in self.still] + [list(shots) for shots in zip(*moving, strict=True)]
        rects = [frame_rect(cameras[0].project(shots[0].corners_m)[0], self.lens) for shots in things]
        groups: list[tuple[list[int], tuple[int, int, int, int]]] = []
        for i, r in enumerate(rects):
            if r is None:
                continue
            members = [i]
            merged = True
            while merged:
                merged = False
                for g in groups:
                    q = g[1]
                    if r[0] < q[2] and q[0] < r[2] and r[1] < q[3] and q[1] < r[3]:
                        members += g[0]
                        r = (min(r[0], q[0]), min(r[1], q[1]), max(r[2], q[2]), max(r[3], q[3]))
                        groups.remove(g)
                        merged = True
                        break
            groups.append((members, r))
        for members, _ in groups:
            shots = [
                (camera, join(things[i][k] for i in members), shading)
                for k, (camera, shading) in enumerate(zip(cameras, boxes, strict=True))
            ]
            draw(picture, shots, light, self.materials, cast)
