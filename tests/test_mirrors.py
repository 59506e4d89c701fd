"""The mirrors' ground fields against the regulation's figures, and what stands in them along a made-up reverse."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.attempt import AHEAD, HIDDEN, MAIN, WIDE_ANGLE, Finding, Leg, Motion
from analysis.clearance import clearances
from analysis.course import Mark
from analysis.findings import MAKERS, Run
from analysis.layouts import course_for
from analysis.mirrors import MAIN_FIELD, WIDE_FIELD, body_hides, field_width_m, mirrors_of, view_of
from analysis.rules import rules_from_table
from analysis.track import Track
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle, vehicle_from_table


def bus(**changes: object) -> Vehicle:
    """12 m by 2.5 m: front 8 m ahead of the rear axle, eyes at 7 m, sides at 1.25 m, rear at -4 m."""
    return vehicle_from_table({"schema": 1, "name": "bus", "length_m": 12.0, "width_m": 2.5, "height_m": 3.0,
                               "wheelbase_m": 6.0, "front_overhang_m": 2.0, **changes})


def standing(x_m: float = 0.0, y_m: float = 0.0, heading_rad: float = 0.0, speed_mps: float = -1.0) -> Motion:
    """Twenty samples a tenth of a second apart at one place."""
    n = 20
    return Motion(np.arange(n) / 10, np.full(n, x_m), np.full(n, y_m), np.full(n, heading_rad),
                  np.full(n, speed_mps), np.zeros(n), np.tile(np.eye(5) * 1e-4, (n, 1, 1)), np.zeros(n))


def seen_from_bus(x_m: float, y_m: float, **changes: object) -> tuple[int, int]:
    view = view_of(standing(), bus(**changes), Mark("cone", x_m, y_m))
    return int(view.state[0]), int(view.side[0])


def test_the_wide_angle_field_has_the_area_that_eu_law_states() -> None:
    """307.9 m2 for class IV (Directive 2003/97/EC, seen as a stored copy of its text)."""
    behind = np.linspace(0, 40, 400_001)
    area = float(np.trapezoid(field_width_m(WIDE_FIELD, behind, 25.0), behind))
    assert area == pytest.approx(307.875, abs=0.01)


def test_the_main_field_widens_from_one_metre_to_five() -> None:
    """Class II, figures from memory: 1 m at 4 m behind the eyes, 5 m at 30 m and beyond; nothing nearer than 4 m."""
    at = np.array([3.9, 4.0, 10.0, 17.0, 30.0, 60.0])
    assert field_width_m(MAIN_FIELD, at) == pytest.approx([0, 1.0, 1.923, 3.0, 5.0, 5.0], abs=5e-4)


def test_which_mirror_a_cone_beside_and_behind_stands_in() -> None:
    # The eyes are at x = 7 m, the left side at y = 1.25 m.
    assert seen_from_bus(3.0, 2.2) == (MAIN, 1)           # 4 m behind the eyes, 0.95 m out of 1 m
    assert seen_from_bus(3.0, 2.3) == (WIDE_ANGLE, 1)     # 1.05 m out
    assert seen_from_bus(5.5, -5.7) == (WIDE_ANGLE, -1)   # 1.5 m behind, 4.45 m out of 4.5 m
    assert seen_from_bus(5.5, -5.8) == (HIDDEN, -1)
    assert seen_from_bus(6.0, 2.0) == (AHEAD, 1)          # 1 m behind the eyes: out of the side window
    assert seen_from_bus(-6.0, 0.5) == (HIDDEN, 1)        # straight behind the body
    assert seen_from_bus(-23.0, 6.2) == (MAIN, 1)         # 30 m behind, 4.95 m out of 5 m
    assert seen_from_bus(-23.0, 6.3) == (HIDDEN, 1)       # the wide-angle field ends at 25 m


def test_left_and_right_hand_drive_share_the_fields_mirrored() -> None:
    """The regulation measures both sides from the plane through the eyes, so the seat's side changes nothing."""
    for side in ("left", "right"):
        assert seen_from_bus(3.0, 2.2, driver={"side": side}) == (MAIN, 1)
        assert seen_from_bus(3.0, -2.2, driver={"side": side}) == (MAIN, -1)
    assert bus(driver={"side": "right"}).driver_side == -1
    with pytest.raises(Trouble, match=r"driver\.side: 'middle' is not known here"):
        bus(driver={"side": "middle"})


def test_the_eyes_move_the_fields() -> None:
    assert seen_from_bus(3.0, 2.2, driver={"eye_x_m": 6.5}) == (WIDE_ANGLE, 1)  # now 3.5 m behind


def test_without_a_wide_angle_mirror_only_the_main_field_is_left() -> None:
    assert seen_from_bus(3.0, 2.3, mirror={"wide_angle": False}) == (HIDDEN, 1)
    assert seen_from_bus(4.5, 2.0, mirror={"wide_angle": False}) == (AHEAD, 1)  # 2.5 m behind: before the field


def test_a_straight_body_hides_nothing_of_the_fields() -> None:
    """Glass and field lie on the same outer side of the body's side plane."""
    rng = np.random.default_rng(5)
    points = np.column_stack([rng.uniform(-40, 5, 500), rng.uniform(1.25, 16, 500), rng.uniform(0, 1.5, 500)])
    assert not body_hides(bus(), 1, points).any()
    assert body_hides(bus(), 1, np.array([[-10.0, -1.0, 0.0]])).all()  # right of the middle, seen past the left side


