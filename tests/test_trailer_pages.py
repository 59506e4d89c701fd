"""A vehicle with a trailer in files, pages and pictures: both bodies drawn, the angle told, what is left out said."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from browsing import chromium_running, needs_browser
from fake_attempt import SIZE_PX, write_clip
from fake_trailer import TRAILER, make_towing_attempt, towing_lorry
from shapely import Point, union_all
from test_cli_pictures import near

from analysis.record import track_frame
from cli import scene, store, words
from cli.app.telling import Telling
from cli.app.wording import View
from cli.drawing import vehicle_drawing
from cli.main import main
from cli.overlay import Artist
from cli.pages.charts import strips
from cli.pages.review import review_page
from cli.pages.trainee import trainee_page
from cli.palette import OVERLAY
from cli.plan import extent_m, swept_by_body
from cli.vehicles import figures_text

TOML = "schema = 1\nname = \"lorry and trailer\"\nlength_m = 8.5\nwidth_m = 2.5\nheight_m = 3.3\nwheelbase_m = 4.8\n" \
       "front_overhang_m = 1.4\n[trailer]\n" + "".join(f"{k} = {json.dumps(v)}\n" for k, v in TRAILER.items())


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("towing")
    clip = write_clip(folder / "clip.mp4")
    html = review_page(make_towing_attempt(), clip, np.arange(0, 12.05, 0.1), made_on=date(2026, 1, 2), trainee="T-7")
    (folder / "review.html").write_text(html, "utf-8")
    return folder / "review.html"


# ---- moments and outlines ------------------------------------------------------------------------------------------


def test_where_the_trailer_stands_at_a_moment() -> None:
    attempt = make_towing_attempt()
    now = scene.moment(attempt, 12.0)
    assert now is not None and now.trailer is not None
    assert now.trailer.heading_rad - now.heading_rad == pytest.approx(math.radians(45))
    (vehicle, _, wheel), (trailer, pose, straight) = scene.bodies_at(attempt.vehicle, now)
    assert (wheel, straight) == (now.wheel_rad, 0.0)
    # The coupling, seen from either body, is one place: 2.2 m behind the axle, 5.5 m ahead of the trailer's.
    assert scene.placed(np.array([[-2.2, 0.0]]), *now.pose) == pytest.approx(
        scene.placed(np.array([[5.5, 0.0]]), *pose))
    drawbar = scene.drawbar_m(trailer)
    assert drawbar is not None and drawbar.tolist() == [[2.7, 0.0], [5.5, 0.0]]
    assert scene.drawbar_m(vehicle) is None


def test_the_plan_covers_both_bodies() -> None:
    attempt = make_towing_attempt()
    assert attempt.trailer is not None
    swept = swept_by_body(attempt)
    body = attempt.trailer.body
    assert union_all(swept).contains(Point(body.x_m[-1], body.y_m[-1]))
    x_min, _, _, _ = extent_m(attempt)
    assert x_min < body.x_m[-1] - 2.0


def test_the_overlay_draws_both_bodies() -> None:
    """The yellow outline is found about both bodies' middles, 40 m below the camera (10.5 px a metre)."""
    attempt = make_towing_attempt()
    picture = np.full((SIZE_PX[1], SIZE_PX[0], 3), 90, np.uint8)
    Artist(attempt, *SIZE_PX).draw(picture, 12.0, caption=False)
    now = scene.moment(attempt, 12.0)
    assert now is not None and attempt.track.camera is not None
    camera = scene.camera_at(attempt.track.camera, 12.0)
    assert camera is not None
    yellow = near(picture, OVERLAY["vehicle"])
    for body, pose, _ in scene.bodies_at(attempt.vehicle, now):
        corners = camera.project_ground(scene.placed(body.body_outline_m(), *pose))
        (u0, v0), (u1, v1) = np.floor(corners.min(axis=0)).astype(int), np.ceil(corners.max(axis=0)).astype(int)
        assert yellow[max(v0, 0):v1, max(u0, 0):u1].sum() > 60


def test_words_for_the_angle() -> None:
    assert words.bent(math.radians(23.44)) == "23.4°, tail right"
    assert words.bent(math.radians(-5)) == "5.0°, tail left"
    assert words.bent(0.0) == "straight"


# ---- charts ----------------------------------------------------------------------------------------------------------


def test_the_strip_of_the_angle_has_its_limits_where_they_were_near() -> None:
    strip, = (s for s in strips(make_towing_attempt()) if s.key == "articulation")
    assert strip.limits == (-40.0, 40.0) and strip.limit_words == "limit 40°"
    assert strip.curves[0].value[-1] == pytest.approx(45.0)
    assert strip.curves[0].sd[-1] == pytest.approx(0.3)
    assert np.isnan(strip.curves[0].value[30])  # the gap stays a gap
    assert (strip.low, strip.high) == (-60.0, 60.0)


# ---- pages --------------------------------------------------------------------------------------------------------


def test_the_page_tells_the_angle_and_what_is_left_out(page_file: Path) -> None:
    text = re.sub(r"<[^>]+>", " ", page_file.read_text("utf-8"))
    for said in ("Angle to the trailer, tail to the right above the line", "Path of the trailer's axle",
                 "5.46 m behind the coupling ± 0.10 m; its file says 5.50 m",
                 "What the mirrors could show, and room left, are not worked out for a vehicle with a trailer."):
        assert said in text


