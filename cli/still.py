"""The clip's still at the moment that the trainee's sheet shows, with the vehicle drawn where it stands."""

from __future__ import annotations

import cv2
import numpy as np

from analysis.attempt import Attempt
from cli import scene
from cli.overlay import Artist
from vision.footage import Footage, frame_at

_LENGTHS = 2.6  # vehicle lengths that the still shows across; of a combination, less than that is wanted
_LENGTHS_TOWING = 1.6
_WIDTH_PX = 960
_QUALITY = 85


def still_jpeg(footage: Footage, attempt: Attempt, point: scene.TurningPoint) -> bytes | None:
    """The picture nearest to that moment, cut to the surroundings of the vehicle; None when it cannot be read."""
    frame = frame_at(footage, point.t_s)
    if frame is None:
        return None
    picture = frame.bgr.copy()
    height, width = picture.shape[:2]
    Artist(attempt, width, height).draw(picture, frame.t_s, caption=False)
    ends = _ends_px(attempt, frame.t_s, width)
    shown = picture
    if ends is not None:
        lengths = _LENGTHS_TOWING if attempt.trailer else _LENGTHS
        length_px = float(np.hypot(*(ends[1] - ends[0])))
        shown = cut_about(picture, ends.mean(axis=0), float(np.clip(lengths * length_px / width, 0.2, 1.0)))
    size = _WIDTH_PX, round(_WIDTH_PX * height / width)
    done, data = cv2.imencode(".jpg", cv2.resize(shown, size, interpolation=cv2.INTER_AREA),
                              [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    return data.tobytes() if done else None


def _ends_px(attempt: Attempt, t_s: float, width_px: int) -> np.ndarray | None:
    """(2, 2) the middles of front and rear in the picture; None where the vehicle or the camera is not known."""
    path, now = attempt.track.camera, scene.moment(attempt, t_s)
    camera = scene.camera_at(path, t_s) if path else None
    if camera is None or now is None:
        return None
    bodies = scene.bodies_at(attempt.vehicle, now)
    (first, first_pose, _), (last, last_pose, _) = bodies[0], bodies[-1]
    px = camera.project_ground(np.vstack([scene.placed(np.array([[first.x_front_m, 0.0]]), *first_pose),
                                          scene.placed(np.array([[last.x_rear_m, 0.0]]), *last_pose)]))
    return px * width_px / camera.lens.width_px


def cut_about(picture: np.ndarray, middle_px: np.ndarray, share: float) -> np.ndarray:
    """The part of a picture (h, w, 3) of `share` of its width and height, about a place, kept inside the picture."""
    height, width = picture.shape[:2]
    w, h = round(width * share), round(height * share)
    left = int(np.clip(round(float(middle_px[0]) - w / 2), 0, width - w))
    top = int(np.clip(round(float(middle_px[1]) - h / 2), 0, height - h))
    return picture[top:top + h, left:left + w]
