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
from collections.abc import Iterator, Sequence
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from analysis.attempt import Motion
from analysis.clearance import tyres_to_line
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


def run(given: Path, out: Path) -> None:
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
    ground = _ground_homography(registration)
    rows = list(_poses(footage, stabilise, background, ground, vehicle))
    poses = pd.DataFrame(rows, columns=["t_s", "x_m", "y_m", "heading_rad"])
    surveyed = course.with_survey(registration.marks, registration.lines)
    n = len(poses)
    still = np.zeros(n)
    motion = Motion(poses.t_s.to_numpy(), poses.x_m.to_numpy(), poses.y_m.to_numpy(), poses.heading_rad.to_numpy(),
                    still, still, np.zeros((n, 5, 5)), still)
    for line in surveyed.lines:
        reading = tyres_to_line(motion, vehicle, line, 0.0, full_width=False)
        poses[f"tyre_{line.name.removeprefix('side_')}_m"] = reading.value_m
    poses["measured"] = poses.x_m.notna()
    out.mkdir(parents=True, exist_ok=True)
    poses.to_parquet(out / "track.parquet")
    stops, legs = stops_and_legs(poses)
    shunts = sum(leg["direction"] > 0 for leg in legs[1:])
    (out / "attempt.json").write_text(json.dumps(
        {"stops": stops, "legs": legs, "shunts": shunts, "dry_steering": [], "marks": [
            {"name": m.name, "x_m": m.x_m, "y_m": m.y_m, "sd_m": m.sd_m} for m in registration.marks]}))


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


def _poses(footage: Footage, stabilise: Stabiliser, background: cv2.BackgroundSubtractor, ground: np.ndarray,
           vehicle: Vehicle) -> Iterator[tuple[float, float, float, float]]:
    middle_m = (vehicle.x_front_m + vehicle.x_rear_m) / 2
    nothing = (np.nan, np.nan, np.nan)
    for frame in frames(footage, rate_hz=MEASURED_HZ):
        steady = stabilise(_small(frame.bgr))
        if steady is None:
            yield frame.t_s, *nothing
            continue
        changed = (background.apply(steady, learningRate=0) == 255).astype(np.uint8)  # 127 is a shadow
        changed = cv2.morphologyEx(changed, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        changed = cv2.morphologyEx(changed, cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
        patches, _ = cv2.findContours(changed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        if not patches:
            yield frame.t_s, *nothing
            continue
        on_ground = _vehicle_patch(patches, ground, vehicle.length_m)
        (x, y), (a, b), turn_deg = cv2.minAreaRect(on_ground)
        if a * b < 0.3 * vehicle.length_m * vehicle.width_m:
            yield frame.t_s, *nothing
            continue
        heading = np.radians(turn_deg if a >= b else turn_deg + 90)
        heading = np.arctan(np.tan(heading))  # the exercise is driven facing the forward pair
        yield frame.t_s, x - middle_m * np.cos(heading), y - middle_m * np.sin(heading), heading


def _vehicle_patch(patches: Sequence[np.ndarray], ground: np.ndarray, length_m: float) -> np.ndarray:
    """(n, 2) float32 m: the largest patch, with others of at least a tenth of its size less than a length away."""
    by_size = sorted(patches, key=cv2.contourArea, reverse=True)
    outlines = [cv2.perspectiveTransform(p.astype(np.float32), ground).reshape(-1, 2) for p in by_size]
    middle = outlines[0].mean(axis=0)
    near = [o for o, p in zip(outlines, by_size, strict=True)
            if cv2.contourArea(p) >= 0.1 * cv2.contourArea(by_size[0]) and np.abs(o - middle).max() < length_m]
    return np.concatenate(near or outlines[:1]).astype(np.float32)


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
