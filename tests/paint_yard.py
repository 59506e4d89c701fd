"""A plain picture of a course, painted with polygons: enough for testing what finds and measures marks.

Not the sample clips' renderer: it shares no code with it, and knows no shading. Everything is drawn three times finer
in linear light and averaged, so that edges fall where they should to a fraction of a pixel.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np

from analysis.course import Course, Line, Mark
from analysis.layouts import course_for
from analysis.vehicle import vehicle_from_table
from vision.camera import Camera, Lens, rotation_matrix

BUS = {"name": "12 m bus", "length_m": 12.0, "width_m": 2.55, "height_m": 3.05, "wheelbase_m": 6.1,
       "front_overhang_m": 2.7}
GROUND, YELLOW, WHITE = (92, 90, 88), (60, 180, 215), (225, 225, 225)  # 8-bit blue, green, red
ORANGE, BAND, RED, BLACK = (30, 85, 230), (235, 235, 235), (35, 30, 190), (35, 35, 35)
FINE = 3


def bus_course(bay_on_left: bool = True) -> Course:
    return course_for(vehicle_from_table(BUS), bay_on_left=bay_on_left)


def looking_down(course: Course, size: tuple[int, int] = (1280, 720), *, focal_px: float | None = None, k1: float = 0.0,
                 tilt_deg: float = 4.0, tilt_towards_deg: float = 60.0, turn_deg: float = 0.0,
                 height_m: float = 46.0) -> Camera:
    """A camera above the yard's middle, aimed at it; `turn_deg` about the vertical."""
    focal = focal_px or 0.62 * max(size)
    lens = Lens(size[0], size[1], focal, focal, (size[0] - 1) / 2, (size[1] - 1) / 2, (k1, 0.0, 0.0, 0.0, 0.0))
    towards = math.radians(tilt_towards_deg)
    tilt = rotation_matrix(math.radians(tilt_deg) * np.array([math.cos(towards), math.sin(towards), 0.0]))
    rotation = tilt @ rotation_matrix(np.array([0, 0, math.radians(turn_deg)])) @ np.diag([1.0, -1.0, -1.0])
    x = [m.x_m for m in course.marks]
    y = [ln.y0_m for ln in course.lines]
    aim = np.array([(min(x) + max(x)) / 2, (min(y) + max(y)) / 2, 0.0])
    axis = rotation[2]
    return Camera(lens, rotation, aim - axis * height_m / -axis[2])


