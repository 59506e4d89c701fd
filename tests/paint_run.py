"""A whole run painted frame by frame: the plain yard of paint_yard, seen by a moving camera, and a box on it.

Each picture is the painted yard laid out anew by a plane homography, then the box: dark walls, a shadow, a roof with
random fields. No lens distortion. It is quick (some 20 ms a picture) and knows nothing of the estimator.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from paint_yard import bus_course, looking_down, paint
from simulate import Drive, Roll, Stand, bus, drive

from analysis.course import Course
from analysis.vehicle import Vehicle
from vision.camera import Camera, Lens, rotation_matrix

TEXEL_M = 0.02
SIZE = 960, 540
HEIGHT_M = 48.0


@dataclass(frozen=True)
class PaintedRun:
    """The truth of a painted clip and what it is painted from."""

    course: Course
    vehicle: Vehicle
    driven: Drive
    view: Camera
    yard: np.ndarray
    roof: np.ndarray

    def camera(self, t_s: float, climb: Callable[[float], float] = lambda t: 0.0) -> Camera:
        """A drone that sways by a metre and a degree; climb(t): how far (m) it is below its height then."""
        sway = np.array([np.sin(0.9 * t_s), np.sin(0.7 * t_s + 1.0), 0.15 * np.sin(0.5 * t_s)])
        turn = np.radians([0.8 * np.sin(0.8 * t_s + 2), 0.8 * np.sin(1.1 * t_s), 0.6 * np.sin(0.6 * t_s)])
        return Camera(self.view.lens, rotation_matrix(turn) @ self.view.rotation,
                      self.view.centre_m + sway - [0, 0, climb(t_s)])

    def pictures(self, times_s: Sequence[float], climb: Callable[[float], float] = lambda t: 0.0,
                 grain: float = 2.0) -> Iterator[np.ndarray]:
        """One picture (h, w, 3) uint8 a time."""
        noise = np.empty((self.view.lens.height_px, self.view.lens.width_px, 3), np.int16)
        cv2.setRNGSeed(3)
        far = self.view.to_ground(_corners(self.view))
        for t in times_s:
            camera = self.camera(float(t), climb)
            picture = _laid(self.yard, _corners(self.view), camera.project_ground(far), camera.lens)
            x, y, heading, *_ = self.driven.at(np.array([t]))[0]
            self._box(picture, camera, x, y, heading)
            cv2.randn(noise, 0, grain)
            yield cv2.add(picture, noise, dtype=cv2.CV_8U)

    def _box(self, picture: np.ndarray, camera: Camera, x: float, y: float, heading: float) -> None:
        v = self.vehicle
        plan = np.array([[v.x_rear_m, v.width_m / 2], [v.x_front_m, v.width_m / 2], [v.x_front_m, -v.width_m / 2],
                         [v.x_rear_m, -v.width_m / 2]])
        c, s = np.cos(heading), np.sin(heading)
        plan = plan @ np.array([[c, s], [-s, c]]) + [x, y]
        ground, top = camera.project_ground(plan), camera.project_ground(plan, v.height_m)
        shadow = camera.project_ground(plan + np.array([0.9, -1.4]))  # of a high sun
        everything = np.vstack([ground, top, shadow])
        left, above = np.maximum(np.floor(everything.min(axis=0)).astype(int) - 2, 0)
        right, below = np.maximum(np.ceil(everything.max(axis=0)).astype(int) + 3, 0)
        part = picture[above:below, left:right]
        if not part.size:
            return
        ground, top, shadow = (p - [left, above] for p in (ground, top, shadow))
        shown = part.astype(np.float32)
        shown *= 1 - 0.45 * _cover(np.vstack([ground, shadow]), part)
        shown *= 1 - 0.75 * _cover(np.vstack([ground, top]), part)
        h, w = self.roof.shape[:2]
        edge = np.array([[-0.5, -0.5], [w - 0.5, -0.5], [w - 0.5, h - 0.5], [-0.5, h - 0.5]])
        plane = cv2.getPerspectiveTransform(edge.astype(np.float32), top.astype(np.float32))
        roof = cv2.warpPerspective(self.roof, plane, part.shape[1::-1], borderMode=cv2.BORDER_REPLICATE)
        cover = _cover(top, part)
        part[:] = np.round(shown * (1 - cover) + roof * cover)


def painted_run(vehicle: Vehicle | None = None, wait_s: float = 2.0) -> PaintedRun:
    """A wait, forward past the pivot cone, a stop, back in an S, a stop: some 30 s with a bus that waits for 2 s."""
    vehicle = vehicle or bus()
    course = bus_course()
    view = looking_down(course, SIZE, height_m=HEIGHT_M)
    wide = looking_down(course, (SIZE[0] * 3 // 2, SIZE[1] * 3 // 2), height_m=HEIGHT_M * 1.1)
    driven = drive([Stand(wait_s), Roll(9, steer=((0.1, 12), (0.6, -12), (0.95, 0))), Stand(3),
                    Roll(-16, steer=((0.05, -20), (0.5, 20), (0.9, 0))), Stand(3)], vehicle, start=(25.0, -1.5, 0.0))
    rng = np.random.default_rng(5)
    rows, cols = round(vehicle.width_m / TEXEL_M), round(vehicle.length_m / TEXEL_M)
    fields = rng.uniform(120, 235, (rows // 25 + 1, cols // 40 + 1, 1)) * rng.uniform(0.85, 1.0, (1, 1, 3))
    roof = cv2.resize(fields, (cols, rows), interpolation=cv2.INTER_NEAREST).astype(np.float32)
    # The yard is painted from a little higher, so that the swaying camera does not look past its edge.
    return PaintedRun(course, vehicle, driven, view,
                      _laid(paint(course, wide, grain=6.0), _corners(wide),
                            view.project_ground(wide.to_ground(_corners(wide))), view.lens), roof)


def _corners(camera: Camera) -> np.ndarray:
    w, h = camera.lens.width_px, camera.lens.height_px
    return np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], float)


def _laid(picture: np.ndarray, at_px: np.ndarray, to_px: np.ndarray, lens: Lens) -> np.ndarray:
    """The picture warped so that its four points `at_px` come to lie at `to_px`."""
    plane = cv2.getPerspectiveTransform(at_px.astype(np.float32), to_px.astype(np.float32))
    return cv2.warpPerspective(picture, plane, (lens.width_px, lens.height_px), borderMode=cv2.BORDER_REFLECT)


def _cover(px: np.ndarray, part: np.ndarray) -> np.ndarray:
    """(h, w, 1) the share of each pixel that lies within the hull of px (n, 2)."""
    mask = np.zeros(part.shape[:2], np.uint8)
    hull = cv2.convexHull(px.astype(np.float32))[:, 0]
    cv2.fillConvexPoly(mask, np.round(hull * 16).astype(np.int32), 255, cv2.LINE_AA, 4)
    return mask[..., None] / np.float32(255)
