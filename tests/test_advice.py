"""Advice by rules, on hand-made attempts: what is said, in which order, on what evidence, and when nothing is."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from fake_attempt import make_attempt
from fake_room import loss, make_room, moment, shunt, stop_map

from analysis.advice import DRILLS, RULES, advice_of
from analysis.advice_words import place_words, wheel_words
from analysis.attempt import Attempt, Finding, Leg
from analysis.room.nouns import GONE, KEPT, UNSURE, RoomAlong


def finding(kind: str, verdict: str = "fault", severity: str = "fault", **changes: Any) -> Finding:
    values = {"kind": kind, "where": "", "verdict": verdict, "severity": severity, "t_start_s": 5.0, "t_end_s": 7.0,
              "value": 25.0, "sd": 2.0, "unit": "deg", "limit": 10.0, "at_m": (20.0, -2.0), "sentence": "…"} | changes
    return Finding(**values)


def attempt_with(*findings: Finding, **changes: Any) -> Attempt:
    return replace(make_attempt(), findings=findings, **changes)


def said(attempt: Attempt, room: RoomAlong | None = None) -> list[tuple[str, str]]:
    return [(s.rule, s.sentence) for s in advice_of(attempt, room).said]


DRY = finding("dry_steering")
UNCLEAR = finding("dry_steering", "too close to call")


def test_the_lost_bay_comes_first_with_the_steering_that_would_have_kept_it() -> None:
    attempt = attempt_with(DRY)
    advice = advice_of(attempt, make_room(attempt))
    assert [s.sentence for s in advice.said] == [
        # 2.5 s into the run the rear axle is at x = 22.9 m, the rear 2.3 m behind it, the pivot at 25.5 m.
        "From 0:02.5 on, with the rear 5 m past the pivot cone, the bay could no longer be reached without a shunt.",
        "Up to 0:01.5 it could: about half lock to the left (21°) over the next 3 m would have kept it, where the "
        "wheel was on average a little to the right (2°).",
        "The wheel was turned about 25° to the left (± 4°) while the vehicle stood, at 0:05.0."]
    lost, saving, dry = advice.said
    assert (lost.t_s, lost.t_start_s, lost.t_end_s, lost.finding) == (2.5, 2.2, 2.9, None)
    assert lost.at_m == (23.4, -2.1)
    assert saving.rule == lost.rule == "bay lost"
    assert lost.counts and dry.counts
    assert (saving.t_s, saving.at_m) == (1.5, (25.0, -2.0))
    assert (dry.t_s, dry.finding, dry.at_m) == (5.0, 0, (20.0, -2.0))
    assert advice.drill == DRILLS["first half"]


def test_a_lost_bay_without_a_known_way_to_keep_it_is_told_alone() -> None:
    attempt = attempt_with()
    assert len(said(attempt, make_room(attempt, saving=False))) == 1


@pytest.mark.parametrize("verdict", [KEPT, UNSURE])
def test_nothing_is_said_of_a_bay_that_was_kept_or_is_too_close_to_call(verdict: str) -> None:
    attempt = attempt_with()
    assert said(attempt, make_room(attempt, lost=moment(verdict))) == []


def test_nothing_is_said_of_findings_that_are_in_order_unseen_or_too_close_to_call() -> None:
    for verdict in ("ok", "not seen", "too close to call"):
        attempt = attempt_with(*(finding(kind, verdict) for kind in (
            "dry_steering", "tyre_over_line", "mark_touched", "stopping_box", "shunt_count", "final_heading",
            "mark_unseen", "speed_near_mark")))
        advice = advice_of(attempt)
        assert advice.said == ()
        assert advice.drill is None


def test_what_the_school_does_not_count_as_a_fault_gives_no_advice() -> None:
    assert said(attempt_with(finding("dry_steering", severity="note"))) == []


def test_a_bay_out_of_reach_from_the_start_points_to_a_better_place_to_stop() -> None:
    attempt = attempt_with()
    room = make_room(attempt, lost=moment(GONE, 0.5), stop=stop_map(gain_left_m=0.62, sd_here_m=0.05))
    assert said(attempt, room)[:2] == [
        ("bay out of reach from the start",
         "From where the drive forward ended, at 0:00.5, the bay could not be reached without a shunt."),
        ("bay out of reach from the start", "Stopping half a metre further to the left gives 62 cm more room.")]


def test_a_gain_within_its_uncertainty_is_not_told() -> None:
    attempt = attempt_with()
    kept = moment(KEPT)
    sure = make_room(attempt, lost=kept, stop=stop_map(gain_right_m=0.30, sd_here_m=0.05))
    assert said(attempt, sure)[0][1] == ("Stopping half a metre further to the right at the forward cones would have "
                                         "given 30 cm more room for the reverse.")
    unsure = make_room(attempt, lost=kept, stop=stop_map(gain_right_m=0.30, sd_here_m=0.11))
    assert said(attempt, unsure) == []


def test_the_largest_loss_is_told_when_wheel_and_loss_are_sure() -> None:
    attempt = attempt_with()
    kept = moment(KEPT)
    assert said(attempt, make_room(attempt, lost=kept, largest=loss()))[0] == (
        "largest loss of room",
        "The most room went between 0:01.0 and 0:03.0, with the rear 3 m past the pivot cone: 40 cm (± 8 cm) within "
        "3 m, with the wheel on average a little to the right (4°).")
    assert not advice_of(attempt, make_room(attempt, lost=kept, largest=loss())).said[0].counts
    for unsure in (loss(lost_m=0.12, sd_m=0.04), loss(sd_wheel_used_rad=math.radians(15))):
        assert said(attempt, make_room(attempt, lost=kept, largest=unsure)) == []


def test_a_shunt_that_was_not_needed_and_one_that_did_not_help() -> None:
    attempt = attempt_with()
    kept = moment(KEPT)
    spare = make_room(attempt, lost=kept, shunts=(shunt(needed="no", room_before_m=0.25),))
    assert said(attempt, spare)[0] == ("shunt not needed", "The shunt at 0:06.0 was not needed: there was still 25 cm "
                                                           "of room (± 8 cm).")
    poor = make_room(attempt, lost=kept, shunts=(shunt(room_after_m=-0.20),))
    assert said(attempt, poor) == [
        ("shunt that did not help", "The shunt at 0:06.0 went 2.5 m forward and did not bring the bay back within "
                                    "reach."),
        ("shunt that did not help", "One with 1.50 m further forward would have given 35 cm of room.")]
    assert said(attempt, make_room(attempt, lost=kept, shunts=(shunt(),))) == []  # needed, and it helped
    assert said(attempt, make_room(attempt, lost=kept, shunts=(shunt(needed="too close to call"),))) == []


def touch_at(x_m: float, y_m: float, wheel_deg: float) -> str:
    """The second sentence when the pivot is met at a place in the frame of a vehicle that stands at x = 20 m."""
    base = make_attempt()
    n = len(base.motion.t_s)
    motion = replace(base.motion, x_m=np.full(n, 20.0), y_m=np.full(n, 0.0), heading_rad=np.full(n, 0.0),
                     wheel_rad=np.full(n, math.radians(wheel_deg)))
    marks = tuple(replace(m, x_m=20.0 + x_m, y_m=y_m) if m.name == "pivot" else m for m in base.surveyed.marks)
    touched = finding("mark_touched", where="pivot", unit="m", value=-0.02, sd=0.01, limit=0.0)
    attempt = replace(base, motion=motion, findings=(touched,), surveyed=replace(base.surveyed, marks=marks))
    first, second = said(attempt)
    assert first[0] == "cone hit"
    return first[1] + " " + second[1]


def test_how_a_cone_was_hit_follows_from_its_place_and_the_wheel() -> None:
    assert touch_at(1.0, 1.3, 15) == (
        "The pivot cone was hit at 0:05.0 by the left side, on the inside of the turn. Take some lock off sooner, so "
        "that the side stays a metre off the cone.")
    assert touch_at(5.5, -1.3, 15) == (
        "The pivot cone was hit at 0:05.0 by the right side, as the front swung out. Keep a metre more to the left "
        "before the wheel is turned away from it.")
    assert touch_at(-2.5, 0.3, 0) == (
        "The pivot cone was hit at 0:05.0, with the rear. Stop while the cone is still in a mirror, and look again "
        "before going on.")
    assert touch_at(1.0, 1.3, 0).startswith("The pivot cone was hit at 0:05.0 by the left side. Stop when the gap")


def test_a_hit_cone_names_the_steering_that_lost_the_room_before_it() -> None:
    touched = finding("mark_touched", where="pivot", unit="m", value=-0.02, sd=0.01, limit=0.0, t_start_s=4.0)
    attempt = attempt_with(touched)
    assert said(attempt, make_room(attempt, lost=moment(KEPT), largest=loss()))[1][1] == (
        "From 0:01.0, about half lock to the left (20°) over 3 m would have kept 40 cm more room; the wheel was on "
        "average a little to the right (4°).")
    late = make_room(attempt, lost=moment(KEPT), largest=loss(t_start_s=6.0, t_end_s=8.0))
    assert "would have kept" not in said(attempt, late)[1][1]  # what comes after the touch is not its cause


def test_a_tyre_over_the_line_in_a_pull_forward_says_how_much_sooner_to_stop() -> None:
    """Over the line from 9 to 10 s of a pull-forward at 1.6 m/s that ends at 10 s: 1.6 m sooner."""
    over = finding("tyre_over_line", where="side_left", unit="m", value=-0.16, sd=0.03, limit=0.0, t_start_s=9.0,
                   t_end_s=10.0)
    base = make_attempt()
    forward = replace(base.motion, speed_mps=abs(base.motion.speed_mps))
    legs = (Leg(0.5, 5.0, -1, 7.2), Leg(7.0, 10.0, 1, 4.8))
    assert said(attempt_with(over, motion=forward, legs=legs)) == [
        ("tyre over line", "A tyre went 16 cm over the left line while pulling forward at 0:09.0, and stayed over it "
                           "for 1.6 m."),
        ("tyre over line", "Stop 1.6 m sooner, before the front tyre reaches the line.")]
    assert said(attempt_with(over))[1][1].startswith("Watch the wheel on that side")  # in reverse


def test_stopping_short_says_how_much_room_there_was() -> None:
    base = make_attempt()
    assert base.final is not None
    final = replace(base.final, rear_x_m=1.5, barrier_m=1.8)  # the box ends at 0.9 m
    short = finding("stopping_box", unit="m", value=-0.6, sd=0.03, limit=0.0, t_start_s=12.0, t_end_s=12.0)
    assert said(attempt_with(short, final=final)) == [
        ("stopped outside the box", "The rear stopped 60 cm short of the box (± 6 cm) and 1.80 m from the barrier."),
        ("stopped outside the box", "There was room to creep back 60 cm to 1.50 m more.")]
    beyond = replace(final, rear_x_m=-0.2)
    past = replace(short, value=-0.2)
    assert said(attempt_with(past, final=beyond))[1][1] == "Stop 20 cm to 1.10 m sooner."


def test_what_went_well_is_only_what_is_sure() -> None:
    ok = [finding(k, "ok") for k in ("shunt_count", "tyre_over_line", "mark_touched")]
    assert advice_of(attempt_with(*ok)).well == "The whole reverse went in one movement, clear of every line and cone."
    assert advice_of(attempt_with(*ok, shunts=1)).well == "No cone was touched."
    assert advice_of(attempt_with(ok[2], finding("mark_touched", "not seen"))).well is None
    assert advice_of(attempt_with()).well is None


def test_never_more_than_three_sentences_and_every_rule_has_its_drill() -> None:
    attempt = attempt_with(DRY, finding("mark_touched", where="pivot"), finding("stopping_box"),
                           finding("shunt_count"), finding("final_heading", severity="note"))
    assert len(said(attempt, make_room(attempt))) == 3
    assert len({rule.name for rule in RULES}) == len(RULES)


def test_wheel_and_place_in_words() -> None:
    attempt = make_attempt()  # full lock is 42°
    assert wheel_words(attempt, math.radians(1.0)) == "nearly straight"
    assert wheel_words(attempt, math.radians(-14.0)) == "about a third lock to the right (14°)"
    assert wheel_words(attempt, math.radians(41.0)) == "full lock to the left (41°)"
    # At the start the rear axle is at x = 26 m and the rear at 23.7 m; the pivot stands at 25.55 m as surveyed.
    assert place_words(attempt, 0.0) == "with the rear 2 m past the pivot cone"
    # At the end the rear axle has come 13 m nearer: the rear at about 10.5 m, the bay's mouth at 8.5 m.
    assert place_words(attempt, 12.0) == "with the rear 2 m before the mouth of the bay"
