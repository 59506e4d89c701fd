"""Damaged clips through the whole command `tailtrace analyse`, up to its refusal, into a folder that holds an earlier
result: the command ends with 0 or 2 and one line, the earlier result and the people's words stay as they were."""

from __future__ import annotations

import contextlib
import io
import random
import shutil
from collections.abc import Callable
from pathlib import Path

from attempt_folders import write_attempt
from simulate import bus

from analysis.layouts import course_for
from analysis.trouble import Trouble
from cli import analyse, files
from cli.courses import course_toml
from cli.main import DEFECT, main
from soak import clips

assert analyse is not None  # loaded before the cases begin: the first would else be charged with it
LONGEST_S = 120.0
MEMORY_MB = 1200.0


def prepare(folder: Path) -> Callable[[int, Path], str]:
    made = clips.seeds(folder)
    (folder / "course.toml").write_text(course_toml(course_for(bus())))
    shutil.copyfile(Path(files.__file__).parent / "data" / "city_bus_12.vehicle.toml", folder / "vehicle.toml")
    earlier = write_attempt(folder / "earlier", trainee="T1")
    (earlier / "people" / "corrections.jsonl").write_text('{"by": "I1", "action": "note", "reason": "kept"}\n')

    def trial(number: int, here: Path) -> str:
        ending, data = clips.clip_of(number, made)
        clip, out = here / f"clip.{ending}", here / "attempt"
        # now and then whole, so that it is refused further on than at its opening
        clip.write_bytes(random.Random(number).choice(list(made.values())) if number % 4 == 0 else data)
        shutil.copytree(earlier, out)
        before = contents(out)
        told = io.StringIO()
        with contextlib.redirect_stderr(told), contextlib.redirect_stdout(io.StringIO()):
            code = main(["analyse", str(clip), "--vehicle", str(folder / "vehicle.toml"), "--course",
                         str(folder / "course.toml"), "--out", str(out), "--no-video", "--no-room"])
        assert code == 2, (code, told.getvalue(), logs(here) if code == DEFECT else "")
        assert contents(out) == before
        assert not [p for p in here.iterdir() if p.name.startswith(".")]
        raise Trouble(told.getvalue().removeprefix("tailtrace: ").rstrip("\n"))
    return trial


def contents(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def logs(here: Path) -> str:
    return "\n".join(p.read_text("utf-8")[-2000:] for p in (here / "temporary").glob("tailtrace-*.log"))
