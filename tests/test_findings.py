"""Verdicts, and the findings of a whole simulated run against its known truth."""

from __future__ import annotations

import json
import math
import tomllib
from dataclasses import replace
from functools import cache
from pathlib import Path
from unittest import mock

import jsonschema
import numpy as np
import pytest
from simulate import Roll, Stand, bus, drive, measure

from analysis.attempt import Attempt, Finding
from analysis.course import Area, Course, Line, Mark, MarkEvent, SurveyedMark
from analysis.findings import MAKERS
from analysis.judge import judge
from analysis.layouts import course_for
from analysis.motion import estimate
from analysis.nodes import Smoothed
from analysis.record import attempt_to_json, summary_of, track_frame
from analysis.rules import KINDS, Rules, rules_from_table
from analysis.track import Track
from analysis.trouble import Trouble
from analysis.wording import call, clock, length, margin

CLI = Path(__file__).parents[1] / "cli"
VEHICLE = bus()


def rules(**changes: object) -> Rules:
    return rules_from_table({"schema": 1, "name": "test", "tyre_reading": "any_part"} | changes)


# Straight along y = 0: forward from x = 20 to 40, back to 4 (rear at 0.8), pull forward 4 m, back again. The front
# reaches x = 48.8, the rear tyres' outer edges are 1.22 m off the middle (track 1.84, twin tyre 0.60).
TRUTH = drive([Stand(2.0), Roll(20), Stand(2.0), Roll(-36), Stand(1.5), Roll(4), Stand(1.5), Roll(-4.0), Stand(2.0)],
              VEHICLE, start=(20.0, 0.0, 0.0))


def course(**changes: object) -> Course:
    marks = (Mark("forward_left", 48.5, 1.9), Mark("forward_right", 48.5, -1.9), Mark("pivot", 30.0, 1.8),
             Mark("mouth_left", 12.0, 1.9), Mark("mouth_right", 12.0, -1.9), Mark("back_left", 0.0, 1.9),
             Mark("back_right", 0.0, -1.9))
    lines = (Line("side_left", -1.0, 1.5, 50.0, 1.5, 0.1, -1), Line("side_right", -1.0, -2.5, 50.0, -2.5, 0.1, 1))
    return replace(course_for(VEHICLE), marks=marks, lines=lines, stopping_box=Area(0.0, 0.9, -1.9, 1.9),
                   barrier=Area(-0.42, -0.30, -2.2, 2.2), **changes)


@cache
def smoothed() -> tuple[Track, tuple[Smoothed, np.ndarray]]:
    track = measure(TRUTH, np.random.default_rng(0), sd_m=0.01)
    return track, estimate(track, VEHICLE)


def attempt(rule_set: Rules | None = None, yard: Course | None = None, **changes: object) -> Attempt:
    """The run on a yard by some rules; `changes` are of what the track says beside the poses. How it moved hangs on
    the poses alone, so that is worked out once."""
    track, run = smoothed()
    with mock.patch("analysis.judge.estimate", return_value=run):
        return judge(replace(track, **changes), VEHICLE, yard or course(), rule_set or rules())


@cache
def ordinary() -> Attempt:
    return attempt()


def of(a: Attempt, kind: str, where: str | None = None) -> Finding:
    found = [f for f in a.findings if f.kind == kind and (where is None or f.where == where)]
    assert len(found) == 1, [f.sentence for f in a.findings]
    return found[0]


def test_verdict_follows_the_interval() -> None:
    assert call(0.10, 0.04, 0.0) == "ok"
    assert call(0.07, 0.04, 0.0) == "too close to call"
    assert call(-0.07, 0.04, 0.0) == "too close to call"
    assert call(-0.10, 0.04, 0.0) == "fault"
    assert call(2.0, 0.0, 2.0) == "ok"


def test_figures_in_plain_words() -> None:
    assert clock(34.2) == "0:34.2"
    assert clock(119.96) == "2:00.0"
    assert length(-0.123) == "12 cm"
    assert length(1.234) == "1.23 m"
    assert margin(0.02) == "± 4 cm"


def test_every_kind_has_its_maker() -> None:
    assert set(MAKERS) == set(KINDS)


