"""A vehicle file that is wrong: what the clip shows of it, and what it cannot show."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from paint_run import painted_run
from simulate import Drive, Roll, Stand, bus, drive, measure

from analysis.attempt import Finding, SheetCheck
from analysis.judge import judge
from analysis.layouts import course_for
from analysis.sheet_check import is_wrong, of_one_scale, running_mean
from analysis.track import CameraPath, SizeSeen, Track
from analysis.vehicle import Vehicle
from cli.files import read_rules
from vision.plate import build_plate
from vision.size import size_seen
from vision.solid import Pose, covered_px

UP_M = 40.0
S_WAY = [Stand(2), Roll(-20, steer=((0.05, 25), (0.45, -25), (0.9, 0))), Stand(2)]


@pytest.fixture(scope="module")
def truth() -> Drive:
    return drive(S_WAY, start=(30.0, 0.0, 0.0))


def swaying(track: Track, sway_m: float, higher_m: float) -> Track:
    """The track as seen from a camera 40 m up that sways about (20, 3), of a roof that is `higher_m` higher than taken
    for: its ray is followed down to the wrong level, away from or towards the point below the camera."""
    t = track.t_s
    x, y = 20 + sway_m * np.sin(0.9 * t), 3 + sway_m * np.sin(0.63 * t + 1)
    share = higher_m / (UP_M - bus().height_m - higher_m)
    camera = CameraPath(1920, 1080, 1500.0, 1500.0, 959.5, 539.5, (0.0,) * 5, t, np.tile(np.eye(3), (len(t), 1, 1)),
                        np.column_stack([x, y, np.full(len(t), UP_M)]), np.ones(len(t), bool), 5.0)
    return replace(track, x_m=track.x_m + share * (track.x_m - x), y_m=track.y_m + share * (track.y_m - y),
                   camera=camera)


def told(track: Track, vehicle: Vehicle) -> tuple[list[Finding], tuple[SheetCheck, ...]]:
    attempt = judge(track, vehicle, course_for(vehicle), read_rules(None))
    return [f for f in attempt.findings if f.kind == "data_sheet"], attempt.sheet


@pytest.mark.parametrize("higher_m", [0.0, 0.5, -0.5])
def test_a_wrong_height_shows_in_the_camera_s_sway(truth: Drive, higher_m: float) -> None:
    track = swaying(measure(truth, np.random.default_rng(2), sd_m=0.003, sd_rad=np.radians(0.05)), 0.6, higher_m)
    findings, (check,) = told(track, bus())
    assert check.what == "height"
    assert check.seen_m - 3.05 == pytest.approx(higher_m, abs=1.96 * check.sd_m + 0.02)
    assert check.sd_m < 0.1
    assert len(findings) == (1 if higher_m else 0)
    for f in findings:
        assert (f.where, f.severity, f.unit) == ("height", "note", "m")
        assert ("higher" if higher_m > 0 else "lower") in f.sentence
        assert "3.05 m" in f.sentence


def test_a_camera_that_stands_still_says_nothing_of_the_height(truth: Drive) -> None:
    track = swaying(measure(truth, np.random.default_rng(2), sd_m=0.006, sd_rad=np.radians(0.05)), 0.004, 0.5)
    assert told(track, bus()) == ([], ())


@pytest.mark.parametrize(("check", "said"), [
    (SheetCheck("length", 12.0, 12.5, 0.08), True), (SheetCheck("length", 12.0, 11.5, 0.08), True),
    (SheetCheck("length", 12.0, 12.45, 0.08), False),  # 0.45 is within 0.3 + 1.96 x 0.08 = 0.457
    (SheetCheck("length", 12.0, 12.5, 0.2), False), (SheetCheck("width", 2.55, 2.05, 0.05), True),
    (SheetCheck("height", 3.05, 3.55, 0.1), True), (SheetCheck("height", 3.05, 3.45, 0.1), False),
    (SheetCheck("wheelbase", 6.1, 5.3, 0.2), True),
    (SheetCheck("wheelbase", 6.1, 7.5, 0.2), False)])  # not driven on the lock, that is all
def test_what_is_wrong_and_what_is_within_the_doubt(check: SheetCheck, said: bool) -> None:
    assert is_wrong(check) is said


def test_one_scale_for_length_and_width() -> None:
    """4.5 % in length (0.54 of 12 m) and in width (0.115 of 2.55 m) alike: the marks; the length alone: the file."""
    longer, wider = SheetCheck("length", 12.0, 12.54, 0.05), SheetCheck("width", 2.55, 2.665, 0.035)
    assert of_one_scale((longer, wider))
    assert not of_one_scale((longer, replace(wider, seen_m=2.56)))
    assert not of_one_scale((longer,))
    assert not of_one_scale((replace(longer, seen_m=12.1), wider))  # not beyond doubt in the first place


@pytest.mark.parametrize(("size", "where", "words"), [
    (SizeSeen(12.52, 0.05, None, None), "length", "looks 52 cm longer (± 10 cm) than 12.00 m as entered"),
    (SizeSeen(11.45, 0.05, 2.55, 0.04), "length", "looks 55 cm shorter"),
    (SizeSeen(12.0, 0.05, 3.05, 0.04), "width", "looks 50 cm wider"),
    (SizeSeen(12.54, 0.05, 2.665, 0.035), "length", "looks 4% larger than entered, in length and width alike")])
def test_a_wrong_size_is_a_finding(truth: Drive, size: SizeSeen, where: str, words: str) -> None:
    track = replace(measure(truth, np.random.default_rng(2), sd_m=0.006, sd_rad=np.radians(0.05)), size=size)
    finding, = told(track, bus())[0]
    assert finding.where == where
    assert words in finding.sentence
    assert "marks" in finding.sentence


@pytest.mark.parametrize("ahead_m", [0.5, -0.5])
def test_a_wheelbase_wrong_at_the_rear_shows_in_where_it_turns(truth: Drive, ahead_m: float) -> None:
    """Entered 0.5 m too short or long with the front overhang right: the entered rear axle, which the track is of, lies
    that far before or behind the true one."""
    wrong = bus(wheelbase_m=6.1 - ahead_m)
    track = measure(truth, np.random.default_rng(2), sd_m=0.006, sd_rad=np.radians(0.05))
    track = replace(track, x_m=track.x_m + ahead_m * np.cos(track.heading_rad),
                    y_m=track.y_m + ahead_m * np.sin(track.heading_rad))
    finding, = told(track, wrong)[0]
    assert finding.where == "rear axle"
    assert finding.value == pytest.approx(-ahead_m, abs=0.1)


def test_a_wheelbase_wrong_at_the_front_cannot_be_seen(truth: Drive) -> None:
    """Rear overhang right, front overhang wrong the other way: body and rear axle are where they are entered. Nothing
    is said, unless the vehicle turns more tightly than the file allows."""
    track = measure(truth, np.random.default_rng(2), sd_m=0.006, sd_rad=np.radians(0.05))
    assert told(track, bus(wheelbase_m=6.6, front_overhang_m=2.2)) == ([], ())


@pytest.fixture(scope="module")
def seen():  # type: ignore[no-untyped-def]
    """Pictures of a painted run with the true cameras and poses, and the empty yard from them."""
    run = painted_run()
    times = np.linspace(0, run.driven.t_s[-1], 24)
    pictures, cameras = list(run.pictures(times)), [run.camera(t) for t in times]
    poses = [Pose(*row[:3]) for row in run.driven.at(times)]
    hidden = [covered_px(run.vehicle, p, c, 1.3) for p, c in zip(poses, cameras, strict=True)]
    plate = build_plate(pictures, cameras, run.view, hidden)
    return list(zip(pictures, cameras, poses, strict=True)), plate


@pytest.mark.parametrize("entered", [{}, {"length_m": 12.5}, {"length_m": 11.5},
                                     {"length_m": 12.5, "front_overhang_m": 3.2}, {"width_m": 2.75}])
def test_the_painted_bus_is_seen_as_long_as_it_is(seen, entered: dict[str, float]) -> None:  # type: ignore[no-untyped-def]
    """12.00 m, whatever is entered. (One pixel is 8 cm.)"""
    shots, plate = seen
    size = size_seen(bus(**entered), shots, plate, 0.001)
    assert size.length_m == pytest.approx(12.0, abs=1.96 * size.sd_length_m)
    assert size.sd_length_m < 0.06
    assert size.width_m is None or size.width_m == pytest.approx(2.55, abs=0.12)


def test_a_size_that_the_camera_s_height_leaves_open_is_not_stated_as_known(seen) -> None:  # type: ignore[no-untyped-def]
    shots, plate = seen
    assert size_seen(bus(), shots, plate, 0.03).sd_length_m > 0.35


def test_a_vehicle_whose_ends_are_not_seen_has_no_size(seen) -> None:  # type: ignore[no-untyped-def]
    shots, plate = seen
    assert size_seen(bus(), shots[:2], plate, 0.001) == SizeSeen(None, None, None, None)


def test_a_running_mean_by_hand() -> None:
    got = running_mean(np.array([0.0, 0.4, 0.8, 2.0]), np.array([1.0, 3.0, 8.0, 5.0]), 1.0)
    assert got == pytest.approx([1.0, 4.0, 5.5, 5.0])
