"""The command line: one line for each mistake, no traceback, and a result that is all there."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import pandas as pd
import pytest
from app_running import take_as_measured
from fake_attempt import make_attempt, write_clip
from fake_room import make_room

import cli.analyse
import cli.written
from analysis.attempt import Attempt
from analysis.layouts import course_for
from analysis.trouble import Trouble
from cli import files
from cli.courses import course_toml
from cli.main import main
from vision.footage import open_footage

ROOT = Path(__file__).parents[1]
VEHICLE = """schema = 1
name = "8.5 m lorry"
length_m = 8.5
width_m = 2.5
height_m = 3.3
wheelbase_m = 4.8
front_overhang_m = 1.4
"""


@pytest.fixture
def yard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a vehicle, its course and a clip; the working folder of the test."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "v.toml").write_text(VEHICLE)
    (tmp_path / "c.toml").write_text(course_toml(course_for(files.read_vehicle(tmp_path / "v.toml"))))
    write_clip(tmp_path / "clip.mp4", seconds=2.0)
    return tmp_path


def analyse(*more: str, clip: str = "clip.mp4") -> int:
    return main(["analyse", clip, "--vehicle", "v.toml", "--course", "c.toml", "--out", "run", *more])


def one_line(capsys: pytest.CaptureFixture[str]) -> str:
    """The one line of complaint; progress lines end in an ellipsis and come before it."""
    shown = capsys.readouterr()
    assert "Traceback" not in shown.err + shown.out
    lines = [line for line in shown.err.splitlines() if not line.endswith("…")]
    assert len(lines) == 1, shown.err
    assert lines[0].startswith("tailtrace: ")
    return lines[0]


# ---- the clip ------------------------------------------------------------------------------------


def test_a_missing_clip(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert analyse(clip="gone.mp4") == 2
    assert "gone.mp4" in one_line(capsys)
    assert not (yard / "run").exists()


@pytest.mark.parametrize("content", [b"", b"this is a letter, not a film\n" * 50])
def test_an_empty_or_non_video_clip(yard: Path, capsys: pytest.CaptureFixture[str], content: bytes) -> None:
    (yard / "letter.mp4").write_bytes(content)
    assert analyse(clip="letter.mp4") == 2
    assert "letter.mp4" in one_line(capsys)


def test_a_clip_cut_short_before_its_index(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = (yard / "clip.mp4").read_bytes()
    (yard / "half.mp4").write_bytes(whole[:len(whole) // 2])
    assert analyse(clip="half.mp4") == 2
    assert "half.mp4" in one_line(capsys)


def test_a_folder_in_place_of_a_clip(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert analyse(clip=".") == 2
    assert "folder" in one_line(capsys)


def test_a_clip_without_a_course_in_view(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert analyse() == 2  # grey ground and a white block
    assert "clip.mp4" in one_line(capsys)
    assert not (yard / "run").exists()


# ---- the files people write ---------------------------------------------------------------------------


@pytest.mark.parametrize(("text", "expected"), [
    ("", "empty"),
    ("schema = 1\nname = lorry\n", "line 2"),
    (VEHICLE.replace("8.5\n", "eight\n", 1), "line 3"),
    (VEHICLE.replace("length_m = 8.5", 'length_m = "8.5"'), "length_m"),
    (VEHICLE.replace("length_m = 8.5", "length_m = 850"), "3.5 to 25 metres"),
    (VEHICLE.replace("length_m = 8.5", "length_m = nan"), "length_m"),
    (VEHICLE.replace("wheelbase_m = 4.8\n", ""), "wheelbase_m"),
    (VEHICLE + "weight_kg = 12000\n", "weight_kg"),
    (VEHICLE.replace("wheelbase_m = 4.8", "wheelbase_m = 7.5"), "wheelbase_m"),
])
def test_a_wrong_vehicle_file_is_named_with_the_place(yard: Path, capsys: pytest.CaptureFixture[str], text: str,
                                                      expected: str) -> None:
    (yard / "v.toml").write_text(text)
    assert analyse() == 2
    line = one_line(capsys)
    assert line.startswith("tailtrace: v.toml: ")
    assert expected in line


def test_a_file_in_another_encoding(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (yard / "v.toml").write_bytes(VEHICLE.replace("lorry", "Lastwagen für drei").encode("utf-16"))
    assert analyse() == 2
    assert "UTF-8" in one_line(capsys)


def test_a_video_given_as_the_course(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["analyse", "clip.mp4", "--vehicle", "v.toml", "--course", "clip.mp4", "--out", "run"]) == 2
    assert "clip.mp4" in one_line(capsys)


def test_a_missing_course_file_and_a_missing_mark(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (yard / "c.toml").read_text()
    (yard / "c.toml").write_text(text.replace('name = "pivot"', 'name = "pivvot"'))
    assert analyse() == 2
    assert "'pivot' is missing" in one_line(capsys)
    (yard / "c.toml").unlink()
    assert analyse() == 2
    assert "c.toml: no such file" in one_line(capsys)


def test_a_rules_file_with_an_unknown_reading(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (yard / "r.toml").write_text('schema = 1\nname = "ours"\ntyre_reading = "half"\n')
    assert analyse("--rules", "r.toml") == 2
    assert "any_part, full_width" in one_line(capsys)


@pytest.mark.parametrize(("text", "expected"), [
    ("pivot,10,10\n", "name,u_px,v_px"),
    ("name,u_px,v_px\npivot,10\n", "line 2"),
    ("name,u_px,v_px\npivot,ten,10\n", "not two numbers"),
    ("name,u_px,v_px\nlamp post,10,10\n", "no mark 'lamp post'"),
    ("name,u_px,v_px\npivot,10,10\npivot,11,11\n", "picked twice"),
    ("name,u_px,v_px\npivot,10,10\n", "only 1 marks"),
])
def test_wrong_hand_picked_marks(yard: Path, capsys: pytest.CaptureFixture[str], text: str, expected: str) -> None:
    (yard / "marks.csv").write_text(text)
    assert analyse("--marks", "marks.csv") == 2
    assert expected in one_line(capsys)


def test_hand_picked_marks_are_read(yard: Path) -> None:
    (yard / "marks.csv").write_text("name,u_px,v_px\npivot,10,20.5\nmouth_left,1,2\nmouth_right,3,4\nback_left,5,6\n\n")
    picks = files.read_picks(yard / "marks.csv", files.read_course(yard / "c.toml"))
    assert (picks[0].name, picks[0].u_px, picks[0].v_px) == ("pivot", 10.0, 20.5)
    assert [p.name for p in picks[1:]] == ["mouth_left", "mouth_right", "back_left"]


def test_a_lens_file(yard: Path) -> None:
    size = "schema = 1\nwidth_px = 1920\nheight_px = 1080\n"
    (yard / "lens.toml").write_text(size + "fx_px = 1500\nfy_px = 1502\nk1 = -0.1\n")
    lens = files.read_lens(yard / "lens.toml")
    assert (lens.fx, lens.fy, lens.cx, lens.cy) == (1500, 1502, 959.5, 539.5)
    assert lens.dist == (-0.1, 0, 0, 0, 0)
    (yard / "lens.toml").write_text(size + "fx_px = 1500\n")
    with pytest.raises(Trouble, match=r"lens\.toml: fy_px"):
        files.read_lens(yard / "lens.toml")


def test_every_shipped_rule_set_can_be_read() -> None:
    shipped = sorted((ROOT / "cli" / "data").glob("*.rules.toml"))
    assert {files.read_rules(path).tyre_reading for path in shipped} == {"any_part", "full_width"}
    assert files.read_rules(None).name


# ---- the command -------------------------------------------------------------------------------------


@pytest.mark.parametrize("argv", [[], ["analyze", "x"], ["analyse", "clip.mp4"], ["demo", "--fast"]])
def test_a_wrong_command_is_one_line_too(capsys: pytest.CaptureFixture[str], argv: list[str]) -> None:
    assert main(argv) == 2
    assert "--help" in one_line(capsys)


def test_a_name_is_not_taken_for_a_code(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert analyse("--trainee", "Maria Muster") == 2
    assert "never a person's name" in one_line(capsys)


def test_the_out_folder_must_be_one(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (yard / "run").write_text("")
    assert analyse() == 2
    assert "is a file, not a folder" in one_line(capsys)


def test_demo_without_its_clip_says_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                               capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(cli.analyse, "__file__", str(tmp_path / "cli" / "analyse.py"))
    assert main(["demo", "--out", str(tmp_path / "run")]) == 2
    assert "checkout" in one_line(capsys)


def test_help_does_not_wait_for_the_measuring_libraries() -> None:
    code = "import sys; from cli.main import parser; parser(); print(sorted({'cv2', 'av', 'scipy'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_measuring_does_not_wait_for_what_draws_and_writes() -> None:
    code = ("import sys; import cli.analyse; "
            "print(sorted({'matplotlib', 'pandas', 'pyarrow', 'shapely', 'scipy.stats'} & set(sys.modules)))")
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_generated_course_is_read_back_as_the_same(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["course", "--vehicle", "v.toml", "--bay-on", "right", "-o", "new.toml"]) == 0
    wanted = course_for(files.read_vehicle(yard / "v.toml"), bay_on_left=False)
    got = files.read_course(yard / "new.toml")
    assert [m.name for m in got.marks] == [m.name for m in wanted.marks]
    for a, b in zip(got.marks, wanted.marks, strict=True):
        assert (a.x_m, a.y_m, a.pole_height_m) == pytest.approx((b.x_m, b.y_m, b.pole_height_m), abs=5e-4)
    for c, d in zip(got.lines, wanted.lines, strict=True):
        assert (c.y0_m, c.y1_m, c.yard_side) == pytest.approx((d.y0_m, d.y1_m, d.yard_side), abs=5e-4)
    assert got.barrier is not None
    assert got.barrier_height_m == wanted.barrier_height_m
    capsys.readouterr()
    assert main(["course", "--vehicle", "v.toml", "-o", "new.toml"]) == 2
    assert "left as it is" in one_line(capsys)


# ---- whole runs, with the measuring replaced --------------------------------------------------------------


@pytest.fixture
def measured(yard: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The yard, with a hand-made attempt in place of what would be measured and judged."""
    write_clip(yard / "clip.mp4")
    take_as_measured(monkeypatch, make_attempt())
    monkeypatch.setattr(cli.analyse.RoomAhead, "along", lambda rooms, attempt, progress: make_room(attempt))
    return yard


