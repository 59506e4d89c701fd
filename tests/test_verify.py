"""A result says what it was made from; verify tells what is no longer so, and makes it again to the last bit."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from app_running import VEHICLE
from attempt_folders import write_attempt
from fake_attempt import make_attempt, write_clip

import cli.analyse
import cli.made_with
import cli.verify
from analysis.trouble import Trouble
from cli import store
from cli.courses import course_toml
from cli.library.erase import remove_pictures
from cli.library.library import open_library
from cli.main import main
from cli.room_cache import cache_folder
from cli.verify import Told, again, verify, whole_record

ATTEMPT = make_attempt()


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The attempt folder of the hand-made attempt, with what it was made from beside it."""
    write_clip(tmp_path / "clip.mp4", seconds=1.0)
    (tmp_path / "v.toml").write_text(VEHICLE)
    (tmp_path / "c.toml").write_text(course_toml(ATTEMPT.course))
    measuring(monkeypatch)
    cli.analyse.analyse(cli.analyse.Request((tmp_path / "clip.mp4",), tmp_path / "v.toml", tmp_path / "c.toml",
                                            tmp_path / "lib" / "run", trainee="T1", room=False, video=False))
    return tmp_path / "lib" / "run"


def measuring(monkeypatch: pytest.MonkeyPatch, track: Any = ATTEMPT.track, when: Callable[..., Any] = id) -> None:
    """Let the pipeline measure this track; `when` is called with the vehicle that it was given."""
    def measure(clips: Any, vehicle: Any, course: Any, **more: Any) -> Any:
        when(vehicle)
        return track
    monkeypatch.setattr(cli.analyse, "measure", measure)
    monkeypatch.setattr(cli.analyse, "judge", lambda track, *a: replace(ATTEMPT, track=track))


def bad(told: list[Told]) -> list[str]:
    return [t.what for t in told if t.bad]


def test_the_record_holds_what_it_was_made_with(run: Path) -> None:
    record = whole_record(run)
    made = record["made_with"]
    assert made["given"]["vehicle"]["text"] == VEHICLE
    assert made["given"]["vehicle"]["file"] == "../../v.toml"
    assert made["given"]["rules"]["file"] == "usual"
    assert made["options"] == {"csv": False, "video": False, "room": False}
    assert made["versions"]["numpy"] == np.__version__
    schema = json.loads((Path(cli.__file__).parent / "attempt.schema.json").read_text("utf-8"))
    jsonschema.validate(record, schema)


