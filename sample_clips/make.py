"""`python -m sample_clips.make NAME` or `--seed N`: make a clip with its vehicle, course and truth files."""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from sample_clips.encode import write_clip
from sample_clips.film import Film
from sample_clips.scenario import NAMED, Scenario, by_seed
from sample_clips.tables import course_text, vehicle_text
from sample_clips.truth import write_track, write_truth


def _progress(frames: Iterable[np.ndarray], total: int) -> Iterator[np.ndarray]:
    began = time.monotonic()
    for i, frame in enumerate(frames, 1):
        if i % 100 == 0 or i == total:
            print(f"\r  {i}/{total} frames, {(time.monotonic() - began) / i:.3f} s each", end="", flush=True)
        yield frame
    print()


def make(
    scenario: Scenario, folder: Path, stills_only: bool = False, preset: str = "medium", repeatable: bool = False
) -> Film:
    """Write the clip and its files under `folder`; with `stills_only` a dozen PNG frames instead of the clip."""
    folder.mkdir(parents=True, exist_ok=True)
    film = Film(scenario)
    print(f"{scenario.name}: {len(film.times_s)} frames, {film.run.t_s[-1]:.1f} s, search cost {film.run.cost:.2f}")
    if stills_only:
        numbers = np.linspace(0, len(film.times_s) - 1, 8).astype(int).tolist()
        for n, frame in zip(numbers, film.frames(numbers), strict=True):
            cv2.imwrite(str(folder / f"still_{n:04d}.png"), frame[..., ::-1])
        return film
    (folder / "truth").mkdir(exist_ok=True)
    (folder / "vehicle.toml").write_text(vehicle_text(scenario.vehicle))
    (folder / "course.toml").write_text(course_text(scenario.nominal_course()))
    pictures = _progress(film.frames(), len(film.times_s))
    count = write_clip(folder / "clip.mp4", pictures, scenario.fps, scenario.crf, preset, repeatable)
    write_track(folder / "truth" / "track.csv", film, film.times_s[:count])
    write_truth(folder / "truth" / "truth.json", film, count)
    print(f"  {(folder / 'clip.mp4').stat().st_size / 1e6:.2f} MB in {folder}")
    return film


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m sample_clips.make", description=__doc__)
    parser.add_argument("name", nargs="?", choices=sorted(NAMED), help="a named scenario")
    parser.add_argument("--seed", type=int, help="a random scenario instead; the same number gives the same clip")
    parser.add_argument("--out", type=Path, help="folder to write to (default: sample_clips/NAME or build/seed_N)")
    parser.add_argument("--scale", type=float, default=1.0, help="picture size as a share of 1920 x 1080")
    parser.add_argument("--fps", type=int, help="frames a second")
    parser.add_argument("--crf", type=float, help="H.264 quality: lower is better and bigger")
    parser.add_argument("--preset", default="medium", help="H.264 effort")
    parser.add_argument("--stills", action="store_true", help="write eight PNG frames instead of the clip")
    args = parser.parse_args()
    if (args.name is None) == (args.seed is None):
        parser.error("give a scenario's name or --seed N")
    scenario = NAMED[args.name] if args.name else by_seed(args.seed)
    width, height = (2 * round(n * args.scale / 2) for n in (scenario.width, scenario.height))
    scenario = replace(scenario, width=width, height=height, fps=args.fps or scenario.fps, crf=args.crf or scenario.crf)
    default = Path(__file__).parent / args.name if args.name else Path("build") / scenario.name
    make(scenario, args.out or default, args.stills, args.preset)


if __name__ == "__main__":
    main()
