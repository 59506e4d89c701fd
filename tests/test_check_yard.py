"""Checking a yard from the air: errors worked by hand, and a painted yard whose cones were moved."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from paint_yard import bus_course, looking_down, paint

from analysis.course import Course, Mark, SurveyedLine, SurveyedMark
from analysis.yard_check import lines_placed, marks_placed, move
from cli.courses import course_toml
from cli.files import read_course
from cli.main import main

COURSE = bus_course()


def seen(name: str, dx_m: float, dy_m: float, sd_m: float = 0.02) -> SurveyedMark:
    m = COURSE.mark(name)
    return SurveyedMark(name, m.x_m + dx_m, m.y_m + dy_m, sd_m, m.x_m, m.y_m)


@pytest.mark.parametrize(("dx", "dy", "sd", "verdict", "told"), [
    (0.28, 0.0, 0.02, "fault", "Move the pivot cone 0.28 m towards the barrier (± 4 cm)."),
    (-0.28, 0.1, 0.02, "fault", "Move the pivot cone 0.28 m towards the forward cones and 0.10 m towards the right "
                                "side (± 4 cm)."),
    (0.0, -0.5, 0.02, "fault", "Move the pivot cone 0.50 m towards the left side (± 4 cm)."),
    (0.03, 0.04, 0.02, "ok", "The pivot cone stands within 10 cm of its place."),  # 5 cm + 1.96 x 2 cm < 10 cm
    (0.06, 0.08, 0.02, "too close to call", "The pivot cone seems to be 10 cm off (± 4 cm)"),
])
def test_how_to_move_a_cone(dx: float, dy: float, sd: float, verdict: str, told: str) -> None:
    got = next(p for p in marks_placed(COURSE, (seen("pivot", dx, dy, sd),)) if p.name == "pivot")
    assert got.verdict == verdict
    assert got.sentence.startswith(told)


def test_a_mark_not_found_is_said_so_and_the_worst_comes_first() -> None:
    got = marks_placed(COURSE, (seen("pivot", 0.3, 0), seen("mouth_left", 0.5, 0), seen("back_left", 0.0, 0)))
    assert [p.name for p in got[:2]] == ["mouth_left", "pivot"]
    assert {p.verdict for p in got[2:6]} == {"not seen"}
    assert got[-1].name == "back_left"


@given(st.floats(-2, 2), st.floats(-2, 2))
def test_a_move_is_never_longer_than_the_error(dx: float, dy: float) -> None:
    told = [float(part.split(" m ")[0]) for part in move(COURSE, dx, dy).split(" and ") if " m " in part]
    assert math.hypot(*told, 0.0) <= math.hypot(dx, dy) + 0.01


def test_a_line_beyond_its_place_is_for_the_course_file() -> None:
    ln = COURSE.lines[0]  # left line: the yard is on its right, so outwards is +y
    (got,) = lines_placed(COURSE, (SurveyedLine(ln.name, ln.x0_m, ln.y0_m, ln.x1_m, ln.y1_m + 0.2, 0.02),))
    assert (got.near_m, got.far_m) == pytest.approx((0.0, 0.2))
    assert "20 cm outside" in got.sentence and "correct the course file" in got.sentence


# ---- from a picture to the report ----------------------------------------------------------------


def set_out(course: Course) -> list[Mark]:
    """The pivot cone 0.40 m too far from the barrier, and the left back cone missing."""
    return [replace(m, x_m=m.x_m + 0.40) if m.name == "pivot" else m for m in course.marks if m.name != "back_left"]


def clip_of(pictures: list[np.ndarray], out: Path) -> None:
    with av.open(str(out), "w") as container:
        stream = container.add_stream("libx264", rate=5, options={"crf": "20"})
        stream.width, stream.height, stream.pix_fmt = pictures[0].shape[1], pictures[0].shape[0], "yuv420p"
        for i, picture in enumerate(pictures):
            frame = av.VideoFrame.from_ndarray(picture, format="bgr24")
            frame.pts, frame.time_base = i, Fraction(1, 5)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())


@pytest.fixture
def yard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "c.toml").write_text(course_toml(COURSE))
    return tmp_path


def check(picture: str, *more: str) -> int:
    return main(["check-yard", picture, "--course", "c.toml", "--out", "report", *more])


@pytest.mark.parametrize("kind", ["photo", "clip"])
def test_a_cone_out_of_place_and_one_missing(yard: Path, kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    if kind == "photo":
        cv2.imwrite(str(yard / "yard.png"), paint(COURSE, looking_down(COURSE), marks=set_out(COURSE)))
    else:
        clip_of([paint(COURSE, looking_down(COURSE, tilt_deg=4 + 0.3 * k, turn_deg=0.5 * k), marks=set_out(COURSE),
                       seed=k) for k in range(3)], yard / "yard.mp4")
    assert check("yard.png" if kind == "photo" else "yard.mp4") == 0
    told = " ".join(capsys.readouterr().out.split())
    figures = json.loads((yard / "report" / "setting_out.json").read_text())
    by_name = {m["name"]: m for m in figures["marks"]}
    pivot = by_name["pivot"]
    assert pivot["verdict"] == "fault"
    assert abs(pivot["dx_m"] + 0.40) <= 1.96 * pivot["sd_m"] + 0.01
    assert by_name["back_left"]["verdict"] == "not seen"
    others = [m["verdict"] for n, m in by_name.items() if n not in ("pivot", "back_left")]
    assert set(others) <= {"ok", "too close to call"}
    assert "Move the pivot cone 0." in told and "towards the barrier" in told
    page = (yard / "report" / "setting_out.html").read_text()
    assert "Move 1, find 1" in page and "data:image/jpeg" in page
    stands = read_course(yard / "report" / "surveyed.course.toml")
    assert stands.mark("pivot").x_m == pytest.approx(COURSE.mark("pivot").x_m + 0.40, abs=0.15)
    assert figures["pictures"] == (1 if kind == "photo" else 3)


def test_room_for_the_vehicle_is_told(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (yard / "v.toml").write_text('name = "wide"\nlength_m = 12.0\nwidth_m = 3.0\nheight_m = 3.0\nwheelbase_m = 6.1\n'
                                 "front_overhang_m = 2.7\n")
    narrow = replace(COURSE, marks=tuple(replace(m, y_m=m.y_m * 0.85) if m.name.startswith(("mouth", "back")) else m
                                         for m in COURSE.marks))
    cv2.imwrite(str(yard / "yard.png"), paint(COURSE, looking_down(COURSE), marks=narrow.marks))
    assert check("yard.png", "--vehicle", "v.toml", "--no-room") == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "The mouth cones stand too close" in told


def test_what_cannot_be_checked_is_one_line(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    cv2.imwrite(str(yard / "grey.png"), np.full((360, 640, 3), 90, np.uint8))
    (yard / "letter.jpg").write_text("this is a letter")
    for argv, expected in ((("grey.png",), "grey.png: no cones found"), (("letter.jpg",), "cannot be read"),
                           (("gone.jpg",), "no such file"), (("gone.mp4",), "gone.mp4"),
                           (("grey.png", "--tolerance", "5 m"), "--tolerance")):
        assert check(*argv) == 2
        line = [text for text in capsys.readouterr().err.splitlines() if not text.endswith("…")]
        assert len(line) == 1 and expected in line[0], line


def test_a_folder_with_other_things_is_left_alone(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (yard / "report").mkdir()
    (yard / "report" / "diary.txt").write_text("mine")
    assert check("yard.png") == 2
    assert "diary.txt" in capsys.readouterr().err
