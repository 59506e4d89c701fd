"""Room left along a drive, where it was lost, the cache of fields, and what a course allows."""

from __future__ import annotations

import errno
import math
import threading
from collections.abc import Iterator
from dataclasses import replace
from itertools import islice
from pathlib import Path

import numpy as np
import pytest
from fake_attempt import rules
from room_yards import vehicle

from analysis.attempt import Attempt, Leg, Motion, Stop
from analysis.course import Course
from analysis.layouts import course_for
from analysis.room.along import room_along, thinned
from analysis.room.build import empty_field, filled, layers_of, room_field
from analysis.room.field import Fineness, RoomField
from analysis.room.leg_story import first_steering, lost_moment, mean_over, never_rising
from analysis.room.nouns import GONE, KEPT, LOST, UNSURE, Limits, PlannedRun, RoomAlong
from analysis.room.places import stop_map
from analysis.room.runs import best_run, best_stop
from analysis.track import Track
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle
from cli import room_cache
from cli.courses import course_toml
from cli.main import OK, TROUBLE, main
from cli.room_ahead import SHUNTS, RoomAhead

QUICK = Fineness(y_m=0.1, heading_rad=math.radians(1.0), wheels=11)
STEP_S = 0.1


@pytest.fixture(scope="module")
def lorry() -> Vehicle:
    return vehicle()


@pytest.fixture(scope="module")
def course(lorry: Vehicle) -> Course:
    return course_for(lorry)


@pytest.fixture(scope="module")
def field(lorry: Vehicle, course: Course) -> RoomField:
    return room_field(lorry, course, shunts=1, fine=QUICK)


@pytest.fixture(scope="module")
def ordinary(lorry: Vehicle, course: Course) -> RoomField:
    return room_field(lorry, course, Limits.of(lorry).ordinary(), shunts=0, fine=QUICK)


class Drive:
    """An attempt driven by hand: poses every STEP_S, with the sds of a good clip."""

    def __init__(self, v: Vehicle, start: tuple[float, float, float], wheel_rad: float = 0.0) -> None:
        self.vehicle, self.rows, self.legs, self.stops = v, [[*start, 0.0, wheel_rad]], [], []

    def now(self) -> float:
        return (len(self.rows) - 1) * STEP_S

    def stand(self, seconds: float) -> Drive:
        began = self.now()
        for _ in range(round(seconds / STEP_S)):
            self.rows.append([*self.rows[-1][:3], 0.0, self.rows[-1][4]])
        self.stops.append(Stop(began, self.now(), 0.02, 0.02, "between"))
        return self

    def roll(self, distance_m: float, wheel_rad: float | None = None) -> Drive:
        """At 1 m/s, turning the wheel to wheel_rad within the first two metres."""
        began, n = self.now(), round(abs(distance_m) / STEP_S)
        before = self.rows[-1][4]
        to = before if wheel_rad is None else wheel_rad
        for k in range(n):
            x, y, h, _, _ = self.rows[-1]
            ds = distance_m / n
            w = before + (to - before) * min(1.0, (k + 1) * abs(ds) / 2.0)
            bend = math.tan(w) / self.vehicle.wheelbase_m * ds
            self.rows.append([x + ds * math.cos(h + bend / 2), y + ds * math.sin(h + bend / 2), h + bend,
                              math.copysign(1.0, distance_m), w])
        self.legs.append(Leg(began, self.now(), 1 if distance_m > 0 else -1, abs(distance_m)))
        return self

    def follow(self, run: PlannedRun) -> Drive:
        began = self.now()
        at = np.arange(STEP_S, run.distance_m[-1], STEP_S)
        columns = [np.interp(at, run.distance_m, c) for c in (run.x_m, run.y_m, run.heading_rad, run.wheel_rad)]
        self.rows += [[x, y, h, -1.0, w] for x, y, h, w in zip(*columns, strict=True)]
        self.legs.append(Leg(began, self.now(), -1, float(run.distance_m[-1])))
        return self

    def attempt(self, course: Course) -> Attempt:
        x, y, h, v, w = np.array(self.rows).T
        n, t = len(x), np.arange(len(x)) * STEP_S
        cov = np.tile(np.diag([0.01**2, 0.01**2, 0.001**2, 0.02**2, math.radians(1.0)**2]), (n, 1, 1))
        motion = Motion(t, x, y, h, v, w, cov, (v == 0).astype(float))
        track = Track(t, np.ones(n, bool), x, y, h, cov[:, :3, :3], np.zeros((3, 3)))
        return Attempt(self.vehicle, course, course, rules(), track, motion, tuple(self.stops), tuple(self.legs), 0,
                       (), {}, {}, None, None, None, ())


