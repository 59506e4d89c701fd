"""Kills, full disks, closed folders, clips that go away, clocks that jump: nothing is lost, and it is said in a line.

The kills are the quick part of `make soak`."""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from app_running import prepare_result, running, set_up, take_as_measured
from attempt_folders import write_attempt
from fake_attempt import make_attempt, write_clip
from soak.disks import as_a_plain_user, read_only, small_disk, with_full_disk
from soak.faults import SCENARIOS, analysis, check_whole, leftovers, measure_at_once
from soak.killing import contents

import cli.analyse
import cli.written
from analysis.trouble import Trouble
from cli import store
from cli.app.folder import Folder
from cli.app.jobs import Queue
from cli.app.server import serve
from cli.app.uploads import ABANDONED_AFTER_S, Uploads
from cli.held import held, own_folder
from cli.library.library import open_library
from cli.library.people import About, Correction, FindingKey, append_correction, read_corrections, write_about
from cli.library.query import find
from cli.main import main
from cli.whole import write_whole

SAID = Correction("I-1", "note", FindingKey("dry_steering", "", 5.0), reason="The sun was low.")
FULL = "make room on the disk"


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return prepare_result(tmp_path_factory.mktemp("result"))


@pytest.fixture
def analysed(tmp_path: Path, prepared: Path) -> Path:
    """An attempt folder with an earlier result."""
    shutil.copytree(prepared, tmp_path / "lib" / "run")
    return tmp_path / "lib" / "run"


# ---- kills -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("what", "kills"), [("analyse", 2), ("batch", 2), ("app", 2), ("corrections", 4),
                                             ("library", 3)])
def test_killed_at_random_moments(tmp_path: Path, what: str, kills: int) -> None:
    print(SCENARIOS[what](tmp_path, kills))


def test_what_killed_processes_left_is_known_at_once_and_what_is_worked_on_is_left_alone(tmp_path: Path) -> None:
    """By locks, not by the clock: the dead one's folder is from the future, the living one's from 1980."""
    (tmp_path / ".run.unfinished-dead").mkdir()
    os.utime(tmp_path / ".run.unfinished-dead", (4e9, 4e9))
    with own_folder(".run.unfinished-", tmp_path) as mine:
        os.utime(mine, (3.2e8, 3.2e8))
        with own_folder(".run.unfinished-", tmp_path) as other:
            assert {p for p in tmp_path.iterdir()} == {mine, other}
    assert list(tmp_path.iterdir()) == []


def test_two_analyses_of_one_folder_end_whole(tmp_path: Path) -> None:
    """The second finishes while the first one's result is being moved in by somebody who was stopped."""
    write_attempt(tmp_path / "run", trainee="first")
    with store.replacing(tmp_path / "run") as a:
        with store.replacing(tmp_path / "run") as b:
            store.write_record(b, {"made_with": {}, "who": "b"})
        store.write_record(a, {"made_with": {}, "who": "a"})
    assert json.loads((tmp_path / "run" / store.RECORD).read_text("utf-8"))["who"] == "a"
    assert leftovers(tmp_path) == []


def test_an_upload_that_had_arrived_is_queued_by_the_next_server(tmp_path: Path, prepared: Path) -> None:
    """The server was killed before the first part was moved in, between two parts, and before the job was listed."""
    folder = Folder(set_up(tmp_path, prepared))
    uploads, names = Uploads(folder), []
    for case, moved in enumerate((0, 1, 2)):
        ids = [uploads.begin(f"{k}.mp4", 4, case)[0] for k in range(2)]
        for k, upload in enumerate(ids):
            folder.place("uploads", upload).write_bytes(b"clp" + str(k).encode())
        place = folder.place("attempts", f"run-{case}")
        place.mkdir()
        write_whole(place / "request.json", json.dumps({
            "clips": ["recording-01.mp4", "recording-02.mp4"], "uploads": ids, "label": "drone.mp4", "trainee": "T1",
            "instructor": "", "quick": True}))
        for k in range(moved):
            folder.place("uploads", ids[k]).rename(place / f"recording-0{k + 1}.mp4")
        names.append(place.name)
    (folder.root / "attempts" / "nothing-yet" / "people").mkdir(parents=True)
    (folder.root / "attempts" / "somebody-s" / "holiday").mkdir(parents=True)
    (folder.root / "attempts" / "torn").mkdir()
    (folder.root / "attempts" / "torn" / "request.json").write_text('{"clips": ["reco')
    from cli.app.take_up import take_up
    queue = Queue(folder, None)  # type: ignore[arg-type]
    take_up(folder, queue, uploads)
    assert [(j.attempt, j.state, j.label) for j in queue.all()] == [(n, "waiting", "drone.mp4") for n in names]
    for name in names:
        assert [c.read_bytes() for c in folder.recordings(name)] == [b"clp0", b"clp1"]
    assert list((folder.root / "uploads").iterdir()) == []
    assert folder.names("attempts") == [*names, "somebody-s", "torn"]