def test_a_run_writes_the_whole_folder(measured: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert analyse("--csv", "--trainee", "T-07") == 0
    run = measured / "run"
    names = {p.name for p in run.iterdir()}
    assert names == {"attempt.json", "track.parquet", "track.csv", "plan.svg", "plan.png", "overlay.mp4",
                     "review.html", "trainee.html", "people"}
    record = json.loads((run / "attempt.json").read_text("utf-8"))
    jsonschema.validate(record, json.loads((ROOT / "cli" / "attempt.schema.json").read_text("utf-8")))
    assert record["trainee"] == "T-07"
    assert record["clips"][0]["file"] == "../clip.mp4"
    assert set(record["files"]) == names - {"people"}
    track = pd.read_parquet(run / "track.parquet")
    assert len(track) == 121
    assert {"t_s", "measured", "x_m", "road_wheel_rad", "sd_road_wheel_rad", "rho_xy"} <= set(track.columns)
    assert (run / "plan.png").read_bytes().startswith(b"\x89PNG")
    assert b"<svg" in (run / "plan.svg").read_bytes()
    video = open_footage([run / "overlay.mp4"])
    assert video.duration_s == pytest.approx(12.0, abs=0.01)
    out = capsys.readouterr().out
    assert "1 fault, 1 too close to call, 1 not seen" in out
    assert out.index("Fault") < out.index("Too close to call ") < out.index("In order")  # the worst first
    assert "review.html" in out


def test_room_left_is_worked_out_unless_left_out_and_its_absence_is_no_trouble(
        measured: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def record() -> dict[str, Any]:
        return json.loads((measured / "run" / "attempt.json").read_text("utf-8"))
    assert analyse("--no-video") == 0
    assert record()["room"]["legs"][0]["t_s"] == 2.5
    assert record()["advice"]["said"][0]["rule"] == "bay lost"
    assert analyse("--no-video", "--no-room") == 0
    assert record()["room"] is None

    def no_way(rooms: Any, attempt: Attempt, progress: Any) -> Any:
        raise Trouble("there is no way to reverse into it", where="stopping_box")
    monkeypatch.setattr(cli.analyse.RoomAhead, "along", no_way)
    assert analyse("--no-video") == 0
    assert record()["room"] is None
    assert record()["notes"][-1] == "Room left could not be worked out: there is no way to reverse into it."


def test_a_second_run_without_video_drops_the_old_one_and_keeps_notes(measured: Path) -> None:
    assert analyse() == 0
    (measured / "run" / "people" / "note.txt").write_text("kept")
    assert analyse("--no-video") == 0
    assert not (measured / "run" / "overlay.mp4").exists()
    assert (measured / "run" / "people" / "note.txt").read_text() == "kept"


def test_a_clip_that_browsers_cannot_play_gets_a_viewing_copy(measured: Path) -> None:
    write_clip(measured / "clip.mp4", codec="mpeg4")
    assert analyse("--no-video") == 0
    copy = open_footage([measured / "run" / "clip.mp4"])
    assert copy.duration_s == pytest.approx(12.0, abs=0.01)


def test_a_recording_in_two_parts_is_one_run(measured: Path) -> None:
    write_clip(measured / "part_2.mp4", seconds=3.0)
    assert main(["analyse", "clip.mp4", "part_2.mp4", "--vehicle", "v.toml", "--course", "c.toml", "--out", "run",
                 "--no-video"]) == 0
    # 0 to 12.0 s, and 0 to 3.0 s following on the last picture by one step of 0.1 s
    assert open_footage([measured / "run" / "clip.mp4"]).duration_s == pytest.approx(15.1, abs=0.01)
    record = json.loads((measured / "run" / "attempt.json").read_text("utf-8"))
    assert [c["file"] for c in record["clips"]] == ["../clip.mp4", "../part_2.mp4"]


def folder_bytes(folder: Path) -> dict[str, bytes]:
    return {str(p): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize(("problem", "code"), [(Trouble("no course in view", where="clip.mp4"), 2),
                                               (KeyboardInterrupt(), 130), (ZeroDivisionError("oh"), 1)])
def test_a_run_that_ends_badly_leaves_the_earlier_result_as_it_was(
        measured: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], problem: BaseException,
        code: int) -> None:
    assert analyse("--no-video") == 0
    before = folder_bytes(measured / "run")
    capsys.readouterr()

    def fail(*args: object, **kwargs: object) -> None:
        raise problem

    monkeypatch.setattr(cli.written, "review_page", fail)  # after half of the folder is written
    assert analyse() == code
    line = one_line(capsys)
    assert folder_bytes(measured / "run") == before
    assert sorted(p.name for p in measured.iterdir()) == ["c.toml", "clip.mp4", "run", "v.toml"]
    if code == 1:
        log = Path(line.rsplit(" ", 1)[1])
        assert "ZeroDivisionError: oh" in log.read_text()
        log.unlink()