def test_a_run_with_one_shunt_and_no_faults() -> None:
    a = ordinary()
    assert a.verdict == "ok"
    assert a.shunts == 1
    assert [leg.direction for leg in a.legs] == [1, -1, 1, -1]
    tyre = of(a, "tyre_over_line", "side_left")
    assert tyre.verdict == "ok"
    assert tyre.value == pytest.approx(1.5 - 1.22, abs=0.03)
    assert of(a, "tyre_over_line", "side_right").value == pytest.approx(2.5 - 1.22, abs=0.03)
    pivot = of(a, "mark_touched", "pivot")
    assert pivot.value == pytest.approx(1.8 - 1.275 - 0.18, abs=0.03)
    box = of(a, "stopping_box")
    assert box.verdict == "ok"
    assert a.final is not None
    assert a.final.rear_x_m == pytest.approx(TRUTH.x_m[-1] - 3.2, abs=0.02)
    assert a.final.barrier_m == pytest.approx(a.final.rear_x_m + 0.30, abs=1e-6)
    assert of(a, "forward_pair").value == pytest.approx(0.3, abs=0.03)
    assert summary_of(a) == "No faults found under 'test'."


def test_a_tyre_over_the_line_and_the_two_readings() -> None:
    """A line at y = 1.0: the 0.6 m wide rear tyre reaches from 0.62 to 1.22 m."""
    lines = (Line("side_left", -1.0, 1.0, 50.0, 1.0, 0.1, -1),)
    yard = replace(course(), lines=lines)
    over = of(attempt(yard=yard), "tyre_over_line")
    assert over.verdict == "fault"
    assert over.counts
    assert over.value == pytest.approx(-0.22, abs=0.03)
    assert over.t_start_s < over.t_end_s
    assert over.sentence.startswith("Rear left tyre 2")
    assert "over the left line at" in over.sentence
    assert of(attempt(yard=yard, rule_set=rules(tyre_reading="full_width")), "tyre_over_line").verdict == "ok"


def test_closer_than_the_uncertainty_is_too_close_to_call() -> None:
    """A line on the very edge of the tyre, and a common error of 2 cm across."""
    yard = replace(course(), lines=(Line("side_left", -1.0, 1.225, 50.0, 1.225, 0.1, -1),))
    f = of(attempt(yard=yard, common_cov=np.diag([4e-4, 4e-4, 1e-6])), "tyre_over_line")
    assert f.verdict == "too close to call"
    assert not f.counts


def test_a_mark_that_moved_is_a_fault_whatever_the_geometry_says() -> None:
    yard = course()
    marks = tuple(replace(m, y_m=1.49) if m.name == "pivot" else m for m in yard.marks)  # 3.5 cm from the body
    event = MarkEvent("pivot", 18.0, 0.31, 0.03)
    touched = of(attempt(yard=replace(yard, marks=marks), mark_events=(event,)), "mark_touched", "pivot")
    assert touched.verdict == "fault"
    assert "moved 31 cm" in touched.sentence
    far = of(attempt(mark_events=(MarkEvent("back_right", 6.0, 0.5, 0.03),)), "mark_touched", "back_right")
    assert far.severity == "note"  # the vehicle was nowhere near


def test_surveyed_places_count_not_the_nominal_ones() -> None:
    moved = SurveyedMark("pivot", 30.0, 2.4, 0.02, 30.0, 1.8)
    f = of(attempt(marks=(moved,)), "mark_touched", "pivot")
    assert f.value == pytest.approx(2.4 - 1.275 - 0.18, abs=0.03)


def test_too_many_shunts() -> None:
    f = of(attempt(rule_set=rules(shunts_allowed=0)), "shunt_count")
    assert (f.verdict, f.value, f.limit) == ("fault", 1.0, 0.0)


def test_short_of_the_stopping_box() -> None:
    yard = replace(course(), stopping_box=Area(0.0, 0.3, -1.9, 1.9))
    f = of(attempt(yard=yard), "stopping_box")
    assert f.verdict == "fault"
    assert f.value == pytest.approx(0.3 - (TRUTH.x_m[-1] - 3.2), abs=0.02)


