"""Distances to lines, marks and barrier against another library, and turning circles against published figures."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from shapely.affinity import rotate, translate
from shapely.geometry import LineString, Point, Polygon, box
from simulate import bus

from analysis.attempt import Motion
from analysis.clearance import (
    ackermann_rad,
    body_to_barrier,
    body_to_mark,
    clearances,
    distance_to_box,
    outline_to_line,
    tyre_corners_local_m,
    tyres_to_line,
)
from analysis.course import Area, Course, Line, Mark, SurveyedLine, SurveyedMark
from analysis.swept import outlines_m, turning_circle, tyre_paths_m, wheel_for_outer_radius
from analysis.track import Track
from analysis.vehicle import Vehicle

FOOT_M = 0.3048


def motion(*poses: tuple[float, float, float, float], cov: np.ndarray | None = None) -> Motion:
    """Poses (x m, y m, heading rad, wheel rad)."""
    p = np.array(poses, float)
    n = len(p)
    return Motion(np.arange(n) * 0.1, p[:, 0], p[:, 1], p[:, 2], np.zeros(n), p[:, 3],
                  np.tile(np.diag([1e-4, 1e-4, 1e-6, 1e-4, 1e-2]) if cov is None else cov, (n, 1, 1)), np.zeros(n))


def placed(shape: Polygon, x: float, y: float, heading: float) -> Polygon:
    return translate(rotate(shape, heading, origin=(0, 0), use_radians=True), x, y)


RNG = np.random.default_rng(0)
POSES = [(float(RNG.uniform(0, 12)), float(RNG.uniform(-6, 6)), float(RNG.uniform(-3, 3)),
          float(RNG.uniform(-0.7, 0.7))) for _ in range(40)]
LINE = Line("side_left", -1.0, 2.7, 62.0, 3.1, 0.15, -1)


def test_tyres_and_body_to_a_line_agree_with_shapely() -> None:
    vehicle, m = bus(), motion(*POSES)
    edge = LineString([(-1000, 2.7 - 999 * 0.4 / 63), (1062, 3.1 + 1000 * 0.4 / 63)])
    any_part = tyres_to_line(m, vehicle, LINE, 0.0, full_width=False)
    full = tyres_to_line(m, vehicle, LINE, 0.0, full_width=True)
    body = outline_to_line(m, vehicle.body_outline_m(), LINE, 0.0, "body")
    for k, (x, y, heading, wheel) in enumerate(POSES):
        tyres = [placed(Polygon(tyre_corners_local_m(t, vehicle, np.array([wheel]))[0]), x, y, heading)
                 for t in vehicle.tyres()]
        yard = Polygon([*edge.coords, (1062, -1000), (-1000, -1000)])
        clear = [t.distance(edge) for t in tyres if yard.contains(t)]
        if len(clear) == 4:
            assert any_part.value_m[k] == pytest.approx(min(clear), abs=1e-9)
        else:
            assert any_part.value_m[k] < 0
        beyond = [t for t in tyres if not yard.intersects(t)]
        assert (full.value_m[k] < 0) == bool(beyond)
        if beyond:
            assert full.value_m[k] == pytest.approx(-max(t.distance(edge) for t in beyond), abs=1e-9)
        hull = placed(Polygon(vehicle.body_outline_m()), x, y, heading)
        if yard.contains(hull):
            assert body.value_m[k] == pytest.approx(hull.distance(edge), abs=1e-9)


def test_the_data_sheets_doubt_is_in_every_distance() -> None:
    """Sizes known to 2 cm: half of track and tyre width are 1.41 cm off, half a width is 1 cm off; line 0.6, mark 1."""
    m, certain = motion((6.0, 0.0, 0.0, 0.0), cov=np.zeros((5, 5))), np.zeros((2, 3, 3))
    track = Track(np.zeros(2), np.ones(2, bool), *np.zeros((3, 2)), certain, np.zeros((3, 3)),
                  marks=(SurveyedMark("pivot", 3.0, -4.0, 0.01, 3.0, -4.0),),
                  lines=(SurveyedLine("side_left", -1.0, 2.7, 62.0, 3.1, 0.006),))
    course = Course("c", (Mark("pivot", 3.0, -4.0),), (LINE,), Area(0, 12, -2, 2), Area(0, 1, -2, 2), None, 0.0)
    d = clearances(m, bus(), course, track, 0.02)
    assert d.tyre["side_left"].sd_m[0] == pytest.approx(0.01536, abs=1e-5)
    assert d.body["side_left"].sd_m[0] == pytest.approx(0.01166, abs=1e-5)
    assert d.mark["pivot"].sd_m[0] == pytest.approx(0.01414, abs=1e-5)


def test_a_yard_of_doubtful_scale_is_in_every_distance_across_it() -> None:
    """1 % along x and along y together: of the 2.7 m from the vehicle's middle to a line beside it 2.7 cm, of the 10 m
    to a cone straight ahead 10 cm, however near to them a tyre or the front is; of x alone nothing across."""
    level, cone = Line("side_left", -1.0, 2.7, 62.0, 2.7, 0.15, -1), Mark("pivot", 14.0, 0.0, 0.18, 0.75, 0.0)
    both, along = np.diag([1e-4, 1e-4, 0.0]), np.diag([1e-4, 0.0, 0.0])
    both[0, 1] = both[1, 0] = 1e-4
    for strain, of_line, of_cone in ((both, 0.027, 0.1), (along, 0.0, 0.1)):
        m = replace(motion((4.0, 0.0, 0.0, 0.0), cov=np.zeros((5, 5))), strain_cov=strain[None])
        assert tyres_to_line(m, bus(), level, 0.0, full_width=False).sd_m[0] == pytest.approx(of_line, abs=1e-9)
        assert body_to_mark(m, bus(), cone, 0.0).sd_m[0] == pytest.approx(of_cone, abs=1e-9)


def test_body_to_mark_agrees_with_shapely() -> None:
    vehicle, m, mark = bus(), motion(*POSES), Mark("pivot", 3.0, -1.0, 0.18, 0.75, 1.5)
    reading = body_to_mark(m, vehicle, mark, 0.02)
    solid = vehicle.solids[0]
    r = solid.corner_radius_m
    hull = box(solid.x_min_m + r, -solid.width_m / 2 + r, solid.x_max_m - r, solid.width_m / 2 - r)
    for k, (x, y, heading, _) in enumerate(POSES):
        core, point = placed(hull, x, y, heading), Point(mark.x_m, mark.y_m)
        if not core.contains(point):
            assert reading.value_m[k] == pytest.approx(core.distance(point) - r - 0.18, abs=1e-9)
        else:
            assert reading.value_m[k] == pytest.approx(-core.exterior.distance(point) - r - 0.18, abs=1e-9)


def test_what_passes_above_a_mark_does_not_touch_it() -> None:
    """Mirrors 2.2 m up clear a 1.5 m pole; a mirror at 1.4 m does not."""
    m, mark = motion((0.0, 0.0, 0.0, 0.0)), Mark("pivot", 8.65, 1.5, 0.18, 0.75, 1.5)
    high = body_to_mark(m, bus(), mark, 0.0)
    low = body_to_mark(m, bus(height_m=1.8, mirror={"z_m": 1.4, "out_m": 0.25, "x_m": 8.65}), mark, 0.0)
    assert high.value_m[0] == pytest.approx(1.5 - 1.275 - 0.18)
    assert low.names[low.part[0]] == "left mirror"
    assert low.value_m[0] < 0


def test_barrier_distance_agrees_with_shapely() -> None:
    vehicle, barrier = bus(corner_radius_m=0.0), Area(-0.42, -0.30, -2.2, 2.2)
    poses = [(4.0, 0.1, 0.0, 0.0), (4.5, 0.5, 0.2, 0.0), (2.6, 0.0, -0.05, 0.0), (9.0, 4.0, 1.2, 0.0)]
    reading = body_to_barrier(motion(*poses), vehicle, barrier, 0.0)
    shape = box(-0.42, -2.2, -0.30, 2.2)
    for k, (x, y, heading, _) in enumerate(poses):
        hull = placed(Polygon(vehicle.body_outline_m()), x, y, heading)
        expected = hull.distance(shape)
        if expected > 0:
            assert reading.value_m[k] == pytest.approx(expected, abs=1e-9)
        else:  # the rear left corner is the deepest
            corner = hull.bounds[0] + 0.30
            assert reading.value_m[k] == pytest.approx(corner, abs=1e-9)


def test_signed_distance_to_a_rounded_box_by_hand() -> None:
    points = np.array([[3.0, 0.0], [0.0, 0.5], [2.0, 1.0], [5.0, 5.0]])
    value, away = distance_to_box(points, -2, 2, -1, 1, 0.0)
    np.testing.assert_allclose(value, [1.0, -0.5, 0.0, 5.0])  # 3-4-5 triangle from the corner (2, 1)
    np.testing.assert_allclose(away[[0, 1, 3]], [[1, 0], [0, 1], [0.6, 0.8]])
    corner, _ = distance_to_box(np.array([[2.0, 1.0]]), -2, 2, -1, 1, 0.5)
    assert corner[0] == pytest.approx(0.5 * (math.sqrt(2) - 1))  # the rounding's middle is half a diagonal inside


def test_clearance_sd_is_that_of_jittered_poses() -> None:
    """First-order sd against the spread of 4000 poses drawn from the covariance."""
    cov = np.zeros((5, 5))
    cov[:3, :3] = [[4e-4, 1e-4, -2e-5], [1e-4, 9e-4, 3e-5], [-2e-5, 3e-5, 4e-6]]
    vehicle, mark = bus(), Mark("pivot", 10.0, 3.0)
    centre = (2.0, 0.5, 0.3, 0.2)
    drawn = np.random.default_rng(1).multivariate_normal(centre[:3], cov[:3, :3], 4000)
    many = motion(*[(*p, 0.2) for p in drawn])
    one = motion(centre, cov=cov)
    for reading in (lambda m: tyres_to_line(m, vehicle, LINE, 0.0, full_width=False),
                    lambda m: outline_to_line(m, vehicle.body_outline_m(), LINE, 0.0, "body"),
                    lambda m: body_to_mark(m, vehicle, mark, 0.0)):
        assert reading(one).sd_m[0] == pytest.approx(np.std(reading(many).value_m), rel=0.05)


def test_survey_error_adds_in_quadrature() -> None:
    m, mark = motion((0.0, 0.0, 0.0, 0.0), cov=np.zeros((5, 5))), Mark("pivot", 12.0, 0.0)
    assert body_to_mark(m, bus(), mark, 0.03).sd_m[0] == pytest.approx(0.03)


def test_ackermann_angles() -> None:
    """Wheelbase 5.9 m, track 2.1 m, rear-axle radius 9.0 m: inner 36.5805, outer 30.4157 degrees, difference of
    cotangents 2.1 / 5.9 (computed from the geometry)."""
    wheel = np.array([math.atan(5.9 / 9.0)])
    inner, outer = ackermann_rad(wheel, 5.9, 1.05)[0], ackermann_rad(wheel, 5.9, -1.05)[0]
    assert math.degrees(inner) == pytest.approx(36.5805, abs=1e-4)
    assert math.degrees(outer) == pytest.approx(30.4157, abs=1e-4)
    assert 1 / math.tan(outer) - 1 / math.tan(inner) == pytest.approx(2.1 / 5.9)
    assert ackermann_rad(-wheel, 5.9, -1.05)[0] == pytest.approx(-inner)


@pytest.mark.parametrize(("wheelbase", "front", "rear", "width", "axle", "inner", "steer_deg", "swing"), [
    (5.9, 2.7, 3.4, 2.55, 7.796, 6.521, 37.12, 0.616),
    (5.2, 2.6, 2.7, 2.50, 8.518, 7.268, 31.40, 0.366),
    (5.6, 1.4, 3.0, 2.55, 9.081, 7.806, 31.66, 0.426),
    (7.6, 2.1, 2.5, 2.60, 6.584, 5.284, 49.10, 0.387),
])
def test_turning_circle_of_the_regulation(wheelbase: float, front: float, rear: float, width: float, axle: float,
                                          inner: float, steer_deg: float, swing: float) -> None:
    """Outer radius 12.50 m (97/27/EC Annex I 7.6.1, carried into EU 1230/2012); the other figures are computed
    from it by the closed forms of plane geometry. The last vehicle fails the inner radius of 5.30 m by 16 mm."""
    vehicle = bus(length_m=wheelbase + front + rear, wheelbase_m=wheelbase, front_overhang_m=front, width_m=width)
    wheel = wheel_for_outer_radius(vehicle, 12.5)
    circle = turning_circle(vehicle, wheel)
    assert circle.outer_body_m == pytest.approx(12.5)
    assert math.degrees(wheel) == pytest.approx(steer_deg, abs=0.005)
    assert circle.rear_axle_m == pytest.approx(axle, abs=5e-4)
    assert circle.inner_body_m == pytest.approx(inner, abs=5e-4)
    assert circle.tail_swing_m == pytest.approx(swing, abs=5e-4)


@pytest.mark.parametrize(("wheelbase_ft", "centreline_ft", "width_ft", "inside_ft"), [
    (20.0, 38.0, 8.0, 28.4),  # SU-30
    (25.0, 37.8, 8.5, 24.5),  # CITY-BUS
    (21.3, 34.9, 8.0, 23.8),  # S-BUS-36
    (20.0, 35.4, 8.0, 25.3),  # S-BUS-40
    (25.3, 37.8, 8.5, 24.3),  # BUS-40
])
def test_turning_radii_of_published_design_vehicles(wheelbase_ft: float, centreline_ft: float, width_ft: float,
                                                    inside_ft: float) -> None:
    """Minimum inside radius at the published radius of the front axle's middle (Texas DOT Roadway Design Manual 4.3.3,
    Table 4-1). The table uses tyre edges where we use the body's side, hence 0.6 ft (0.18 m)."""
    vehicle = bus(length_m=wheelbase_ft * FOOT_M + 4.0, wheelbase_m=wheelbase_ft * FOOT_M, front_overhang_m=2.0,
                  width_m=width_ft * FOOT_M)
    circle = turning_circle(vehicle, math.asin(wheelbase_ft / centreline_ft))
    assert circle.front_axle_m == pytest.approx(centreline_ft * FOOT_M)
    assert circle.inner_body_m == pytest.approx(inside_ft * FOOT_M, abs=0.18)


