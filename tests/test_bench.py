"""The benchmark's scoring by hand, so that its table can be believed."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from bench import large
from bench.__main__ import COURSE_FOUND, OVERLAY, VEHICLE_FOUND, VEHICLE_SEEN, cost
from bench.baseline import stops_and_legs
from bench.goals import ALL, Goal, pooled, rows
from bench.score import direction_changes, dry_scores, match_instants, match_spans, pose_scores
from bench.tracker import with_heading
from bench.watched import STARTING, Ran, Stage, profile, watched
from fake_attempt import SIZE_PX, write_clip

from vision.footage import frames, open_footage


def test_errors_and_coverage_by_hand() -> None:
    """Four rows: 3-4-5 cm off, exact, 10 cm off, and a gap; sd 4 cm, so that 1.96 sd is 7.8 cm."""
    truth = pd.DataFrame({"t_s": [0.0, 1, 2, 3], "x_m": 0.0, "y_m": 0.0, "heading_rad": [3.1, 3.2, 3.2, 3.2],
                          "tyre_clear_left_m": 1.0, "tyre_clear_right_m": 2.0})
    track = pd.DataFrame({"t_s": [0.0, 1, 2, 3], "x_m": [0.03, 0, 0.1, np.nan], "y_m": [0.04, 0, 0, np.nan],
                          "heading_rad": [3.1, 3.2 - 2 * np.pi, 3.2 + np.radians(1), np.nan],
                          "tyre_left_m": [1.0, 1.0, 1.1, np.nan], "tyre_right_m": [2.0, 2.0, 2.0, np.nan],
                          "sd_x_m": 0.04, "sd_y_m": 0.04, "sd_heading_rad": np.radians(1), "sd_tyre_left_m": 0.01,
                          "sd_tyre_right_m": 0.01})
    got = pose_scores(track, truth)
    assert got["share_placed"] == 0.75
    assert got["position_m_median"] == pytest.approx(0.05)
    assert got["position_m_p95"] == pytest.approx(0.095)  # between 5 and 10 cm, nine tenths of the way
    assert got["heading_deg_median"] == pytest.approx(0.0, abs=1e-9)  # a whole turn is no error
    assert got["position_sds_median"] == pytest.approx(1.25)  # of 3-4-5 cm, none and 10 cm over 4 cm
    assert got["coverage_position"] == pytest.approx(5 / 6)
    assert got["coverage_heading"] == 1.0
    assert got["coverage_clearance"] == pytest.approx(5 / 6)


def test_the_articulation_angle_by_hand() -> None:
    """Errors of 0.5° and 1.5° with sd 0.5°, a gap: one of two within 1.96 sd; 95th percentile 1.45°."""
    truth = pd.DataFrame({"t_s": [0.0, 1, 2], "x_m": 0.0, "y_m": 0.0, "heading_rad": 0.0, "tyre_clear_left_m": 1.0,
                          "tyre_clear_right_m": 1.0, "articulation_rad": np.radians([0.0, 10, 20])})
    track = pd.DataFrame({"t_s": [0.0, 1, 2], "x_m": 0.0, "y_m": 0.0, "heading_rad": 0.0, "tyre_left_m": 1.0,
                          "tyre_right_m": 1.0, "articulation_rad": np.radians([0.5, 8.5, np.nan]),
                          "sd_articulation_rad": np.radians(0.5)})
    got = pose_scores(track, truth)
    assert got["articulation_deg_p95"] == pytest.approx(1.45)
    assert got["coverage_articulation"] == 0.5
    assert "articulation_deg_p95" not in pose_scores(track, truth.drop(columns="articulation_rad"))


def test_stops_found_missed_invented() -> None:
    """Two of three stops found, one report where nothing was; edges at the clip's ends are not judged."""
    found = match_spans([(0.0, 1.5), (9.8, 12.1), (30.0, 31.0)], [(0.0, 1.4), (10.0, 12.0), (20.0, 22.0)], 40.0)
    assert (found.right, found.missed, found.invented) == (2, 1, 1)
    assert sorted(found.edges_s) == pytest.approx([-0.2, 0.1, 0.1])


