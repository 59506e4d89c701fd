"""The trainee's sheet: what it says, where its pictures come from, and that it prints to one page."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from browsing import chromium_running, needs_browser
from fake_attempt import make_attempt, write_clip
from fake_room import make_room, shunt

from analysis.advice import advice_of
from analysis.attempt import Attempt, Leg
from analysis.judge import with_room
from analysis.record import attempt_to_json
from cli import scene
from cli.pages.trainee import trainee_page
from cli.siblings import earlier_attempts
from cli.still import cut_about, still_jpeg
from vision.footage import frame_at, open_footage


def advised(**changes: Any) -> Attempt:
    attempt = make_attempt()
    attempt = replace(attempt, **changes)
    return replace(attempt, advice=advice_of(attempt))


def full() -> Attempt:
    """Lost at 2.5 s, with three shunts after it."""
    legs = (Leg(0.5, 5.0, -1, 7.0), *(leg for k in range(3) for leg in (
        Leg(6.0 + 2 * k, 7.0 + 2 * k, 1, 2.5), Leg(7.0 + 2 * k, 8.0 + 2 * k, -1, 2.5))))
    attempt = replace(make_attempt(), legs=legs, shunts=3)
    shunts = tuple(shunt(index=k, t_start_s=legs[k].t_start_s, t_end_s=legs[k].t_end_s) for k in (1, 3, 5))
    return with_room(attempt, make_room(attempt, shunts=shunts))


def record_of(attempt: Attempt, day: str) -> dict[str, Any]:
    return attempt_to_json(attempt) | {"made_at": f"{day}T09:00:00+00:00", "trainee": "T-07"}


def sheet(attempt: Attempt, earlier: int = 0, still: bytes | None = None) -> str:
    before = [record_of(attempt, f"2026-10-{10 + k}") for k in range(earlier)]
    return trainee_page(attempt, record_of(attempt, "2026-11-25"), before, still_jpeg=still, made_on=date(2026, 11, 25),
                        trainee="T-07")


def test_the_sheet_says_what_happened_what_to_do_and_what_to_practise() -> None:
    text = sheet(advised())
    assert "The wheel was turned about 25° to the left (±\u00a05°) while the vehicle stood, at 0:05.0." in text
    assert "Start to roll, then turn: that much takes about 2.1\u00a0m of rolling." in text  # 25° at 12° a metre
    assert "To practise: Roll, then turn" in text
    assert "Training aid, not an official test result." in text


def test_what_each_shunt_was_worth_is_told_with_its_uncertainty() -> None:
    text = sheet(full())
    assert text.count("<td>2.5 m</td><td>−30 cm ± 8 cm</td><td>20 cm ± 10 cm</td><td>yes</td>") == 3
    assert "reverse that keeps the most room" in text
    assert "Bay lost, 0:02.5" in text
    assert "Steer from here, 0:01.5" in text


def test_nothing_is_said_where_nothing_is_known() -> None:
    text = sheet(advised(findings=()))
    assert "There is nothing that this clip clearly shows you should change." in text
    assert "To practise" not in text


def test_progress_shows_the_last_four_before_this_one_and_nothing_for_a_first_attempt() -> None:
    assert "Your attempts so far" not in sheet(advised())
    text = sheet(advised(), earlier=6)
    assert re.findall(r"<td>(2026-\d\d-\d\d)</td>", text) == ["2026-10-12", "2026-10-13", "2026-10-14", "2026-10-15",
                                                                "2026-11-25"]
    assert "<td>1 cm</td>" in text  # the smallest gap of a tyre to a line


def test_words_from_files_cannot_become_markup() -> None:
    attempt = advised()
    attempt = replace(attempt, vehicle=replace(attempt.vehicle, name="<i>bus</i>"))
    text = sheet(attempt)
    assert "<i>bus</i>" not in text
    assert "&lt;i&gt;bus&lt;/i&gt;" in text


def test_the_still_shows_the_surroundings_of_the_vehicle_at_that_moment(tmp_path: Path) -> None:
    attempt = advised()
    footage = open_footage([write_clip(tmp_path / "clip.mp4")])
    point = scene.shown_moment(attempt)
    assert (point.t_s, point.label) == (5.0, "Turned while standing")
    data = still_jpeg(footage, attempt, point)
    assert data is not None
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert picture.shape == (540, 960, 3)
    yellow = (picture[..., 2] > 180) & (picture[..., 1] > 170) & (picture[..., 0] < 120)
    assert yellow[100:440, 200:760].sum() > 500  # the outline of the vehicle, in the middle of the picture


def test_the_frame_at_a_time_is_that_frame(tmp_path: Path) -> None:
    """The clip's white block stands at 20 + 4 i px in frame i."""
    footage = open_footage([write_clip(tmp_path / "clip.mp4")])
    frame = frame_at(footage, 7.04)
    assert frame is not None
    assert (frame.index, round(frame.t_s, 6)) == (70, 7.0)
    assert np.flatnonzero(frame.bgr[180, :, 0] > 160)[0] == pytest.approx(20 + 4 * 70, abs=1)


def test_a_cut_stays_inside_the_picture() -> None:
    picture = np.arange(100 * 200).reshape(100, 200)
    assert cut_about(picture, np.array([100.0, 50.0]), 0.5)[0, 0] == 25 * 200 + 50
    assert cut_about(picture, np.array([0.0, 99.0]), 0.5)[0, 0] == 50 * 200


def test_earlier_attempts_are_those_of_the_same_code_beside_it(tmp_path: Path) -> None:
    def write(name: str, text: str) -> None:
        (tmp_path / name).mkdir()
        (tmp_path / name / "attempt.json").write_text(text, "utf-8")
    record = attempt_to_json(make_attempt()) | {"trainee": "T-07"}
    write("b", json.dumps(record | {"made_at": "2026-11-02"}))
    write("a", json.dumps(record | {"made_at": "2026-11-03"}))
    write("other", json.dumps(record | {"trainee": "T-08"}))
    write("broken", "{")
    write("of another time", json.dumps(record | {"schema_version": 2}))
    write("here", json.dumps(record | {"made_at": "2026-11-01"}))
    found = earlier_attempts(tmp_path / "here", "T-07")
    assert [r["made_at"] for r in found] == ["2026-11-02", "2026-11-03"]
    assert earlier_attempts(tmp_path / "here", None) == []


@needs_browser
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_sheet_prints_to_one_page_with_nothing_cut_off(paper: str, tmp_path: Path) -> None:
    """With all that it can hold: a still, three sentences, a drill, three shunts and four earlier attempts."""
    attempt = full()
    footage = open_footage([write_clip(tmp_path / "clip.mp4")])
    page_file = tmp_path / "trainee.html"
    page_file.write_text(sheet(attempt, 4, still_jpeg(footage, attempt, scene.shown_moment(attempt))), "utf-8")
    with chromium_running() as browser:
        tab = browser.new_page()
        tab.goto(page_file.as_uri())
        pdf = tab.pdf(format=paper, landscape=True, print_background=True, prefer_css_page_size=True)
        assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) == 1
        width_mm, height_mm = {"A4": (297, 210), "Letter": (279.4, 215.9)}[paper]
        px = [round((side_mm - margin_mm) * 96 / 25.4) for side_mm, margin_mm in ((width_mm, 20), (height_mm, 18))]
        tab.set_viewport_size({"width": px[0], "height": px[1]})
        tab.emulate_media(media="print")
        cut = tab.locator(".sheet").evaluate("e => e.scrollHeight - e.clientHeight")
        plan = tab.locator("svg.plan").bounding_box()
    assert cut <= 0
    assert plan["height"] > 100