@pytest.mark.parametrize(("wheelbase_m", "radius_m", "expected_m"), [(6.1, 15.0, 1.296), (7.6, 15.0, 2.068)])
def test_off_tracking_of_a_rigid_vehicle(wheelbase_m: float, radius_m: float, expected_m: float) -> None:
    """R - sqrt(R^2 - L^2), the sum-of-squares form reviewed by Sayers, TRR 1052 (1986); figures computed from it."""
    vehicle = bus(length_m=wheelbase_m + 5.0, wheelbase_m=wheelbase_m)
    circle = turning_circle(vehicle, math.asin(wheelbase_m / radius_m))
    assert circle.off_tracking_m == pytest.approx(expected_m, abs=5e-4)


def test_a_driven_circle_sweeps_the_radii_of_the_closed_form() -> None:
    """One turn of 200 poses about (0, r): outline and tyres against the steady turning circle."""
    vehicle: Vehicle = bus(corner_radius_m=0.0)
    wheel = math.radians(35)
    circle = turning_circle(vehicle, wheel)
    turn = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    r = circle.rear_axle_m
    m = motion(*[(r * math.sin(a), r - r * math.cos(a), a, wheel) for a in turn])
    centre = np.array([0.0, r])
    reach = np.linalg.norm(outlines_m(m, vehicle) - centre, axis=-1)
    assert reach.max() == pytest.approx(circle.outer_body_m)
    front = np.linalg.norm(tyre_paths_m(m, vehicle)["front_right"] - centre, axis=-1)
    assert np.ptp(front) < 1e-9
    assert front[0] + vehicle.tyre_width_front_m / 2 == pytest.approx(circle.outer_tyre_m)