def test_a_cab_mirror_inside_the_width_of_the_body_loses_a_wedge() -> None:
    """Glass at y = 1.10 m, x = 7.85 m; the body's front corner at x = 5 m, y = 1.25 m, so the sight line past it
    rises 0.15 m in 2.85 m: at x = -3.55 m (11.4 m back) it passes y = 1.70 m."""
    lorry = bus(mirror={"glass_y_m": 1.10, "x_m": 7.85, "z_m": 2.0}, solid=[
        {"name": "cab", "x_min_m": 5.2, "x_max_m": 8.0, "width_m": 2.0, "z_max_m": 2.6},
        {"name": "body", "x_min_m": -4.0, "x_max_m": 5.0, "z_min_m": 0.0, "z_max_m": 3.0}])
    hidden = body_hides(lorry, 1, np.array([[-3.55, 1.68, 0.0], [-3.55, 1.72, 0.0]]))
    assert hidden.tolist() == [True, False]
    assert view_of(standing(), lorry, Mark("cone", -3.55, 1.6)).state[0] == HIDDEN
    assert view_of(standing(), lorry, Mark("cone", -3.55, 1.8)).state[0] == MAIN


def test_what_passes_under_a_high_floor_is_not_hidden() -> None:
    """A floor at 1.5 m: the line from the glass at 2.2 m to a foot under the body dips below it where it enters."""
    lorry = bus(solid=[{"name": "body", "x_min_m": -4.0, "x_max_m": 8.0, "z_min_m": 1.5, "z_max_m": 3.0}])
    low, high = np.array([[7.0, 1.0, 0.0]]), np.array([[-4.0, 1.0, 2.0]])
    assert not body_hides(lorry, 1, low).any()  # 0.375 m out, down 2.2 m in 1.3 m: passes the side at 1.0 m height
    assert body_hides(lorry, 1, high).all()


def reverse_at(x_m: float, y_m: float, heading_deg: float, speed_mps: float = -1.0) -> float | None:
    vehicle = bus()
    course = course_for(vehicle)  # bay on the left: pivot at (36, -3.37) m, mouth at x = 12 m, y = +-1.88 m
    motion = standing(x_m, y_m, math.radians(heading_deg), speed_mps)
    legs = (Leg(0.0, 1.9, 1 if speed_mps > 0 else -1, 1.9),)
    mirrors = mirrors_of(motion, vehicle, course, legs, np.ones(20, bool))
    assert mirrors.pivot_side == -1
    return mirrors.lined_up_s


def test_two_poles_in_the_pivot_side_mirror_and_one_in_the_other_is_lined_up() -> None:
    # Rear axle at x = 50, eyes at 57: the pivot is 21 m behind, 2.12 m out on the right; both mouth poles 45 m behind,
    # 0.63 m out on either side.
    assert reverse_at(50.0, 0.0, 0.0) == 0.0
    assert reverse_at(50.0, 0.0, 4.0) is None  # both mouth poles 3 m to the left: two and one the wrong way
    assert reverse_at(50.0, 0.0, 0.0, speed_mps=1.0) is None  # driving forward is no lining up
    assert reverse_at(20.0, 0.0, 0.0) is None  # the pivot is already beside the eyes


def told_of_a_cone(x_m: float, y_m: float, speed_mps: float = -1.0) -> list[Finding]:
    """What is told of a cone, 0.18 m to its sides, by a bus at the origin; its rear is at x = -4 m."""
    vehicle, motion = bus(), standing(speed_mps=speed_mps)
    course = replace(course_for(vehicle), marks=(Mark("back_left", x_m, y_m),))
    legs = (Leg(0.0, 1.9, 1 if speed_mps > 0 else -1, 1.9),)
    seen = np.ones(20, bool)
    rules = rules_from_table({"schema": 1, "name": "any", "tyre_reading": "any_part"})
    track = Track(motion.t_s, seen, motion.x_m, motion.y_m, motion.heading_rad, motion.cov[:, :3, :3], np.zeros((3, 3)))
    run = Run(vehicle, course, rules, track, motion, seen, (), legs, (), (), None,
              clearances(motion, vehicle, course, track, 0.0), None, mirrors_of(motion, vehicle, course, legs, seen))
    return list(MAKERS["mark_unseen"](run))


def test_a_cone_behind_the_body_and_nearer_than_a_metre_is_told() -> None:
    (told,) = told_of_a_cone(-4.9, 0.5)  # 0.9 m behind the rear, less the cone's 0.18 m
    assert (told.verdict, told.severity, told.where, told.at_m) == ("fault", "note", "back_left", (-4.9, 0.5))
    assert told.value == pytest.approx(0.72)
    assert "72 cm away" in told.sentence
    assert "a model of the mirrors, not of where the driver looked" in told.sentence


def test_a_cone_further_off_or_in_a_mirror_or_left_behind_is_not_told() -> None:
    assert told_of_a_cone(-5.3, 0.5) == []  # 1.12 m
    assert told_of_a_cone(-2.0, 2.0) == []  # in the main mirror
    assert told_of_a_cone(6.0, 1.5) == []  # beside the driver
    assert told_of_a_cone(-4.9, 0.5, speed_mps=1.0) == []  # driving forward
