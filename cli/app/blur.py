"""Making people in a clip unrecognisable before it is passed on.

A detector would miss somebody. So everything but the vehicle itself is coarsened to blocks of 30 cm on the ground, more
than the width of a head: no face, uniform badge or number plate on the yard is left. The vehicle is kept sharp
as far as its solid reaches in the picture; where it was not measured, or the camera's place is not known, the whole
picture is coarsened.

What this cannot do: hide that somebody was there, how they move or the colour of their clothes; hide a face behind the
windscreen or writing on the vehicle; hide somebody who stands under an overhang of the solid.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.spatial.transform import Rotation

from analysis.track import CameraPath
from cli import scene
from cli.overlay import VIDEO_RATE_HZ, Mp4Writer, video_size_px
from vision.camera import Camera
from vision.footage import frames, open_footage
from vision.overlap import ahead

BLOCK_M = 0.30
STAGE = "blurring people"


def blur_people(clip: Path, page_data: Mapping[str, Any], out: Path, report: Callable[[str, float], None]) -> None:
    """Write the clip anew (H.264, up to 10 pictures a second) with everything but the vehicle coarsened.

    page_data: what the review page was drawn from: camera, motion and solids.
    """
    footage = open_footage([clip])
    width, height = video_size_px(footage)
    path = camera_path(page_data["camera"]) if page_data.get("camera") else None
    with Mp4Writer(out, width, height) as writer:
        for frame in ahead(frames(footage, rate_hz=VIDEO_RATE_HZ, size_px=(width, height))):
            camera = scene.camera_at(path, frame.t_s) if path else None
            if camera is not None:
                camera = Camera(camera.lens.scaled(width / camera.lens.width_px), camera.rotation, camera.centre_m)
            writer.add(coarsened(frame.bgr, camera, outlines_px(page_data, camera, frame.t_s)), frame.t_s)
            report(STAGE, frame.t_s / footage.duration_s)


def coarsened(picture: np.ndarray, camera: Camera | None, keep_px: Sequence[np.ndarray]) -> np.ndarray:
    """The picture in blocks of 30 cm on the ground, but inside the convex outlines keep_px, each (n, 2)."""
    height, width = picture.shape[:2]
    block = max(8.0, BLOCK_M / camera.metres_per_pixel()) if camera else width / 40
    small = cv2.resize(picture, (max(2, round(width / block)), max(2, round(height / block))),
                       interpolation=cv2.INTER_AREA)
    coarse = cv2.resize(small, (width, height), interpolation=cv2.INTER_NEAREST)
    for outline in keep_px:
        mask = np.zeros((height, width), np.uint8)
        cv2.fillConvexPoly(mask, np.round(outline).astype(np.int32), 1)
        coarse[mask > 0] = picture[mask > 0]
    return coarse


def outlines_px(page_data: Mapping[str, Any], camera: Camera | None, t_s: float) -> list[np.ndarray]:
    """(n, 2) hulls of the solids of vehicle and trailer in the picture at t; none where they were not measured."""
    m = page_data["motion"]
    i, j, f = scene.bracket(np.asarray(m["t"]), t_s)
    if camera is None or not (m["known"][i] and (f == 0.0 or m["known"][j])):
        return []
    hulls = []
    for body in page_data["bodies"]:
        x_m, y_m, heading_rad = (body["path"][k][i] + f * (body["path"][k][j] - body["path"][k][i])
                                 for k in ("x", "y", "heading"))
        corners = []
        for solid in body["solids"]:
            ring = scene.placed(np.asarray(solid["ring"], float), x_m, y_m, heading_rad)
            corners += [np.column_stack([ring, np.full(len(ring), z)]) for z in (solid["low"], solid["high"])]
        hulls.append(cv2.convexHull(camera.project(np.vstack(corners)).astype(np.float32)).reshape(-1, 2))
    return hulls


def camera_path(camera: Mapping[str, Any]) -> CameraPath:
    """The camera over time from the numbers in a review page."""
    rotation = Rotation.from_quat(np.asarray(camera["q"], float)[:, [1, 2, 3, 0]]).as_matrix()
    return CameraPath(camera["width"], camera["height"], camera["fx"], camera["fy"], camera["cx"], camera["cy"],
                      tuple(camera["dist"]), np.asarray(camera["t"], float), rotation,
                      np.asarray(camera["centre"], float), np.asarray(camera["known"], bool))