def told(drive: Drive, field: RoomField, ordinary: RoomField) -> RoomAlong:
    return room_along(drive.attempt(field.course), field, ordinary)


def at_pair(field: RoomField, back_m: float = 3.0) -> Drive:
    """Driven straight up to the best place at the forward pair."""
    x, y, h = best_stop(field)
    return Drive(field.vehicle, (x - back_m, y, h)).stand(1.0).roll(back_m).stand(1.0)


# by hand: what can be kept falls by steps; sd 0.05 makes +-0.098 of it
T = np.arange(6.0)
PLACES = np.column_stack([10 - T, 0 * T])


def test_never_rising_keeps_the_sd_of_the_least() -> None:
    value, sd = never_rising(np.array([0.5, 0.3, 0.4, 0.2]), np.array([0.01, 0.02, 0.03, 0.04]))
    assert value.tolist() == [0.5, 0.3, 0.3, 0.2]
    assert sd.tolist() == [0.01, 0.02, 0.02, 0.04]


@pytest.mark.parametrize("kept, verdict, t_s, span", [
    ([0.5, 0.5, 0.4, 0.4, 0.4, 0.4], KEPT, 5.0, (5.0, 5.0)),
    ([0.5, 0.3, 0.05, -0.02, -0.2, -0.2], LOST, 2 + 5 / 7, (1.0, 4.0)),
    ([0.5, 0.3, 0.05, 0.05, 0.05, 0.05], UNSURE, 2.0, (1.0, 5.0)),
    ([0.5, 0.3, 0.05, -0.05, -0.05, -0.05], UNSURE, 2.5, (1.0, 5.0)),
    ([-0.2, -0.2, -0.3, -0.3, -0.3, -0.3], GONE, 0.0, (0.0, 0.0))])
def test_moment_of_loss(kept: list[float], verdict: str, t_s: float, span: tuple[float, float]) -> None:
    moment = lost_moment(T, np.array(kept), np.full(6, 0.05), PLACES)
    assert (moment.verdict, (moment.t_from_s, moment.t_to_s)) == (verdict, span)
    assert moment.t_s == pytest.approx(t_s)
    assert moment.at_m == pytest.approx((10 - t_s, 0.0))


def test_first_steering_ends_where_the_wheel_changes_side() -> None:
    rolled = np.linspace(0, 10, 101)
    wheel = np.where(rolled <= 4.05, 0.3, -0.3)
    run = PlannedRun(rolled, rolled, rolled, wheel, np.full(101, -1), rolled, rolled, 0.1, True)
    distance, angle = first_steering(run)
    assert distance == pytest.approx(4.1)
    assert angle == pytest.approx(0.3 - 0.6 * 0.1 / 4.1)
    assert mean_over(run, 2.0) == pytest.approx(0.3)


def test_thinned_times_keep_both_ends() -> None:
    t = np.arange(0, 10.05, 0.1)
    at = thinned(t, np.where(t < 5, 1.0, 0.0))  # 5 m, then 5 s standing
    assert at[0] == 0 and at[-1] == 100
    assert np.max(np.diff(t[at][t[at] < 5])) <= 0.31
    assert np.max(np.diff(t[at][t[at] > 5])) <= 1.01


def test_drive_along_the_best_run_loses_nothing(field: RoomField, ordinary: RoomField) -> None:
    drive = at_pair(field)
    room = told(drive.follow(best_run(field, best_stop(field))).stand(1.0), field, ordinary)
    (leg,) = room.legs
    assert leg.moment.verdict == KEPT
    assert leg.kept_m[0] - leg.kept_m[-1] < 0.04
    assert leg.largest_loss is None or leg.largest_loss.lost_m < 0.04
    assert room.reference is not None and room.reference.reaches
    assert room.heading_beside is not None
    assert abs(room.heading_beside.difference_rad[0]) < math.radians(0.2)  # both begin at the same place


