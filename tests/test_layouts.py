"""Generated courses: each published proportion and size against its source, in both mirrored forms."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from simulate import bus

from analysis.course import EXERCISES, Course, check_room
from analysis.layouts import FOOT_M, SETTINGS, course_for, settings_for
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle


def vehicle(length_m: float, width_m: float) -> Vehicle:
    return bus(length_m=length_m, width_m=width_m, wheelbase_m=0.55 * length_m, front_overhang_m=0.2 * length_m)


def apart(course: Course, a: str, b: str) -> float:
    p, q = course.mark(a), course.mark(b)
    return math.hypot(p.x_m - q.x_m, p.y_m - q.y_m)


# L, W (m) -> spacing of the forward pair, pair to pivot along, whole length. The 1.5 W, 2 L and 5 L of secondary pages
# on the GB reverse (johnexley.com, hgvtraining.co.uk), worked out; the area is 66 m long at most (notice of the driving
# standards agency of 22 March 2012), and then the unconfirmed 3 L from pivot to back line gives way.
GB = [(10.0, 2.50, 3.75, 20.0, 50.0), (12.0, 2.55, 3.825, 24.0, 60.0), (16.5, 2.55, 3.825, 33.0, 66.0)]


@pytest.mark.parametrize("bay_on_left", [True, False])
@pytest.mark.parametrize(("length", "width", "spacing", "to_pivot", "total"), GB)
def test_the_gb_reverse(length: float, width: float, spacing: float, to_pivot: float, total: float,
                        bay_on_left: bool) -> None:
    course = course_for(vehicle(length, width), bay_on_left=bay_on_left)
    pair, pivot = course.mark("forward_left"), course.mark("pivot")
    assert apart(course, "forward_left", "forward_right") == pytest.approx(spacing)
    assert pair.x_m - pivot.x_m == pytest.approx(to_pivot)
    assert pair.x_m == pytest.approx(total)
    assert apart(course, "mouth_left", "mouth_right") == pytest.approx(1.5 * width)  # bay 1.5 W, both pages
    assert apart(course, "back_left", "mouth_left") == pytest.approx(length)  # bay L
    assert course.bay.y_max_m - course.bay.y_min_m == pytest.approx(1.5 * width)
    outer = course.mark("forward_right" if bay_on_left else "forward_left")
    line = next(ln for ln in course.lines if ln.name == ("side_right" if bay_on_left else "side_left"))
    assert abs(outer.y_m - line.y0_m) == pytest.approx(1.0)  # johnexley.com: 1 m in from the boundary


def test_the_yard_of_a_12_m_bus_is_11_m_wide() -> None:
    """66 m x 11 m since 26 March 2012: the notice reproduced at ntet.co.uk."""
    left, right = course_for(bus()).lines
    assert left.y0_m - right.y0_m == pytest.approx(11.0)
    assert settings_for(bus())["longest_m"] == 66.0


def test_the_two_published_pivot_distances_are_both_to_be_had() -> None:
    """3 L by one reading, at most 1.5 L by a secondary page: a setting, not a constant."""
    assert course_for(bus()).mark("pivot").x_m == pytest.approx(36.0)
    assert course_for(bus(), wanted={"pivot_to_back_m": 18.0}).mark("pivot").x_m == pytest.approx(18.0)
    assert "1.5 L" in SETTINGS["s_reverse"]["pivot_to_back_m"].source


@pytest.mark.parametrize("bay_on_left", [True, False])
def test_the_us_offset_reverse(bay_on_left: bool) -> None:
    """12 ft lanes, 100 ft to turn in for a rigid vehicle (passthecdltest.com): 3.6576 m and 30.48 m."""
    course = course_for(vehicle(8.5, 2.5), "offset_reverse", bay_on_left=bay_on_left)
    assert pytest.approx(3.6576) == 12 * FOOT_M and pytest.approx(30.48) == 100 * FOOT_M
    assert course.bay.y_max_m - course.bay.y_min_m == pytest.approx(3.6576)
    assert apart(course, "forward_left", "forward_right") == pytest.approx(3.6576)
    far = next(ln for ln in course.lines if ln.name == "far_end")
    assert far.x0_m - course.mark("mouth_left").x_m == pytest.approx(30.48)
    sides = [ln.y0_m for ln in course.lines if ln.name.startswith("side")]
    assert max(sides) - min(sides) == pytest.approx(24 * FOOT_M)  # practice pad: 24 ft wide
    dividers = sorted(m.x_m for m in course.marks if m.name.startswith("divider"))
    assert max(b - a for a, b in zip([0.0, *dividers], [*dividers, course.bay.x_max_m], strict=True)) <= 10 * FOOT_M
    assert course.stopping_box is None and course.barrier is None
    lane = (course.mark("forward_left").y_m + course.mark("forward_right").y_m) / 2
    assert lane == pytest.approx(-3.6576 if bay_on_left else 3.6576)


@pytest.mark.parametrize("exercise", list(SETTINGS))
def test_the_mirrored_course_is_the_mirror_image(exercise: str) -> None:
    left, right = (course_for(bus(), exercise, bay_on_left=side) for side in (True, False))
    swap = {"left": "right", "right": "left"}

    def mirrored(name: str) -> str:
        head, _, side = name.rpartition("_")
        return f"{head}_{swap[side]}" if side in swap else name

    for m in left.marks:
        other = right.mark(mirrored(m.name))
        assert (other.x_m, other.y_m) == pytest.approx((m.x_m, -m.y_m))
    for ln in left.lines:
        (other_line,) = [k for k in right.lines if k.name == mirrored(ln.name)]
        assert {round(other_line.y0_m, 6), round(other_line.y1_m, 6)} == {round(-ln.y0_m, 6), round(-ln.y1_m, 6)}


@given(st.floats(5.0, 18.0), st.floats(1.9, 2.6), st.sampled_from(list(SETTINGS)), st.booleans())
def test_every_generated_course_holds_its_vehicle_inside_its_lines(length: float, width: float, exercise: str,
                                                                   left: bool) -> None:
    v = bus(length_m=length, width_m=width, wheelbase_m=0.55 * length, front_overhang_m=0.2 * length,
            track_front_m=1.5, track_rear_m=1.2)
    course = course_for(v, exercise, bay_on_left=left)
    check_room(course, v)
    assert all(course.has_mark(role) for role in EXERCISES[exercise].roles)
    for m in course.marks:
        for ln in course.lines:
            assert ln.clearance_m([m.x_m, m.y_m]) >= -1e-9, (m.name, ln.name)


def test_every_setting_names_its_source() -> None:
    for exercise in SETTINGS.values():
        for name, setting in exercise.items():
            assert name.endswith("_m") and len(setting.source) > 10


@given(st.text("abcdefghijklmnopqrstuvwxyz_", min_size=1, max_size=20))
def test_a_distance_that_is_not_there_is_named(name: str) -> None:
    if name in SETTINGS["s_reverse"]:
        return
    with pytest.raises(Trouble) as told:
        settings_for(bus(), "s_reverse", {name: 1.0})
    assert told.value.one_line().startswith(f"{name}: there is no such distance to set — allowed: pair_to_pivot_m")
