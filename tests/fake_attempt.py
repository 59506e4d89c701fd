"""A hand-made attempt and a small clip of it, for tests of files, pages and pictures: nothing is estimated here.

A short lorry reverses in a gentle curve, stops, turns its wheel standing and reverses on; 0.8 s
in the middle are a gap. Seen from straight above by a camera that drifts sideways.
"""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from analysis.attempt import Attempt, DryTurn, Final, Finding, Leg, Motion, Series, Stop
from analysis.course import SurveyedMark
from analysis.layouts import course_for
from analysis.mirrors import mirrors_of
from analysis.rules import Rules, rules_from_table
from analysis.track import CameraPath, Track
from analysis.vehicle import Vehicle, vehicle_from_table

SIZE_PX = 640, 360
RATE_HZ = 10


def lorry() -> Vehicle:
    return vehicle_from_table({"schema": 1, "name": "8.5 m lorry", "length_m": 8.5, "width_m": 2.5, "height_m": 3.3,
                               "wheelbase_m": 4.8, "front_overhang_m": 1.4})


def rules() -> Rules:
    return rules_from_table({"schema": 1, "name": "any part of a tyre", "tyre_reading": "any_part"})


def _poses() -> dict[str, np.ndarray]:
    """12 s at 10 Hz by Euler steps of the single-track model: reverse to 5 s, stand to 7 s, reverse to 11 s."""
    t = np.arange(0, 12.01, 1 / RATE_HZ)
    speed = np.where((t > 0.5) & (t < 5) | (t > 7) & (t < 11), -1.6, 0.0)
    wheel = np.radians(np.interp(t, [0, 1, 4, 5.5, 6.5, 12], [0, 0, -8, -8, 17, 17]))
    x, y, h = np.zeros_like(t), np.zeros_like(t), np.zeros_like(t)
    x[0], y[0] = 26.0, -2.0
    for i in range(1, len(t)):
        step = speed[i] / RATE_HZ
        x[i], y[i] = x[i - 1] + step * math.cos(h[i - 1]), y[i - 1] + step * math.sin(h[i - 1])
        h[i] = h[i - 1] + step * math.tan(wheel[i]) / lorry().wheelbase_m
    return {"t": t, "x": x, "y": y, "h": h, "v": speed, "w": wheel}


def make_attempt(*, sentence: str = "Wheel turned 25.0° to the left while standing") -> Attempt:
    vehicle, p = lorry(), _poses()
    course = course_for(vehicle)
    n = len(p["t"])
    measured = ~((p["t"] > 2.55) & (p["t"] < 3.35))
    surveyed = tuple(SurveyedMark(m.name, m.x_m + 0.05, m.y_m - 0.1, 0.015, m.x_m, m.y_m) for m in course.marks)
    cov = np.tile(np.diag([0.01**2, 0.01**2, 0.001**2, 0.03**2, math.radians(2) ** 2]), (n, 1, 1))
    down = np.array([[1.0, 0, 0], [0, -1, 0], [0, 0, -1]])
    centre = np.column_stack([20 + 0.05 * p["t"], np.full(n, -2.5), np.full(n, 40.0)])
    camera = CameraPath(*SIZE_PX, 420.0, 420.0, 319.5, 179.5, (-0.02, 0.0, 0.0, 0.0, 0.0), p["t"],
                        np.tile(down, (n, 1, 1)), centre, np.ones(n, bool))
    track = Track(p["t"], measured, p["x"], p["y"], p["h"], cov[:, :3, :3], np.diag([1e-4, 1e-4, 1e-6]), surveyed,
                  camera=camera, notes=("The vehicle was hidden from 0:02.6 to 0:03.3.",))
    motion = Motion(p["t"], p["x"], p["y"], p["h"], p["v"], p["w"], cov, (p["v"] == 0).astype(float))
    turn = DryTurn(5.0, 7.0, math.radians(-8), math.radians(2), math.radians(17), math.radians(2),
                   math.radians(25.0), math.radians(2.8), 0.999, math.radians(2.5))
    clear = Series("tyre_right", 0.9 - 0.08 * p["t"], np.full(n, 0.02))
    left = Series("tyre_left", 4.0 + 0.05 * p["t"], np.full(n, 0.02))
    findings = (
        Finding("dry_steering", "", "fault", "fault", 5.0, 7.0, 25.0, 2.8, "deg", 10.0,
                (float(p["x"][60]), float(p["y"][60])), sentence),
        Finding("tyre_over_line", "side_right", "too close to call", "fault", 10.8, 11.4, 0.01, 0.02, "m", 0.0,
                (12.0, -6.0), "Rear right tyre 0.01 m from the line"),
        Finding("mark_touched", "pivot", "not seen", "fault", 2.6, 3.3, None, None, "m", None, None,
                "The pivot cone was hidden while the vehicle passed"),
        Finding("final_heading", "", "fault", "note", 12.0, 12.0, 4.0, 0.2, "deg", 3.0, None,
                "Ended 4.0° askew in the bay"),
        Finding("shunt_count", "", "ok", "fault", 0.0, 12.0, 0.0, 0.0, "1", 2.0, None, "No shunt; two are allowed"),
    )
    legs = (Leg(0.5, 11.0, -1, 13.6),)
    mirrors = mirrors_of(motion, vehicle, course, legs, np.ones(n, bool))
    return Attempt(vehicle, course, course.with_survey(surveyed, ()), rules(), track, motion,
                   (Stop(0.0, 0.5, 0.05, 0.05, "start"), Stop(5.0, 7.0, 0.05, 0.05, "between"),
                    Stop(11.0, 12.0, 0.05, 0.05, "final")),
                   legs, 0, (turn,), {"tyre_left": left, "tyre_right": clear},
                   {"pivot": Series("pivot", 2.0 - 0.1 * p["t"], np.full(n, 0.03))}, None,
                   Final(float(p["x"][-1]) - 2.3, 0.02, 0.1, 0.02, math.radians(4), 0.003, None, 0.0), mirrors,
                   findings)


def write_clip(path: Path, *, seconds: float = 12.0, codec: str = "libx264") -> Path:
    """A 640x360 clip at 10 frames/s: grey ground with a white block that moves with time."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=RATE_HZ)
        stream.width, stream.height, stream.pix_fmt = *SIZE_PX, "yuv420p"
        stream.codec_context.time_base = Fraction(1, RATE_HZ)
        for i in range(round(seconds * RATE_HZ) + 1):
            picture = np.full((SIZE_PX[1], SIZE_PX[0], 3), 90, np.uint8)
            picture[160:200, 20 + 4 * i:80 + 4 * i] = 230
            frame = av.VideoFrame.from_ndarray(picture, format="bgr24")
            frame.pts, frame.time_base = i, Fraction(1, RATE_HZ)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path
