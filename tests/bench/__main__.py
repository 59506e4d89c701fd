"""`python -m bench [--clips "NAME NAME"] [--jobs N]`: measure, print a table a clip, write build/bench.json."""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from bench.clips import REPO, BenchClip, names, prepare
from bench.goals import ALL, Row, pooled, rows, table
from bench.library import rows as library_rows
from bench.room import room_rows
from bench.score import Result, Truth, scores
from bench.steering import steering_rows
from bench.sweep import markdown, sweep

WORK = REPO / "build" / "bench"
SUITES: Mapping[str, Callable[[int], Iterable[Row]]] = {  # besides the clips; given how many jobs at a time
    "steering": lambda jobs: steering_rows(REPO / "build" / "steering.png", jobs), "room": lambda jobs: room_rows(),
    "library": lambda jobs: library_rows()}


@dataclass(frozen=True)
class Ran:
    """A finished program: its wall time, its peak memory, whether it succeeded, and what it printed."""

    whole_s: float
    peak_mb: float
    ok: bool
    said: str


def timed(command: Sequence[str | Path], log: Path) -> Ran:
    """Run a program by itself. Peak memory is the kernel's own count (ru_maxrss) for that process."""
    environment = os.environ | {"PYTHONPATH": str(REPO / "tests")}
    with log.open("wb") as out:
        began = time.monotonic()
        process = subprocess.Popen([str(c) for c in command], stdout=out, stderr=out, env=environment,
                                   cwd=REPO)
        _, status, used = os.wait4(process.pid, 0)
        whole_s = time.monotonic() - began
    process.returncode = os.waitstatus_to_exitcode(status)
    return Ran(whole_s, used.ru_maxrss / 1024, process.returncode == 0, log.read_text(errors="replace"))


def measured(clip: BenchClip, folder: Path) -> tuple[dict[str, float], dict[str, float]]:
    """Figures of the pipeline and of the baseline on one clip; the truth is read when both have ended."""
    given = clip.given
    decode = timed([sys.executable, "-m", "bench.decode", given / "clip.mp4"], folder / "decode.log")
    decode_s = float(decode.said)
    ours = timed([sys.executable, "-m", "cli.main", "analyse", given / "clip.mp4", "--vehicle",
                  given / "vehicle.toml", "--course", given / "course.toml", "--out", folder / "attempt"],
                 folder / "attempt.log")
    other = timed([sys.executable, "-m", "bench.baseline", given, folder / "baseline"], folder / "baseline.log")
    truth = Truth.read(clip.truth_csv, clip.truth_json)
    out = []
    for ran, result in ((ours, folder / "attempt"), (other, folder / "baseline")):
        figures = {"no_result": 0.0 if ran.ok else 1.0, "decode_s": decode_s, "whole_s": ran.whole_s,
                   "whole_over_decode": ran.whole_s / decode_s, "peak_memory_mb": ran.peak_mb}
        if ran.ok:
            figures |= scores(Result.read(result), truth)
        else:
            print(f"{clip.name}: no result: {ran.said.strip().splitlines()[-1:]}", flush=True)
        out.append(figures)
    return out[0], out[1]


def one(name: str) -> tuple[dict[str, float], dict[str, float]]:
    folder = WORK / name
    folder.mkdir(parents=True, exist_ok=True)
    ours, other = measured(prepare(name, folder), folder)
    print(table(rows(name, ours, other)) + "\n", flush=True)
    return ours, other


def main() -> None:
    parser = argparse.ArgumentParser(prog="make bench", description=__doc__)
    parser.add_argument("--clips", default="", help="names of clips, 'steering' for simulated stops, "
                        "'room' for room left; empty for all")
    parser.add_argument("--jobs", type=int, default=1, help="clips at the same time; times are fair with 1 only")
    parser.add_argument("--sweep", nargs="*", metavar="CONDITION", help="conditions one by one instead (all without a "
                        "name); what was measured before is kept")
    parser.add_argument("--again", action="store_true", help="with --sweep: measure anew, from the clips drawn before")
    asked = parser.parse_args()
    if asked.sweep is not None:
        print(markdown(sweep(asked.sweep, asked.again, asked.jobs)))
        return
    wanted = asked.clips.split() or [*SUITES, *names()]
    others = [row for suite in SUITES if suite in wanted for row in SUITES[suite](asked.jobs)]
    for case in dict.fromkeys((row.suite, row.clip) for row in others):
        print(table([row for row in others if (row.suite, row.clip) == case]) + "\n", flush=True)
    wanted = [name for name in wanted if name not in SUITES]
    print("whole_s: the complete `tailtrace analyse`, overlay video and page included; "
          f"decode_s: bare decoding; clips at the same time: {asked.jobs}\n")
    with ThreadPoolExecutor(asked.jobs) as pool:
        results = dict(zip(wanted, pool.map(one, wanted), strict=True))
    write(results, others)


def write(results: Mapping[str, tuple[dict[str, float], dict[str, float]]], others: Sequence[Row]) -> None:
    together = rows(ALL, *(pooled([r[k] for r in results.values()]) for k in (0, 1))) if results else []
    if together:
        print(table(together))
    everything = [*(row for name, r in results.items() for row in rows(name, *r)), *together, *others]
    out = REPO / "build" / "bench.json"
    out.write_text(json.dumps([row.record() for row in everything], indent=1, ensure_ascii=False) + "\n")
    print(f"\nWritten: {out.relative_to(REPO)}. `{ALL}` is the worst, the sum or the mean over {len(results)} clips.")


if __name__ == "__main__":
    main()