def test_one_report_does_not_count_for_two_stops() -> None:
    found = match_spans([(10.0, 20.0)], [(10.0, 12.0), (18.0, 20.0)], 40.0)
    assert (found.right, found.missed, found.invented) == (1, 1, 0)


def test_direction_changes() -> None:
    legs = [{"t_start_s": t, "direction": d} for t, d in ((1, 1), (5, -1), (9, -1), (12, 1))]
    assert direction_changes(legs) == [5, 12]
    found = match_instants([5, 12], [5.3, 20.0], 1.0)
    assert (found.right, found.missed, found.invented) == (1, 1, 1)
    assert found.edges_s == pytest.approx([-0.3])


def test_turns_at_a_standstill() -> None:
    """25° found as 21° ± 3°, a small one of 8° reported is invented, -30° not reported is missed."""
    true = [{"t0_s": 10, "t1_s": 11, "angle_deg": 25.0}, {"t0_s": 20, "t1_s": 21, "angle_deg": 8.0},
            {"t0_s": 30, "t1_s": 31, "angle_deg": -30.0}]
    said = [{"t_start_s": 9, "t_end_s": 12, "angle_deg": 21.0, "sd_deg": 3.0, "bound_deg": 2.0},
            {"t_start_s": 19, "t_end_s": 22, "angle_deg": 12.0, "sd_deg": 3.0, "bound_deg": 2.0},
            {"t_start_s": 29, "t_end_s": 32, "angle_deg": 28.0, "sd_deg": 3.0, "bound_deg": 2.0}]  # the wrong way
    got = dry_scores(said, true)
    assert (got["dry_found"], got["dry_missed"], got["dry_invented"]) == (1, 1, 2)
    assert got["dry_angle_deg_rms"] == pytest.approx(4.0)
    assert got["dry_interval_holds_truth"] == 1.0  # 4 < 1.96 x 3
    assert got["dry_rms_over_bound"] == pytest.approx(2.0)


def test_goals_and_pooling() -> None:
    assert Goal("≤", 0.05).met(0.05)
    assert not Goal("≤", 0.05).met(0.051)
    assert [Goal("…", 0.93, 0.97).met(v) for v in (0.92, 0.95, 1.0)] == [False, True, False]
    together = pooled([{"position_m_p95": 0.03, "stops_missed": 1, "dry_found": 1, "dry_missed": 0, "dry_invented": 0},
                       {"position_m_p95": 0.06, "stops_missed": 2, "dry_found": 0, "dry_missed": 1, "dry_invented": 1}])
    assert (together["position_m_p95"], together["stops_missed"]) == (0.06, 3)
    assert (together["dry_recall"], together["dry_precision"]) == (0.5, 0.5)
    row = next(r for r in rows(ALL, together, {"position_m_p95": 1.5}) if r.metric == "position_m_p95")
    assert (row.goal, row.met, row.baseline, row.unit, row.suite) == ("≤ 0.05", False, 1.5, "m", "pose")


def test_the_baselines_stops_and_legs() -> None:
    """4 s standing, 6 s forward at 1 m/s, 4 s standing, 6 s back; at 10 Hz."""
    speed = np.repeat([0.0, 1.0, 0.0, -1.0], [40, 60, 40, 60])
    t = np.arange(200) / 10
    poses = pd.DataFrame({"t_s": t, "x_m": np.cumsum(speed) / 10, "y_m": 0.0, "heading_rad": 0.0})
    stops, legs = stops_and_legs(poses)
    assert [(s["t_start_s"], s["t_end_s"]) for s in stops] == [pytest.approx((0, 4), abs=0.6),
                                                              pytest.approx((10, 14), abs=0.6)]
    assert [leg["direction"] for leg in legs] == [1, -1]


