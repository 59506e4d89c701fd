"""The survey of an empty yard, from a photo or a short clip from above: no vehicle is needed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from analysis.course import Course
from analysis.trouble import Trouble
from vision.camera import Lens
from vision.footage import open_footage, spread_frames
from vision.ground import GroundReference, Placed, Reach
from vision.photo import read_photo
from vision.plate import build_plate
from vision.survey import Pick, Registration, refine, register_any
from vision.sway import lens_from_sway

PHOTOS = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".bmp", ".webp")
MOST_PX = 3840  # a larger photo says no more about a cone half a metre wide, and takes much longer
PICTURES = 9  # of a clip: their median leaves out who walks through, and averages noise


@dataclass(frozen=True)
class YardSurvey:
    """The registration of the yard, the picture it was measured on (bgr), and from how many pictures it was made."""

    registration: Registration
    bgr: np.ndarray
    pictures: int


def survey_yard(path: Path, course: Course, *, lens: Lens | None = None,
                picks: Sequence[Pick] | None = None) -> YardSurvey:
    """Find the course in a photo or a clip and measure where its marks and lines are.

    Raises Trouble when the file cannot be read or the course is not found in it."""
    shots = [_photo(path)] if path.suffix.lower() in PHOTOS else \
        [f.bgr for f in spread_frames(open_footage([path]), PICTURES)]
    if not shots:
        raise Trouble("no picture in it can be read", where=str(path), remedy="copy it from the camera again")
    size = shots[0].shape[1], shots[0].shape[0]
    if lens is not None:
        if abs(lens.width_px / lens.height_px - size[0] / size[1]) > 0.01:
            raise Trouble(f"is for pictures of {lens.width_px}×{lens.height_px}, this one has {size[0]}×{size[1]}",
                          where="lens file", remedy="calibrate with the same camera setting, or leave it out")
        lens = lens.scaled(size[0] / lens.width_px)
    at, registration = register_any(shots, course, str(path), lens=lens, picks=picks)
    if len(shots) == 1:
        return YardSurvey(registration, shots[0], 1)
    reference = GroundReference(shots[at], registration.camera)
    placed = [(s, p.camera) for s in shots for p in [reference.place(s, registration.camera, reach=Reach.WIDE)]
              if isinstance(p, Placed)]
    if len(placed) < 3:
        return YardSurvey(registration, shots[at], 1)
    plate = build_plate([s for s, _ in placed], [c for _, c in placed], registration.camera)
    sway = None if lens else lens_from_sway([s for s, _ in placed], [c for _, c in placed], [None] * len(placed), plate)
    start = registration if sway is None else replace(registration, camera=sway.camera)
    better = refine(start, plate.bgr, course, lens_known=lens is not None,
                    exclude_mask=(~plate.known).astype(np.uint8), sway=sway)
    if not isinstance(better, Registration):
        return YardSurvey(registration, shots[at], 1)
    return YardSurvey(better, plate.bgr, len(placed))


def _photo(path: Path) -> np.ndarray:
    bgr = read_photo(path)
    if bgr is None:
        raise Trouble("the picture cannot be read", where=str(path), remedy="give a JPEG or PNG as the camera wrote it")
    shrink = MOST_PX / max(bgr.shape[:2])
    return cv2.resize(bgr, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA) if shrink < 1 else bgr
