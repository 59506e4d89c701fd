"""Cones watched through painted sequences: moved, fallen, hidden, shaded, walked in front of."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from paint_yard import bus_course, looking_down, paint

from analysis.course import Course, Mark, MarkEvent, SurveyedMark
from vision.camera import Camera
from vision.markwatch import MarkWatch

COURSE = bus_course()
PIVOT = COURSE.mark("pivot")


def nearby(course: Course) -> Course:
    """Only the pivot cone and a line beside it, for a small and quick picture."""
    return replace(course, barrier=None, marks=(PIVOT,))


def close_camera(sway: int = 0) -> Camera:
    """41 m above the yard, 12 m beside the cone, 5 cm a pixel, over a small part of the yard."""
    rng = np.random.default_rng(sway)
    camera = looking_down(COURSE, (320, 240), focal_px=800.0, tilt_deg=16.0, tilt_towards_deg=10.0, height_m=41.0)
    aim = camera.to_ground(np.array([[159.5, 119.5]]))[0]
    centre = camera.centre_m + np.array([PIVOT.x_m - aim[0], PIVOT.y_m - aim[1], 0.0])
    return replace(camera, centre_m=centre + rng.normal(0, 0.3, 3) * (sway > 0))


def watched(picture_of: Callable[[int], tuple[Mark | None, float, list[np.ndarray]]], looks: int = 24,
            vehicle_at: Callable[[int], np.ndarray | None] = lambda i: None) -> tuple[MarkEvent, ...]:
    """Events from `looks` pictures, 0.25 s apart: the cone (or none), brightness and white things over the ground."""
    watch = MarkWatch([SurveyedMark("pivot", PIVOT.x_m, PIVOT.y_m, 0.02, PIVOT.x_m, PIVOT.y_m)], COURSE, close_camera())
    for i in range(looks):
        mark, light, covers = picture_of(i)
        camera = close_camera(i + 1)
        picture = paint(nearby(COURSE), camera, marks=[mark] if mark else [], covers_m=covers, seed=i)
        polygon = vehicle_at(i)
        watch.look(0.25 * i, np.clip(picture * light, 0, 255).astype(np.uint8), camera,
                   None if polygon is None else camera.project_ground(polygon))
    return watch.events()


def square(x_m: float, y_m: float, half_m: float = 0.35) -> np.ndarray:
    return np.array([[x_m - half_m, y_m - half_m], [x_m + half_m, y_m - half_m], [x_m + half_m, y_m + half_m],
                     [x_m - half_m, y_m + half_m]])


def test_a_cone_left_alone_gives_nothing() -> None:
    assert watched(lambda i: (PIVOT, 1.0, [])) == ()


@pytest.mark.parametrize(("dx_m", "dy_m"), [(0.3, 0.0), (0.12, -0.16), (-0.6, 0.5)])
def test_a_pushed_cone_is_measured(dx_m: float, dy_m: float) -> None:
    pushed = replace(PIVOT, x_m=PIVOT.x_m + dx_m, y_m=PIVOT.y_m + dy_m)
    (event,) = watched(lambda i: (PIVOT if i < 12 else pushed, 1.0, []))
    assert event.name == "pivot"
    assert event.t_s == pytest.approx(3.0)
    assert event.moved_m == pytest.approx(np.hypot(dx_m, dy_m), abs=0.04)
    assert event.sd_m < 0.05


def test_a_cone_gone_from_sight_is_reported_as_at_least_that_far() -> None:
    (event,) = watched(lambda i: (PIVOT if i < 10 else None, 1.0, []))
    assert event.t_s == pytest.approx(2.5)
    assert event.moved_m == pytest.approx(1.5)
    assert event.sd_m == pytest.approx(1.5)


def test_moved_while_the_vehicle_covered_it_is_dated_at_the_uncovering() -> None:
    pushed = replace(PIVOT, x_m=PIVOT.x_m + 0.4)
    bus = square(PIVOT.x_m, PIVOT.y_m, 1.5)

    def scene(i: int) -> tuple[Mark | None, float, list[np.ndarray]]:
        return (PIVOT if i < 11 else pushed, 1.0, [bus] if 8 <= i < 14 else [])

    (event,) = watched(scene, vehicle_at=lambda i: bus if 8 <= i < 14 else None)
    assert event.t_s == pytest.approx(3.5)
    assert event.moved_m == pytest.approx(0.4, abs=0.04)


def test_a_push_seen_beside_the_vehicle_is_dated_before_it_leaves() -> None:
    pushed = replace(PIVOT, x_m=PIVOT.x_m + 0.5)
    bus = square(PIVOT.x_m - 1.7, PIVOT.y_m, 1.5)  # its side 0.2 m from the cone's middle: over half of its square

    def scene(i: int) -> tuple[Mark | None, float, list[np.ndarray]]:
        return (PIVOT if i < 11 else pushed, 1.0, [bus] if 8 <= i < 16 else [])

    (event,) = watched(scene, vehicle_at=lambda i: bus if 8 <= i < 16 else None)
    assert event.t_s == pytest.approx(2.75)
    assert event.moved_m == pytest.approx(0.5, abs=0.04)


def test_light_changes_and_a_passing_person_are_not_a_fall() -> None:
    def scene(i: int) -> tuple[Mark | None, float, list[np.ndarray]]:
        light = 0.5 if 6 <= i < 10 else 1.2 if i >= 18 else 1.0
        person = [square(PIVOT.x_m, PIVOT.y_m)] if 12 <= i < 16 else []
        return PIVOT, light, person

    assert watched(scene) == ()


def test_a_vehicle_standing_over_it_to_the_end_is_not_a_fall() -> None:
    bus = square(PIVOT.x_m, PIVOT.y_m, 1.5)
    assert watched(lambda i: (PIVOT, 1.0, [bus] if i >= 10 else []),
                   vehicle_at=lambda i: bus if i >= 10 else None) == ()
