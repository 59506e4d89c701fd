"""The baseline to beat, of OpenCV's own parts: `python -m bench.baseline GIVEN OUT` writes an attempt folder.

Pictures are stabilised onto one of them by matched features and a homography; a background subtractor, taught on
pictures spread over the clip and then frozen, gives the changed pixels, its shadows left out; the ground homography
comes from the surveyed marks (the same survey that the pipeline starts from); the largest patch's smallest rectangle
on the ground is the vehicle, its middle and long side with the vehicle's sizes the rear axle; speed is a finite
difference over a second, a stop is slower than a threshold. It has no wheel angle and no intervals.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from analysis.attempt import Motion
from analysis.clearance import tyres_to_line
from analysis.course import Course
from analysis.vehicle import Vehicle
from cli.files import read_course, read_vehicle
from vision.footage import Footage, frames, open_footage, spread_frames
from vision.measure import MEASURED_HZ
from vision.survey import Registration, register

WORK_SHARE = 0.5  # of the picture's size
SPREAD_COUNT = 40
STANDING_MPS, STANDING_S = 0.12, 0.5


class Stabiliser:
    """Turns a picture into the view of the reference picture, by ORB features and a RANSAC homography."""

    def __init__(self, reference_bgr: np.ndarray) -> None:
        self._finder = cv2.ORB.create(2000, fastThreshold=10)
        self._points, self._words = self._features(reference_bgr)
        self._matcher = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True)

    def _features(self, bgr: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        keys, words = self._finder.detectAndCompute(cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY), None)
        return np.array([k.pt for k in keys], np.float32).reshape(-1, 2), words

    def __call__(self, bgr: np.ndarray) -> np.ndarray | None:
        points, words = self._features(bgr)
        if words is None:
            return None
        pairs = self._matcher.match(words, self._words)
        if len(pairs) < 15:
            return None
        here = points[[p.queryIdx for p in pairs]]
        there = self._points[[p.trainIdx for p in pairs]]
        to_reference, _ = cv2.findHomography(here, there, cv2.RANSAC, 1.5)
        if to_reference is None:
            return None
        return cv2.warpPerspective(bgr, to_reference, bgr.shape[1::-1], borderMode=cv2.BORDER_REPLICATE)


@dataclass(frozen=True)
class Yard:
    """What is known before the vehicle is looked for. ground: the steady picture's pixels to metres, (3, 3)."""

    vehicle: Vehicle
    course: Course
    footage: Footage
    registration: Registration
    stabilise: Stabiliser
    background: cv2.BackgroundSubtractor
    ground: np.ndarray

    @classmethod
    def look_over(cls, given: Path) -> Yard:
        vehicle, course = read_vehicle(given / "vehicle.toml"), read_course(given / "course.toml")
        footage = open_footage([given / "clip.mp4"])
        shots = [f.bgr for f in spread_frames(footage, SPREAD_COUNT)]
        registration, reference = next((r, s) for s in _from_the_middle(shots) if (r := register(s, course)))
        assert isinstance(registration, Registration)
        stabilise = Stabiliser(_small(reference))
        background = cv2.createBackgroundSubtractorMOG2(history=len(shots), varThreshold=25, detectShadows=True)
        for shot in shots:
            steady = stabilise(_small(shot))
            if steady is not None:
                background.apply(steady)
        return cls(vehicle, course, footage, registration, stabilise, background, _ground_homography(registration))

    @property
    def middle_m(self) -> float:
        """How far the body's middle lies before the rear axle."""
        return (self.vehicle.x_front_m + self.vehicle.x_rear_m) / 2

    def pictures(self) -> Iterator[tuple[float, np.ndarray | None]]:
        """Time and steady picture, None where it could not be matched."""
        for frame in frames(self.footage, rate_hz=MEASURED_HZ):
            yield frame.t_s, self.stabilise(_small(frame.bgr))

    def vehicle_px(self, steady: np.ndarray) -> np.ndarray | None:
        """(n, 2) px: the outline of the largest patch that changed, with those of at least a tenth of its size less
        than a length away; None where nothing as large as a vehicle did."""
        changed = (self.background.apply(steady, learningRate=0) == 255).astype(np.uint8)  # 127 is a shadow
        changed = cv2.morphologyEx(changed, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        changed = cv2.morphologyEx(changed, cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
        patches, _ = cv2.findContours(changed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        if not patches:
            return None
        by_size = sorted(patches, key=cv2.contourArea, reverse=True)
        middle = self.on_ground(by_size[0]).mean(axis=0)
        near = [p for p in by_size if cv2.contourArea(p) >= 0.1 * cv2.contourArea(by_size[0])
                and np.abs(self.on_ground(p) - middle).max() < self.vehicle.length_m]
        outline = np.concatenate(near or by_size[:1]).reshape(-1, 2)
        _, (a, b), _ = cv2.minAreaRect(self.on_ground(outline))
        return outline if a * b >= 0.3 * self.vehicle.length_m * self.vehicle.width_m else None

    def on_ground(self, px: np.ndarray) -> np.ndarray:
        """(n, 2) float32 m."""
        return cv2.perspectiveTransform(px.reshape(-1, 1, 2).astype(np.float32), self.ground).reshape(-1, 2)


def run(given: Path, out: Path) -> None:
    yard = Yard.look_over(given)
    write(yard, pd.DataFrame(_poses(yard), columns=["t_s", "x_m", "y_m", "heading_rad"]), out)


def write(yard: Yard, poses: pd.DataFrame, out: Path) -> None:
    """The files of an attempt folder that are scored. poses: t_s, x_m, y_m, heading_rad; NaN where not found."""
    surveyed = yard.course.with_survey(yard.registration.marks, yard.registration.lines)
    n = len(poses)
    still = np.zeros(n)
    motion = Motion(poses.t_s.to_numpy(), poses.x_m.to_numpy(), poses.y_m.to_numpy(), poses.heading_rad.to_numpy(),
                    still, still, np.zeros((n, 5, 5)), still)
    for line in surveyed.lines:
        reading = tyres_to_line(motion, yard.vehicle, line, 0.0, full_width=False)
        poses[f"tyre_{line.name.removeprefix('side_')}_m"] = reading.value_m
    poses["measured"] = poses.x_m.notna()
    out.mkdir(parents=True, exist_ok=True)
    poses.to_parquet(out / "track.parquet")
    stops, legs = stops_and_legs(poses)
    shunts = sum(leg["direction"] > 0 for leg in legs[1:])
    (out / "attempt.json").write_text(json.dumps(
        {"stops": stops, "legs": legs, "shunts": shunts, "dry_steering": [], "marks": [
            {"name": m.name, "x_m": m.x_m, "y_m": m.y_m, "sd_m": m.sd_m} for m in yard.registration.marks]}))


def _from_the_middle(shots: list[np.ndarray]) -> list[np.ndarray]:
    return sorted(shots, key=lambda s: abs(next(i for i, x in enumerate(shots) if x is s) - len(shots) // 2))


def _small(bgr: np.ndarray) -> np.ndarray:
    return cv2.resize(bgr, None, fx=WORK_SHARE, fy=WORK_SHARE, interpolation=cv2.INTER_AREA)


def _ground_homography(registration: Registration) -> np.ndarray:
    """Small reference pixels to metres, from the surveyed marks alone."""
    ground = np.array([[m.x_m, m.y_m] for m in registration.marks])
    px = registration.camera.project_ground(ground)
    small_px = (px + 0.5) * WORK_SHARE - 0.5
    return cv2.findHomography(small_px, ground)[0]


def _poses(yard: Yard) -> Iterator[tuple[float, float, float, float]]:
    for t_s, steady in yard.pictures():
        outline = yard.vehicle_px(steady) if steady is not None else None
        if outline is None:
            yield t_s, np.nan, np.nan, np.nan
            continue
        (x, y), (a, b), turn_deg = cv2.minAreaRect(yard.on_ground(outline))
        heading = np.radians(turn_deg if a >= b else turn_deg + 90)
        heading = np.arctan(np.tan(heading))  # the exercise is driven facing the forward pair
        yield t_s, x - yard.middle_m * np.cos(heading), y - yard.middle_m * np.sin(heading), heading


def stops_and_legs(poses: pd.DataFrame) -> tuple[list[dict], list[dict]]:
    """Standstills and movements from signed speed over a second; poses are bridged over gaps."""
    whole = poses.interpolate(limit_direction="both")
    if whole.x_m.isna().any():
        return [], []
    second = round(MEASURED_HZ)
    x, y, heading = (whole[c].rolling(second, center=True, min_periods=1).mean().to_numpy()
                     for c in ("x_m", "y_m", "heading_rad"))
    t = whole.t_s.to_numpy()
    speed = np.gradient(x, t) * np.cos(heading) + np.gradient(y, t) * np.sin(heading)
    sign = np.where(np.abs(speed) < STANDING_MPS, 0, np.sign(speed)).astype(int)
    cuts = np.flatnonzero(np.diff(sign)) + 1
    pieces = [(t[i], t[min(j, len(t) - 1)], int(sign[i])) for i, j in zip([0, *cuts], [*cuts, len(t)], strict=True)]
    stops = [{"t_start_s": a, "t_end_s": b} for a, b, s in pieces if s == 0 and b - a >= STANDING_S]
    legs: list[dict] = []
    for a, b, s in pieces:
        if s == 0 or b - a < STANDING_S:
            continue
        if legs and legs[-1]["direction"] == s:
            legs[-1]["t_end_s"] = b
        else:
            legs.append({"t_start_s": a, "t_end_s": b, "direction": s})
    return stops, legs


if __name__ == "__main__":
    run(Path(sys.argv[1]), Path(sys.argv[2]))
