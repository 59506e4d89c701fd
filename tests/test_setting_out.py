"""The setting-out sheet: its printed distances, walked back to coordinates, give the course; one page, and complete."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulate import bus

from analysis.course import Course, course_from_table
from analysis.layouts import FOOT_M, course_for
from analysis.setting_out import SettingOut, setting_out
from analysis.trouble import Trouble
from cli import setout
from cli.courses import course_toml
from cli.files import read_course
from cli.lengths import as_taped, feet, length_m
from cli.main import main

VEHICLE_TOML = """schema = 1
name = "12 m bus"
length_m = 12.0
width_m = 2.55
height_m = 3.05
wheelbase_m = 6.1
front_overhang_m = 2.7
"""


def walked(plan: SettingOut, side: float) -> dict[str, np.ndarray]:
    """Course coordinates of every placing, from the printed readings alone and the side that the course lies on:
    pegs by hooking the tape, marks where two arcs cross. Shares no code with what made the distances."""
    along = {}
    for peg in plan.pegs:
        if peg.hooked_to is None:
            along[peg.name] = 0.0
        else:
            back = -1.0 if peg.along_m < 0 else 1.0  # said on the sheet
            along[peg.name] = along[peg.hooked_to] + back * peg.reading_m
    u = np.array(plan.along)
    left = np.array([-u[1], u[0]])
    places = {}
    for p in plan.placings:
        x, y = along[p.foot], 0.0
        if p.tie_to is not None:
            r1, r2, apart = abs(p.across_m), p.tie_m, along[p.tie_to] - along[p.foot]
            dx = (r1**2 - r2**2 + apart**2) / (2 * apart)
            x, y = x + dx, side * math.sqrt(max(r1**2 - dx**2, 0.0))
        places[p.name] = np.array(plan.start_m) + x * u + y * left
    return places


def truth(course: Course) -> dict[str, tuple[float, float]]:
    ends = {f"{ln.name} {e}": q for ln in course.lines
            for e, q in (("start", (ln.x0_m, ln.y0_m)), ("end", (ln.x1_m, ln.y1_m)))}
    return {m.name: (m.x_m, m.y_m) for m in course.marks} | ends


def check_walk(course: Course, tape_m: float = 30.0, side: float | None = None) -> SettingOut:
    plan = setting_out(course, tape_m=tape_m)
    side = side or math.copysign(1.0, sum(p.across_m for p in plan.placings))
    places = walked(plan, side)
    want = {n: p for n, p in truth(course).items() if not n.startswith(plan.baseline)}
    assert set(places) == set(want)
    for name, place in want.items():
        assert math.dist(places[name], place) <= 0.01, name
    assert max(p.reading_m for p in plan.pegs) <= tape_m
    assert max(max(abs(p.across_m), p.tie_m) for p in plan.placings) <= tape_m
    assert max(c.distance_m for c in plan.checks) <= tape_m
    return plan


@pytest.mark.parametrize("exercise", ["s_reverse", "offset_reverse"])
@pytest.mark.parametrize("bay_on_left", [True, False])
def test_a_12_m_bus_yard_walked_with_a_30_m_tape(exercise: str, bay_on_left: bool) -> None:
    check_walk(course_for(bus(), exercise, bay_on_left=bay_on_left))


@settings(max_examples=40, deadline=None)
@given(st.floats(5.0, 15.0), st.floats(1.9, 2.6), st.sampled_from(["s_reverse", "offset_reverse"]), st.booleans(),
       st.sampled_from([20.0, 30.0, 50.0]))
def test_any_vehicles_yard_can_be_walked_back(length: float, width: float, exercise: str, left: bool,
                                              tape_m: float) -> None:
    vehicle = bus(length_m=length, width_m=width, wheelbase_m=0.55 * length, front_overhang_m=0.2 * length,
                  track_front_m=1.5, track_rear_m=1.2)
    check_walk(course_for(vehicle, exercise, bay_on_left=left), tape_m)


def test_the_12_m_bus_by_hand() -> None:
    """L 12, W 2.55: bay 3.825 m wide, 1 m from the line; pivot at 36 m, pair at 60 m; yard 11 m wide."""
    plan = setting_out(course_for(bus()))
    assert [(p.name, p.hooked_to, p.reading_m) for p in plan.pegs] == [
        ("0", None, 0.0), ("1", "0", 1.0), ("2", "0", 12.0), ("3", "2", 24.0), ("4", "3", 24.0), ("5", "3", 26.0)]
    at = {p.name: p for p in plan.placings}
    assert (at["mouth_left"].foot, at["mouth_left"].across_m, at["mouth_left"].tie_to) == ("2", -1.0, "0")
    assert at["mouth_left"].tie_m == pytest.approx(math.hypot(12, 1), abs=0.005)
    assert at["forward_right"].across_m == -10.0
    diagonals = [c.distance_m for c in plan.checks if c.diagonal]
    assert diagonals == pytest.approx([math.hypot(12, 3.825)] * 2)
    assert (plan.length_m, plan.width_m) == pytest.approx((62 + 1 + 6, 11 + 6))  # paint from -1 to 62 m, 3 m all round


def test_a_gap_longer_than_the_tape_gets_a_peg_of_its_own() -> None:
    plan = setting_out(course_for(bus(), "offset_reverse"))  # 100 ft from the first cones to the boundary
    idle = [p for p in plan.pegs if not p.serves]
    assert [p.reading_m for p in idle] == [pytest.approx(50 * FOOT_M, abs=0.003)]


def test_a_short_tape_is_said_to_be_too_short() -> None:
    with pytest.raises(Trouble, match="longer tape"):
        setting_out(course_for(bus()), tape_m=5.0)


def test_a_line_that_is_not_there_is_named() -> None:
    with pytest.raises(Trouble, match=r"no line 'kerb'.*side_left"):
        setting_out(course_for(bus()), baseline="kerb")


@pytest.fixture
def yard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "v.toml").write_text(VEHICLE_TOML)
    assert main(["course", "--vehicle", "v.toml", "-o", "c.toml"]) == 0
    return tmp_path


def sheet(*more: str, out: str = "s.html") -> int:
    return main(["setout", "--vehicle", "v.toml", "--course", "c.toml", "-o", out, "--no-room", *more])


def test_every_distance_stands_on_the_sheet_in_metres_and_feet(yard: Path) -> None:
    assert sheet() == 0
    text = (yard / "s.html").read_text("utf-8")
    plan = setting_out(read_course(yard / "c.toml"))
    for value in [p.reading_m for p in plan.pegs[1:]] + [p.tie_m for p in plan.placings] + \
            [abs(p.across_m) for p in plan.placings] + [c.distance_m for c in plan.checks]:
        assert f"<b>{as_taped(value)}</b>" in text
    assert "24.00" in text and "78&#x27; 9&quot;" in text  # 24 m is 78 ft 8.9 in
    for said in ("7 cones, 3 poles", "No vehicle moves while you measure", "Fly only as local rules allow",
                 "69.0 m × 17.0 m", "not an official test course"):
        assert said in text
    assert not re.search(r"https?://(?!www\.w3\.org)", text)  # nothing is fetched


def test_the_drawing_alone_and_a_wrong_ending(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert sheet(out="s.svg") == 0
    assert (yard / "s.svg").read_text().startswith("<svg")
    assert sheet(out="s.docx") == 2
    assert "allowed: .html, .pdf, .svg" in capsys.readouterr().err
    assert sheet("--tape", "long") == 2
    assert "is not a length" in capsys.readouterr().err


def test_a_bay_that_cannot_hold_the_vehicle_gets_no_sheet(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (yard / "c.toml").read_text()
    narrow = re.sub(r"(\[bay\]\n.*\n.*\ny_min_m = )\S+", r"\g<1>-0.1", text)
    assert narrow != text
    (yard / "c.toml").write_text(narrow)
    assert sheet() == 2
    assert "the bay is" in capsys.readouterr().err


@pytest.mark.parametrize("exercise", ["s_reverse", "offset_reverse"])
def test_the_printed_sheet_is_one_page(tmp_path: Path, exercise: str) -> None:
    if not any(map(setout.shutil.which, setout._BROWSERS)):
        pytest.skip("needs a Chromium browser to print with")
    course, vehicle = course_for(bus(), exercise), bus()
    room = "Room in the best run: " + "words " * 30
    html = setout.sheet_html(vehicle, course, setting_out(course), 30.0, 3.0, room)
    setout.print_pdf(html, tmp_path / "s.pdf")
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", (tmp_path / "s.pdf").read_bytes())) == 1


@pytest.mark.parametrize(("text", "wanted"), [("24.5", 24.5), ("24,5 m", 24.5), ("245cm", 2.45), ("100 ft", 30.48),
                                              ("79ft 10in", 79 * 0.3048 + 10 * 0.0254), ("6'", 1.8288),
                                              ("8in", 0.2032), ("1.5L", 18.0), ("2W", 5.1)])
def test_lengths_as_people_write_them(text: str, wanted: float) -> None:
    assert length_m(text, bus()) == pytest.approx(wanted)


@pytest.mark.parametrize("text", ["", "long", "-3", "3 yards", "1.5L", "nan", "1e3"])
def test_what_is_no_length_is_told_so(text: str) -> None:
    with pytest.raises(Trouble, match="is not a length"):
        length_m(text)


@given(st.floats(0.0, 120.0))
def test_feet_are_good_to_a_quarter_inch(value_m: float) -> None:
    whole, rest = feet(value_m).removesuffix('"').split("' ")
    inches = float(rest.replace("½", ".5")) if rest != "½" else 0.5
    assert abs((int(whole) * 12 + inches) * 0.0254 - value_m) <= 0.0254 / 4 + 1e-9


def test_distances_asked_for_are_used_and_noted(yard: Path) -> None:
    assert main(["course", "--vehicle", "v.toml", "--set", "pivot_to_back_m=1.5L", "--set", "yard_width_m=40 ft",
                 "-o", "d.toml"]) == 0
    text = (yard / "d.toml").read_text()
    assert "# pivot_to_back_m = 18.00 m" in text and "as asked for" in text
    assert 'name = "pivot"\nx_m = 18.000' in text


@pytest.mark.parametrize(("asked", "told"), [("pivot_to_bck_m=18", "no such distance"), ("bay_width_m=2.5", "2.55"),
                                             ("pivot_to_back_m=10", "beside the bay"), ("bay_width_m", "sets nothing"),
                                             ("bay_width_m=wide", "not a length"), ("bay_width_m=0", "out of range"),
                                             ("yard_width_m=5", "must exceed")])
def test_distances_that_do_not_go_together(yard: Path, capsys: pytest.CaptureFixture[str], asked: str,
                                           told: str) -> None:
    capsys.readouterr()
    assert main(["course", "--vehicle", "v.toml", "--set", asked, "-o", "d.toml"]) == 2
    line = capsys.readouterr().err
    assert told in line and line.count("\n") == 1


def test_a_course_file_keeps_its_exercise() -> None:
    import tomllib
    for exercise in ("s_reverse", "offset_reverse"):
        wanted = course_for(bus(), exercise)
        got = course_from_table(tomllib.loads(course_toml(wanted)))
        assert got.exercise == exercise
        assert (got.stopping_box is None) == (exercise == "offset_reverse")
        assert [m.name for m in got.marks] == [m.name for m in wanted.marks]


