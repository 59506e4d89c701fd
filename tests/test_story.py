"""The bundled clips, from tracks once measured: what is said agrees with what their scenarios made happen.

The scenario's Lesson was laid down with the exercise; the truth beside the clip is read here only, to date events.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from saved_tracks import load

from analysis.advice import RULES
from analysis.attempt import Attempt
from analysis.judge import judge, with_room
from analysis.room.along import room_along
from analysis.room.build import room_field
from analysis.room.field import Fineness
from analysis.room.nouns import LOST, Limits
from cli import files, scene
from sample_clips.scenario import NAMED

CLIPS = Path(__file__).parents[1] / "sample_clips"
FAULTY = ("coach_short", "lorry_dry_steer")


def events(name: str) -> dict[str, Any]:
    return json.loads((CLIPS / name / "truth" / "truth.json").read_text("utf-8"))["events"]


def judged(name: str) -> Attempt:
    folder = CLIPS / name
    return judge(load(name), files.read_vehicle(folder / "vehicle.toml"), files.read_course(folder / "course.toml"),
                 files.read_rules(None))


@pytest.fixture(scope="module")
def attempts() -> dict[str, Attempt]:
    return {name: judged(name) for name in ("bus_clean", *FAULTY)}


@pytest.mark.parametrize("name", FAULTY)
def test_the_faults_told_are_those_that_the_scenario_made_happen(attempts: dict[str, Attempt], name: str) -> None:
    attempt = attempts[name]
    told = [s.rule for s in attempt.advice.said if s.finding is not None and attempt.findings[s.finding].counts]
    assert set(told) == set(NAMED[name].exercise.lesson.advice)
    assert set(told) <= {rule.name for rule in RULES}


def test_the_clean_run_is_told_no_fault(attempts: dict[str, Attempt]) -> None:
    advice = attempts["bus_clean"].advice
    assert NAMED["bus_clean"].exercise.lesson.advice == ()
    assert {s.rule for s in advice.said} <= {"fast near a cone"}  # it did pass the pivot at 2 m/s
    assert advice.well == "The whole reverse went in one movement, clear of every line and cone."


def test_the_cone_is_told_at_the_time_it_was_hit(attempts: dict[str, Attempt]) -> None:
    (contact,) = events("coach_short")["contacts"]
    said = attempts["coach_short"].advice.said[0]
    assert said.rule == "cone hit"
    assert f"the {contact['cone']} cone" in said.sentence.lower()
    assert said.t_s == pytest.approx(contact["t_s"], abs=1.0)


def test_the_turn_at_a_standstill_is_told_at_its_stop(attempts: dict[str, Attempt]) -> None:
    (turn,) = events("lorry_dry_steer")["dry_steering"]
    (said,) = [s for s in attempts["lorry_dry_steer"].advice.said if s.rule == "turned while standing"]
    assert said.t_start_s <= turn["t0_s"] and turn["t1_s"] <= said.t_end_s + 0.3


def test_the_tyre_over_the_line_is_told_while_it_was_over(attempts: dict[str, Attempt]) -> None:
    start, end = events("lorry_dry_steer")["line_clearance"]["left"]["tyre_over_line_span"]
    said = attempts["lorry_dry_steer"].advice.said[0]
    assert said.rule == "tyre over line"
    assert start <= said.t_start_s <= said.t_end_s <= end + 0.5


@pytest.fixture(scope="module")
def coach(attempts: dict[str, Attempt]) -> Attempt:
    """The coach's attempt with its room left, on coarse grids: their own error is part of the stated one."""
    attempt = attempts["coach_short"]
    limits = Limits.of(attempt.vehicle)
    coarse = Fineness(y_m=0.15, heading_rad=math.radians(1.5), wheels=11, step_m=1.5)
    fields = [room_field(attempt.vehicle, attempt.surveyed, each, 0, fine=coarse)
              for each in (limits, limits.ordinary())]
    return with_room(attempt, room_along(attempt, *fields))


def test_the_room_is_lost_on_the_way_to_the_cone_that_was_hit(coach: Attempt) -> None:
    """Plenty where the reverse begins; surely gone when the scenario's coach has met the cone."""
    assert NAMED["coach_short"].exercise.lesson.lost_at == "pivot"
    (contact,) = events("coach_short")["contacts"]
    assert coach.room is not None
    room, sd = coach.room.room_m[0], coach.room.sd_m[0]
    start, met = (int(np.argmin(np.abs(coach.room.t_s - t))) for t in (coach.legs[1].t_start_s, contact["t_s"] + 0.5))
    assert room[start] - 1.96 * sd[start] > 0.2
    assert room[met] + 1.96 * sd[met] < 0
    (leg,) = coach.room.legs
    assert leg.moment.verdict == LOST
    assert leg.moment.t_from_s <= contact["t_s"] + 0.5
    assert leg.largest_loss is not None
    assert leg.largest_loss.t_start_s < contact["t_s"] < leg.largest_loss.t_end_s + 0.5


def test_the_steering_advised_comes_before_the_touch_and_turns_away_from_the_cone(coach: Attempt) -> None:
    """The cone stands on the left; reversing with the wheel to the right takes the rear to the right."""
    (contact,) = events("coach_short")["contacts"]
    lost, steer, hit = coach.advice.said
    assert (lost.rule, steer.rule, hit.rule) == ("bay lost", "bay lost", "cone hit")
    assert contact["t_s"] - 5.0 < steer.t_s < contact["t_s"]
    assert "lock to the right" in steer.sentence
    assert scene.turning_points(coach)[1].t_s == steer.t_s