def test_a_program_is_watched_stage_by_stage(tmp_path: Path) -> None:
    """A second of waiting, then of work with 200 MB in hand, then of neither; at least half of it is seen where other
    programs keep the machine busy."""
    script = tmp_path / "stages.py"
    script.write_text("import sys, time\n"
                      "print('waiting …', flush=True); time.sleep(1.0)\n"
                      "print('working …', file=sys.stderr, flush=True); held = bytearray(200_000_000)\n"
                      "began = time.process_time()\n"
                      "while time.process_time() < began + 1.0: pass\n"
                      "del held\n"
                      "print('done …', flush=True); time.sleep(0.2); print('a word'); sys.exit(3)\n")
    ran = watched([sys.executable, script], tmp_path / "log", {})
    assert not ran.ok
    assert ran.said.splitlines() == ["waiting …", "working …", "done …", "a word"]
    assert [s.name for s in ran.stages] == [STARTING, "waiting", "working", "done"]
    _, waiting, working, done = ran.stages
    assert waiting.wall_s >= 0.5
    assert waiting.cpu_s < 0.1
    assert 0.5 < working.cpu_s < 1.3
    assert working.peak_mb > 200 > max(waiting.peak_mb, done.peak_mb)
    assert ran.whole_s == pytest.approx(done.began_s + done.wall_s)
    table = profile("clip", ran, ran).splitlines()
    assert [line.split(" | ")[0] for line in table[4:]] == ["| bare decoding", "| starting", "| waiting", "| working",
                                                            "| done", "| all"]


def test_the_overlay_video_is_counted_apart() -> None:
    """2 s to start, 1 s to the course, 2 s until the vehicle is seen and 1 s until it is learnt, 6 s of following, 8 s
    of drawing, 1 s of pages; decoding takes 2 s."""
    lasts = {STARTING: 2.0, "finding the course": 1.0, COURSE_FOUND: 2.0, VEHICLE_SEEN: 1.0, VEHICLE_FOUND: 6.0,
             OVERLAY: 8.0, "writing the review page": 1.0}
    stages = [Stage(name, sum(list(lasts.values())[:k]), wall_s, wall_s, 100.0 * wall_s)
              for k, (name, wall_s) in enumerate(lasts.items())]
    got = cost(Ran(True, "", tuple(stages)), 2.0, 1920 * 1080)
    assert got == {"decode_s": 2.0, "analysis_s": 13.0, "analysis_over_decode": 6.5, "analysis_memory_mb": 600.0,
                   "overlay_s": 8.0, "overlay_over_decode": 4.0, "overlay_memory_mb": 800.0, "course_found_s": 3.0,
                   "vehicle_seen_s": 5.0, "vehicle_found_s": 6.0}
    assert cost(Ran(True, "", tuple(stages)), 2.0, 3840 * 2160)["analysis_memory_4k_mb"] == 600.0


def test_the_trackers_heading_is_that_of_its_motion() -> None:
    """Forward at 30°, standing, and back: the same line, and the rear axle 4 m behind the middle of the box."""
    way = np.concatenate([np.arange(0, 10, 0.1), np.full(50, 10.0), np.arange(10, 0, -0.1)])
    c, s = np.cos(np.radians(30)), np.sin(np.radians(30))
    middles = pd.DataFrame({"t_s": np.arange(len(way)) / 10, "x_m": way * c, "y_m": way * s})
    middles.loc[20:24, ["x_m", "y_m"]] = np.nan
    got = with_heading(middles, 4.0)
    seen = got.x_m.notna()
    assert (~seen).sum() == 5
    assert np.degrees(got.heading_rad[seen].to_numpy()) == pytest.approx(30)
    assert got.x_m[seen].to_numpy() == pytest.approx(((way - 4) * c)[seen])


def test_large_clips_are_made_of_ordinary_ones(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    source = write_clip(tmp_path / "clip.mp4", seconds=1)
    monkeypatch.setattr(large, "LONG_S", 3.0)
    large.enlarged(source, tmp_path / "large.mp4")
    large.lengthened(source, tmp_path / "long.mp4")
    first = list(frames(open_footage([source])))
    wide, long = (list(frames(open_footage([tmp_path / name]))) for name in ("large.mp4", "long.mp4"))
    assert wide[0].bgr.shape == (2 * SIZE_PX[1], 2 * SIZE_PX[0], 3)
    assert [f.t_s for f in wide] == pytest.approx([f.t_s for f in first])
    assert [f.t_s for f in long] == pytest.approx(np.arange(30) / 10)
    assert np.abs(long[29].bgr.astype(int) - first[10].bgr).mean() < 3