def paint(course: Course, camera: Camera, *, marks: Sequence[Mark] | None = None, lines: Sequence[Line] | None = None,
          clutter_m: Sequence[tuple[float, float]] = (), covers_m: Sequence[np.ndarray] = (), grain: float = 3.0,
          seed: int = 0, fade: float = 1.0, black_base: bool = False) -> np.ndarray:
    """The picture (bgr). `marks` and `lines`: where they really are (default: nominal). `clutter_m`: extra cones.
    `covers_m`: white polygons (n, 2) on the ground, over everything. `fade`: 1 fresh paint, 0 none."""
    fine = Camera(camera.lens.scaled(FINE), camera.rotation, camera.centre_m)
    canvas = np.empty((fine.lens.height_px, fine.lens.width_px, 3), np.float32)
    canvas[:] = _light(GROUND)
    soft = np.random.default_rng(seed).normal(0, 1, (camera.lens.height_px // 16, camera.lens.width_px // 16))
    stains = cv2.resize(soft.astype(np.float32), (fine.lens.width_px, fine.lens.height_px),
                        interpolation=cv2.INTER_CUBIC)
    canvas *= 1 + 0.06 * stains[..., None]
    for line in lines if lines is not None else course.lines:
        d = np.array([line.x1_m - line.x0_m, line.y1_m - line.y0_m])
        out = np.array([-d[1], d[0]]) / np.hypot(*d) * -line.yard_side * line.width_m
        start, stop = np.array([line.x0_m, line.y0_m]), np.array([line.x1_m, line.y1_m])
        _fill(canvas, fine, np.array([start, stop, stop + out, start + out]), YELLOW, fade)
    bay = course.bay
    for y in (bay.y_min_m, bay.y_max_m):
        _fill(canvas, fine, _box(bay.x_min_m, bay.x_max_m, y - 0.05, y + 0.05), WHITE, fade)
    box = course.stopping_box
    for k in range(8):
        y = box.y_min_m + k * (box.y_max_m - box.y_min_m) / 8
        _fill(canvas, fine, np.array([[box.x_min_m, y], [box.x_max_m, y + 0.2], [box.x_max_m, y + 0.35],
                                      [box.x_min_m, y + 0.15]]), YELLOW, fade)
    if course.barrier:
        b = course.barrier
        for k in range(6):
            y = b.y_min_m + k * (b.y_max_m - b.y_min_m) / 6
            strip = _box(b.x_min_m, b.x_max_m, y, y + (b.y_max_m - b.y_min_m) / 6)
            hull = np.vstack([fine.project_ground(strip), fine.project_ground(strip, course.barrier_height_m)])
            _fill_px(canvas, cv2.convexHull(hull.astype(np.float32))[:, 0], RED if k % 2 else WHITE, 1.0)
    extra = [Mark(f"extra_{i}", x, y) for i, (x, y) in enumerate(clutter_m)]
    for mark in [*(marks if marks is not None else course.marks), *extra]:
        _cone(canvas, fine, mark, BLACK if black_base else ORANGE)
    for cover in covers_m:
        _fill(canvas, fine, cover, WHITE, 1.0)
    light = cv2.resize(canvas, (camera.lens.width_px, camera.lens.height_px), interpolation=cv2.INTER_AREA)
    picture = 255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    noise = np.random.default_rng(seed + 1).normal(0, grain, (*picture.shape[:2], 1))
    return np.clip(picture + noise, 0, 255).astype(np.uint8)


def _light(colour: tuple[int, int, int]) -> np.ndarray:
    c = np.array(colour) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4).astype(np.float32)


def _box(x0: float, x1: float, y0: float, y1: float) -> np.ndarray:
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def _fill(canvas: np.ndarray, camera: Camera, polygon_m: np.ndarray, colour: tuple[int, int, int],
          cover: float) -> None:
    t = np.linspace(0, 1, 40, endpoint=False)[:, None]
    edge = np.concatenate([a + (b - a) * t for a, b in zip(polygon_m, np.roll(polygon_m, -1, 0), strict=True)])
    _fill_px(canvas, camera.project_ground(edge), colour, cover)


def _fill_px(canvas: np.ndarray, polygon_px: np.ndarray, colour: tuple[int, int, int], cover: float) -> None:
    limit = [canvas.shape[1] - 1, canvas.shape[0] - 1]
    low = np.clip(np.floor(polygon_px.min(0)).astype(int) - 1, 0, limit)
    high = np.clip(np.ceil(polygon_px.max(0)).astype(int) + 2, 0, limit)
    part = canvas[low[1]:high[1], low[0]:high[0]]
    mask = np.zeros(part.shape[:2], np.uint8)
    if mask.size:
        cv2.fillPoly(mask, [np.round((polygon_px - low) * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
        part[mask > 0] = part[mask > 0] * (1 - cover) + _light(colour) * cover


def _ring(camera: Camera, mark: Mark, radius_m: float, z_m: float) -> np.ndarray:
    t = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    around = np.column_stack([mark.x_m + radius_m * np.cos(t), mark.y_m + radius_m * np.sin(t)])
    return camera.project_ground(around, z_m)


def _cone(canvas: np.ndarray, camera: Camera, mark: Mark, base: tuple[int, int, int]) -> None:
    h = mark.base_half_m
    _fill(canvas, camera, _box(mark.x_m - h, mark.x_m + h, mark.y_m - h, mark.y_m + h), base, 1.0)
    levels = np.linspace(0.03, mark.height_m, 7)
    for k in range(6):
        r0, r1 = (0.75 * h + (0.03 - 0.75 * h) * z / mark.height_m for z in levels[k:k + 2])
        hull = np.vstack([_ring(camera, mark, r0, levels[k]), _ring(camera, mark, r1, levels[k + 1])])
        _fill_px(canvas, cv2.convexHull(hull.astype(np.float32))[:, 0], BAND if k in (2, 4) else ORANGE, 1.0)
    if mark.pole_height_m > mark.height_m:
        hull = np.vstack([_ring(camera, mark, 0.02, mark.height_m), _ring(camera, mark, 0.02, mark.pole_height_m)])
        _fill_px(canvas, cv2.convexHull(hull.astype(np.float32))[:, 0], RED, 1.0)
