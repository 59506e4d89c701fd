"""Simulated stops: how well turning at a standstill, the edges of stops and their intervals are known.

Two levels of measurement error at 10 Hz. 'measured': what vision was seen to make, against the truth of nine rendered
clips (place 0.1-0.45 cm and heading 0.007-0.06 degrees from frame to frame, a slowly varying part 0.4-1.8 times as
large with a memory of 0.6-5 s, and stated sds that are 0.3-1.2 of the true ones). 'coarse': several times that
(0.8-2 cm, 0.03-0.1 degrees, 0.3-1). In both 5 % of the poses are missing and 2 % are gross errors of up to 3 m and 20
degrees. Every third stop is clean; at the others the wheel is turned by up to 40 degrees. In 30 % of the runs the wheel
still turns as the vehicle comes to rest, in 30 % it turns again as soon as the vehicle moves. The restart's
acceleration is 0.25-0.7 m/s2, reached at once or over up to 0.8 s: so softly that no estimator knows the moment of
moving off better than `moving_off_edge_s_p95_at_best` (see edges.py).
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from simulate import Roll, Stand, bus, drive, measure, simulate_stop

from analysis.drysteer import dry_turns
from analysis.motion import estimate, motion_of
from analysis.stops import legs_of, stops_of
from bench.edges import best_moving_off_s
from bench.goals import Goal, Row

SUITE = "steering"
COUNT = 216
TOLERANCE_DEG = 10.0
VEHICLES = (bus(), bus(length_m=10.0, wheelbase_m=5.2, front_overhang_m=2.2),
            bus(length_m=8.5, wheelbase_m=4.6, front_overhang_m=1.3, max_wheel_angle_deg=40.0))
NOISE: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "measured": {"sd_m": (0.001, 0.0045), "sd_deg": (0.007, 0.06), "slow": (0.4, 1.8), "slow_time_s": (0.6, 5.0),
                 "stated": (0.3, 1.2)},
    "coarse": {"sd_m": (0.008, 0.02), "sd_deg": (0.03, 0.1), "slow": (0.3, 1.0), "slow_time_s": (0.6, 5.0),
               "stated": (0.3, 1.2)}}

GOALS: Mapping[str, tuple[str, Goal | None]] = {
    "stops": ("1", None), "stops_missed": ("1", Goal("=", 0)), "stops_invented": ("1", Goal("=", 0)),
    "legs_wrong": ("1", Goal("=", 0)),
    "coming_to_rest_edge_s_p95": ("s", Goal("≤", 0.2)), "moving_off_edge_s_p95": ("s", Goal("≤", 0.2)),
    "moving_off_edge_s_p95_at_best": ("s", None),
    "edge_coverage": ("1", None),
    "dry_recall_20_deg": ("1", Goal("≥", 0.95)), "dry_precision": ("1", Goal("≥", 0.95)),
    "dry_false_on_clean": ("1", Goal("≤", 0.02)), "dry_angle_deg_rms": ("deg", None),
    "dry_rms_over_bound": ("1", Goal("≤", 1.3)), "dry_coverage": ("1", Goal("…", 0.93, 0.97)),
    "smoothing_9000_poses_s": ("s", Goal("≤", 10.0))}


def one_stop(noise: str, seed: int, k: int) -> dict[str, float]:
    """The k-th simulated run: the stop in its middle against the truth; angles in degrees, times in s."""
    rng = np.random.default_rng([seed, k])
    vehicle, level = VEHICLES[k % 3], NOISE[noise]
    turned = float(rng.uniform(0, 40) * rng.choice([-1, 1])) if k % 9 % 4 else 0.0
    truth = simulate_stop(rng, turned, vehicle=vehicle)
    drawn = {name: float(rng.uniform(*span)) for name, span in level.items()}
    track = measure(truth, rng, sd_rad=np.radians(drawn.pop("sd_deg")), **drawn, missing=0.05, outliers=0.02)
    run, probability = estimate(track, vehicle)
    motion = motion_of(run, probability, track)
    stops = stops_of(motion, 0.3)
    begin, end = truth.stops[1]
    ways = np.sign([truth.speed_mps[round(begin * 1000) - 500], truth.speed_mps[round(end * 1000) + 900]])
    legs = [leg.direction for leg in legs_of(motion, stops)]
    row = {"turned": float(np.degrees(truth.turned_rad[1])), "stops": len(stops), "estimate": np.nan,
           "probability": 0.0, "legs_wrong": legs != ([*ways] if ways[0] != ways[1] else [ways[0]])}
    found = next((s for s in stops if s.t_start_s < end and s.t_end_s > begin), None)
    if found:
        row |= {"start_error": found.t_start_s - begin, "end_error": found.t_end_s - end,
                "sd_start": found.sd_start_s, "sd_end": found.sd_end_s}
    for turn in dry_turns(run, stops, vehicle, np.radians(TOLERANCE_DEG)):
        if found and turn.t_start_s == found.t_start_s:
            row |= {"estimate": np.degrees(turn.angle_rad), "sd": np.degrees(turn.sd_rad),
                    "bound": np.degrees(turn.bound_rad), "probability": turn.probability}
    return row


def sweep(noise: str, count: int = COUNT, seed: int = 0, jobs: int = 1) -> pd.DataFrame:
    """One row for each run; a stop that was missed has no estimate (NaN)."""
    with ProcessPoolExecutor(jobs) as pool:
        return pd.DataFrame(pool.map(partial(one_stop, noise, seed), range(count), chunksize=4))


def figures(rows: pd.DataFrame) -> dict[str, float]:
    """What the sweep comes to. A turn counts as reported when it is more likely than not, rightly so if more than the
    tolerance was turned."""
    found = rows.dropna(subset="estimate")
    error = found.estimate - found.turned
    reported, big, clean = rows.probability > 0.5, rows.turned.abs() >= 20, rows.turned == 0
    edges = np.concatenate([found.start_error / found.sd_start, found.end_error / found.sd_end])
    return {
        "stops": len(rows), "stops_missed": int((rows.stops < 3).sum()), "stops_invented": int((rows.stops > 3).sum()),
        "legs_wrong": int(rows.legs_wrong.sum()),
        "coming_to_rest_edge_s_p95": float(np.percentile(found.start_error.abs(), 95)),
        "moving_off_edge_s_p95": float(np.percentile(found.end_error.abs(), 95)),
        "edge_coverage": float(np.mean(np.abs(edges) < 1.96)),
        "dry_recall_20_deg": float(np.mean(reported[big])),
        "dry_precision": float(np.mean(rows.turned[reported].abs() >= TOLERANCE_DEG)),
        "dry_false_on_clean": float(np.mean(reported[clean])),
        "dry_angle_deg_rms": float(np.sqrt(np.mean(error**2))),
        "dry_rms_over_bound": float(np.sqrt(np.mean(error**2) / np.mean(found.bound**2))),
        "dry_coverage": float(np.mean(np.abs(error) < 1.96 * found.sd))}


def smoothing_s() -> float:
    """Seconds for motion, stops and turns of a five-minute clip with 30 poses a second."""
    rng = np.random.default_rng(0)
    plan: list[Stand | Roll] = [Stand(2)]
    for k in range(21):
        plan += [Roll((-1)**k * float(rng.uniform(8, 15)), steer=((0.3, float(rng.uniform(-30, 30))),)), Stand(3)]
    track = measure(drive(plan), rng, rate_hz=30, sd_m=0.003, sd_rad=np.radians(0.03), slow=0.5)
    began = time.perf_counter()
    run, probability = estimate(track, bus())
    dry_turns(run, stops_of(motion_of(run, probability, track), 0.3), bus(), np.radians(TOLERANCE_DEG))
    return (time.perf_counter() - began) * 9000 / len(track.t_s)


def reliability(rows: Mapping[str, pd.DataFrame], out: Path) -> None:
    """Draw how often turns of more than the tolerance happened at each stated probability, and how often intervals of
    each stated width hold the truth."""
    import matplotlib.pyplot as plt
    from scipy.stats import norm

    from analysis.audit.rates import wilson
    fig, (left, right) = plt.subplots(1, 2, figsize=(10, 4.8), layout="constrained")
    for (noise, table), colour, mark in zip(rows.items(), ("#0072B2", "#D55E00"), "os", strict=True):
        found = table.dropna(subset="estimate")
        cut = np.minimum((found.probability * 5).astype(int), 4)
        for k, group in found.groupby(cut):
            happened = int((group.turned.abs() > TOLERANCE_DEG).sum())
            low, high = wilson(np.array(happened / len(group)), np.array(len(group)))
            x = group.probability.mean() + (0.006 if noise == "coarse" else -0.006)
            left.plot([x, x], [low, high], color=colour, lw=1.2)
            left.plot(x, happened / len(group), mark, color=colour, label=f"{noise} error" if k == 0 else None)
            left.annotate(f"{len(group)}", (x, happened / len(group)), (7, -10) if noise == "coarse" else (-7, 5),
                          textcoords="offset points", ha="left" if noise == "coarse" else "right", fontsize=8,
                          color=colour)
        stated = np.linspace(0.02, 0.99, 60)
        z = (found.estimate - found.turned).abs() / found.sd
        right.plot(stated, [float(np.mean(z < norm.ppf((1 + s) / 2))) for s in stated], color=colour,
                   label=f"{noise} error")
    for axes, across, up in ((left, "stated probability that more than 10° was turned", "share in which it was"),
                             (right, "stated probability of the interval", "share that hold the truth")):
        axes.plot([0, 1], [0, 1], color="#888888", lw=0.8, ls="--")
        axes.set(xlabel=across, ylabel=up, xlim=(-0.05, 1.05), ylim=(-0.05, 1.08))
        axes.legend(loc="upper left", frameon=False)
    left.set_title("Turning at a standstill (95 % Wilson intervals, number of stops)", fontsize=10)
    right.set_title("Angle of the turn", fontsize=10)
    out.parent.mkdir(parents=True, exist_ok=True)
    fig.savefig(out, dpi=110)
    plt.close(fig)


def steering_rows(out: Path, jobs: int = 1) -> list[Row]:
    """The rows of bench.json; the reliability diagram is written to `out`."""
    swept = {noise: sweep(noise, seed=2, jobs=jobs) for noise in NOISE}
    reliability(swept, out)
    rows = []
    for noise, table in swept.items():
        values = figures(table) | {"moving_off_edge_s_p95_at_best": float(np.percentile(np.abs(
            best_moving_off_s(NOISE[noise], COUNT // 3, seed=2)), 95))}
        if noise == "measured":
            values["smoothing_9000_poses_s"] = smoothing_s()
        for metric, value in values.items():
            unit, goal = GOALS[metric]
            rows.append(Row(SUITE, f"simulated, {noise} error", metric, round(value, 5), unit,
                            goal.text() if goal else None, goal.met(value) if goal else None, None))
    return rows
