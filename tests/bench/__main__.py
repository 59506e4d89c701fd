"""`python -m bench [--clips "NAME NAME"] [--jobs N]`: measure, print a table a clip, write build/bench.json."""

from __future__ import annotations

import argparse
import json
import shutil
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from bench.clips import REPO, BenchClip, names, prepare
from bench.goals import ALL, Row, pooled, rows, table
from bench.library import rows as library_rows
from bench.room import room_rows
from bench.score import Result, Truth, scores
from bench.steering import steering_rows
from bench.sweep import markdown, sweep
from bench.watched import Ran, profile, watched
from vision.footage import open_footage

WORK = REPO / "build" / "bench"
SUITES: Mapping[str, Callable[[int], Iterable[Row]]] = {  # besides the clips; given how many jobs at a time
    "steering": lambda jobs: steering_rows(REPO / "build" / "steering.png", jobs), "room": lambda jobs: room_rows(),
    "library": lambda jobs: library_rows()}


PROFILE = REPO / "build" / "profile.md"
OVERLAY = "drawing the overlay video"
"""The stage that is not counted to the analysis."""
COURSE_FOUND, VEHICLE_SEEN, VEHICLE_FOUND = "placing the camera", "surveying the yard", "following the vehicle"
"""Those that begin when something is known: the course; where the vehicle is to a few decimetres; its roof, learnt."""
LARGE_PX = 1920 * 1080
Figures = dict[str, float]


def cost(ran: Ran, decode_s: float, picture_px: int) -> Figures:
    """Seconds and megabytes of a program, those of the overlay video apart."""
    large = "_4k" if picture_px > LARGE_PX else ""
    out = {"decode_s": decode_s}
    for name, stages in (("analysis", [s for s in ran.stages if s.name != OVERLAY]),
                         ("overlay", [s for s in ran.stages if s.name == OVERLAY])):
        if stages:
            spent = sum(s.wall_s for s in stages)
            out |= {f"{name}_s": spent, f"{name}_over_decode": spent / decode_s,
                    f"{name}_memory{large}_mb": max(s.peak_mb for s in stages)}
    began = {s.name: s.began_s for s in ran.stages}
    return out | {metric: began[stage] for metric, stage in (
        ("course_found_s", COURSE_FOUND), ("vehicle_seen_s", VEHICLE_SEEN), ("vehicle_found_s", VEHICLE_FOUND))
        if stage in began}


def measured(clip: BenchClip, folder: Path) -> list[Figures]:
    """Figures of the pipeline, the baseline and OpenCV's tracker on one clip, of the last two none of a clip that is
    there for its size; the truth is read when all have ended. Writes the pipeline's profile."""
    given, python = clip.given, [sys.executable, "-m"]
    # Room left is worked out anew, as it is for a course that has not been seen before.
    shutil.rmtree(folder / "cache", ignore_errors=True)
    environment = {"PYTHONPATH": str(REPO / "tests"), "XDG_CACHE_HOME": str(folder / "cache")}
    footage = open_footage([given / "clip.mp4"])
    decoding = watched([*python, "bench.decode", given / "clip.mp4"], folder / "decode.log", environment)
    decode_s = float(decoding.said)
    programs = {"attempt": [*python, "cli.main", "analyse", given / "clip.mp4", "--vehicle", given / "vehicle.toml",
                            "--course", given / "course.toml", "--out", folder / "attempt"]}
    if not clip.for_its_size:
        programs |= {name: [*python, f"bench.{name}", given, folder / name] for name in ("baseline", "tracker")}
    ran = {name: watched(command, folder / f"{name}.log", environment) for name, command in programs.items()}
    (folder / PROFILE.name).write_text(profile(clip.name, decoding, ran["attempt"]))
    truth = Truth.read(clip.truth_csv, clip.truth_json)
    out: list[Figures] = []
    for name in ("attempt", "baseline", "tracker"):
        out.append({})
        if name in ran:
            out[-1] |= {"no_result": 0.0 if ran[name].ok else 1.0}
            out[-1] |= cost(ran[name], decode_s, footage.width_px * footage.height_px)
            if ran[name].ok:
                out[-1] |= scores(Result.read(folder / name), truth)
            else:
                print(f"{clip.name}: no result of {name}: {ran[name].said.strip().splitlines()[-1:]}", flush=True)
    return out


def one(name: str) -> list[Figures]:
    folder = WORK / name
    folder.mkdir(parents=True, exist_ok=True)
    figures = measured(prepare(name, folder), folder)
    print(table(rows(name, *figures)) + "\n", flush=True)
    return figures


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
    print("analysis_s: the complete `tailtrace analyse` but for the overlay video, room left worked out anew; "
          f"overlay_s: that video; decode_s: bare decoding; clips at the same time: {asked.jobs}\n")
    with ThreadPoolExecutor(asked.jobs) as pool:
        results = dict(zip(wanted, pool.map(one, wanted), strict=True))
    write(results, others)
    PROFILE.write_text("# Where the time goes\n\n" + "\n".join(
        (WORK / name / PROFILE.name).read_text() for name in results))


def write(results: Mapping[str, list[Figures]], others: Sequence[Row]) -> None:
    together = rows(ALL, *(pooled([r[k] for r in results.values()]) for k in range(3))) if results else []
    if together:
        print(table(together))
    everything = [*(row for name, r in results.items() for row in rows(name, *r)), *together, *others]
    out = REPO / "build" / "bench.json"
    out.write_text(json.dumps([row.record() for row in everything], indent=1, ensure_ascii=False) + "\n")
    print(f"\nWritten: {out.relative_to(REPO)}, {PROFILE.relative_to(REPO)}. "
          f"`{ALL}` is the worst, the sum or the mean over {len(results)} clips.")


if __name__ == "__main__":
    main()
