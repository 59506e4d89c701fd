"""The conditions under which a clip is filmed, each a switch of its own, and the short plain scene that they disturb.

A field changes what it says and nothing else: the run, the ground's grain and the camera's other motions stay those
of the seed (except where a condition moves a mark that the driver keeps clear of, or is another vehicle).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analysis.course import Course
from sample_clips.scenario import LORRY, Exercise, OtherVehicle, Scenario, Sky, View, Walker
from sample_clips.scene import GroundLook, Livery, Walls

ORANGE = (240, 96, 30)
BODY_DRAW = 5  # of the body's shape, apart from all other draws of a seed


@dataclass(frozen=True)
class Conditions:
    """The plain scene is the default of every field. Angles in degrees, lengths in metres, times in seconds."""

    # camera
    sway: float = 0.3  # share of 2 m and 3 degrees; 0 stands still
    climb_m: float = 0.0
    turn_deg: float = 0.0
    vibration_deg: float = 0.0
    readout_s: float = 0.0
    bend_k1: float = -0.03
    tilt_deg: float = 4.0
    altitude_m: float = 33.0  # the lens is chosen so that the yard fills the picture
    width_px: int = 1920
    pictures_per_s: int = 5  # half of what is measured of a usual clip: half the time to draw and to measure
    cut_off_m: float = 0.0  # by how far the picture is moved away from the forward pair's end
    covered_s: float = 0.0  # how long something before the camera hides the vehicle
    # course
    mark_error_m: float = 0.03
    missing: tuple[str, ...] = ()
    fallen: tuple[str, ...] = ()
    hidden_at_start: bool = False  # the vehicle stands before the pivot cone, seen from its other side
    orange: bool = False  # a jacket, another course's cones, another barrier
    extra_marks: int = 0
    skew_m: float = 0.02  # how far each end of a side line lies off at most, so that lines are not quite parallel
    wear: float = 0.4  # of the lines' paint
    other_paint: bool = False
    bay_on_left: bool = True
    # light
    sun: float = 0.5  # 1 is hard, 0 overcast
    sun_height_deg: float = 48.0
    drift: float = 0.03
    step: float = 0.0
    white_step: float = 0.0
    cloud_shade: float = 0.0
    tree_shade: float = 0.0
    headlamps: bool = False
    # the camera's own treatment of its pictures
    noise: float = 1.4  # grey levels
    contrast: float = 0.12
    sharpening: float = 0.0
    # vehicle and others
    vehicle: str = "midi"
    colours: str = "red"
    wall_in_m: float = 0.01  # how far its walls lean in at the roof at most
    roof_round_m: float = 0.12  # the rounding of its roof's edge at most
    people_near: bool = False
    second: str = ""  # a second vehicle: "parked" or "passing"
    wait_start_s: float = 1.3
    wait_end_s: float = 1.6


def _one_box(name: str, length: float, width: float, height: float, wheelbase: float, front: float) -> dict[str, Any]:
    """The data sheet of a vehicle that is one box."""
    body = {"name": "body", "x_min_m": wheelbase + front - length, "x_max_m": wheelbase + front, "width_m": width,
            "z_min_m": 0.3, "z_max_m": height, "corner_radius_m": 0.18}
    return {"schema": 1, "name": name, "length_m": length, "width_m": width, "height_m": height,
            "wheelbase_m": wheelbase, "front_overhang_m": front, "track_front_m": round(width - 0.45, 2),
            "track_rear_m": round(width - 0.69, 2), "tyre_width_front_m": 0.295, "tyre_width_rear_m": 0.58,
            "max_wheel_angle_deg": 45.0, "wheel_rate_deg_s": 26.0, "corner_radius_m": 0.18, "creep_speed_mps": 1.2,
            "mirror": {"out_m": 0.25, "x_m": round(wheelbase + front - 0.2, 2), "z_m": round(0.75 * height, 2)},
            "solid": [{k: round(v, 3) if isinstance(v, float) else v for k, v in body.items()}]}


VEHICLES: dict[str, tuple[str, dict[str, Any]]] = {
    "van": ("bus", _one_box("5.3 m van", 5.3, 2.02, 2.5, 3.2, 0.95)),
    "midi": ("bus", _one_box("9 m bus", 9.0, 2.45, 3.0, 4.4, 2.2)),
    "coach": ("coach", _one_box("14 m coach", 14.0, 2.55, 3.7, 7.2, 2.75)),
    "lorry": ("lorry", LORRY),
}
COLOURS: dict[str, tuple[Livery, GroundLook]] = {
    "red": (Livery(), GroundLook()),
    "blue on slabs": (Livery((30, 80, 150), roof=(206, 210, 212)),
                      GroundLook(surface=(136, 134, 128), slabs_m=5.0, lines=(226, 224, 214))),
    "white on white": (Livery((238, 238, 235), (200, 200, 198), roof=(240, 240, 238)),
                       GroundLook(surface=(206, 204, 198), slabs_m=5.0, lines=(235, 235, 232))),
    "black on wet": (Livery((24, 25, 28), (60, 60, 62), roof=(26, 27, 30), unit=(40, 41, 44)),
                     GroundLook(surface=(46, 47, 50), lines=(205, 204, 198))),
}
PAIR_TO_PIVOT, PIVOT_TO_BACK, YARD_WIDTH = 1.2, 2.3, 3.47  # vehicle's lengths and widths: short, for a short clip


def plain_lens_deg(altitude_m: float, tilt_deg: float, k1: float, across_m: float) -> float:
    """The horizontal field of view that has `across_m` of ground in the picture."""
    half = across_m / 2 * (1.0 + 0.22 * math.tan(math.radians(abs(tilt_deg))) + max(0.0, 0.7 * k1))
    return math.degrees(2 * math.atan(half / altitude_m))


def scenario(c: Conditions, seed: int, name: str = "") -> Scenario:
    """One drive forward, one stop, one reverse into the bay, under the conditions."""
    kind, vehicle = VEHICLES[c.vehicle]
    livery, ground = COLOURS[c.colours]
    length = vehicle["length_m"]
    pivot_m, pair_m = PIVOT_TO_BACK * length, (PAIR_TO_PIVOT + PIVOT_TO_BACK) * length
    # a roof leans over a cone beside it only where the camera looks from well to the other side, and the cone is near
    tilt_deg = math.copysign(17.0, -1.0 if c.bay_on_left else 1.0) if c.hidden_at_start else c.tilt_deg
    start_m = PAIR_TO_PIVOT * length - 2.4 if c.hidden_at_start else 3.0
    base = Scenario(
        name or f"conditions_{seed}", seed, kind, vehicle, livery, bay_on_left=c.bay_on_left,
        distances_m={"pair_to_pivot_m": PAIR_TO_PIVOT * length, "pivot_to_back_m": pivot_m,
                     "yard_width_m": YARD_WIDTH * vehicle["width_m"]}
        | ({"pair_spacing_m": 1.35 * vehicle["width_m"]} if c.hidden_at_start else {}),
        ground=replace(ground, wear=c.wear, parking_bays=c.other_paint),
        view=View(altitude_m=c.altitude_m, hfov_deg=plain_lens_deg(c.altitude_m, tilt_deg, c.bend_k1, pair_m + 8.0),
                  tilt_deg=tilt_deg, k1=c.bend_k1, k2=0.12 * abs(c.bend_k1), sway_m=2.0 * c.sway,
                  sway_deg=3.0 * c.sway, climb_m=c.climb_m, turn_deg=c.turn_deg, vibration_deg=c.vibration_deg,
                  readout_s=c.readout_s, aim_shift_m=(-c.cut_off_m, 0.0)),
        sky=Sky(elevation_deg=c.sun_height_deg, sun=0.04 + 1.1 * c.sun, sky=1.0 - 0.7 * c.sun, drift=c.drift,
                step=c.step, white_step=c.white_step, cloud_shade=c.cloud_shade, tree_shade=c.tree_shade,
                exposure_s=1 / 500),
        exercise=Exercise(forward_mps=2.0, reverse_mps=2.2, run_in_m=start_m,
                          pauses_s=(c.wait_start_s, 1.4, 1.3, c.wait_end_s)),
        mark_error_m=c.mark_error_m, line_error_m=0.02, line_skew_m=c.skew_m, extra_marks=c.extra_marks,
        missing=c.missing, fallen=c.fallen, headlamps=c.headlamps, crf=23.0,
        noise=c.noise, contrast=c.contrast, sharpening=c.sharpening,
        width=c.width_px, height=round(c.width_px * 9 / 32) * 2, fps=c.pictures_per_s,
    )
    course = base.nominal_course()
    body = np.random.default_rng([seed, BODY_DRAW])
    return replace(base, walls=Walls(body.uniform(0, c.wall_in_m), body.uniform(0, c.roof_round_m)),
                   walkers=_people(c, course), others=_second(c, course),
                   second_course_m=(4.0, _top(course) + 4.3 - course.mark("mouth_right").y_m) if c.orange else None,
                   covered_s=(11.0, 11.0 + c.covered_s) if c.covered_s else None)


def _top(course: Course) -> float:
    return max(ln.y0_m for ln in course.lines)


def _people(c: Conditions, course: Course) -> tuple[Walker, ...]:
    """Three: beside the yard, or near the vehicle."""
    lane = 0.5 * (course.mark("forward_left").y_m + course.mark("forward_right").y_m)
    pair, pivot, mouth = (course.mark(n) for n in ("forward_left", "pivot", "mouth_left"))
    jacket = ORANGE if c.orange else None
    if not c.people_near:
        y = _top(course) + 2.4
        return (Walker((3.0, y), (pair.x_m - 4, y + 0.4), 2.0, 24.0, jacket=jacket),
                Walker((pivot.x_m, y + 1), (pivot.x_m + 0.4, y + 1), 9.0, 10.0),
                Walker((1.0, y), (1.2, y + 0.3), 15.0, 16.0))
    out = math.copysign(2.6, lane)
    return (Walker((pivot.x_m, lane + out), (pair.x_m - 1, lane + 1.2 * out), 2.0, 9.0, jacket=jacket),
            Walker((pair.x_m + 0.8, lane), (pair.x_m + 1.0, lane + 0.2), 9.0, 10.0),
            Walker((mouth.x_m + 0.5, mouth.y_m + 1.2), (mouth.x_m - 4.0, mouth.y_m + 1.0), 14.0, 20.0))


def _second(c: Conditions, course: Course) -> tuple[OtherVehicle, ...]:
    """Another vehicle of about the same size, beside the yard on the far side from the bay."""
    if not c.second:
        return ()
    y, far = min(ln.y0_m for ln in course.lines) - 2.6, course.mark("forward_left").x_m
    table, livery = LORRY, Livery(body=(28, 74, 140), roof=(222, 224, 226))
    if c.second == "parked":
        return (OtherVehicle("lorry", table, livery, (far * 0.4, y), (far * 0.4 + 1, y), 1e6, 2e6),)
    return (OtherVehicle("lorry", table, livery, (-14.0, y), (far + 8.0, y), 4.0, 18.0),)
