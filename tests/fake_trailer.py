"""The hand-made attempt of `fake_attempt`, its lorry drawing a trailer: for tests of files, pages and pictures."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from fake_attempt import make_attempt

from analysis.attempt import Attempt, Finding, Motion, TrailerCheck, TrailerMotion
from analysis.mirrors import NO_MIRRORS
from analysis.trailer import trailer_pose
from analysis.vehicle import Vehicle, vehicle_from_table

TRAILER = {"name": "5 m trailer", "kind": "rigid_drawbar", "hitch_x_m": -2.2, "hitch_to_axle_m": 5.5, "length_m": 5.0,
           "width_m": 2.3, "height_m": 3.0, "rear_overhang_m": 2.3, "max_articulation_deg": 60.0, "axles": 2,
           "axle_spacing_m": 1.0}


def towing_lorry() -> Vehicle:
    return vehicle_from_table({"schema": 1, "name": "8.5 m lorry and trailer", "length_m": 8.5, "width_m": 2.5,
                               "height_m": 3.3, "wheelbase_m": 4.8, "front_overhang_m": 1.4, "trailer": TRAILER})


def make_towing_attempt() -> Attempt:
    """The angle grows steadily from 0 to 45 degrees, the trailer's tail to the right."""
    attempt, vehicle = make_attempt(), towing_lorry()
    assert vehicle.trailer is not None
    m = attempt.motion
    angle = np.radians(45) * (m.t_s / m.t_s[-1])
    x, y, heading = trailer_pose(m.x_m, m.y_m, m.heading_rad, angle, vehicle.trailer)
    body = Motion(m.t_s, x, y, heading, m.speed_mps, np.zeros(len(x)), m.cov, m.standing)
    folded = Finding("jack_knife", "coupling", "fault", "fault", 10.7, 12.0, 45.0, 0.3, "deg", 40.0,
                     (float(m.x_m[-1]) - 2.2, float(m.y_m[-1])),
                     "45° between vehicle and trailer (± 0.6°), its tail to the right, at 0:12.0: beyond the limit of "
                     "40°.")
    return replace(attempt, vehicle=vehicle, trailer=TrailerMotion(angle, np.full(len(x), math.radians(0.3)), body),
                   trailer_check=TrailerCheck(5.46, 0.05, 5.5), mirrors=NO_MIRRORS,
                   findings=(*attempt.findings, folded))
