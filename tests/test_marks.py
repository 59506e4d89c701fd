"""Finding cones and lines in painted pictures whose truth is known."""

import math

import cv2
import numpy as np
import pytest
from paint_yard import bus_course, looking_down, paint

from vision.marks import ConeSpot, find_cones, find_lines, sample, unbend, without_stripes


def test_every_cone_is_found_near_its_base() -> None:
    course = bus_course()
    camera = looking_down(course)
    spots = np.array([[s.u_px, s.v_px] for s in find_cones(paint(course, camera))])
    for mark in course.marks:
        base = camera.project_ground(np.array([[mark.x_m, mark.y_m]]))[0]
        # a 0.75 m cone up to 35° off the nadir leans by at most 0.5 m; its middle by less than half of that
        assert np.hypot(*(spots - base).T).min() < 0.25 / camera.metres_per_pixel()


@pytest.mark.parametrize("change", ["dark", "bluish", "noisy"])
def test_cones_survive_light_and_noise(change: str) -> None:
    course = bus_course()
    camera = looking_down(course)
    picture = paint(course, camera, grain=10.0 if change == "noisy" else 3.0)
    if change == "dark":
        picture = (picture * 0.4).astype(np.uint8)
    if change == "bluish":
        picture = np.clip(picture * np.array([1.25, 1.0, 0.8]), 0, 255).astype(np.uint8)
    spots = np.array([[s.u_px, s.v_px] for s in find_cones(picture)])
    bases = camera.project_ground(np.array([[m.x_m, m.y_m] for m in course.marks]))
    nearest = np.hypot(*(spots[None] - bases[:, None]).transpose(2, 0, 1)).min(1)
    assert (nearest < 0.25 / camera.metres_per_pixel()).all()


def spot(u_px: float, v_px: float, size_px: float = 20.0) -> ConeSpot:
    return ConeSpot(u_px, v_px, 1.0, size_px, 60.0)


def test_the_stripes_of_a_barrier_are_no_cones() -> None:
    """Five stripes of 20 px, 45 px from one to the next, seen a little aslant; cones before them, a pair, a row of them
    along a line (2 m apart, of 12 px), and two of like size are cones."""
    stripes = [spot(202 + 0.5 * k, 497 + 45 * k, 20 + k % 2) for k in range(5)]
    cones = [spot(223, 503, 9), spot(223, 656, 8), spot(670, 460, 12), spot(670, 640, 12), spot(1200, 578, 14)]
    row = [spot(300 + 95 * k, 800, 12) for k in range(6)]
    two = [spot(900, 100), spot(945, 100)]
    assert without_stripes([*stripes, *cones, *row, *two]) == [*cones, *row, *two]
    assert without_stripes([]) == []


def test_nothing_red_gives_no_cones() -> None:
    grey = np.random.default_rng(0).normal(110, 6, (480, 640, 1)).repeat(3, 2)
    assert find_cones(np.clip(grey, 0, 255).astype(np.uint8)) == []


def test_where_not_to_look_is_respected() -> None:
    course = bus_course()
    camera = looking_down(course)
    picture = paint(course, camera)
    pivot = course.mark("pivot")
    u, v = camera.project_ground(np.array([[pivot.x_m, pivot.y_m]]))[0]
    hidden = np.zeros(picture.shape[:2], np.uint8)
    cv2.circle(hidden, (round(u), round(v)), 25, 255, -1)
    assert all(math.hypot(s.u_px - u, s.v_px - v) > 20 for s in find_cones(picture, exclude=hidden))


@pytest.mark.parametrize("k1", [0.0, -0.12, -0.25, 0.05])
def test_side_lines_come_first_and_tell_the_bend(k1: float) -> None:
    course = bus_course()
    camera = looking_down(course, k1=k1)
    lines, bend = find_lines(paint(course, camera))
    half = camera.lens.width_px / 2
    assert bend == pytest.approx(k1 * (half / camera.lens.fx) ** 2, abs=0.006)
    seen = set()
    for spot in lines[:2]:
        ground = camera.to_ground(spot.points_px)
        off = {ln.name: np.abs(ln.clearance_m(ground) + ln.width_m / 2) for ln in course.lines}
        name = min(off, key=lambda n: float(np.median(off[n])))
        assert np.median(off[name]) < 0.25 * camera.metres_per_pixel()
        seen.add(name)
    assert seen == {"side_left", "side_right"}


def test_a_large_picture_gives_the_same_lines() -> None:
    course = bus_course()
    camera = looking_down(course, (2560, 1440))
    lines, _ = find_lines(paint(course, camera))
    ground = camera.to_ground(lines[0].points_px)
    off = min(float(np.median(np.abs(ln.clearance_m(ground) + ln.width_m / 2))) for ln in course.lines)
    assert off < 0.03
    a, b, c = lines[0].straight
    assert np.abs(lines[0].points_px @ [a, b] + c).max() < 6


def test_unbend_undoes_the_stated_model() -> None:
    # half the longer side is 500 px; a point 400 px out, bend -0.1: seen at 400 (1 - 0.1 · 0.64) = 374.4
    seen = np.array([[499.5 + 374.4, 299.5]])
    assert unbend(seen, -0.1, (1000, 600))[0] == pytest.approx([899.5, 299.5], abs=0.01)


def test_sample_is_bilinear_and_takes_any_number_of_points() -> None:
    ramp = np.arange(50, dtype=np.float32)[None].repeat(40, 0)
    u = np.linspace(1, 48, 50000)
    assert np.abs(sample(ramp, u, np.full_like(u, 20.0)) - u).max() < 0.04
    assert len(sample(ramp, u[:0], u[:0])) == 0
