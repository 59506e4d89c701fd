"""The trailer's share of a clip's truth."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from analysis.body import Body
from analysis.course import Course
from analysis.vehicle import Vehicle
from sample_clips.drive import Run, body_to_point_m
from sample_clips.towing import towed, trailer_place_m, trailer_tyre_corners_m


def last_body(run: Run, vehicle: Vehicle) -> tuple[Body, tuple[float, float, float]]:
    """The body that goes into the bay first, with its place (x, y, heading) at the end of the run."""
    x, y, h, *_ = run.at(float(run.t_s[-1]))
    if vehicle.trailer is None:
        return vehicle, (x, y, h)
    place = trailer_place_m(vehicle, np.array([[x, y, h, h + run.articulation_at(float(run.t_s[-1]))]]))[0]
    return vehicle.trailer, (float(place[0]), float(place[1]), float(place[2]))


def trailer_truth(run: Run, vehicle: Vehicle, course: Course) -> dict[str, Any]:
    """The trailer's sizes, its least distances to side lines (tyres) and cones (body), and its largest bend."""
    trailer = towed(vehicle)
    assert run.articulation_rad is not None
    theirs = run.heading_rad + run.articulation_rad
    places = trailer_place_m(vehicle, np.column_stack([run.x_m, run.y_m, run.heading_rad, theirs]))
    tyres = trailer_tyre_corners_m(trailer, places)
    return {
        "sizes": {k: v for k, v in asdict(trailer).items() if k != "solids"},
        "min_tyre_m": {ln.name: float(ln.clearance_m(tyres).min()) for ln in course.lines},
        "min_body_to_axis_m": {
            m.name: float(body_to_point_m(trailer, *places.T, m.x_m, m.y_m).min()) for m in course.marks
        },
        "most_bent_rad": float(np.abs(run.articulation_rad).max()),
    }