def test_the_trainees_sheet_draws_both_bodies() -> None:
    attempt = make_towing_attempt()
    html = trainee_page(attempt, {}, [], still_jpeg=None, made_on=date(2026, 1, 2), trainee=None)
    assert html.count('<path class="body"') == 2
    assert "the trailer's axle, in reverse" in html


def test_in_german_the_kind_has_its_name() -> None:
    assert Telling(View(language="de")).title("jack_knife", "coupling") == "Knickwinkel zum Anhänger"
    assert Telling(View()).title("jack_knife", "coupling") == "Angle to the trailer"


@pytest.fixture(scope="module")
def page(page_file: Path) -> Iterator[Any]:
    with chromium_running() as chromium:
        opened = chromium.new_page(viewport={"width": 1400, "height": 900})
        errors: list[str] = []
        opened.on("pageerror", lambda e: errors.append(str(e)))
        opened.goto(page_file.as_uri())
        opened.wait_for_function("typeof seek === 'function'")
        yield opened
        assert errors == []


@needs_browser
def test_the_page_moves_both_bodies_with_the_clip(page: Any) -> None:
    attempt = make_towing_attempt()
    page.evaluate("seek(4)")
    for k, (_, motion) in enumerate(attempt.bodies):
        moved = page.locator(f"#plan .body-{k}").get_attribute("transform")
        x, y, turn = (float(v) for v in re.findall(r"-?\d+\.?\d*(?:e-?\d+)?", moved))
        assert (x, -y, -turn) == pytest.approx(
            (motion.x_m[40], motion.y_m[40], math.degrees(motion.heading_rad[40])), abs=0.01)


@needs_browser
def test_the_overlay_of_the_page_lies_where_the_camera_sees_the_trailer(page: Any) -> None:
    attempt = make_towing_attempt()
    page.evaluate("seek(4)")
    drawn = page.locator("#overlay [data-layer=vehicle] path.ink").nth(1).get_attribute("d")
    first = [float(v) for v in re.findall(r"-?\d+\.\d+", drawn)[:2]]
    (_, _), (trailer, motion) = attempt.bodies
    camera = scene.camera_at(attempt.track.camera, 4.0) if attempt.track.camera else None
    assert camera is not None
    outline = scene.placed(trailer.body_outline_m(), motion.x_m[40], motion.y_m[40], motion.heading_rad[40])
    assert first == pytest.approx(camera.project_ground(outline)[0].tolist(), abs=0.1)
    assert "M" in drawn[1:]  # the drawbar is a stroke of its own


# ---- vehicle files ---------------------------------------------------------------------------------------------------


def test_the_drawing_labels_the_trailers_sizes() -> None:
    drawn = re.sub(r"<[^>]+>", " ", vehicle_drawing(towing_lorry()))
    for said in ("coupling 2.20 m behind the rear axle", "coupling to middle of axles", "5.50 m", "overall length",
                 "16.20 m", "trailer, length", "5.00 m"):
        assert said in drawn
    assert 'class="vd"' in vehicle_drawing(towing_lorry())


def test_figures_of_a_combination() -> None:
    """Rear axle on r = 4.8 / tan 42 deg = 5.331 m, coupling on sqrt(5.331^2 + 2.2^2) = 5.767: the trailer would settle
    at 1.73 m and 95 degrees, beyond the 60 it may fold: no steady turn. Overall 6.2 + 2.2 + 5.5 + 2.3 = 16.2 m."""
    told = figures_text(towing_lorry())
    assert "with its trailer, overall      16.20 m" in told
    assert re.search(r"steady turn at full lock\s+none", told)


def test_commands_that_need_a_rigid_vehicle_say_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "v.toml").write_text(TOML, "utf-8")
    v, c = str(tmp_path / "v.toml"), str(tmp_path / "c.toml")
    assert main(["course", "--vehicle", v, "-o", c]) == 0
    assert main(["feasible", "--vehicle", v, "--course", c]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1 and "v.toml: trailer: the best way in" in told and "without a trailer only" in told
    assert main(["setout", "--vehicle", v, "--course", c, "-o", str(tmp_path / "s.html")]) == 0
    sheet = (tmp_path / "s.html").read_text("utf-8")
    assert "16.20 m with its trailer" in sheet and "Room was not computed: the best way in" in sheet


# ---- files -----------------------------------------------------------------------------------------------------


def test_the_track_file_keeps_the_angle_with_its_unit(tmp_path: Path) -> None:
    attempt = make_towing_attempt()
    store.write_track(tmp_path, track_frame(attempt), csv=True)
    table = pq.read_table(tmp_path / store.TRACK)
    assert table.schema.field("articulation_rad").metadata[b"unit"] == b"rad"
    assert table["articulation_rad"].to_pylist()[-1] == pytest.approx(math.radians(45))
    assert pd.read_csv(tmp_path / store.TRACK_CSV)["trailer_x_m"].iloc[-1] == pytest.approx(
        attempt.bodies[1][1].x_m[-1], abs=1e-3)
