"""The truth of a clip: one row a frame, and the events of the run."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from analysis.course import Course
from analysis.vehicle import Vehicle
from sample_clips.drive import Run, body_corners_m, body_to_point_m, tyre_corners_m, wheel_angles
from sample_clips.film import Contact, Film
from sample_clips.towed_truth import last_body, trailer_truth

COLUMNS = (
    "frame,t_s,x_m,y_m,heading_rad,speed_mps,steer_rad,steer_left_wheel_rad,steer_right_wheel_rad,"
    "cam_x_m,cam_y_m,cam_z_m,r11,r12,r13,r21,r22,r23,r31,r32,r33,"
    "tyre_clear_left_m,tyre_clear_right_m,body_clear_left_m,body_clear_right_m"
)


def _sides(course: Course) -> dict[str, Any]:
    return {side: next(ln for ln in course.lines if ln.name == f"side_{side}") for side in ("left", "right")}


def _clearances(
    vehicle: Vehicle, course: Course, x: np.ndarray, y: np.ndarray, h: np.ndarray, steer: np.ndarray
) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    tyres, body = tyre_corners_m(vehicle, x, y, h, steer), body_corners_m(vehicle, x, y, h)
    return {
        side: (ln.clearance_m(tyres).min(axis=1), ln.clearance_m(body).min(axis=1))
        for side, ln in _sides(course).items()
    }


def write_track(path: Path, film: Film, times_s: np.ndarray) -> None:
    """`track.csv`: pose, wheels, camera (Xc = R (Xw - C)) and clearances at each frame's presentation time."""
    run, v = film.run, film.vehicle
    x, y, h, speed, steer = (
        np.interp(times_s, run.t_s, a) for a in (run.x_m, run.y_m, run.heading_rad, run.speed_mps, run.steer_rad)
    )
    left, right = wheel_angles(v, steer)
    clear = _clearances(v, film.course, x, y, h, steer)
    with path.open("w") as out:
        out.write(COLUMNS + (",articulation_rad" if v.trailer else "") + "\n")
        for i, t in enumerate(times_s):
            camera = film.camera(t)
            values = [
                x[i],
                y[i],
                h[i],
                speed[i],
                steer[i],
                left[i],
                right[i],
                *camera.centre_m,
                *camera.rotation.ravel(),
                *(clear[s][k][i] for k in (0, 1) for s in ("left", "right")),
                *([run.articulation_at(t)] if v.trailer else []),
            ]
            out.write(f"{i},{t:.6f}," + ",".join(f"{q:.6f}" for q in values) + "\n")


def write_truth(path: Path, film: Film, frames: int) -> None:
    """`truth.json`: camera, the course as really set out, vehicle and events."""
    s, v, lens = film.scenario, film.vehicle, film.lens
    rotation, centre = film.nominal
    sides = _sides(film.course)
    bay, stop = film.course.bay, film.course.stopping_box
    data = {
        "scenario": s.name,
        "fps": float(s.fps),
        "frames": frames,
        "width": lens.width,
        "height": lens.height,
        "conventions": "ISO 8855: x forward, y left, z up, heading anticlockwise positive, steer positive left, "
        "reverse speed negative; metres, seconds, radians unless the key says otherwise; t_s is the presentation time",
        "camera": {
            "model": "OpenCV pinhole + Brown; Xc = R (Xw - C); pixel (0,0) is the centre of the top-left pixel",
            "K": lens.matrix.tolist(),
            "dist_k1_k2_p1_p2_k3": [lens.k1, lens.k2, 0, 0, 0],
            "nominal_altitude_m": s.view.altitude_m,
            "nominal_tilt_deg": s.view.tilt_deg,
            "mode": s.view.kind,
            "nominal_position_m": centre.tolist(),
            "nominal_R": rotation.tolist(),
        },
        "course": {
            "frame": "origin middle of bay back line, x towards forward pair, y left, z up (ISO 8855), metres",
            "cones": [asdict(m) for m in film.course.marks],
            "side_lines": [
                {
                    "name": side,
                    "y_inner_m": ln.y0_m,
                    "y_inner_end_m": ln.y1_m,
                    "y_centre_m": ln.y0_m - ln.yard_side * ln.width_m / 2,
                    "width_m": ln.width_m,
                    "x0_m": ln.x0_m,
                    "x1_m": ln.x1_m,
                }
                for side, ln in sides.items()
            ],
            "bay": {
                "x0_m": bay.x_min_m,
                "x1_m": bay.x_max_m,
                "y0_m": bay.y_min_m,
                "y1_m": bay.y_max_m,
                "edge_line_width_m": 0.08,
            },
            "stopping_box": stop
            and {"x0_m": stop.x_min_m, "x1_m": stop.x_max_m, "y0_m": stop.y_min_m, "y1_m": stop.y_max_m},
            "barrier": film.course.barrier
            and {
                "x_face_m": film.course.barrier.x_max_m,
                "y0_m": film.course.barrier.y_min_m,
                "y1_m": film.course.barrier.y_max_m,
                "height_m": film.course.barrier_height_m,
                "thickness_m": film.course.barrier.x_max_m - film.course.barrier.x_min_m,
            },
            "forward_pair_x_m": max(film.course.mark(n).x_m for n in ("forward_left", "forward_right")),
            "pivot_x_m": film.course.mark("pivot").x_m if film.course.has_mark("pivot") else None,
        },
        "vehicle": {
            "kind": s.kind,
            "length": v.length_m,
            "width": v.width_m,
            "height": v.height_m,
            "wheelbase": v.wheelbase_m,
            "front_overhang": v.front_overhang_m,
            "rear_overhang": v.rear_overhang_m,
            "track_front": v.track_front_m,
            "track_rear": v.track_rear_m,
            "tyre_width_front": v.tyre_width_front_m,
            "tyre_width_rear": v.tyre_width_rear_m,
            "wheel_radius": v.wheel_radius_m,
            "corner_radius": v.corner_radius_m,
            "max_steer_deg": math.degrees(v.max_wheel_rad),
            "mirror_out": v.mirror_out_m,
            "mirror_z": v.mirror_z_m,
        },
        "sun_azimuth_deg": s.sky.azimuth_deg,
        "sun_elevation_deg": s.sky.elevation_deg,
        "events": events(film.run, v, film.course, film.contact),
    }
    if v.trailer:
        data["trailer"] = trailer_truth(film.run, v, film.course)
    path.write_text(json.dumps(data, indent=1) + "\n")


