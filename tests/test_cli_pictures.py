"""The pictures: what is drawn lies where it stands on the ground, and what was not measured is not drawn."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fake_attempt import SIZE_PX, make_attempt, write_clip
from fake_room import make_room

from analysis.attempt import Attempt
from analysis.judge import with_room
from cli import scene, words
from cli.overlay import Artist, dashes, paste, playable, trails, write_videos
from cli.palette import OVERLAY, PAPER, bgr
from cli.plan import swept_by_body
from vision.footage import frames, open_footage


def straight_run(measured: np.ndarray) -> Attempt:
    """60 m to 10 m along y = 0 in 101 samples of 0.5 m."""
    attempt, n = make_attempt(), 101
    t = np.arange(n) / 10
    motion = replace(attempt.motion, t_s=t, x_m=np.linspace(60, 10, n), y_m=np.zeros(n), heading_rad=np.zeros(n))
    return replace(attempt, motion=motion, track=replace(attempt.track, t_s=t, measured=measured))


def test_swept_ground_of_a_straight_run() -> None:
    shapes = swept_by_body(straight_run(np.ones(101, bool)))
    corners = (4 - math.pi) * 0.15**2  # what the four rounded corners leave out
    assert len(shapes) == 1
    assert shapes[0].area == pytest.approx((50 + 8.5) * 2.5 - corners, rel=1e-3)


def test_nothing_is_swept_across_a_gap() -> None:
    measured = np.ones(101, bool)
    measured[21:80] = False  # seen from 60 m to 50 m and from 20 m to 10 m
    shapes = swept_by_body(straight_run(measured))
    assert [s.area for s in shapes] == pytest.approx([(10 + 8.5) * 2.5] * 2, rel=1e-3)


def test_the_moment_between_two_samples_is_in_between_and_none_in_a_gap() -> None:
    attempt = make_attempt()
    m = attempt.motion
    now = scene.moment(attempt, 1.25)
    assert now is not None
    assert now.x_m == pytest.approx((m.x_m[12] + m.x_m[13]) / 2)
    assert scene.moment(attempt, 2.95) is None  # not measured from 2.6 to 3.3 s
    assert scene.moment(attempt, 2.55) is None  # on the way into the gap
    assert scene.moment(attempt, 2.5) is not None


def test_the_camera_between_two_samples_turns_evenly() -> None:
    path = make_attempt().track.camera
    assert path is not None
    quarter = np.array([[0.0, 1, 0], [-1, 0, 0], [0, 0, 1]]) @ path.rotation[1]  # the next picture a quarter turn on
    path = replace(path, rotation=np.concatenate([path.rotation[:2], quarter[None], path.rotation[3:]]))
    between = scene.camera_at(path, 0.15)
    assert between is not None
    turned = between.rotation @ path.rotation[1].T
    assert math.degrees(math.acos((np.trace(turned) - 1) / 2)) == pytest.approx(45.0)


def drawn(t_s: float) -> np.ndarray:
    picture = np.full((SIZE_PX[1], SIZE_PX[0], 3), 90, np.uint8)
    Artist(make_attempt(), *SIZE_PX).draw(picture, t_s)
    return picture


def near(picture: np.ndarray, hex_colour: str) -> np.ndarray:
    """(h, w) where the picture has about this colour."""
    return np.abs(picture.astype(int) - bgr(hex_colour)).max(axis=2) < 40


def test_the_footprint_is_drawn_on_the_ground() -> None:
    """Straight down from 40 m, f 420 px: 10.5 px a metre, so 8.5 m x 2.5 m are 89 px x 26 px."""
    v, u = np.nonzero(near(drawn(0.0), OVERLAY["vehicle"]))
    assert np.ptp(u) == pytest.approx(89, abs=3)
    assert np.ptp(v) == pytest.approx(26, abs=3)
    # at t = 0 the body reaches from 23.7 m to 32.2 m, the camera stands over x = 20 m at column 319.5
    assert u.min() == pytest.approx(319.5 + 10.5 * (26 - 2.3 - 20), abs=3)


def test_no_footprint_in_a_gap() -> None:
    assert near(drawn(2.5), OVERLAY["vehicle"]).sum() > 50
    assert near(drawn(3.0), OVERLAY["vehicle"]).sum() == 0


def test_the_caption_says_what_is_known() -> None:
    from cli.overlay import _caption_words
    attempt = make_attempt()
    assert _caption_words(3.0, scene.moment(attempt, 3.0)) == "0:03.0   not measured"
    assert _caption_words(4.0, scene.moment(attempt, 4.0)) == "0:04.0   1.60 m/s in reverse   wheel 8.0° right ± 3.9°"


def test_dashes_have_the_length_asked_for() -> None:
    pieces = dashes(np.array([[0, 0], [100, 0]]), 20, 10)
    assert [(p[0, 0], p[-1, 0]) for p in pieces] == [(0, 20), (30, 50), (60, 80), (90, 100)]


def test_a_dash_keeps_the_corner_of_its_line() -> None:
    first, second = dashes(np.array([[0, 0], [10, 0], [10, 10]]), 12, 4)
    assert first.tolist() == [[0, 0], [10, 0], [10, 2]]
    assert second.tolist() == [[10, 6], [10, 10]]
    assert dashes(np.zeros((3, 2)), 12, 4) == []  # a vehicle that has not moved yet


def test_the_trail_keeps_cusps_and_ends_where_the_vehicle_is() -> None:
    """Forward from x = 10 m to 14.3 m and back to 10.1 m, in steps of 10 cm."""
    attempt = straight_run(np.ones(101, bool))
    x = np.concatenate([np.linspace(10, 14.3, 44), np.linspace(14.2, 10.1, 42), np.full(15, 10.1)])
    speed = np.repeat([1.0, -1.0, 0.0], [44, 42, 15])
    attempt = replace(attempt, motion=replace(attempt.motion, x_m=x, speed_mps=speed))
    (times, places), = trails(attempt)
    assert places[:, 0].max() == pytest.approx(14.3)
    assert len(places) < 30
    assert np.interp(attempt.motion.t_s, times, places[:, 0]) == pytest.approx(x, abs=0.06)


def test_the_overlay_video_plays_from_start_to_end(tmp_path: Path) -> None:
    """12 s at 10 Hz: as many pictures at the same times, drawn over; and a viewing copy without the drawing."""
    attempt, clip = make_attempt(), write_clip(tmp_path / "clip.mkv")
    footage, told = open_footage([clip]), []
    copy = write_videos(footage, attempt, tmp_path, overlay=True, progress=lambda stage, share: told.append(share))
    drawn, plain = (list(frames(open_footage([p]))) for p in (tmp_path / "overlay.mp4", copy))
    for got in (drawn, plain):
        assert [f.t_s for f in got] == pytest.approx(footage.times_s, abs=1e-3)
    artist = Artist(attempt, *SIZE_PX)
    for k in (0, 40, 120):
        expected = next(frames(footage, start_s=footage.times_s[k])).bgr.copy()
        assert np.abs(plain[k].bgr.astype(int) - expected).mean() < 2
        artist.draw(expected, footage.times_s[k])
        assert np.abs(drawn[k].bgr.astype(int) - expected).mean() < 2
        assert np.abs(plain[k].bgr.astype(int) - expected).mean() > 4
    assert told == sorted(told)
    assert playable([tmp_path / "overlay.mp4"])


def test_only_what_browsers_play_is_embedded_as_it_is(tmp_path: Path) -> None:
    assert playable([write_clip(tmp_path / "a.mp4", seconds=1)])
    assert not playable([write_clip(tmp_path / "b.mp4", seconds=1, codec="mpeg4")])
    assert not playable([write_clip(tmp_path / "c.mkv", seconds=1)])
    assert not playable([tmp_path / "a.mp4", tmp_path / "a.mp4"])


def luminance(hex_colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    c = [int(hex_colour[i:i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in c)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(a: str, b: str) -> float:
    """WCAG 2.2 contrast ratio, 1 to 21."""
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_formula() -> None:
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    # Okabe-Ito on white: blue 5.19, vermilion 3.87 (computed values of the project's reference list)
    assert contrast("#0072B2", "#FFFFFF") == pytest.approx(5.19, abs=0.01)
    assert contrast("#D55E00", "#FFFFFF") == pytest.approx(3.87, abs=0.01)


@pytest.mark.parametrize("colour", ["ink", "soft", "fault", "close", "unseen", "note", "ok", "mark", "tyre", "trail"])
def test_words_on_the_page_have_enough_contrast(colour: str) -> None:
    """WCAG 2.2 AA, 1.4.3: 4.5 : 1."""
    assert contrast(PAPER[colour], PAPER["paper"]) >= 4.5
    assert contrast(PAPER[colour], PAPER["card"]) >= 4.5


@pytest.mark.parametrize("colour", [k for k in OVERLAY if k != "halo"])
def test_overlay_lines_stand_out_from_their_halo(colour: str) -> None:
    """WCAG 2.2 AA, 1.4.11: 3 : 1 against what lies next to it, which is the halo whatever the ground."""
    assert contrast(OVERLAY[colour], OVERLAY["halo"]) >= 3.0


def test_figures_are_written_with_their_interval() -> None:
    assert words.figure(-0.12, 0.02, "m") == "−12 cm ± 4 cm"
    assert words.figure(1.238, 0.02, "m") == "1.24 m ± 4 cm"
    assert words.figure(24.6, 4.4, "deg") == "24.6° ± 8.6°"
    assert words.figure(2.0, 0.0, "1") == "2"
    assert words.figure(0.31, None, "m") == "31 cm"
    assert words.figure(None, None, "m") == ""
    assert words.figure(-0.001, 0.0001, "m") == "0 cm ± 1 cm"  # never a false exactness, no negative zero


def test_what_does_not_count_is_not_told_among_the_faults() -> None:
    fault, close, unseen, note, ok = make_attempt().findings
    assert [words.group(f) for f in (fault, close, unseen, note, ok)] == ["fault", "too close to call", "not seen",
                                                                       "note", "ok"]
    assert words.headline(make_attempt()) == "1 fault, 1 too close to call, 1 not seen"


def test_where_the_bay_was_lost_is_ringed_on_the_clip_about_that_time() -> None:
    """Lost at 2.5 s at (23.4, -2.1) m; the ring is two tyres' widths from there, dark outside and white inside."""
    attempt = make_attempt()
    camera = scene.camera_at(attempt.track.camera, 1.0)
    assert camera is not None
    x, y = camera.project_ground(np.array([[23.4, -2.1]]))[0]
    pictures = []
    for told in (attempt, with_room(attempt, make_room(attempt))):
        picture = np.full((SIZE_PX[1], SIZE_PX[0], 3), 90, np.uint8)
        Artist(told, *SIZE_PX).draw(picture, 1.0)
        pictures.append(picture)
    changed = np.abs(pictures[0].astype(int) - pictures[1]).max(axis=2) > 60
    ring = np.hypot(*np.meshgrid(np.arange(SIZE_PX[0]) - x, np.arange(SIZE_PX[1]) - y))
    assert changed[(ring > 6) & (ring < 8.5)].mean() > 0.6
    late = [np.full((SIZE_PX[1], SIZE_PX[0], 3), 90, np.uint8) for _ in range(2)]
    Artist(attempt, *SIZE_PX).draw(late[0], 9.0)
    Artist(with_room(attempt, make_room(attempt)), *SIZE_PX).draw(late[1], 9.0)
    assert (late[0] == late[1]).all()


def test_a_patch_that_sticks_out_is_cut() -> None:
    picture = np.zeros((4, 5, 3), np.uint8)
    paste(picture, np.full((3, 3, 3), 7, np.uint8), -1, 2)
    assert (picture[2:4, 0:2] == 7).all()
    assert picture.sum() == 7 * 4 * 3
    paste(picture, np.full((3, 3, 3), 9, np.uint8), 9, 9)
    assert picture.max() == 7
