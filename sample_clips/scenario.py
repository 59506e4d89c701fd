"""Scenarios as data: three named ones and any number by seed."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from analysis.course import Course, Mark
from analysis.layouts import course_for
from analysis.vehicle import Vehicle, vehicle_from_table
from sample_clips.combination import SEMI, as_one, shunted_plan
from sample_clips.drive import LegPlan, Plan, find_run
from sample_clips.scene import GroundLook, Livery, Walls


@dataclass(frozen=True)
class View:
    """The camera: `kind` drone or mast; sway amplitudes are of the slow wander (m, degrees)."""

    kind: str = "drone"
    altitude_m: float = 40.0
    hfov_deg: float = 84.0
    tilt_deg: float = 4.0
    yaw_deg: float = 1.5
    k1: float = -0.02
    k2: float = 0.0
    sway_m: float = 1.2
    sway_deg: float = 1.5
    aim_shift_m: tuple[float, float] = (0.0, 0.0)
    climb_m: float = 0.0  # over the whole clip, its middle at the altitude
    turn_deg: float = 0.0  # likewise
    vibration_deg: float = 0.0
    readout_s: float = 0.0  # of a rolling shutter: from the first row to the last


@dataclass(frozen=True)
class Sky:
    """Sun direction in the course frame (azimuth anticlockwise from x), strengths, drift of the brightness."""

    azimuth_deg: float = 70.0
    elevation_deg: float = 50.0
    sun: float = 0.9
    sky: float = 0.45
    drift: float = 0.04
    exposure_s: float = 1 / 200
    brightness: float = 1.15
    step: float = 0.0  # the share by which the exposure jumps up at a third of the clip, and back at two thirds
    white_step: float = 0.0  # likewise red against blue
    cloud_shade: float = 0.0  # the share of the sun that drifting clouds take
    tree_shade: float = 0.0  # the share of the sun that swaying crowns take


@dataclass(frozen=True)
class Walker:
    """A person: from (x, y) to (x, y) between two times, standing before and after; `vest` is a bright one."""

    start: tuple[float, float]
    end: tuple[float, float]
    t0_s: float
    t1_s: float
    vest: bool = False
    jacket: tuple[int, int, int] | None = None


@dataclass(frozen=True)
class OtherVehicle:
    """A second vehicle (a table like the first's): from (x, y) to (x, y) between two times, standing otherwise."""

    kind: str
    vehicle: dict[str, Any]
    livery: Livery
    start: tuple[float, float]
    end: tuple[float, float]
    t0_s: float = 0.0
    t1_s: float = 1.0


@dataclass(frozen=True)
class Lesson:
    """What a review of the clip has to come to, laid down with the exercise; the estimator never reads it.

    advice: what goes wrong, by the names of the rules of advice: they and no other faults are to be told. lost_at: the
    cone on the way to which the bay is lost in the first reverse ('' : it is kept; None: the exercise leaves it open,
    as where shunts are simply asked for).
    """

    advice: tuple[str, ...] = ()
    lost_at: str | None = None


@dataclass(frozen=True)
class Exercise:
    """How the run goes. Lengths of the legs are guesses for the search."""

    shunts: int = 0
    dry_deg: float = 0.0
    dry_at: int = 1  # the direction change (0 = at the forward pair) at which the wheel is turned standing
    over_line: tuple[str, float] | None = None
    touch: tuple[str, float] | None = None
    final_rear_x_m: float = 0.45
    forward_mps: float = 1.9
    reverse_mps: float = 1.25
    run_in_m: float | None = None  # how far behind the pivot-to-rear start the vehicle stands; None: x = 2 L
    pauses_s: tuple[float, float, float, float] = (1.5, 2.0, 1.6, 2.0)  # start, at the pair, at later stops, end
    lesson: Lesson = field(default_factory=Lesson)


@dataclass(frozen=True)
class Scenario:
    """Everything that decides a clip."""

    name: str
    seed: int
    kind: str
    vehicle: dict[str, Any]
    livery: Livery = field(default_factory=Livery)
    units: bool = True
    walls: Walls = field(default_factory=Walls)
    bay_on_left: bool = True
    distances_m: dict[str, float] = field(default_factory=dict)  # of the course, where not the usual ones
    kind_of_exercise: str = "s_reverse"
    ground: GroundLook = field(default_factory=GroundLook)
    view: View = field(default_factory=View)
    sky: Sky = field(default_factory=Sky)
    exercise: Exercise = field(default_factory=Exercise)
    mark_error_m: float = 0.03
    line_error_m: float = 0.02
    line_skew_m: float = 0.0
    extra_marks: int = 0
    walkers: tuple[Walker, ...] = ()
    missing: tuple[str, ...] = ()  # marks of the course file that do not stand in the yard
    fallen: tuple[str, ...] = ()  # likewise, but lying near their places
    second_course_m: tuple[float, float] | None = None  # where another course's cones and barrier stand, from ours
    others: tuple[OtherVehicle, ...] = ()
    headlamps: bool = False
    covered_s: tuple[float, float] | None = None  # between these times something before the camera hides the vehicle
    parked_car: tuple[float, float, float] | None = None
    car_colour: tuple[int, int, int] = (40, 60, 110)
    noise: float = 1.4
    contrast: float = 0.12  # how strong an S the tone curve is; below 0 the picture is flat
    sharpening: float = 0.0  # how much of what a blur takes away the camera adds to its picture
    vignette: float = 0.18
    crf: float = 29.0
    width: int = 1920
    height: int = 1080
    fps: int = 30

    def vehicle_noun(self) -> Vehicle:
        return vehicle_from_table(self.vehicle)

    def nominal_course(self) -> Course:
        return course_for(
            as_one(self.vehicle_noun()),
            self.kind_of_exercise,
            bay_on_left=self.bay_on_left,
            wanted=self.distances_m,
        )

    def real_course(self, rng: np.random.Generator) -> Course:
        """The course as set out: marks off by about `mark_error_m`, side lines by up to `line_error_m`, each of their
        ends by up to `line_skew_m` more, so that they are not quite parallel.

        The bay's and box's paint define the course frame and stay where they are. Extra marks (not in
        the course file) stand outside the side lines.
        """
        nominal = self.nominal_course()
        marks = []
        for m in nominal.marks:
            turn, off = rng.uniform(0, 2 * math.pi), self.mark_error_m * rng.uniform(0.6, 1.4)
            marks.append(replace(m, x_m=m.x_m + off * math.cos(turn), y_m=m.y_m + off * math.sin(turn)))
        lines = []
        for ln in nominal.lines:
            dy = rng.uniform(-1, 1) * self.line_error_m
            lines.append(replace(ln, y0_m=ln.y0_m + dy, y1_m=ln.y1_m + dy))
        if self.line_skew_m:
            ends = rng.uniform(-self.line_skew_m, self.line_skew_m, (len(lines), 2))
            lines = [replace(ln, y0_m=ln.y0_m + a, y1_m=ln.y1_m + b) for ln, (a, b) in zip(lines, ends, strict=True)]
        top = max(ln.y0_m for ln in lines)
        low = min(ln.y0_m for ln in lines)
        far = max(m.x_m for m in marks)
        for k in range(self.extra_marks):
            x = far * (k + 0.7) / (self.extra_marks + 0.4)
            y = (top + 0.8) if k % 2 else (low - 0.8)
            marks.append(
                Mark(
                    f"line_{'left' if k % 2 else 'right'}_{k // 2 + 1}", x + rng.normal(0, 0.2), y + rng.normal(0, 0.08)
                )
            )
        return replace(nominal, marks=tuple(marks), lines=tuple(lines))

    def plan(self, course: Course) -> Plan:
        """The legs: drive up, reverse, and shunts in between."""
        v, ex = self.vehicle_noun(), self.exercise
        if v.trailer:
            return shunted_plan(
                v,
                course,
                run_in_m=ex.run_in_m or 3.5,
                final_rear_x_m=ex.final_rear_x_m,
                forward_mps=ex.forward_mps,
                reverse_mps=ex.reverse_mps,
                pauses_s=ex.pauses_s,
            )
        left, right = course.mark("forward_left"), course.mark("forward_right")
        lane = (left.y_m + right.y_m) / 2
        pair = max(left.x_m, right.x_m)
        stand = pair - 0.4 - v.x_front_m
        x0 = (
            stand - ex.run_in_m
            if ex.run_in_m is not None
            else 2 * v.length_m * min(1.0, course.mark("pivot").x_m / (3 * v.length_m))
        )
        reverse = stand - (ex.final_rear_x_m - v.x_rear_m) + 0.06 * v.length_m
        start_pause, pair_pause, later_pause, end_pause = ex.pauses_s
        dry = math.radians(ex.dry_deg)
        shunt_m = 0.36 * v.length_m
        legs = [LegPlan(1, stand - x0, ex.forward_mps, start_pause)]
        first_share = 0.55 if ex.shunts else 1.0
        for k in range(ex.shunts + 1):
            share = first_share if k == 0 else (1 - first_share) / ex.shunts
            extra = 0 if k == 0 else shunt_m
            length = reverse * share + extra
            pause = pair_pause if k == 0 else later_pause
            turn = dry if ex.dry_deg and ex.dry_at == 2 * k else 0.0
            legs.append(
                LegPlan(
                    -1,
                    length,
                    ex.reverse_mps,
                    pause + abs(turn) * 2,
                    turn,
                    max(6, round(14 * length / max(reverse, 1))),
                )
            )
            if k < ex.shunts:
                turn = dry if ex.dry_deg and ex.dry_at == 2 * k + 1 else 0.0
                legs.append(LegPlan(1, shunt_m, 0.8 * ex.forward_mps, later_pause + abs(turn) * 2, turn, 6))
        return Plan(
            (x0, lane, 0.0),
            tuple(legs),
            ex.final_rear_x_m,
            stand_end_s=end_pause,
            over_line=ex.over_line,
            touch=ex.touch,
        )


BUS = {
    "schema": 1,
    "name": "12 m bus",
    "length_m": 12.0,
    "width_m": 2.55,
    "height_m": 3.05,
    "wheelbase_m": 6.0,
    "front_overhang_m": 2.7,
    "track_front_m": 2.10,
    "track_rear_m": 1.86,
    "tyre_width_front_m": 0.295,
    "tyre_width_rear_m": 0.60,
    "max_wheel_angle_deg": 46.0,
    "wheel_rate_deg_s": 22.0,
    "corner_radius_m": 0.18,
    "creep_speed_mps": 1.2,
    "mirror": {"out_m": 0.28, "x_m": 8.55, "z_m": 2.35},
    "solid": [
        {
            "name": "body",
            "x_min_m": -3.3,
            "x_max_m": 8.7,
            "width_m": 2.55,
            "z_min_m": 0.3,
            "z_max_m": 3.05,
            "corner_radius_m": 0.18,
        }
    ],
}

LORRY = {
    "schema": 1,
    "name": "8.5 m box lorry",
    "length_m": 8.5,
    "width_m": 2.50,
    "height_m": 3.55,
    "wheelbase_m": 4.75,
    "front_overhang_m": 1.35,
    "track_front_m": 2.00,
    "track_rear_m": 1.82,
    "tyre_width_front_m": 0.295,
    "tyre_width_rear_m": 0.58,
    "max_wheel_angle_deg": 42.0,
    "wheel_rate_deg_s": 24.0,
    "corner_radius_m": 0.05,
    "creep_speed_mps": 1.0,
    "mirror": {"out_m": 0.30, "x_m": 5.75, "z_m": 2.1},
    "solid": [
        {
            "name": "cab",
            "x_min_m": 4.25,
            "x_max_m": 6.1,
            "width_m": 2.30,
            "z_min_m": 0.45,
            "z_max_m": 2.75,
            "corner_radius_m": 0.16,
        },
        {
            "name": "body",
            "x_min_m": -2.4,
            "x_max_m": 3.95,
            "width_m": 2.50,
            "z_min_m": 1.05,
            "z_max_m": 3.55,
            "corner_radius_m": 0.04,
        },
    ],
}

COACH = {
    "schema": 1,
    "name": "10.8 m coach",
    "length_m": 10.8,
    "width_m": 2.50,
    "height_m": 3.45,
    "wheelbase_m": 5.4,
    "front_overhang_m": 2.55,
    "track_front_m": 2.05,
    "track_rear_m": 1.82,
    "tyre_width_front_m": 0.295,
    "tyre_width_rear_m": 0.60,
    "max_wheel_angle_deg": 44.0,
    "wheel_rate_deg_s": 22.0,
    "corner_radius_m": 0.25,
    "creep_speed_mps": 1.1,
    "mirror": {"out_m": 0.25, "x_m": 7.75, "z_m": 2.4},
    "solid": [
        {
            "name": "body",
            "x_min_m": -2.85,
            "x_max_m": 7.95,
            "width_m": 2.50,
            "z_min_m": 0.3,
            "z_max_m": 3.45,
            "corner_radius_m": 0.25,
        }
    ],
}

NAMED = {
    s.name: s
    for s in (
        Scenario(
            "bus_clean",
            11,
            "bus",
            BUS,
            crf=29.5,
            exercise=Exercise(lesson=Lesson(lost_at="")),
            walkers=(
                Walker((4.0, 7.2), (33.0, 6.3), 3.0, 29.0, True),
                Walker((47.0, -11.6), (47.4, -11.4), 30.0, 31.0),
            ),
            view=View(
                altitude_m=39.5, hfov_deg=84.0, tilt_deg=4.0, yaw_deg=1.5, k1=-0.03, k2=0.006, sway_m=1.2, sway_deg=1.4
            ),
            sky=Sky(azimuth_deg=62, elevation_deg=46, sun=0.62, sky=0.62),
            parked_car=(14.0, 8.3, 0.1),
        ),
        Scenario(
            "lorry_dry_steer",
            23,
            "lorry",
            LORRY,
            crf=30.2,
            livery=Livery(body=(28, 74, 140), stripe=(240, 240, 240), roof=(222, 224, 226), dirt=0.35),
            ground=GroundLook(
                surface=(112, 108, 102),
                grass=(92, 94, 62),
                lines=(226, 224, 214),
                bay_lines=(222, 184, 60),
                wear=0.4,
                stains=60,
                cracks=26,
                old_paint=True,
            ),
            view=View(
                altitude_m=32.0,
                hfov_deg=74.0,
                tilt_deg=11.0,
                yaw_deg=-3.0,
                k1=-0.08,
                k2=0.012,
                sway_m=1.0,
                sway_deg=1.8,
            ),
            sky=Sky(azimuth_deg=-128, elevation_deg=38, sun=1.15, sky=0.28, exposure_s=1 / 400),
            exercise=Exercise(
                shunts=2,
                dry_deg=25.0,
                dry_at=1,
                over_line=("side_left", 0.16),
                reverse_mps=1.45,
                forward_mps=1.9,
                run_in_m=15.5,
                pauses_s=(1.4, 1.8, 1.3, 2.0),
                lesson=Lesson(("turned while standing", "tyre over line")),
            ),
            mark_error_m=0.10,
            extra_marks=3,
            walkers=(
                Walker((30.0, 7.6), (16.0, 8.6), 6.0, 18.5, False),
                Walker((-1.0, -10.2), (-0.6, -10.4), 20, 21, True),
            ),
        ),
        Scenario(
            "coach_short",
            37,
            "coach",
            COACH,
            bay_on_left=False,
            crf=29.0,
            livery=Livery(
                body=(226, 228, 230), stripe=(24, 96, 84), roof=(208, 212, 212), unit=(168, 170, 172), dirt=0.3
            ),
            ground=GroundLook(
                surface=(136, 134, 128),
                grass=(74, 96, 56),
                lines=(214, 168, 52),
                wear=0.45,
                stains=55,
                cracks=14,
                slabs_m=5.0,
            ),
            view=View(
                altitude_m=36.0, hfov_deg=84.0, tilt_deg=8.0, yaw_deg=2.0, k1=-0.06, k2=0.01, sway_m=0.4, sway_deg=0.6
            ),
            sky=Sky(
                azimuth_deg=140, elevation_deg=55, sun=0.06, sky=1.0, drift=0.16, exposure_s=1 / 100, brightness=1.05
            ),
            exercise=Exercise(
                touch=("pivot", 0.03),
                final_rear_x_m=1.5,
                reverse_mps=1.2,
                lesson=Lesson(("cone hit", "stopped outside the box"), "pivot"),
            ),
            mark_error_m=0.10,
            extra_marks=2,
            walkers=(Walker((50.0, -7.5), (26.0, -8.4), 3.0, 22.0, True), Walker((8.0, 13.0), (8.5, 12.4), 10, 11)),
        ),
        Scenario(
            "lorry_offset",
            41,
            "lorry",
            LORRY,
            kind_of_exercise="offset_reverse",
            bay_on_left=False,
            crf=28.0,
            livery=Livery(
                body=(52, 112, 74), stripe=(240, 240, 240), roof=(226, 226, 222), unit=(168, 170, 172), dirt=0.3
            ),
            ground=GroundLook(
                surface=(104, 103, 100), grass=(84, 94, 58), lines=(226, 224, 214), bay_lines=(226, 224, 214), wear=0.35
            ),
            view=View(altitude_m=34.0, hfov_deg=76.0, tilt_deg=6.0, yaw_deg=1.0, k1=-0.04, k2=0.006, sway_m=0.8),
            sky=Sky(azimuth_deg=40, elevation_deg=52, sun=0.5, sky=0.7),
            exercise=Exercise(
                over_line=("side_right", 0.05),
                final_rear_x_m=1.2,
                forward_mps=1.9,
                reverse_mps=2.0,
                run_in_m=5.0,
                pauses_s=(1.3, 1.5, 1.3, 1.6),
            ),
            mark_error_m=0.05,
            walkers=(Walker((20.0, 9.2), (32.0, 9.6), 4.0, 14.0, True),),
            width=1280,
            height=720,
            fps=15,
        ),
        Scenario(
            "semi_shunt",
            53,
            "lorry",
            SEMI,
            crf=29.0,
            livery=Livery(
                body=(24, 92, 104), stripe=(240, 240, 240), roof=(214, 217, 220), unit=(168, 170, 172), dirt=0.4
            ),
            ground=GroundLook(surface=(98, 97, 96), grass=(88, 98, 60), wear=0.4, stains=50, cracks=16),
            view=View(
                altitude_m=42.0, hfov_deg=84.0, tilt_deg=6.0, yaw_deg=-2.0, k1=-0.03, k2=0.005, sway_m=1.0, sway_deg=1.2
            ),
            sky=Sky(azimuth_deg=110, elevation_deg=48, sun=0.55, sky=0.65),
            exercise=Exercise(
                shunts=1,
                final_rear_x_m=0.5,
                forward_mps=2.0,
                reverse_mps=1.75,
                run_in_m=3.5,
                pauses_s=(1.2, 1.4, 1.3, 2.0),
            ),
            mark_error_m=0.06,
            walkers=(Walker((8.0, 6.4), (34.0, 6.9), 5.0, 26.0, True),),
            fps=15,
        ),
    )
}


BODY_COLOURS = (
    (176, 38, 40),
    (30, 80, 150),
    (236, 236, 232),
    (40, 44, 50),
    (224, 160, 30),
    (52, 112, 74),
    (150, 152, 156),
    (112, 34, 60),
)
ROOF_COLOURS = ((226, 226, 222), (206, 210, 212), (240, 240, 238), (150, 152, 150), (96, 98, 100))
LINE_COLOURS = ((222, 186, 66), (226, 224, 214), (214, 168, 52), (235, 235, 232))


def _random_vehicle(rng: np.random.Generator) -> tuple[str, dict[str, Any]]:
    kind = str(rng.choice(["bus", "coach", "lorry"]))
    if kind == "lorry":
        length = round(float(rng.uniform(7.0, 10.5)), 1)
        height, cab_top = round(float(rng.uniform(3.2, 3.9)), 2), round(float(rng.uniform(2.6, 2.9)), 2)
        front, cab_long = round(float(rng.uniform(1.3, 1.45)), 2), round(float(rng.uniform(1.7, 2.1)), 2)
        wheelbase = round(0.56 * length, 2)
        width, x_front = 2.5, wheelbase + front
        solids = [
            {
                "name": "cab",
                "x_min_m": x_front - cab_long,
                "x_max_m": x_front,
                "width_m": 2.3,
                "z_min_m": 0.45,
                "z_max_m": cab_top,
                "corner_radius_m": 0.15,
            },
            {
                "name": "body",
                "x_min_m": x_front - length,
                "x_max_m": x_front - cab_long - 0.3,
                "width_m": width,
                "z_min_m": 1.05,
                "z_max_m": height,
                "corner_radius_m": 0.04,
            },
        ]
    else:
        length = round(float(rng.uniform(8.5, 13.0)), 1)
        height = round(float(rng.uniform(2.9, 3.2) if kind == "bus" else rng.uniform(3.3, 3.7)), 2)
        front = round(2.3 + 0.04 * (length - 8.5) + float(rng.uniform(0, 0.25)), 2)
        wheelbase = round(float(rng.uniform(0.48, 0.52)) * length, 2)
        width, x_front = float(rng.choice([2.4, 2.5, 2.55])), wheelbase + front
        radius = round(float(rng.uniform(0.1, 0.3)), 2)
        solids = [
            {
                "name": "body",
                "x_min_m": x_front - length,
                "x_max_m": x_front,
                "width_m": width,
                "z_min_m": 0.3,
                "z_max_m": height,
                "corner_radius_m": radius,
            }
        ]
    table = {
        "schema": 1,
        "name": f"{length:g} m {kind}",
        "length_m": length,
        "width_m": width,
        "height_m": height,
        "wheelbase_m": wheelbase,
        "front_overhang_m": front,
        "track_front_m": round(width - 0.48, 2),
        "track_rear_m": round(width - 0.69, 2),
        "tyre_width_front_m": 0.295,
        "tyre_width_rear_m": 0.6,
        "max_wheel_angle_deg": round(float(rng.uniform(40, 48)), 0),
        "wheel_rate_deg_s": 22.0,
        "corner_radius_m": solids[-1]["corner_radius_m"],
        "creep_speed_mps": 1.2,
        "mirror": {"out_m": round(float(rng.uniform(0.2, 0.32)), 2), "x_m": round(x_front - 0.2, 2), "z_m": 2.2},
        "solid": [{k: round(v, 3) if isinstance(v, float) else v for k, v in s.items()} for s in solids],
    }
    return kind, table


def _random_view(rng: np.random.Generator, across_m: float) -> View:
    """A camera between 28 and 45 m, HFOV 55 to 85 degrees, that has `across_m` in view."""
    tilt, k1 = float(rng.uniform(0, 15)), float(rng.uniform(-0.12, 0.05))
    half = across_m / 2 * (1.0 + 0.22 * math.tan(math.radians(tilt)) + max(0.0, 0.7 * k1))
    lowest = max(28.0, half / math.tan(math.radians(42.5)))
    highest = max(lowest, min(45.0, half / math.tan(math.radians(27.5))))
    altitude = float(rng.uniform(lowest, highest))
    hfov = math.degrees(2 * math.atan(half / altitude))
    mast = rng.random() < 0.2
    return View(
        "mast" if mast else "drone",
        altitude,
        hfov,
        tilt,
        float(rng.uniform(-5, 5)),
        k1,
        0.12 * abs(k1) + float(rng.uniform(0, 0.005)),
        float(rng.uniform(0.3, 1.6)),
        float(rng.uniform(0.4, 2.2)),
    )


def _random_sky(rng: np.random.Generator) -> Sky:
    mood = rng.random()
    sun, sky = (0.05, 1.0) if mood < 0.3 else ((0.6, 0.6) if mood < 0.6 else (1.1, 0.32))
    return Sky(
        float(rng.uniform(-180, 180)),
        float(rng.uniform(28, 62)),
        sun,
        sky,
        float(rng.uniform(0.02, 0.15)),
        1 / float(rng.choice([60, 100, 200, 400])),
        float(rng.uniform(0.95, 1.2)),
    )


def _random_scenario(seed: int, rng: np.random.Generator) -> Scenario:
    def pick(colours: tuple[tuple[int, int, int], ...]) -> tuple[int, int, int]:
        return colours[int(rng.integers(len(colours)))]

    kind, table = _random_vehicle(rng)
    left = bool(rng.random() < 0.5)
    near, far = ("side_left", "side_right") if left else ("side_right", "side_left")
    shunts = int(rng.choice([0, 1, 2], p=[0.5, 0.35, 0.15]))
    dry = float(rng.uniform(18, 35) * rng.choice([-1, 1])) if rng.random() < 0.6 else 0.0
    mishap = rng.random()
    exercise = Exercise(
        shunts=shunts,
        dry_deg=dry,
        dry_at=int(rng.integers(0, 2 * shunts + 1)),
        over_line=(near if rng.random() < 0.7 else far, float(rng.uniform(0.05, 0.25))) if mishap < 0.25 else None,
        touch=(str(rng.choice(["pivot", "mouth_left", "mouth_right"])), 0.02) if 0.25 < mishap < 0.4 else None,
        final_rear_x_m=float(rng.uniform(1.2, 1.8)) if 0.4 < mishap < 0.55 else float(rng.uniform(0.2, 0.7)),
        forward_mps=2.0,
        reverse_mps=1.5,
        run_in_m=float(rng.uniform(6, 11)),
        pauses_s=(1.2, 1.6, 1.3, 1.6),
    )
    grey = float(rng.uniform(84, 140))
    surface = (round(grey + rng.uniform(-3, 5)), round(grey), round(grey - rng.uniform(-3, 7)))
    look = GroundLook(
        surface=surface,
        grass=(round(rng.uniform(72, 100)), round(rng.uniform(88, 104)), round(rng.uniform(52, 66))),
        lines=pick(LINE_COLOURS),
        bay_lines=pick(LINE_COLOURS),
        wear=float(rng.uniform(0.25, 0.6)),
        stains=int(rng.integers(20, 80)),
        cracks=int(rng.integers(5, 30)),
        slabs_m=float(rng.choice([0.0, 0.0, 5.0])),
        apron_m=float(rng.uniform(4.5, 9)),
        old_paint=bool(rng.random() < 0.3),
    )
    livery = Livery(
        pick(BODY_COLOURS), pick(ROOF_COLOURS), pick(ROOF_COLOURS), pick(ROOF_COLOURS), float(rng.uniform(0.1, 0.5))
    )
    base = Scenario(
        f"seed_{seed}",
        seed * 1000 + 7,
        kind,
        table,
        livery,
        units=bool(rng.random() < 0.8),
        bay_on_left=left,
        ground=look,
        sky=_random_sky(rng),
        exercise=exercise,
        mark_error_m=float(rng.uniform(0.02, 0.2)),
        line_error_m=float(rng.uniform(0, 0.05)),
        extra_marks=int(rng.integers(0, 5)),
        noise=float(rng.uniform(0.8, 2.2)),
        vignette=float(rng.uniform(0.05, 0.3)),
        crf=float(rng.uniform(25, 30)),
    )
    course = base.nominal_course()
    top, low = max(ln.y0_m for ln in course.lines), min(ln.y0_m for ln in course.lines)
    length = max(m.x_m for m in course.marks)
    walkers = []
    for _ in range(int(rng.integers(0, 3))):
        side = top + rng.uniform(2.2, 4.0) if rng.random() < 0.5 else low - rng.uniform(2.2, 4.0)
        a, b = rng.uniform(2, length - 2, 2)
        t0 = float(rng.uniform(0, 10))
        walkers.append(
            Walker(
                (float(a), float(side)),
                (float(b), float(side + rng.uniform(-0.4, 0.4))),
                t0,
                t0 + 0.3 + abs(b - a) / 1.35,
                bool(rng.random() < 0.4),
            )
        )
    car = (float(rng.uniform(5, length - 5)), top + 3.2, float(rng.normal(0, 0.1))) if rng.random() < 0.3 else None
    return replace(
        base,
        view=_random_view(rng, length + 8.0),
        walkers=tuple(walkers),
        parked_car=car,
        car_colour=pick(BODY_COLOURS),
    )


def by_seed(seed: int) -> Scenario:
    """The scenario of a seed: random ones are drawn until one can be driven (the same seed, the same scenario)."""
    rng = np.random.default_rng([seed, 20260])
    while True:
        scenario = _random_scenario(seed, rng)
        draw = np.random.default_rng(scenario.seed)
        course = scenario.real_course(draw)
        if find_run(scenario.vehicle_noun(), course, scenario.plan(course), draw).cost < 6.0:
            return scenario
