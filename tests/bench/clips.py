"""The clips that are measured, and the folder a user would have of each: clip, vehicle file, course file."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from analysis.course import EXERCISES, Area, Course, Line, Mark
from bench.large import enlarged, lengthened
from sample_clips.tables import course_text, vehicle_text

REPO = Path(__file__).resolve().parents[2]
BUNDLED = REPO / "sample_clips"
GENERATED = REPO / "build" / "clips"
FOREIGN = REPO.parent / "shared" / "data" / "yard_clip_another_renderer"
GENERATED_HZ = "15"  # half the time to draw them; the pipeline looks ten times a second
OF_THESE = "bus_clean"
LARGE = MappingProxyType({"bus_clean_4k": enlarged, "bus_clean_20_min": lengthened})
"""Made of a bundled clip to see what size does to time and memory; run only when asked for by name."""
SEEDS = tuple(f"seed_{n}" for n in range(1, 7))


@dataclass(frozen=True)
class BenchClip:
    """given: a folder with nothing but clip.mp4, vehicle.toml and course.toml; the truth lies elsewhere."""

    name: str
    given: Path
    truth_csv: Path
    truth_json: Path
    for_its_size: bool = False


def names() -> list[str]:
    """All clips there are, in the order they are run: bundled, generated, from another renderer."""
    bundled = sorted(p.parent.name for p in BUNDLED.glob("*/clip.mp4"))
    return [*bundled, *SEEDS, *([FOREIGN.name] if (FOREIGN / "clip.mp4").exists() else [])]


def prepare(name: str, folder: Path) -> BenchClip:
    """Put what a user would have into `folder`/given; a clip by seed that is not there yet is generated first."""
    if name == FOREIGN.name:
        source, truth = FOREIGN, FOREIGN
        csv, record = "truth.csv", "truth.json"
    elif name in LARGE:
        source, truth = GENERATED / name, BUNDLED / OF_THESE / "truth"
        csv, record = "track.csv", "truth.json"
        if not (source / "clip.mp4").exists():
            source.mkdir(parents=True, exist_ok=True)
            for file in ("vehicle.toml", "course.toml"):
                shutil.copy2(BUNDLED / OF_THESE / file, source)
            LARGE[name](BUNDLED / OF_THESE / "clip.mp4", source / "clip.mp4")
    else:
        source = GENERATED / name if name.startswith("seed_") else BUNDLED / name
        truth = source / "truth"
        csv, record = "track.csv", "truth.json"
        if name.startswith("seed_") and not (truth / record).exists():
            subprocess.run([sys.executable, "-m", "sample_clips.make", "--seed", name.removeprefix("seed_"), "--fps",
                            GENERATED_HZ, "--out", source], cwd=REPO, check=True)
    given = folder / "given"
    given.mkdir(parents=True, exist_ok=True)
    shutil.copy2(source / "clip.mp4", given)
    if name == FOREIGN.name:
        write_user_files(given, json.loads((truth / record).read_text()))
    else:
        shutil.copy2(source / "vehicle.toml", given)
        shutil.copy2(source / "course.toml", given)
    return BenchClip(name, given, truth / csv, truth / record, name in LARGE)


def write_user_files(given: Path, truth: dict) -> None:
    """The vehicle and course file that the user of the foreign clip would have: its data sheet, and the course as
    meant to be set out (none of the extra cones)."""
    v, c = truth["vehicle"], truth["course"]
    (given / "vehicle.toml").write_text(vehicle_text({
        "schema": 1, "name": f"{v['length']:g} m {v['kind']}", "length_m": v["length"], "width_m": v["width"],
        "height_m": v["height"], "wheelbase_m": v["wheelbase"], "front_overhang_m": v["front_overhang"],
        "track_front_m": v["track_front"], "track_rear_m": v["track_rear"],
        "tyre_width_front_m": v["tyre_width_front"], "tyre_width_rear_m": v["tyre_width_rear"],
        "wheel_radius_m": v["wheel_radius"], "corner_radius_m": v["corner_radius"],
        "max_wheel_angle_deg": v["max_steer_deg"], "mirror": {"out_m": v["mirror_out"], "z_m": v["mirror_z"]}}))
    marks = tuple(Mark(k["name"], k["x_m"], k["y_m"], k["base_half_m"], k["height_m"], k["pole_height_m"])
                  for k in c["cones"] if k["name"] in EXERCISES["s_reverse"].roles)
    lines = tuple(Line(f"side_{ln['name']}", ln["x0_m"], ln["y_inner_m"], ln["x1_m"], ln["y_inner_m"], ln["width_m"],
                       -1 if ln["name"] == "left" else 1) for ln in c["side_lines"])
    bay, box = (Area(a["x0_m"], a["x1_m"], a["y0_m"], a["y1_m"]) for a in (c["bay"], c["stopping_box"]))
    b = c["barrier"]
    barrier = Area(b["x_face_m"] - b["thickness_m"], b["x_face_m"], b["y0_m"], b["y1_m"])
    (given / "course.toml").write_text(course_text(
        Course("yard of another renderer", marks, lines, bay, box, barrier, b["height_m"])))
