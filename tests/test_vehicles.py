"""Vehicles as data: the generic ones against the published tables; a bad file gets one line."""

from __future__ import annotations

import math
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.course import Area, check_room
from analysis.layouts import course_for
from analysis.swept import turning_circle
from analysis.trouble import Trouble
from analysis.vehicle import vehicle_from_table
from cli.files import read_vehicle
from cli.main import main

DATA = Path(__file__).parents[1] / "cli" / "data"
FOOT_M = 0.3048

# Feet: minimum design turning radius (outer front tyre), minimum inside radius (Texas DOT Roadway Design Manual 4.3.3,
# Table 4-1). Metres: length, width (AASHTO Green Book 2004, Exhibit 2-1).
PUBLISHED = [("rigid_lorry_9", 41.8, 28.4, 9.2, 2.4), ("city_bus_12", 41.6, 24.5, 12.2, 2.6),
             ("school_bus_11", 38.6, 23.8, 10.9, 2.4), ("school_bus_12", 39.1, 25.3, 12.2, 2.4)]


def shipped(name: str) -> Path:
    return DATA / f"{name}.vehicle.toml"


def values() -> dict[str, Any]:
    return tomllib.loads(shipped("city_bus_12").read_text("utf-8"))


def test_every_shipped_vehicle_is_checked_here_and_names_its_source() -> None:
    assert {p.name.split(".")[0] for p in DATA.glob("*.vehicle.toml")} == {row[0] for row in PUBLISHED}
    for row in PUBLISHED:
        assert "Exhibit 2-1" in read_vehicle(shipped(row[0])).source


@pytest.mark.parametrize(("name", "outer_ft", "inner_ft", "length_m", "width_m"), PUBLISHED)
def test_turning_figures_against_the_published_radii(name: str, outer_ft: float, inner_ft: float, length_m: float,
                                                     width_m: float) -> None:
    v = read_vehicle(shipped(name))
    assert v.length_m == pytest.approx(length_m, abs=0.101)  # the metric table is rounded to 0.1 m
    assert v.width_m == width_m
    circle = turning_circle(v, v.max_wheel_rad)
    assert circle.inner_body_m == pytest.approx(inner_ft * FOOT_M, abs=0.18)
    # The front track is not in the table: as in the reference's own check, the tyre is taken at the full width.
    outer_m = math.hypot(circle.rear_axle_m + v.width_m / 2, v.wheelbase_m)
    assert outer_m == pytest.approx(outer_ft * FOOT_M, abs=0.18)


@given(st.sampled_from(["length_m", "width_m", "height_m", "wheelbase_m", "front_overhang_m"]),
       st.floats(max_value=0.0, allow_nan=False))
def test_a_size_of_zero_or_less_is_named_with_what_is_allowed(key: str, value: float) -> None:
    with pytest.raises(Trouble) as told:
        vehicle_from_table(values() | {key: value})
    line = told.value.one_line()
    assert key in line and f"{value:g}" in line and "allowed:" in line and "\n" not in line


@given(st.floats(min_value=0.0, max_value=2.0))
def test_a_wheelbase_longer_than_the_vehicle_is_named(beyond_m: float) -> None:
    with pytest.raises(Trouble, match="wheelbase_m"):
        vehicle_from_table(values() | {"wheelbase_m": 12.2 + beyond_m})


@given(st.text("abcdefghijklmnopqrstuvwxyz_", min_size=1, max_size=20).filter(lambda k: k not in KNOWN))
def test_an_unknown_key_is_named(key: str) -> None:
    with pytest.raises(Trouble) as told:
        vehicle_from_table(values() | {key: 1.0})
    assert told.value.one_line().startswith(f"{key}: this key is not known")


KNOWN = {"rear_overhang_m", "track_front_m", "track_rear_m", "tyre_width_front_m", "tyre_width_rear_m",
         "tyre_length_m", "wheel_radius_m", "wheel_rate_deg_s", "creep_speed_mps", "corner_radius_m",
         "ground_clearance_m", "mirror", "solid", *values()}


@given(st.floats(min_value=26.0, max_value=20000.0))
def test_a_length_in_feet_or_millimetres_is_out_of_range_and_the_unit_is_told(length: float) -> None:
    with pytest.raises(Trouble, match="metres"):
        vehicle_from_table(values() | {"length_m": length})


@given(st.floats(min_value=0.1, max_value=5.0))
def test_a_bay_is_refused_just_when_it_is_no_wider_than_the_vehicle(bay_m: float) -> None:
    v = read_vehicle(shipped("city_bus_12"))
    course = replace(course_for(v), bay=Area(0.0, 12.2, 0.0, bay_m))
    if bay_m > 2.6:
        check_room(course, v)
    else:
        with pytest.raises(Trouble, match=r"bay\.y_max_m.*2\.6 m"):
            check_room(course, v)


def test_generic_vehicles_are_listed_and_copied_but_never_over_a_file(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["vehicle"]) == 0
    assert capsys.readouterr().out.split() == sorted(row[0] for row in PUBLISHED)
    assert main(["vehicle", "city_bus_12", "-o", "mine.toml"]) == 0
    assert read_vehicle(tmp_path / "mine.toml") == read_vehicle(shipped("city_bus_12"))
    capsys.readouterr()
    assert main(["vehicle", "city_bus_12", "-o", "mine.toml"]) == 2
    assert "left as it is" in capsys.readouterr().err
    assert main(["vehicle", "hovercraft"]) == 2
    assert "allowed: city_bus_12, rigid_lorry_9" in capsys.readouterr().err
    assert not (tmp_path / "hovercraft.vehicle.toml").exists()
