"""The whole job on a bundled clip whose truth is not there: the pipeline cannot read what it must estimate."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cli.verify import verify, whole_record

CLIPS = Path(__file__).parents[1] / "sample_clips"


@pytest.fixture(scope="module")
def record(lorry) -> dict:
    return json.loads((lorry / "attempt.json").read_text())


@pytest.fixture(scope="module")
def truth() -> dict:
    return json.loads((CLIPS / "lorry_dry_steer" / "truth" / "truth.json").read_text())["events"]


def test_position_and_heading_are_close_to_the_truth(lorry):
    got = pd.read_parquet(lorry / "track.parquet")
    real = pd.read_csv(CLIPS / "lorry_dry_steer" / "truth" / "track.csv")
    got = got[got["measured"]]
    assert len(got) > 600
    apart = np.hypot(*(got[c] - np.interp(got["t_s"], real["t_s"], real[c]) for c in ("x_m", "y_m")))
    turned = np.abs(got["heading_rad"] - np.interp(got["t_s"], real["t_s"], real["heading_rad"]))
    assert np.percentile(apart, 95) <= 0.08
    assert np.degrees(np.percentile(turned, 95)) <= 0.4


def test_stops_and_shunts_are_exact(record, truth):
    assert record["shunts"] == len(truth["shunts"]) == 2
    assert len(record["stops"]) == len(truth["stops"])
    for got, real in zip(record["stops"], truth["stops"], strict=True):
        assert got["t_start_s"] < real["t1_s"] and got["t_end_s"] > real["t0_s"]


def test_the_dry_steer_is_found_with_an_interval_that_holds_it(record, truth):
    real = truth["dry_steering"][0]
    likely = [d for d in record["dry_steering"] if d["probability"] > 0.95]
    assert len(likely) == 1
    assert likely[0]["t_start_s"] <= real["t1_s"] and likely[0]["t_end_s"] >= real["t0_s"]
    assert abs(likely[0]["angle_deg"] - real["angle_deg"]) <= 1.96 * likely[0]["sd_deg"]


def test_the_tyre_over_the_line_is_a_fault(record):
    over = [f for f in record["findings"] if f["kind"] == "tyre_over_line" and f["verdict"] == "fault"]
    assert len(over) == 1


def test_the_result_is_whole_and_says_what_it_was_made_from(lorry):
    assert not any(told.bad for told in verify(lorry))
    given = whole_record(lorry)["made_with"]["given"]
    assert {what: g["file"] for what, g in given.items()} == {
        "vehicle": "vehicle.toml", "course": "course.toml", "rules": "rules.toml"}
