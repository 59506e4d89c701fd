"""Any wrong value in a vehicle, course or rules file is one line that names file, key, value and what is allowed."""

from __future__ import annotations

import copy
import tempfile
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from simulate import bus

from analysis.course import course_from_table
from analysis.layouts import course_for
from analysis.rules import KINDS, rules_from_table
from analysis.trouble import Trouble
from analysis.vehicle import vehicle_from_table
from cli import files
from cli.courses import course_toml

DATA = Path(__file__).parents[1] / "cli" / "data"
VEHICLE = tomllib.loads((DATA / "city_bus_12.vehicle.toml").read_text("utf-8"))
COURSE = tomllib.loads(course_toml(course_for(bus())))
RULES = tomllib.loads((DATA / "offset_points.rules.toml").read_text("utf-8"))
READERS: dict[str, tuple[Callable[[Any], Any], dict[str, Any]]] = {
    "vehicle": (vehicle_from_table, VEHICLE), "course": (course_from_table, COURSE), "rules": (rules_from_table, RULES)}

Place = tuple[str | int, ...]


def numbers_in(table: Any, at: Place = ()) -> list[Place]:
    """The places of all numbers in a file but its schema's number."""
    if isinstance(table, dict):
        return [p for k, v in table.items() for p in numbers_in(v, (*at, k)) if (*at, k) != ("schema",)]
    if isinstance(table, list):
        return [p for i, v in enumerate(table) for p in numbers_in(v, (*at, i))]
    return [at] if isinstance(table, (int, float)) and not isinstance(table, bool) else []


def changed(values: dict[str, Any], place: Place, value: Any) -> dict[str, Any]:
    out = copy.deepcopy(values)
    at: Any = out
    for step in place[:-1]:
        at = at[step]
    at[place[-1]] = value
    return out


def complaint(kind: str, values: dict[str, Any]) -> str:
    with pytest.raises(Trouble) as told:
        READERS[kind][0](values)
    line = told.value.one_line()
    assert "\n" not in line
    return line


def shown(value: Any) -> str:
    """The value as far as a line of complaint shows it."""
    return repr(value) if len(repr(value)) <= 40 else repr(value)[:37]


PLACES = [(kind, place) for kind, (_, values) in READERS.items() for place in numbers_in(values)]


@settings(max_examples=150)
@given(st.sampled_from(PLACES), st.one_of(
    st.floats(-1e9, -201.0), st.floats(1001.0, 1e9), st.just(float("nan")), st.just(float("inf")),
    st.text(max_size=12), st.sampled_from(["12 m", "40 ft", True, False, None, [], {}])))
def test_no_number_can_be_replaced_by_nonsense(at: tuple[str, Place], value: Any) -> None:
    kind, place = at
    line = complaint(kind, changed(READERS[kind][1], place, value))
    key = next(str(step) for step in reversed(place) if isinstance(step, str))
    assert key in line
    assert shown(value) in line or (isinstance(value, float) and f"{value:g}" in line), line
    assert any(word in line for word in ("allowed", "write a")), line


@given(st.sampled_from([p for p in PLACES if p[0] == "vehicle"]), st.floats(-50, -0.001))
def test_no_size_of_a_vehicle_can_be_negative(at: tuple[str, Place], value: float) -> None:
    line = complaint("vehicle", changed(VEHICLE, at[1], value))
    assert str(at[1][-1]) in line and f"{value:g}" in line and "allowed: " in line


@given(st.sampled_from(list(READERS)), st.text(min_size=1, max_size=20), st.one_of(st.integers(), st.text(max_size=60)))
def test_an_unknown_key_is_named_with_its_value_and_the_keys_allowed(kind: str, key: str, value: Any) -> None:
    reader, values = READERS[kind]
    if key in values or key in ("rear_overhang_m", "solid", "mirror", "line", "barrier"):
        return
    try:
        reader(values | {key: value})
    except Trouble as e:
        line = e.one_line()
        assert "\n" not in line
        # a few keys may be left out of a file: those are known, and only their value is wrong
        assert ("this key is not known" in line and "allowed: " in line) or key in line


@pytest.mark.parametrize("kind", list(READERS))
def test_a_text_that_goes_on_and_on_is_refused(kind: str) -> None:
    assert "name: 2001 characters are too many" in complaint(kind, READERS[kind][1] | {"name": "x" * 2001})


def test_a_whole_number_without_end_is_out_of_range() -> None:
    for value in (2**63, 10**400, -(2**20_000)):
        assert "length_m: " in complaint("vehicle", VEHICLE | {"length_m": value})
        assert "schema: " in complaint("vehicle", VEHICLE | {"schema": value})


@pytest.mark.parametrize("key", ["length_ft", "length_mm", "length"])
def test_another_unit_in_the_key_is_not_known(key: str) -> None:
    values = {k: v for k, v in VEHICLE.items() if k != "length_m"} | {key: 40.0}
    line = complaint("vehicle", values)
    assert "length_m: this key is missing" in line and key in line


@given(st.sampled_from(["x_min_m", "y_min_m"]), st.floats(0.01, 50.0))
def test_an_area_turned_inside_out_is_named(key: str, beyond: float) -> None:
    highest = COURSE["bay"][key.replace("min", "max")]
    line = complaint("course", changed(COURSE, ("bay", key), highest + beyond))
    assert "bay.x_max_m" in line or "out of range" in line


@given(st.sampled_from([m["name"] for m in COURSE["mark"]]))
def test_a_missing_or_doubled_mark_is_named(name: str) -> None:
    without = COURSE | {"mark": [m for m in COURSE["mark"] if m["name"] != name]}
    assert f"'{name}' is missing" in complaint("course", without)
    doubled = COURSE | {"mark": [*COURSE["mark"], next(m for m in COURSE["mark"] if m["name"] == name)]}
    assert f"'{name}' is given twice" in complaint("course", doubled)


def test_an_exercise_of_ones_own_needs_four_marks_and_no_stopping_box() -> None:
    own = {k: v for k, v in COURSE.items() if k not in ("stopping_box", "barrier")} | {"exercise": "own"}
    assert course_from_table(own | {"mark": COURSE["mark"][:4]}).stopping_box is None
    assert "at least 4" in complaint("course", own | {"mark": COURSE["mark"][:3]})
    assert "allowed: s_reverse, offset_reverse, own" in complaint("course", COURSE | {"exercise": "waltz"})


@given(st.sampled_from(KINDS), st.text(max_size=10).filter(lambda s: s not in ("fault", "note", "ignore")))
def test_a_severity_is_one_of_three(kind: str, value: str) -> None:
    line = complaint("rules", changed(RULES, ("severity", kind), value))
    assert f"severity.{kind}" in line and shown(value) in line and "allowed: fault, note, ignore" in line


@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from([("vehicle", files.read_vehicle), ("course", files.read_course), ("rules", files.read_rules)]),
       st.binary(max_size=200))
def test_no_bytes_in_a_file_make_anything_but_one_line(reader: tuple[str, Callable[[Path], Any]], raw: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "file.toml"
        path.write_bytes(raw)
        with pytest.raises(Trouble) as told:
            reader[1](path)
    line = told.value.one_line()
    assert line.startswith(str(path)) and "\n" not in line