def test_only_a_gap_near_the_forward_pair_hides_it() -> None:
    """The front comes 0.3 m past x = 48.5; the pair is put at 50, so it stops 1.2 m short. Out of sight for 3 s in the
    middle of the long reverse, that still stands; out of sight about the stop at the pair, it may have been reached."""
    yard = course()
    far = replace(yard, marks=tuple(replace(m, x_m=50.0) if m.name.startswith("forward") else m for m in yard.marks))
    at_pair, reversing = TRUTH.stops[1], TRUTH.stops[2][0] - 12.0
    for gap, verdict in (((reversing, reversing + 3.0), "fault"), ((at_pair[0] - 4.0, at_pair[1] + 4.0), "not seen")):
        track = measure(TRUTH, np.random.default_rng(6), sd_m=0.01, gaps=(gap,))
        assert of(judge(track, VEHICLE, far, rules()), "forward_pair").verdict == verdict


def test_a_moment_inside_a_gap_is_not_seen() -> None:
    """The vehicle is lost for 3 s while it passes the pivot cone, and at the end."""
    track = measure(TRUTH, np.random.default_rng(3), sd_m=0.01, gaps=((TRUTH.t_s[-1] - 3.0, TRUTH.t_s[-1]),))
    measured = track.measured.copy()
    measured[-1] = False
    a = judge(replace(track, measured=measured), VEHICLE, course(), rules())
    assert a.final is None
    assert of(a, "stopping_box").verdict == "not seen"
    assert a.verdict == "not seen"
    frame = track_frame(a)
    assert frame.x_m.isna().sum() == np.sum(track.t_s >= TRUTH.t_s[-1] - 3.0)
    assert not frame.t_s.isna().any()


def test_severity_ignore_leaves_a_kind_out() -> None:
    a = attempt(rule_set=rules(severity={"mark_touched": "ignore"}))
    assert not [f for f in a.findings if f.kind == "mark_touched"]


def test_speed_near_a_mark() -> None:
    """The body passes the pivot cone at 0.35 m; top speed 1.2 m/s."""
    f = of(attempt(rule_set=rules(speed_limit_mps=0.8)), "speed_near_mark")
    assert f.verdict == "fault"
    assert f.value == pytest.approx(1.2, abs=0.06)
    assert of(attempt(rule_set=rules(speed_limit_mps=2.0)), "speed_near_mark").verdict == "ok"


def test_the_record_follows_its_published_schema() -> None:
    schema = json.loads((CLI / "attempt.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    record = attempt_to_json(ordinary())
    jsonschema.validate(json.loads(json.dumps(record, allow_nan=False)), schema)
    assert record["shunts"] == 1
    assert [leg["direction"] for leg in record["legs"]] == [1, -1, 1, -1]
    assert set(record["final"]) >= {"rear_x_m", "sd_rear_x_m", "lateral_m", "heading_deg"}
    broken = record | {"shunts": -1}
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(broken, schema)


def test_the_frame_has_the_promised_columns() -> None:
    frame = track_frame(ordinary())
    promised = ["t_s", "measured", "x_m", "y_m", "heading_rad", "speed_mps", "road_wheel_rad", "sd_x_m", "sd_y_m",
                "rho_xy", "sd_heading_rad", "sd_speed_mps", "sd_road_wheel_rad"]
    assert list(frame.columns[:len(promised)]) == promised
    assert frame.attrs["units"]["tyre_left_m"] == "m"
    assert np.all(np.abs(frame.rho_xy) <= 1)


def test_too_short_a_track_is_a_trouble() -> None:
    track = measure(TRUTH, np.random.default_rng(0))
    measured = np.zeros(len(track.t_s), bool)
    measured[:5] = True
    with pytest.raises(Trouble, match="only 5 frames"):
        judge(replace(track, measured=measured), VEHICLE, course(), rules())


@pytest.mark.parametrize(("name", "reading", "dry"), [("usual", "any_part", "fault"),
                                                      ("full_width", "full_width", "note")])
def test_rule_sets_that_come_with_the_program(name: str, reading: str, dry: str) -> None:
    read = rules_from_table(tomllib.loads((CLI / "data" / f"{name}.rules.toml").read_text()))
    assert read.tyre_reading == reading
    assert read.shunts_allowed == 2
    assert read.severity["dry_steering"] == dry
    assert math.degrees(read.dry_tolerance_rad) == pytest.approx(10)