def test_one_server_a_folder(tmp_path: Path) -> None:
    folder = Folder(tmp_path)
    with held(folder.root), pytest.raises(Trouble, match="open in another tailtrace already"):
        serve(tmp_path, port=0, open_browser=False)


# ---- a full disk -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("largest_file", [2_000, 30_000, 100_000])  # the track, the overlay, the page
def test_a_disk_that_fills_while_a_result_is_written(analysed: Path, prepared: Path, largest_file: int) -> None:
    before = contents(analysed.parent)
    status, said = with_full_disk(analysis(prepared, analysed), largest_file, measure_at_once)
    assert (status, said.endswith(f"{FULL}, then do the same again; what was there before is unchanged")) == (2, True)
    assert contents(analysed.parent) == before
    check_whole(analysed)


def test_files_a_person_asked_for_are_written_whole_or_not_at_all(tmp_path: Path) -> None:
    command = ["vehicle", "coach_12", "-o", tmp_path / "v.toml"]
    status, said = with_full_disk(command, 100)
    assert (status, FULL in said) == (2, True)
    assert list(tmp_path.iterdir()) == []
    assert with_full_disk(command, 1_000_000) == (0, "")


@pytest.mark.parametrize("what", ["index", "export", "erase"])
def test_a_full_disk_under_a_library(tmp_path: Path, what: str) -> None:
    for k in range(3):
        write_attempt(tmp_path / "lib" / f"a{k}", trainee=f"T{k}")
    assert main(["library", "index", str(tmp_path / "lib")]) == 0
    before = {f"a{k}": contents(tmp_path / "lib" / f"a{k}") for k in range(3)}
    write_attempt(tmp_path / "lib" / "a3", trainee="T3")
    more = {"index": [], "export": [tmp_path / "all.zip"], "erase": ["T0", "--yes"]}[what]
    status, said = with_full_disk(["library", what, tmp_path / "lib", *more], 1_000)
    assert (status, bool(said)) == (2, True)
    assert {name: contents(tmp_path / "lib" / name) for name in before} == before
    assert not (tmp_path / "all.zip").exists()
    library = open_library(tmp_path / "lib")
    library.refresh()
    assert len(find(library)) == 4
    library.close()