def test_drive_that_goes_straight_on_loses_the_bay_when_it_cannot_be_reached(field: RoomField,
                                                                            ordinary: RoomField) -> None:
    room = told(at_pair(field).roll(-6.0).stand(1.0), field, ordinary)
    (leg,) = room.legs
    assert leg.moment.verdict == LOST
    assert np.all(np.diff(leg.kept_m) <= 0)
    # the moment agrees with runs of exact geometry from just before and from well after it
    x, y, h = best_stop(field)
    rolled = leg.moment.t_s - leg.t_s[0]
    before, after = (best_run(field, (x - rolled + d, y, h)) for d in (0.5, -0.7))
    assert before.reaches and before.room_m > 0
    assert not after.reaches or after.room_m < 0
    # what would have saved it: earlier, within ordinary steering, and it does reach the bay
    saving = leg.saving
    assert saving is not None and saving.t_s <= leg.moment.t_s
    assert saving.run.reaches and saving.run.room_m >= 0
    assert abs(saving.wheel_rad) <= ordinary.limits.max_wheel_rad and saving.used_rad == pytest.approx(0, abs=1e-6)
    # the bay is on the left: in reverse the tail goes left with the wheel to the left
    assert saving.wheel_rad > 0
    loss = leg.largest_loss
    assert loss is not None and loss.lost_m > 0.1 and loss.wheel_wanted_rad > math.radians(5)
    # with a shunt the bay can still be had
    assert room.room_m[1, -1] > 0 > room.room_m[0, -1]


def test_needed_shunt_that_brings_the_bay_back(field: RoomField, ordinary: RoomField) -> None:
    room = told(at_pair(field).roll(-6.0).stand(1.0).roll(6.0).stand(1.0).roll(-1.0), field, ordinary)
    (shunt,) = room.shunts
    assert shunt.needed == "yes"
    assert shunt.room_before_m < 0 < shunt.room_after_m
    assert shunt.distance_m == pytest.approx(6.0)
    assert shunt.better_m > 0 and 0 < shunt.better_distance_m < 8.0


def test_shunt_with_room_left_was_not_needed(field: RoomField, ordinary: RoomField) -> None:
    room = told(at_pair(field).roll(-1.0).stand(1.0).roll(1.0).stand(1.0).roll(-1.0), field, ordinary)
    assert [s.needed for s in room.shunts] == ["no"]


def test_map_of_places_finds_the_better_one(field: RoomField) -> None:
    x, y, _ = best_stop(field)
    best = float(field.room_m(np.array([x]), np.array([y]), np.array([0.0]))[0])
    places = stop_map(field, np.array([x, y - 0.5, 0.0, 0.0]))
    assert places.room_here_m < best - 0.05
    assert places.gain_left_m == pytest.approx(best - places.room_here_m, abs=1e-6)
    assert places.room_best_m >= best - 0.01  # of about equal places the nearest
    assert places.room_m.shape == (len(places.x_m), len(places.y_m))


def test_uncertain_pose_widens_the_sd_of_room(field: RoomField, ordinary: RoomField) -> None:
    drive = at_pair(field).roll(-1.5)
    sure = drive.attempt(field.course)
    vague = drive.attempt(field.course)
    vague.motion.cov[:] *= 4
    # without the field's own part, twice the sd of the pose gives about twice that of the room
    narrow, wide = (math.sqrt(room_along(a, field, ordinary).sd_m[0, -1] ** 2 - field.grid_sd_m**2)
                    for a in (sure, vague))
    assert narrow > 0.01
    assert 1.4 * narrow < wide < 2.6 * narrow


