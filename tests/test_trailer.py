"""The trailer as a data sheet states it, where it stands behind the towing vehicle, and how it follows."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.trailer import articulation_rate_radps, trailer_pose
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle, vehicle_from_table

TRACTOR = {"schema": 1, "name": "tractor", "length_m": 6.0, "width_m": 2.5, "height_m": 3.8, "wheelbase_m": 3.7,
           "front_overhang_m": 1.4}
SEMI = {"kind": "semi", "hitch_x_m": 0.6, "hitch_to_axle_m": 8.0, "length_m": 13.6, "width_m": 2.55, "height_m": 4.0,
        "rear_overhang_m": 4.0, "axles": 3, "axle_spacing_m": 1.3, "max_articulation_deg": 90.0}
DRAWBAR = {"kind": "rigid_drawbar", "hitch_x_m": -1.5, "hitch_to_axle_m": 5.0, "length_m": 5.0, "width_m": 2.3,
           "height_m": 3.0, "rear_overhang_m": 2.4, "max_articulation_deg": 70.0}


def vehicle_with(trailer: dict[str, object], **changes: object) -> Vehicle:
    return vehicle_from_table({**TRACTOR, "trailer": {**trailer, **changes}})


def test_reads_a_semi_trailer() -> None:
    vehicle = vehicle_with(SEMI)
    t = vehicle.trailer
    assert t is not None
    assert (t.x_rear_m, t.x_front_m) == pytest.approx((-4.0, 9.6))
    assert vehicle.overall_length_m == pytest.approx(5.1 - 0.6 + 8.0 + 4.0)  # 16.5 m
    assert t.axle_x_m == pytest.approx((1.3, 0.0, -1.3))
    assert [tyre.name for tyre in t.tyres()][:2] == ["trailer_axle_1_left", "trailer_axle_1_right"]
    assert not any(tyre.steered for tyre in t.tyres())
    assert math.degrees(t.max_articulation_rad) == pytest.approx(90)


def test_a_vehicle_without_a_trailer_is_as_long_as_itself() -> None:
    assert vehicle_from_table(TRACTOR).overall_length_m == 6.0


@pytest.mark.parametrize(("trailer", "changes", "key"), [
    (SEMI, {"kind": "turntable"}, "trailer.kind"),
    (SEMI, {"kind": "caravan"}, "trailer.kind"),
    (SEMI, {"hitch_to_axle_m": 9.7}, "trailer.hitch_to_axle_m"),        # coupling ahead of its body
    (SEMI, {"hitch_x_m": -2.0}, "trailer.hitch_x_m"),                   # fifth wheel behind the chassis
    (SEMI, {"combination_length_m": 18.75}, "trailer.combination_length_m"),
    (SEMI, {"rear_overhang_m": 13.5 - 0.05, "length_m": 13.6}, "trailer.rear_overhang_m"),
    (SEMI, {"max_articulation_deg": "90"}, "trailer.max_articulation_deg"),
    (SEMI, {"colour": "red"}, "trailer.colour"),
    (DRAWBAR, {"hitch_x_m": 0.5}, "trailer.hitch_x_m"),                 # a jaw ahead of the rear axle
    (DRAWBAR, {"length_m": 8.5}, "trailer.hitch_to_axle_m"),            # bodies one inside the other
])
def test_tells_what_is_wrong_with_a_trailer(trailer: dict[str, object], changes: dict[str, object], key: str) -> None:
    with pytest.raises(Trouble) as told:
        vehicle_with(trailer, **changes)
    assert told.value.where == key and told.value.remedy


def test_two_articulations_are_refused_in_plain_words() -> None:
    with pytest.raises(Trouble, match="bends at two places"):
        vehicle_with(DRAWBAR, kind="dolly")


def test_the_trailer_stands_behind_its_coupling() -> None:
    semi = vehicle_with(SEMI).trailer
    assert semi is not None
    assert trailer_pose(10.0, 2.0, 0.0, 0.0, semi) == pytest.approx((10 + 0.6 - 8, 2.0, 0.0))
    # Heading along y, trailer turned 90 degrees anticlockwise: it looks along -x, its axle 8 m further along +x.
    right = np.array([math.pi / 2])
    x, y, heading = trailer_pose(np.array([1.0]), np.array([1.0]), right, right, semi)
    assert (x[0], y[0], heading[0]) == pytest.approx((1 + 8, 1 + 0.6, math.pi))


def test_articulation_rate_by_hand() -> None:
    semi, bar = vehicle_with(SEMI).trailer, vehicle_with(DRAWBAR).trailer
    assert semi is not None and bar is not None
    # Straight behind, turning left at 0.1 rad/s: the fifth wheel swings the semi-trailer by 0.6 * 0.1 / 8 rad/s.
    assert articulation_rate_radps(0.0, 1.0, 0.1, semi) == pytest.approx(0.0075 - 0.1)
    # A jaw 1.5 m behind the axle swings the other way.
    assert articulation_rate_radps(0.0, 1.0, 0.1, bar) == pytest.approx(-0.03 - 0.1)
    # Reversing straight at 1 m/s with 30 degrees between them: the angle grows by sin(30) / 8 (jack-knifing).
    assert articulation_rate_radps(math.radians(30), -1.0, 0.0, semi) == pytest.approx(0.5 / 8)


def test_a_half_turn_of_a_published_design_vehicle() -> None:
    """WB-62: tractor 19.5 ft, semi-trailer 41.0 ft, 8.5 ft wide. Its front axle follows a half circle of 41.0 ft (from
    memory): least inside radius 7.4 ft (AASHTO design vehicle; turning table of sddc.army.mil, its labels swapped)."""
    foot = 0.3048
    wheelbase, back, radius = 19.5 * foot, 41.0 * foot, 41.0 * foot
    trailer = replace(vehicle_with(SEMI).trailer, hitch_x_m=0.0, hitch_to_axle_m=back)  # type: ignore[type-var]
    heading, angle, nearest, step = 0.0, 0.0, math.inf, 0.02
    for k in range(round((math.pi * radius + 15.0) / step)):
        along = min((k + 0.5) * step / radius, math.pi)  # around the circle, then straight out of it
        beyond = max((k + 0.5) * step - math.pi * radius, 0.0)
        front = np.array([radius * math.sin(along) + math.cos(along) * beyond, radius * (1 - math.cos(along))])
        wheel = along - heading
        turn, speed = math.sin(wheel) / wheelbase, math.cos(wheel)  # of the tractor's rear axle, a metre of the front's
        angle += step * float(articulation_rate_radps(np.array(angle), np.array(speed), np.array(turn), trailer))
        heading += step * turn
        rear = front - wheelbase * np.array([math.cos(heading), math.sin(heading)])
        x, y, _ = trailer_pose(*rear, heading, angle, trailer)
        nearest = min(nearest, math.hypot(x, y - radius))
    assert nearest / foot - 8.5 / 2 == pytest.approx(7.4, abs=0.1)
