"""A vehicle with a trailer, judged: whose tyres, whose rear, how far it folds. Simulated runs against their truth."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from simulate import Roll, Stand, drive, measure
from towed import DRAWBAR, combination, towed_rad, trailer_of, with_angles

from analysis.advice import advice_of
from analysis.attempt import Attempt, Finding, Leg, Motion, TrailerMotion
from analysis.clearance import Clearances, clearances, of_both
from analysis.course import Course, Line, Mark, MarkEvent
from analysis.findings import MAKERS, Run
from analysis.judge import judge
from analysis.layouts import course_for, settings_for
from analysis.mirrors import NO_MIRRORS
from analysis.record import attempt_to_json, track_frame
from analysis.room.build import empty_field
from analysis.rules import Rules, rules_from_table
from analysis.track import Track
from analysis.trouble import Trouble

SCHEMA = Path(__file__).parents[1] / "cli" / "attempt.schema.json"
VEHICLE = combination()  # from the tractor's rear axle: front 5.1 m ahead; trailer's rear 8.0 + 4.0 - 0.6 = 11.4 behind


def rules(**changes: object) -> Rules:
    return rules_from_table({"schema": 1, "name": "test", "tyre_reading": "any_part"} | changes)


@cache
def straight_into_the_bay() -> Attempt:
    """Straight back until the tractor's rear axle stands at x = 11.8: the trailer's rear at 0.4, mid box."""
    rng = np.random.default_rng(2)
    truth = drive([Stand(1.5), Roll(-20), Stand(2.0)], VEHICLE, start=(31.8, 0.0, 0.0))
    track = with_angles(measure(truth, rng, sd_m=0.01), truth, np.zeros(len(truth.t_s)), rng)
    return judge(track, VEHICLE, course_for(VEHICLE), rules())


@cache
def folding(limit_deg: float | None = None) -> Attempt:
    """Reversing with the wheel held at 6 degrees, the trailer folds ever further."""
    rng = np.random.default_rng(3)
    truth = drive([Stand(1.5), Roll(-12), Stand(1.5)], VEHICLE, start=(45.0, -4.0, 0.0), wheel_deg=6.0)
    track = with_angles(measure(truth, rng, sd_m=0.01), truth, towed_rad(truth, trailer_of(VEHICLE)), rng)
    limits = {} if limit_deg is None else {"articulation_limit_deg": limit_deg}
    return judge(track, VEHICLE, course_for(VEHICLE), rules(**limits))


def of(a: Attempt, kind: str) -> Finding:
    found, = (f for f in a.findings if f.kind == kind)
    return found


# ---- distances ---------------------------------------------------------------------------------------------------


def moving(x_m: np.ndarray, y_m: np.ndarray) -> Motion:
    """A body with its heading along x, each coordinate known to a centimetre."""
    n = len(x_m)
    cov = np.tile(np.diag([1e-4, 1e-4, 0.0, 0.0, 0.0]), (n, 1, 1))
    return Motion(np.arange(n) * 0.1, x_m, y_m, np.zeros(n), np.full(n, -1.0), np.zeros(n), cov, np.zeros(n))


def yard(line_y_m: float) -> Course:
    return replace(course_for(VEHICLE), marks=(Mark("pivot", 4.0, 3.0),),
                   lines=(Line("side_left", -20.0, line_y_m, 60.0, line_y_m, 0.1, -1),))


def at_rest(body: object, course: Course, y_m: float = 0.0) -> Clearances:
    motion = moving(np.zeros(5), np.full(5, y_m))
    track = Track(motion.t_s, np.ones(5, bool), motion.x_m, motion.y_m, motion.heading_rad, motion.cov[:, :3, :3],
                  np.zeros((3, 3)))
    return clearances(motion, body, course, track, 0.0)  # type: ignore[arg-type]


def test_a_trailers_distances_by_hand() -> None:
    """Axles at x = 1.3, 0, -1.3: tyres to 1.02 + 0.1925 m, 1 m long; body 2.55 m wide from -4 to 9.6, here a metre up:
    it passes over the 0.75 m cone, and the wheels and a pole (0.02 m thick) can be met."""
    trailer = trailer_of(combination(ground_clearance_m=1.0))
    found = at_rest(trailer, yard(2.0))
    assert found.tyre["side_left"].value_m == pytest.approx(2.0 - 1.2125)
    assert found.tyre["side_left"].names[found.tyre["side_left"].part[0]].startswith("trailer_axle_")
    assert found.body["side_left"].value_m == pytest.approx(2.0 - 1.275)
    to_wheel = math.hypot(4.0 - 1.3 - 0.5, 3.0 - 1.2125) - 0.18
    assert found.mark["pivot"].value_m == pytest.approx(to_wheel)
    assert found.mark["pivot"].names[found.mark["pivot"].part[0]] == "trailer axle 1 left tyre"
    poled = replace(yard(2.0), marks=(Mark("pivot", 4.0, 3.0, pole_height_m=1.5),))
    assert at_rest(trailer, poled).mark["pivot"].value_m == pytest.approx(3.0 - 1.275 - 0.02)
    assert found.mirror == {}


def test_of_both_bodies_the_nearer_is_taken() -> None:
    """The tractor's twin tyres reach 0.92 + 0.30 = 1.22 m, the trailer's 1.2125 m, here 0.1 m further to the left."""
    both = of_both(at_rest(VEHICLE, yard(2.0)), at_rest(trailer_of(VEHICLE), yard(2.0), 0.1))
    assert both.tyre["side_left"].value_m == pytest.approx(2.0 - 0.1 - 1.2125)
    assert "trailer" in both.tyre["side_left"].names[both.tyre["side_left"].part[0]]
    beside = of_both(at_rest(VEHICLE, yard(2.0)), at_rest(trailer_of(VEHICLE), yard(2.0)))
    assert beside.tyre["side_left"].value_m == pytest.approx(2.0 - 1.22)


# ---- findings of both bodies --------------------------------------------------------------------------------------


def told_of(kind: str, tractor_y_m: np.ndarray, trailer_y_m: np.ndarray) -> list[Finding]:
    """What is told of a line at y = 2 m when the two bodies run along these paths."""
    course, trailer = yard(2.0), trailer_of(VEHICLE)
    x = np.linspace(30.0, 10.0, len(tractor_y_m))
    motion, towed = moving(x, tractor_y_m), moving(x - 7.4, trailer_y_m)
    seen = np.ones(len(x), bool)
    track = Track(motion.t_s, seen, motion.x_m, motion.y_m, motion.heading_rad, motion.cov[:, :3, :3], np.zeros((3, 3)))
    of_each = (clearances(motion, VEHICLE, course, track, 0.0), clearances(towed, trailer, course, track, 0.0))
    run = Run(VEHICLE, course, rules(), track, motion, seen, (), (Leg(0.0, 3.9, -1, 20.0),), (), (), None,
              of_both(*of_each), None, NO_MIRRORS,
              trailer=TrailerMotion(np.zeros(len(x)), np.full(len(x), 1e-3), towed))
    return list(MAKERS[kind](run))


def bump(at: int, high_m: float) -> np.ndarray:
    """40 places across the yard: 0 but for five of them."""
    y = np.zeros(40)
    y[at:at + 5] = high_m
    return y


def test_each_body_over_a_line_at_its_own_time_is_told() -> None:
    """Tractor's rear tyre 1.22 + 0.9 m, trailer's 1.2125 + 1.0 m against the line at 2 m: 12 and 21 cm over it."""
    found = told_of("tyre_over_line", bump(5, 0.9), bump(25, 1.0))
    assert [(f.verdict, f.where, round(f.value or 0.0, 3)) for f in found] == [
        ("fault", "side_left", -0.212), ("fault", "side_left", -0.12)]
    assert found[0].sentence.startswith("Trailer axle 1 left tyre 21 cm over the left line at 0:02.5")
    assert found[1].sentence.startswith("Rear left tyre 12 cm over the left line at 0:00.5")


def test_a_crossing_by_both_at_once_is_told_once_and_a_body_in_order_not_at_all() -> None:
    found = told_of("tyre_over_line", bump(5, 0.9), bump(7, 1.0))
    assert [round(f.value or 0.0, 3) for f in found] == [-0.212]
    assert [round(f.value or 0.0, 3) for f in told_of("tyre_over_line", bump(5, 0.9), bump(5, 0.0))] == [-0.12]
    well, = told_of("tyre_over_line", bump(5, 0.1), bump(5, 0.2))
    assert well.verdict == "ok" and "trailer axle" in well.sentence


def test_bodywork_over_a_line_says_whose() -> None:
    found, = told_of("body_over_line", bump(5, 0.0), bump(5, 1.0))
    assert found.sentence.startswith("The trailer's bodywork 27 cm over the left line")  # 1.275 + 1 - 2


def test_the_rear_in_the_box_is_the_trailers() -> None:
    a = straight_into_the_bay()
    assert a.final is not None
    assert a.final.rear_x_m == pytest.approx(0.4, abs=3 * a.final.sd_rear_x_m + 0.005)
    box = of(a, "stopping_box")
    assert box.verdict == "ok" and box.sentence.startswith("The trailer's rear inside the stopping box, 40 cm")
    assert of(a, "barrier").value == pytest.approx(0.4 + 0.3, abs=0.03)  # the barrier's face 0.3 m behind the back line
    heading = of(a, "final_heading")
    assert heading.verdict == "ok" and abs(heading.value or 0.0) < 0.5
    assert "trailer" in heading.sentence or "square" in heading.sentence


def test_folding_beyond_the_limit_is_a_fault_with_advice() -> None:
    """The limit is the data sheet's 90 degrees, or the rules' own where that is less."""
    well, folded = of(folding(), "jack_knife"), of(folding(30.0), "jack_knife")
    assert (well.verdict, well.limit) == ("ok", pytest.approx(90.0))
    assert (folded.verdict, folded.limit, folded.counts) == ("fault", pytest.approx(30.0), True)
    trailer = folding().trailer
    assert trailer is not None
    assert folded.value == pytest.approx(math.degrees(trailer.angle_rad[-1]), abs=0.1)
    assert folded.value is not None and folded.value > 35
    assert "its tail to the right" in folded.sentence  # wheel to the left in reverse: the tractor's rear goes left
    assert folded.t_start_s < folded.t_end_s
    rules_said = [s.rule for s in folding(30.0).advice.said]
    assert "folded too far" in rules_said


def test_near_the_limit_nothing_is_guessed() -> None:
    a = folding()
    assert a.trailer is not None
    most = math.degrees(abs(a.trailer.angle_rad[-1]))
    sd = math.degrees(a.trailer.sd_rad[-1])
    close = of(folding(round(most - sd / 2, 3)), "jack_knife")
    assert close.verdict == "too close to call"


def test_a_cone_knocked_by_the_trailer_says_so() -> None:
    a = straight_into_the_bay()
    course = replace(a.course, marks=(*a.course.marks[:-1], Mark("back_right", 2.0, -1.3)))
    track = replace(a.track, mark_events=(MarkEvent("back_right", float(a.track.t_s[-5]), 0.4, 0.02),))
    again = judge(track, VEHICLE, course, rules())
    knocked, = (f for f in again.findings if f.kind == "mark_touched" and f.where == "back_right")
    assert knocked.verdict == "fault"
    assert knocked.sentence.startswith("The right back cone was knocked by the trailer: it moved 40 cm")


def test_a_wrong_trailer_in_the_file_is_noticed() -> None:
    rng = np.random.default_rng(5)
    real, told = combination(DRAWBAR), combination(DRAWBAR | {"hitch_to_axle_m": 6.2})
    truth = drive([Stand(1.5), Roll(-16, steer=((0.0, 6), (0.3, -8), (0.6, 4))), Roll(10), Stand(1.5)], real,
                  start=(40.0, -3.0, 0.0))
    track = with_angles(measure(truth, rng, sd_m=0.01), truth, towed_rad(truth, trailer_of(real)), rng)
    a = judge(track, told, course_for(told), rules())
    wrong, = (f for f in a.findings if f.kind == "data_sheet" and f.where == "trailer axle")
    assert wrong.value == pytest.approx(-1.2, abs=0.25)
    assert "5." in wrong.sentence and "not 6.20 m as in its file" in wrong.sentence
    assert not wrong.counts


# ---- what is left out for a combination --------------------------------------------------------------------------


def test_mirrors_room_and_steering_advice_are_left_out() -> None:
    a = folding(30.0)
    assert a.mirrors.views == {} and not [f for f in a.findings if f.kind == "mark_unseen"]
    assert a.room is None
    assert a.steering.wheel_on_s is not None and a.steering.wheel_on_beyond_pivot_m is None
    told = " ".join(s.sentence for s in advice_of(a).said)
    assert "lock" not in told  # with a trailer, steering the other way round
    with pytest.raises(Trouble, match="without a trailer"):
        empty_field(VEHICLE, course_for(VEHICLE))


def test_the_course_is_for_the_whole_combination() -> None:
    """L = 16.5 m, W = 2.55 m: bay 16.5 x 3.825 m; the whole, 5 L = 82.5 m, cut to 66 m; pivot 2 L before the pair."""
    course = course_for(VEHICLE)
    assert course.bay.x_max_m == pytest.approx(16.5)
    assert course.bay.y_max_m - course.bay.y_min_m == pytest.approx(3.825)
    assert course.mark("forward_left").x_m == pytest.approx(66.0)
    assert course.mark("pivot").x_m == pytest.approx(66.0 - 33.0)


def test_the_offset_exercise_gives_a_combination_its_longer_run() -> None:
    """140 ft for a combination, 100 ft for a rigid vehicle (passthecdltest.com): 42.672 m and 30.48 m."""
    assert settings_for(VEHICLE, "offset_reverse")["run_m"] == pytest.approx(42.672)
    assert settings_for(replace(VEHICLE, trailer=None), "offset_reverse")["run_m"] == pytest.approx(30.48)


# ---- the record ----------------------------------------------------------------------------------------------------


def test_the_record_holds_trailer_and_angle() -> None:
    a = folding(30.0)
    record = json.loads(json.dumps(attempt_to_json(a)))
    jsonschema.validate(record, json.loads(SCHEMA.read_text("utf-8")))
    assert record["vehicle"]["trailer"]["hitch_to_axle_m"] == 8.0
    assert record["vehicle"]["overall_length_m"] == 16.5
    assert a.trailer is not None
    assert record["articulation"]["final_deg"] == pytest.approx(math.degrees(a.trailer.angle_rad[-1]), abs=1e-5)
    assert record["articulation"]["largest_deg"] >= record["articulation"]["final_deg"]


def test_the_track_table_holds_the_trailers_pose() -> None:
    a = folding(30.0)
    table = track_frame(a)
    assert {"articulation_rad", "sd_articulation_rad", "trailer_x_m", "sd_trailer_heading_rad"} <= set(table)
    assert table.attrs["units"]["trailer_heading_rad"] == "rad" and table.attrs["units"]["trailer_x_m"] == "m"
    np.testing.assert_allclose(table["trailer_heading_rad"], table["heading_rad"] + table["articulation_rad"])
    assert a.trailer is not None
    np.testing.assert_allclose(table["articulation_rad"], a.trailer.angle_rad)
