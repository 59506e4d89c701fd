"""Sensor logs: laid onto the clip by correlation, and what they bring."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from simulate import Drive, Roll, Stand, bus, drive, measure

from analysis.drysteer import dry_turns
from analysis.judge import judge
from analysis.layouts import course_for
from analysis.motion import estimate, motion_of, with_sensors
from analysis.nodes import WHEEL
from analysis.rules import rules_from_table
from analysis.sensorlog import SensorLog, sensor_log
from analysis.stops import stops_of
from analysis.trouble import Trouble
from cli.analyse import noted
from cli.files import read_sensors

PLAN = [Stand(1.5), Roll(12, steer=((0.2, 20), (0.6, -10))), Stand(2.5, 12), Roll(-14, steer=((0.3, -20), (0.7, 5))),
        Stand(1.5)]
RATIO, ZERO_DEG = 18.0, 7.0


def logged(truth: Drive, *names: str, clock_s: float = 100.0, seed: int = 0) -> SensorLog:
    """20 Hz, by a clock `clock_s` ahead of the clip's, with offsets and noise."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, truth.t_s[-1], 0.05)
    _, _, _, v, w = truth.at(t).T
    yaw = np.degrees(v * np.tan(w) / truth.vehicle.wheelbase_m)
    all_columns = {"steering_wheel_deg": RATIO * np.degrees(w) + ZERO_DEG + rng.normal(0, 3, len(t)),
                   "road_wheel_deg": np.degrees(w) + 1.5 + rng.normal(0, 0.3, len(t)),
                   "yaw_rate_degps": yaw + 0.4 + rng.normal(0, 0.1, len(t)),
                   "speed_mps": np.abs(v) + rng.normal(0, 0.02, len(t))}
    return sensor_log(t + clock_s, {n: all_columns[n] for n in names})


@pytest.mark.parametrize("names", [("steering_wheel_deg",), ("road_wheel_deg",), ("yaw_rate_degps",),
                                   ("speed_mps", "yaw_rate_degps")])
def test_a_log_is_laid_onto_the_clip_and_sharpens_the_wheel(names: tuple[str, ...]) -> None:
    """The clock 100 s ahead is found within 0.1 s; the wheel is known better on the whole, and truly so."""
    truth = drive(PLAN)
    track = measure(truth, np.random.default_rng(1), sd_m=0.01, sd_rad=np.radians(0.08))
    run, _ = estimate(track, bus())
    better, use = with_sensors(run, bus(), logged(truth, *names))
    assert use.shift_s == pytest.approx(-100.0, abs=0.1)
    assert use.correlation > 0.9
    assert use.mean_sd_wheel_with_rad < 0.95 * use.mean_sd_wheel_without_rad
    true_wheel = truth.at(better.nodes.t_s)[:, 4]
    rolling = ~run.standing
    rms = [float(np.sqrt(np.mean((r.state[rolling, WHEEL] - true_wheel[rolling])**2))) for r in (run, better)]
    assert rms[1] < rms[0]


def test_a_steering_wheel_makes_a_turn_at_a_standstill_plain() -> None:
    """22 degrees turned standing: from several degrees of doubt to less than two; ratio and zero are found."""
    truth = drive(PLAN)
    track = measure(truth, np.random.default_rng(2), sd_m=0.015, sd_rad=np.radians(0.1))
    run, probability = estimate(track, bus())
    stops = stops_of(motion_of(run, probability, track), 0.3)
    plain, = dry_turns(run, stops, bus(), np.radians(10))
    better, use = with_sensors(run, bus(), logged(truth, "steering_wheel_deg"))
    sharp, = dry_turns(better, stops, bus(), np.radians(10))
    assert use.steering_ratio == pytest.approx(RATIO, rel=0.05)
    assert use.wheel_zero_rad == pytest.approx(np.radians(ZERO_DEG), abs=np.radians(10))
    assert sharp.sd_rad < 0.6 * plain.sd_rad
    assert sharp.sd_rad < np.radians(2)
    assert abs(sharp.angle_rad - truth.turned_rad[1]) < 1.96 * sharp.sd_rad + np.radians(0.5)
    assert sharp.probability > 0.99


def test_a_log_of_another_run_is_refused() -> None:
    truth = drive(PLAN)
    run, _ = estimate(measure(truth, np.random.default_rng(3)), bus())
    other = drive([Stand(4.0), Roll(-5, steer=((0.1, 30),)), Stand(1.0), Roll(9, steer=((0.5, -30),)), Stand(3.0)])
    with pytest.raises(Trouble, match="does not fit the run"):
        with_sensors(run, bus(), logged(other, "yaw_rate_degps", "steering_wheel_deg"))


def test_a_log_that_says_nothing_is_refused() -> None:
    t = np.arange(30.0)
    with pytest.raises(Trouble, match="no column beside t_s"):
        sensor_log(t, {})
    with pytest.raises(Trouble, match="'steering' is not known"):
        sensor_log(t, {"steering": t})
    with pytest.raises(Trouble, match="does not increase after row 11"):
        sensor_log(np.where(t == 11, 5.0, t), {"speed_mps": t})
    with pytest.raises(Trouble, match="only 5 rows"):
        sensor_log(t[:5], {"speed_mps": t[:5]})
    with pytest.raises(Trouble, match="fewer than 20 values"):
        sensor_log(t, {"speed_mps": np.where(t < 15, np.nan, t)})


def test_a_log_file_is_read_or_refused_with_advice(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("t_s,speed_mps,yaw_rate_degps\n" + "".join(f"{k / 10},{k / 100},\n" if k % 5 else f"{k / 10},,1.5\n"
                                                             for k in range(101)))
    read = read_sensors(log)
    assert read.columns["speed_mps"][1] == 0.01
    assert np.isnan(read.columns["speed_mps"][0])
    assert read.columns["yaw_rate_degps"][5] == 1.5
    for text, what in (("time,speed_mps\n0,1\n", "first line"), ("\nt_s,speed_mps\n0,1\n", "first line"),
                       ("t_s,speed_mps\n0,1,2\n", "line 2: 3 values"),
                       ("t_s,speed_mps\n0,fast\n", "are not numbers"), ("t_s,colour\n0,1\n", "'colour' is not known")):
        log.write_text(text)
        with pytest.raises(Trouble, match=what) as told:
            read_sensors(log)
        assert str(log) in told.value.one_line()


def test_a_log_that_does_not_fit_costs_only_itself() -> None:
    truth = drive(PLAN, start=(25.0, 0.0, 0.0))
    track = measure(truth, np.random.default_rng(4))
    other = drive([Stand(4.0), Roll(-5, steer=((0.1, 30),)), Stand(1.0), Roll(9, steer=((0.5, -30),)), Stand(3.0)])
    rules = rules_from_table({"schema": 1, "name": "test", "tyre_reading": "any_part"})
    for log, note in ((logged(truth, "yaw_rate_degps"), "The sensor log fits the run (correlation "),
                      (logged(other, "yaw_rate_degps"), "The sensor log was not used: ")):
        attempt = noted(judge(track, bus(), course_for(bus()), rules, log))
        assert attempt.track.notes[-1].startswith(note)
        assert (attempt.sensors is not None) == ("fits" in note)
        assert len(attempt.stops) == 3