def events(run: Run, vehicle: Vehicle, course: Course, contact: Contact | None) -> dict[str, Any]:
    """Stops, legs, shunts, dry steering, least clearances, contact and final place, from the run alone."""
    v = vehicle
    kinds = ["start"] + ["direction_change"] * (len(run.stops) - 2) + ["final"]
    stops = []
    for (t0, t1), kind in zip(run.stops, kinds, strict=True):
        x, y, *_ = run.at(t0)
        stops.append({"t0_s": t0, "t1_s": t1, "x_m": x, "y_m": y, "kind": kind})
    legs = [{"direction": d, "t0_s": t0, "t1_s": t1} for d, t0, t1 in run.legs]
    lines = {}
    for side, (tyre, body) in _clearances(v, course, run.x_m, run.y_m, run.heading_rad, run.steer_rad).items():
        over = run.t_s[tyre < 0]
        dt = np.gradient(run.t_s)
        lines[side] = {
            "min_tyre_m": float(tyre.min()),
            "t_min_tyre_s": float(run.t_s[tyre.argmin()]),
            "min_body_m": float(body.min()),
            "t_min_body_s": float(run.t_s[body.argmin()]),
            "tyre_over_line_s": float(dt[tyre < 0].sum()),
            "tyre_over_line_span": [float(over[0]), float(over[-1])] if len(over) else None,
        }
    cones = []
    for m in course.marks:
        d = body_to_point_m(v, run.x_m, run.y_m, run.heading_rad, m.x_m, m.y_m)
        touched = contact is not None and contact.mark.name == m.name
        cones.append(
            {
                "cone": m.name,
                "min_body_to_axis_m": float(d.min()),
                "min_body_to_base_m": float(d.min()) - m.base_half_m,
                "t_s": float(run.t_s[d.argmin()]),
                "touched": touched,
                "note": "distance to the cone's ORIGINAL place; negative = body passed over it",
            }
        )
    last, (x, y, h) = last_body(run, v)
    rear = np.array([x, y]) + last.x_rear_m * np.array([math.cos(h), math.sin(h)])
    across = last.width_m / 2 * np.array([-math.sin(h), math.cos(h)])
    rearmost = float(body_corners_m(last, np.array([x]), np.array([y]), np.array([h]))[0, :, 0].min())
    stop = course.stopping_box
    front = run.x_m + v.x_front_m * np.cos(run.heading_rad)
    pair = max(course.mark(n).x_m for n in ("forward_left", "forward_right"))
    return {
        "stops": stops,
        "legs": legs,
        "direction_changes": [
            leg[1] for before, leg in zip(run.legs[:-1], run.legs[1:], strict=True) if before[0] != leg[0]
        ],
        "shunts": [{"t0_s": t0, "t1_s": t1} for i, (d, t0, t1) in enumerate(run.legs) if d > 0 and i > 0],
        "dry_steering": [
            {"t0_s": t0, "t1_s": t1, "from_rad": a, "to_rad": b, "angle_deg": math.degrees(b - a)}
            for t0, t1, a, b in run.dry_turns
        ],
        "line_clearance": lines,
        "cone_clearance": cones,
        "contacts": []
        if contact is None
        else [
            {
                "cone": contact.mark.name,
                "t_s": contact.t_s,
                "toppled": True,
                "slid_m": contact.slide_m,
                "direction_rad": contact.towards_rad,
            }
        ],
        "final": {
            "rear_mid_x_m": float(rear[0]),
            "rear_mid_y_m": float(rear[1]),
            "rear_left_corner_m": (rear + across).tolist(),
            "rear_right_corner_m": (rear - across).tolist(),
            "rearmost_x_m": rearmost,
            "heading_rad": h,
            "in_box": bool(stop.x_min_m <= rearmost <= stop.x_max_m) if stop else None,
            "rear_to_back_line_m": rearmost,
            "rear_to_barrier_m": rearmost - course.barrier.x_max_m if course.barrier else None,
            "rear_to_box_front_edge_m": stop.x_max_m - rearmost if stop else None,
            "front_past_bay_mouth_m": course.bay.x_max_m - float(front[-1]),
        },
        "front_pair": {"max_front_x_m": float(front.max()), "gap_to_pair_m": float(pair - front.max())},
    }