@pytest.fixture
def tiny(lorry: Vehicle, course: Course, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The cache in a folder of its own, with a quick field; counts how often one is computed."""
    coarse, computed = Fineness(y_m=0.25, heading_rad=math.radians(3.0), wheels=7, step_m=1.6), [0]

    def layers(empty: RoomField) -> Iterator[tuple[int, int, np.ndarray]]:
        computed[0] += 1
        yield from layers_of(empty)

    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setattr(room_cache, "layers_of", layers)
    monkeypatch.setattr(room_cache, "empty_field", lambda *given: empty_field(*given, fine=coarse))
    return computed


def test_cache_gives_the_same_field_without_computing(tiny: list[int], lorry: Vehicle, course: Course) -> None:
    first, second = (room_cache.cached_field(lorry, course, shunts=0) for _ in range(2))
    assert tiny == [1]
    assert np.array_equal(first.values, second.values)
    assert np.array_equal(first.values, filled(replace(first, values=first.values), lambda share: None).values)
    assert (first.blur_m, first.grid_sd_m) == (second.blur_m, second.grid_sd_m)
    assert best_stop(first) == best_stop(second)


def test_cache_knows_a_changed_course(tiny: list[int], lorry: Vehicle, course: Course) -> None:
    room_cache.cached_field(lorry, course, shunts=0)
    room_cache.cached_field(lorry, course_for(lorry, wanted={"yard_width_m": 9.9}), shunts=0)
    room_cache.cached_field(lorry, course, Limits.of(lorry).ordinary(), shunts=0)
    assert tiny == [3]


@pytest.mark.parametrize("harm", ["cut short", "altered", "not a field"])
def test_cache_is_not_misled_by_a_spoilt_file(tiny: list[int], lorry: Vehicle, course: Course, tmp_path: Path,
                                              harm: str) -> None:
    right = np.array(room_cache.cached_field(lorry, course, shunts=0).values)
    (kept,) = (tmp_path / "tailtrace" / "room").iterdir()
    whole = kept.read_bytes()
    spoilt = {"cut short": whole[:len(whole) // 2], "not a field": b"hello",
              "altered": whole[:5000] + bytes([whole[5000] ^ 1]) + whole[5001:]}[harm]
    kept.write_bytes(spoilt)
    again = room_cache.cached_field(lorry, course, shunts=0)
    assert tiny == [2] and np.array_equal(again.values, right)


def test_no_place_for_a_cache_is_no_trouble(tiny: list[int], lorry: Vehicle, course: Course, tmp_path: Path,
                                            monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    assert room_cache.cached_field(lorry, course, shunts=0).values.shape[0] == 1


def test_a_disk_that_fills_up_on_the_way_is_no_trouble(tiny: list[int], lorry: Vehicle, course: Course, tmp_path: Path,
                                                       monkeypatch: pytest.MonkeyPatch) -> None:
    def full(empty: RoomField) -> Iterator[tuple[int, int, np.ndarray]]:
        yield from islice(layers_of(empty), 5)
        raise OSError(errno.ENOSPC, "no space left")
    kept = room_cache.cached_field(lorry, course, shunts=0, folder=tmp_path / "kept")
    monkeypatch.setattr(room_cache, "layers_of", full)
    got = room_cache.cached_field(lorry, course, shunts=0, folder=tmp_path / "full")
    assert np.array_equal(got.values, kept.values)
    assert (got.blur_m, got.grid_sd_m) == (kept.blur_m, kept.grid_sd_m)
    assert list((tmp_path / "full").iterdir()) == []


def test_work_given_up_leaves_nothing_in_the_cache(tiny: list[int], lorry: Vehicle, course: Course,
                                                   tmp_path: Path) -> None:
    def enough(share: float) -> None:
        if share > 0.5:
            raise KeyboardInterrupt
    with pytest.raises(KeyboardInterrupt):
        room_cache.cached_field(lorry, course, shunts=0, progress=enough)
    assert list((tmp_path / "tailtrace" / "room").iterdir()) == []


# ---- room left worked out ahead ---------------------------------------------------------------------------


def test_fields_begun_ahead_are_those_of_the_run(tiny: list[int], lorry: Vehicle, course: Course,
                                                 field: RoomField) -> None:
    attempt, shares = at_pair(field).roll(-2.0).attempt(course), []
    with RoomAhead(lorry, attempt.rules) as rooms:
        rooms.begin(attempt.course.with_survey(attempt.track.marks, attempt.track.lines))
        ahead = rooms.along(attempt, shares.append)
    assert tiny == [2]  # all it can do, and ordinary steering
    with RoomAhead(lorry, attempt.rules) as rooms:
        after = rooms.along(attempt, shares.append)
    assert tiny == [2]
    assert np.array_equal(ahead.room_m, after.room_m, equal_nan=True) and np.nanmax(ahead.room_m) > 0
    assert ahead.grid_sd_m == after.grid_sd_m
    assert shares[-1] == 1.0


def test_a_mark_that_was_moved_has_the_fields_worked_out_anew(tiny: list[int], lorry: Vehicle, course: Course,
                                                              field: RoomField, tmp_path: Path) -> None:
    attempt = at_pair(field).roll(-2.0).attempt(course)
    moved = replace(course, marks=(replace(course.marks[0], x_m=course.marks[0].x_m + 0.3), *course.marks[1:]))
    with RoomAhead(lorry, attempt.rules) as rooms:
        rooms.begin(moved)
        got = rooms.along(attempt, lambda share: None)
    with RoomAhead(lorry, attempt.rules) as rooms:
        assert np.array_equal(got.room_m, rooms.along(attempt, lambda share: None).room_m, equal_nan=True)
    limits = Limits.of(lorry, attempt.rules.final_heading_limit_rad)
    names = {f"{room_cache.digest(lorry, course, *asked)}.field"
             for asked in ((limits, SHUNTS), (limits.ordinary(), 0))}
    kept = {p.name for p in (tmp_path / "tailtrace" / "room").iterdir()}
    assert names <= kept and not any(name.endswith(".part") for name in kept)


def test_an_analysis_that_ends_early_ends_the_work_and_leaves_nothing(
        tiny: list[int], lorry: Vehicle, course: Course, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    begun = threading.Event()

    def endless(empty: RoomField) -> Iterator[tuple[int, int, np.ndarray]]:
        (first,) = islice(layers_of(empty), 1)
        while True:
            yield first
            begun.set()
    monkeypatch.setattr(room_cache, "layers_of", endless)
    before = threading.active_count()
    with pytest.raises(KeyboardInterrupt), RoomAhead(lorry, rules()) as rooms:
        rooms.begin(course)
        assert begun.wait(20.0)
        raise KeyboardInterrupt
    assert threading.active_count() == before
    assert list((tmp_path / "tailtrace" / "room").iterdir()) == []


def test_a_course_without_a_way_in_is_told_when_the_room_is_asked_for(tiny: list[int], lorry: Vehicle, course: Course,
                                                                     field: RoomField) -> None:
    attempt = at_pair(field).roll(-2.0).attempt(course)
    short = replace(course, marks=tuple(replace(m, x_m=m.x_m / 10) for m in course.marks))
    with RoomAhead(lorry, attempt.rules) as rooms:
        rooms.begin(short)
        with pytest.raises(Trouble, match="no way to reverse"):
            rooms.along(replace(attempt, surveyed=short), lambda share: None)


def test_feasible_says_it_and_draws_it(tiny: list[int], lorry: Vehicle, course: Course, tmp_path: Path,
                                       capsys: pytest.CaptureFixture[str]) -> None:
    v, c = tmp_path / "v.toml", tmp_path / "c.toml"
    v.write_text('schema = 1\nname = "6 m lorry"\nlength_m = 6.0\nwidth_m = 2.0\nheight_m = 2.8\nwheelbase_m = 3.4\n'
                 'front_overhang_m = 1.1\ntrack_front_m = 1.7\ntrack_rear_m = 1.5\ntyre_width_front_m = 0.2\n'
                 'tyre_width_rear_m = 0.4\nmax_wheel_angle_deg = 40\nwheel_rate_deg_s = 25\n')
    c.write_text(course_toml(course))
    asked = ["feasible", "--vehicle", str(v), "--course", str(c), "-o"]
    assert main([*asked, str(tmp_path / "p.svg")]) == OK
    assert "it can be done in one reverse" in capsys.readouterr().out
    assert "In one reverse: " in (tmp_path / "p.svg").read_text()
    assert main([*asked, str(tmp_path / "p.png")]) == OK
    assert (tmp_path / "p.png").stat().st_size > 10_000
    assert main([*asked, str(tmp_path / "p.png")]) == TROUBLE
    assert "exists already" in capsys.readouterr().err
    assert main([*asked, str(tmp_path / "p.jpg")]) == TROUBLE


@pytest.mark.parametrize("legs", ["none", "forward only", "reverse only", "out of the yard", "across the yard"])
def test_odd_drives_have_a_story_without_what_cannot_be_told(field: RoomField, ordinary: RoomField, legs: str) -> None:
    x, y, _ = best_stop(field)
    start = {"out of the yard": (x, y + 60.0, 0.0), "across the yard": (x, y, math.pi / 2)}.get(legs, (x, y, 0.0))
    drive = Drive(field.vehicle, start).stand(1.0)
    if legs == "forward only":
        drive.roll(1.0)
    elif legs != "none":
        drive.roll(-1.0).stand(1.0)
    room = told(drive, field, ordinary)
    assert room.stop_map is None and room.shunts == ()
    assert len(room.legs) == (1 if legs == "reverse only" else 0)
    assert (room.reference is not None) == (legs == "reverse only")
    assert np.isfinite(room.room_m).any() == (legs in ("none", "forward only", "reverse only"))