def test_the_code_s_hash_follows_the_code_that_decides_results(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("analysis/a.py", "vision/b.py", "cli/c.toml", "cli/app/page.html", "cli/made_with.py"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("1")
    monkeypatch.setattr(cli.made_with, "__file__", str(tmp_path / "cli" / "made_with.py"))
    fresh = cli.made_with.code_sha256.__wrapped__
    before = fresh()
    (tmp_path / "cli" / "app" / "page.html").write_text("2")  # shows results, and decides nothing in them
    (tmp_path / "cli" / "__pycache__").mkdir()
    (tmp_path / "cli" / "__pycache__" / "c.pyc").write_bytes(b"x")
    assert fresh() == before
    (tmp_path / "vision" / "b.py").write_text("2")
    assert fresh() != before


def test_all_is_as_it_was(run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert bad(verify(run)) == []
    assert main(["verify", str(run)]) == 0
    said = capsys.readouterr().out
    assert "6 files of the result are as they were written" in said
    assert "../../clip.mp4 is the one that was analysed" in said
    assert "the program and its libraries are the same as then" in said


@pytest.mark.parametrize("name", ["track.parquet", "plan.svg", "review.html"])
def test_a_changed_file_is_named(run: Path, name: str) -> None:
    raw = bytearray((run / name).read_bytes())
    raw[len(raw) // 2] ^= 1  # one bit
    (run / name).write_bytes(raw)
    assert bad(verify(run)) == [f"{name} is not as it was written"]
    (run / name).unlink()
    assert bad(verify(run)) == [f"{name} is missing"]


def test_a_changed_figure_in_the_record_is_found_but_not_its_layout(
        run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = run / "attempt.json"
    record = json.loads(path.read_text("utf-8"))
    path.write_text(json.dumps(record), "utf-8")
    assert bad(verify(run)) == []
    record["shunts"] += 1
    path.write_text(json.dumps(record), "utf-8")
    assert bad(verify(run)) == ["attempt.json is not as it was written"]
    assert main(["verify", str(run)]) == 2
    assert "run: is not what was written" in capsys.readouterr().err


def test_a_changed_vehicle_and_another_program_are_told_and_harm_nothing(
        run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (run.parents[1] / "v.toml").write_text(VEHICLE.replace("8.5", "8.6"))
    (run.parents[1] / "c.toml").unlink()
    monkeypatch.setattr(cli.verify, "versions", lambda: whole_record(run)["made_with"]["versions"] | {"numpy": "99.1"})
    told = [t.what for t in verify(run)]
    assert "the vehicle file ../../v.toml was changed since: what was used is kept in attempt.json" in told
    assert "the course file ../../c.toml is gone: what was used is kept in attempt.json" in told
    assert told[-1] == f"numpy {np.__version__} then, 99.1 now"
    assert bad(verify(run)) == []
    lengths: list[float] = []
    caches: list[Path] = []

    def when(vehicle: Any) -> None:
        lengths.append(vehicle.length_m)
        caches.append(cache_folder())

    measuring(monkeypatch, when=when)
    assert again(run) == [Told("analysed again: the same to the last bit")]
    assert lengths == [8.5]  # with the vehicle as it was then
    assert caches != [cache_folder()] and not caches[0].exists()  # and nothing worked out before


def test_another_clip_or_none(run: Path) -> None:
    clip = run.parents[1] / "clip.mp4"
    clip.write_bytes(clip.read_bytes() + b"\0")
    assert bad(verify(run)) == ["the clip ../../clip.mp4 is not the one that was analysed"]
    with pytest.raises(Trouble, match="put the clip back"):
        again(run)
    clip.unlink()
    assert bad(verify(run)) == []  # the result stands
    with pytest.raises(Trouble, match="cannot be made again"):
        again(run)


def test_a_clip_from_another_file_system_is_named_by_its_address(tmp_path: Path) -> None:
    (tmp_path / "here.mp4").write_bytes(b"here")
    (tmp_path / "fetched.mp4").write_bytes(b"fetched")
    parts = store.clip_references([tmp_path / "here.mp4", tmp_path / "fetched.mp4"], tmp_path / "run",
                                  [str(tmp_path / "here.mp4"), "s3://yard/17.mp4"])
    assert [p["file"] for p in parts] == ["../here.mp4", "s3://yard/17.mp4"]
    write_attempt(tmp_path / "run")
    record = whole_record(tmp_path / "run")
    store.write_record(tmp_path / "run", record | {"clips": parts})
    told = verify(tmp_path / "run")
    assert bad(told) == []
    assert "the clip lies elsewhere and was not looked at: s3://yard/17.mp4" in [t.what for t in told]


def test_again_finds_the_last_bit(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = {f.name: f.read_bytes() for f in run.iterdir() if f.is_file()}
    marks = ATTEMPT.track.marks
    moved = replace(marks[0], x_m=marks[0].x_m + 0.001)
    measuring(monkeypatch, replace(ATTEMPT.track, marks=(moved, *marks[1:])))
    told = bad(again(run))
    assert told[0] == "analysed again: not the same"
    assert told[1].startswith("marks[0].x_m: ")
    assert {f.name: f.read_bytes() for f in run.iterdir() if f.is_file()} == before


def test_again_compares_the_track_bit_by_bit(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    x_m = ATTEMPT.motion.x_m.copy()
    x_m[3] = np.nextafter(x_m[3], 99.0)
    other = replace(ATTEMPT, motion=replace(ATTEMPT.motion, x_m=x_m))
    monkeypatch.setattr(cli.analyse, "judge", lambda *a: other)
    told = bad(again(run))
    assert len(told) == 2
    assert told[1].startswith(f"track.parquet: x_m in 1 of {len(x_m)} rows")


def test_a_library_with_what_was_removed_on_purpose(run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.copytree(run, run.parent / "other")
    library = open_library(run.parent)
    library.refresh()
    remove_pictures(library, ["run"])
    library.close()
    assert main(["verify", str(run.parent)]) == 0
    assert "2 attempts are as they were written" in capsys.readouterr().out
    (run.parent / "other" / "review.html").unlink()
    (run / "track.parquet").unlink()
    assert main(["verify", str(run.parent)]) == 2
    shown = capsys.readouterr()
    assert "track.parquet is missing" in shown.out
    assert "review.html was removed, as the library's proofs say" in shown.out
    assert shown.err.count("\n") == 1


def test_a_folder_without_a_record_or_with_one_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(Trouble, match="no attempt is in this folder"):
        verify(tmp_path)
    (tmp_path / "attempt.json").write_text("{")
    with pytest.raises(Trouble, match="not the record of an attempt"):
        verify(tmp_path)
    write_attempt(tmp_path / "old")
    record = json.loads((tmp_path / "old" / "attempt.json").read_text("utf-8"))
    (tmp_path / "old" / "attempt.json").write_text(json.dumps({k: v for k, v in record.items() if k != "made_with"}))
    with pytest.raises(Trouble, match="does not say what it was made from"):
        verify(tmp_path / "old")