def test_a_full_disk_under_the_app(tmp_path: Path, prepared: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The write itself fails, as it does when the last block is gone: each refusal says so, and all goes on after."""
    with small_disk(tmp_path / "disk", 40_000) as disk:
        if disk is None:
            pytest.skip("only a superuser can mount a small disk")
        monkeypatch.setattr(Folder, "check_room", lambda self, wanted: None)  # it would refuse before anything is full
        with running(set_up(disk / "folder", prepared, attempts=("run-1",))) as app:
            word = {"version": 0, "by": "I-1", "action": "note", "reason": "one", "finding": None}
            assert app.ask("POST", "/attempts/run-1/people", word)[0] == 200
            status, refusal = app.ask("POST", "/uploads", {"name": "a.mp4", "size": 60_000_000, "modified": 1})
            assert status == 200, refusal
            upload, at = refusal["id"], 0
            while status == 200:
                status, refusal = app.ask("PATCH", f"/uploads/{upload}?offset={at}", bytes(4_000_000))
                at = refusal.get("offset", at)
            assert (status, FULL in refusal["remedy"]) == (507, True)
            word |= {"version": 1, "reason": "two " * 450}
            for _ in range(40):  # the last block may have a few bytes left
                status, refusal = app.ask("POST", "/attempts/run-1/people", word)
                if status != 200:
                    break
                word["version"] += 1  # type: ignore[operator]
            assert (status, "could not be kept" in refusal["what"]) == (422, True)
            assert app.ask("POST", "/attempts/run-1/again", b"")[0] in (303, 507)
            assert app.ask("DELETE", f"/uploads/{upload}")[0] == 204  # somebody makes room
            assert app.ask("POST", "/attempts/run-1/people", word)[0] == 200
            app.wait(app.job(prepared / "recording-01.mp4", trainee="swift")["id"], "done")
        place = disk / "folder" / "attempts" / "run-1"
        assert read_corrections(place)[0].reason == "one"
        check_whole(place)


def test_a_queue_that_cannot_be_kept_does_not_hold_the_work_up(
        tmp_path: Path, prepared: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(self: Queue) -> None:
        raise OSError(28, "No space left on device")
    with running(set_up(tmp_path / "folder", prepared)) as app:
        monkeypatch.setattr(Queue, "_write", full)
        job = app.job(prepared / "recording-01.mp4", trainee="swift")
        app.wait(job["id"], "done")
    check_whole(app.root / "attempts" / job["attempt"])


# ---- a folder that may not be written to -----------------------------------------------------------------------------


def test_a_read_only_folder(analysed: Path, prepared: Path) -> None:
    before = contents(analysed.parent)
    with read_only(prepared), read_only(analysed.parent):
        status, said = as_a_plain_user(analysis(prepared, analysed))
        assert (status, "nothing can be written there" in said) == (2, True)
        assert as_a_plain_user(["verify", analysed]) == (0, "")  # reading goes on
        status, said = as_a_plain_user(["library", "index", analysed.parent])
        assert (status, "nothing can be written there" in said or "cannot be opened" in said) == (2, True)
        status, said = as_a_plain_user(["serve", "--folder", analysed.parent, "--no-browser", "--port", "0"])
        assert (status, "cannot be used as the app's folder" in said) == (2, True)
    assert contents(analysed.parent) == before


def test_a_correction_that_cannot_be_kept_is_said(analysed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    append_correction(analysed, SAID)
    before = contents(analysed)

    def closed(*a: Any) -> None:
        raise PermissionError(13, "Permission denied")
    monkeypatch.setattr(Path, "open", closed)
    with pytest.raises(Trouble, match="could not be kept"):
        append_correction(analysed, SAID)
    monkeypatch.undo()
    assert contents(analysed) == before


# ---- the clip goes away ----------------------------------------------------------------------------------------------


@pytest.fixture
def own_clip(tmp_path: Path, prepared: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[cli.analyse.Request]:
    """A request whose clip may be done to; the measuring takes no time."""
    take_as_measured(monkeypatch, make_attempt())
    shutil.copytree(prepared, tmp_path / "run")
    clip = Path(shutil.copy(prepared / "recording-01.mp4", tmp_path / "clip.mp4"))
    yield cli.analyse.Request((clip,), prepared / "vehicle.toml", prepared / "course.toml", tmp_path / "run",
                              room=False)


@pytest.mark.parametrize(("step", "what"), [("measure", "removed"), ("write_plan", "replaced"),
                                            ("review_page", "grown"), ("still_jpeg", "removed")])
def test_a_clip_that_is_done_to_while_it_is_measured(own_clip: cli.analyse.Request, monkeypatch: pytest.MonkeyPatch,
                                                     step: str, what: str) -> None:
    clip, module = own_clip.clips[0], cli.analyse if step == "measure" else cli.written
    real = getattr(module, step)

    def done_to(*a: Any, **k: Any) -> Any:
        if what == "grown":
            with clip.open("ab") as f:
                f.write(b"more")
        else:
            clip.unlink()
            if what == "replaced":
                write_clip(clip, seconds=1.0)
        return real(*a, **k)

    before = contents(own_clip.out)
    monkeypatch.setattr(module, step, done_to)
    with pytest.raises(Trouble, match="removed or changed while it was being measured"):
        cli.analyse.run(own_clip)
    assert contents(own_clip.out) == before
    assert leftovers(own_clip.out.parent) == []


# ---- the clock jumps -------------------------------------------------------------------------------------------------


def test_files_from_the_future_and_times_that_go_backwards(tmp_path: Path) -> None:
    """The index follows what is in the folders, whatever times they bear."""
    attempt = write_attempt(tmp_path / "a")
    os.utime(attempt / store.RECORD, (4e9, 4e9))
    library = open_library(tmp_path)
    assert library.refresh().added == 1
    for n, day in enumerate((4.1e9, 1e9, 1e9, 0)):  # forward, back, the same moment twice, 1970
        write_about(attempt, About(weather=f"rain {n}"))
        os.utime(attempt / "people" / "about.json", (day, day))
        assert library.refresh().changed == 1
        assert find(library)[0].weather == f"rain {n}"
    assert library.refresh().changed == 0
    library.close()


def test_an_upload_outlives_a_clock_that_is_set_right(tmp_path: Path) -> None:
    """Begun when the machine thought it was 2001; then its clock is set to today."""
    uploads = Uploads(Folder(tmp_path))
    upload, _ = uploads.begin("a.mp4", 100, 1)
    path = tmp_path / "uploads" / upload
    for f in path, path.with_name(f"{upload}.json"):
        os.utime(f, (1e9, 1e9))
    uploads.clear_abandoned()
    assert uploads.begin("a.mp4", 100, 1) == (upload, 0)
    path.write_bytes(b"more came")
    os.utime(path, (1e9, 1e9))
    uploads.clear_abandoned()
    assert path.exists()
    uploads.clear_abandoned()  # an hour later nothing has come
    assert not path.exists() and not path.with_name(f"{upload}.json").exists()
    future, _ = uploads.begin("b.mp4", 100, 1)
    os.utime(tmp_path / "uploads" / future, (4e9, 4e9))
    uploads.clear_abandoned(time.time() + 2 * ABANDONED_AFTER_S)
    assert (tmp_path / "uploads" / future).exists()


def test_a_small_file_s_leftovers_go_in_time(tmp_path: Path) -> None:
    left, fresh = tmp_path / ".queue.json-dead", tmp_path / ".queue.json-alive"
    left.write_text("x")
    fresh.write_text("x")
    os.utime(left, (1e9, 1e9))
    write_whole(tmp_path / "queue.json", "[]")
    assert sorted(p.name for p in tmp_path.iterdir()) == [".queue.json-alive", "queue.json"]
