"""Rule sets that score by points: what a fault costs, when a run fails, and what is counted each time."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fake_attempt import make_attempt
from simulate import Roll, Stand, bus, drive, measure

from analysis.attempt import Attempt, Finding
from analysis.judge import judge
from analysis.layouts import course_for
from analysis.rules import Rules, rules_from_table
from analysis.trouble import Trouble
from cli import files, words
from cli.main import main
from cli.pages.charts import line_clearance

BASE: dict[str, Any] = {"name": "points", "tyre_reading": "any_part", "points_allowed": 12,
                        "points": {"body_over_line": 2, "mark_touched": 2, "shunt_count": 1},
                        "severity": {"body_over_line": "fault", "tyre_over_line": "ignore"}}


def rules(**more: Any) -> Rules:
    return rules_from_table(BASE | more)


def finding(kind: str, verdict: str, points: int, severity: str = "fault") -> Finding:
    return Finding(kind, "", verdict, severity, 0.0, 1.0, 0.0, 0.0, "m", 0.0, None, "Said.", points)


def scored(*findings: Finding) -> Attempt:
    return replace(make_attempt(), rules=rules(), findings=findings)


@pytest.mark.parametrize(("findings", "verdict", "told"), [
    ([finding("mark_touched", "fault", 2)] * 6, "ok", "12"),
    ([finding("mark_touched", "fault", 2)] * 7, "fault", "14"),
    ([finding("mark_touched", "fault", 2)] * 6 + [finding("body_over_line", "too close to call", 2)],
     "too close to call", "12 to 14"),
    ([finding("mark_touched", "fault", 2)] * 6 + [finding("body_over_line", "not seen", 2)], "not seen", "12 to 14"),
    ([finding("inside_bay", "fault", 0)], "fault", "0"),  # a fault without points fails outright
    ([finding("final_heading", "fault", 0, "note")], "ok", "0"),
])
def test_a_run_fails_above_the_points_allowed(findings: list[Finding], verdict: str, told: str) -> None:
    a = scored(*findings)
    assert a.verdict == verdict
    assert words.points(a) == told
    assert f"{told} of the 12 points allowed" in words.headline(a)


@pytest.mark.parametrize(("more", "key"), [({"points": {}}, "points"),
                                           ({"points": {"mark_touched": 0}}, "mark_touched"),
                                           ({"points": {"honking": 1}}, "honking"),
                                           ({"points_allowed": -1}, "points_allowed")])
def test_wrong_points_are_named(more: dict[str, Any], key: str) -> None:
    with pytest.raises(Trouble, match=key):
        rules(**more)


# Along y = 0, the middle of the bay's lane: the front (8.8 m ahead of the rear axle) twice reaches x = 48.8, which is
# 2.8 m over a boundary at x = 46; the rear ends at x = 0.8, the front at 12.8, the bay's lane is 12 m and 10 ft long.
TRUTH = drive([Stand(2.0), Roll(20), Stand(1.5), Roll(-10), Stand(1.5), Roll(10), Stand(1.5), Roll(-36), Stand(2.0)],
              bus(), start=(20.0, 0.0, 0.0))


@pytest.fixture(scope="module")
def driven() -> Attempt:
    yard = course_for(bus(), "offset_reverse", bay_on_left=False, wanted={"run_m": 46 - 12 - 10 * 0.3048})
    return judge(measure(TRUTH, np.random.default_rng(1), sd_m=0.01), bus(), yard,
                 rules(count_each_crossing=True, whole_inside_bay=True, looks_allowed=2, shunts_allowed=0))


def of(a: Attempt, kind: str) -> list[Finding]:
    return [f for f in a.findings if f.kind == kind]


def test_each_time_over_the_boundary_counts(driven: Attempt) -> None:
    over = of(driven, "body_over_line")
    assert [(f.where, f.verdict, f.points) for f in over] == [("far_end", "fault", 2)] * 2
    assert [f.value for f in over] == pytest.approx([-2.8, -2.8], abs=0.03)
    assert over[0].t_end_s < over[1].t_start_s


def test_a_shunt_beyond_those_allowed_costs_its_point(driven: Attempt) -> None:
    (shunts,) = of(driven, "shunt_count")
    assert (shunts.value, shunts.limit, shunts.points) == (1, 0, 1)
    assert driven.points("fault") == 2 * 2 + 1
    assert driven.verdict == "ok"  # five points of twelve


def test_the_whole_vehicle_is_inside_the_bay_at_the_end(driven: Attempt) -> None:
    (inside,) = of(driven, "inside_bay")
    assert (inside.verdict, inside.points) == ("ok", 0)
    assert inside.value == pytest.approx((12 * 0.3048 - 2.55) / 2, abs=0.03)  # a side is nearest


def test_looks_are_said_not_to_be_measured(driven: Attempt) -> None:
    (looks,) = of(driven, "looks")
    assert (looks.verdict, looks.severity) == ("not seen", "note")
    assert "count them yourself" in looks.sentence


def test_what_the_course_has_not_is_not_judged(driven: Attempt) -> None:
    assert not of(driven, "stopping_box") and not of(driven, "barrier")


def test_a_front_short_of_the_first_cones_fails_outright() -> None:
    short = drive([Stand(2.0), Roll(-20), Stand(2.0)], bus(), start=(40.0, 0.0, 0.0))  # front ends at x = 28.8
    yard = course_for(bus(), "offset_reverse", bay_on_left=False)
    a = judge(measure(short, np.random.default_rng(1), sd_m=0.01), bus(), yard, rules(whole_inside_bay=True))
    (inside,) = of(a, "inside_bay")
    assert inside.value == pytest.approx(12 + 10 * 0.3048 - 28.8, abs=0.03)
    assert "short of passing the first cones" in inside.sentence
    assert a.verdict == "fault"


# ---- rule sets as files --------------------------------------------------------------------------


def test_rule_sets_are_listed_copied_and_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                               capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["rules"]) == 0
    listed = capsys.readouterr().out
    for name in ("usual", "full_width", "offset_points"):
        assert f"{name} " in listed
    assert listed.count("source: ") == listed.count("\n") == 3
    assert main(["rules", "offset_points", "-o", "mine.rules.toml"]) == 0
    text = (tmp_path / "mine.rules.toml").read_text()
    (tmp_path / "mine.rules.toml").write_text(text.replace("points_allowed = 12", "points_allowed = 3"))
    assert files.read_rules(tmp_path / "mine.rules.toml").points_allowed == 3
    assert files.read_rules(Path("offset_points")).points_allowed == 12
    assert files.read_rules(None).points_allowed is None
    capsys.readouterr()
    assert main(["rules", "hopscotch"]) == 2
    assert "allowed: full_width, offset_points, usual" in capsys.readouterr().err


def test_the_us_rules_are_as_published() -> None:
    """Section 12 of the 2005 model test as state handbooks have it; points and free pull-ups on secondary pages
    (ramcdltraining.com: encroachment 2, excess pull-up 1, pass at 12; truckingtruth.com: two free pull-ups)."""
    r = files.read_rules(Path("offset_points"))
    assert (r.points, r.points_allowed) == ({"body_over_line": 2, "mark_touched": 2, "shunt_count": 1}, 12)
    assert (r.shunts_allowed, r.looks_allowed) == (2, 2)
    assert r.count_each_crossing and r.whole_inside_bay and r.body_reading == "with_mirrors"


def test_the_gb_reading_of_the_line() -> None:
    """Only the full width of a tyre counts: secondary pages (trailerandcaravantraining.com, trucknetuk.com)."""
    assert files.read_rules(Path("full_width")).tyre_reading == "full_width"
    assert files.read_rules(Path("usual")).tyre_reading == "any_part"


def test_the_chart_shows_what_the_rules_read_against_the_lines() -> None:
    title, kind, lines = line_clearance(make_attempt())
    assert (title, kind, sorted(lines)) == ("Tyre to line", "tyre_over_line", ["left", "right"])
    yard = course_for(bus(), "offset_reverse", bay_on_left=False)
    a = judge(measure(TRUTH, np.random.default_rng(1), sd_m=0.01), bus(), yard, files.read_rules(Path("offset_points")))
    title, kind, lines = line_clearance(a)
    assert (title, kind, sorted(lines)) == ("Body and mirrors to line", "body_over_line",
                                            ["left", "line ahead", "right"])
    out_m = bus().mirror_out_m  # a mirror stands out from the body, and so comes nearer
    assert np.min(lines["right"].value_m) == pytest.approx(12 * 0.3048 / 2 - 2.55 / 2 - out_m, abs=0.03)
