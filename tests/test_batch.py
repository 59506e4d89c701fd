"""The batch: idempotent, resumable, the same on any number of workers, and one bad clip stops nothing."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import fsspec
import pytest
from attempt_folders import write_attempt
from batch_work import WORK

from analysis.trouble import Trouble
from cli.batch import Batch, read_batch, run_batch, told
from cli.batch_job import MADE_FROM, do, run_job
from cli.library.library import open_library
from cli.library.query import Filter, find
from cli.main import main
from cli.store import RECORD

TESTS = Path(__file__).resolve().parent


@pytest.fixture(autouse=True)
def importable(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(TESTS))
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(TESTS.parent), str(TESTS)]))


def clips(folder: Path, **says: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, said in says.items():
        (folder / f"{name}.mp4").write_text(said, "utf-8")
    for name in ("vehicle", "course"):
        (folder / f"{name}.toml").write_text(f"name = '{name}'", "utf-8")
    template = write_attempt(folder.parent / ".template" / "attempt", track=False)
    (folder / "template.json").write_bytes((template / RECORD).read_bytes())
    return folder


def batch(folder: Path, out: Path | str) -> Batch:
    return read_batch(folder, str(out), {}, WORK)


def findings_of(library: Path) -> dict[str, str]:
    """Every attempt's findings as their bytes, by its folder."""
    return {f.parent.name: json.dumps(json.loads(f.read_text("utf-8"))["findings"])
            for f in sorted(library.glob("*/" + RECORD))}


def begun(folder: Path, name: str) -> int:
    log = folder / f"{name}.log"
    return log.read_text("utf-8").count("begun") if log.exists() else 0


# ---- what is to be done -----------------------------------------------------------------------------------


def test_a_list_names_clips_files_and_people(tmp_path: Path) -> None:
    clips(tmp_path / "c", a="ok 1", b="ok 2")
    (tmp_path / "c" / "other.toml").write_text("x", "utf-8")
    (tmp_path / "list.csv").write_text("clip,vehicle,trainee,run_on,weather\nc/a.mp4,,T1,2026-03-01,\"rain, cold\"\n"
                                       "c/a.mp4;c/b.mp4,c/other.toml,T2,,\n", "utf-8")
    usual = {"vehicle": str(tmp_path / "c" / "vehicle.toml"), "course": str(tmp_path / "c" / "course.toml")}
    found = read_batch(tmp_path / "list.csv", "out", usual, WORK)
    assert found.troubles == ()
    first, second = found.jobs
    assert first.clips == (str(tmp_path / "c" / "a.mp4"),)
    assert first.given == usual | {"trainee": "T1", "run_on": "2026-03-01", "weather": "rain, cold"}
    assert second.given["vehicle"] == str(tmp_path / "c" / "other.toml")
    assert len(second.clips) == 2 and first.folder != second.folder


def test_what_is_wrong_in_a_list_is_told_by_line_and_the_rest_is_kept(tmp_path: Path) -> None:
    clips(tmp_path, a="ok")
    (tmp_path / "list.csv").write_text(
        "clip,vehicle,course,trainee,run_on\na.mp4,vehicle.toml,course.toml,T1,\nno.mp4,vehicle.toml,course.toml,,\n"
        "a.mp4,vehicle.toml,,,\na.mp4,vehicle.toml,course.toml,Jane Doe,\na.mp4,vehicle.toml,course.toml,,1.3.26\n"
        "a.mp4,vehicle.toml,course.toml,T2,\n", "utf-8")
    found = read_batch(tmp_path / "list.csv", "out", {}, WORK)
    assert len(found.jobs) == 1
    assert [(t.where.split(": ")[1], t.what) for t in found.troubles] == [
        ("line 3", "no such file"), ("line 4", "no course file is known for this clip"),
        ("line 5", "'Jane Doe' is not a code"), ("line 6", "'1.3.26' is not a day"),
        ("line 7", "the same clip stands twice, with different files or people")]


def test_unusable_sources_are_refused(tmp_path: Path) -> None:
    with pytest.raises(Trouble, match="no clips are in this folder"):
        read_batch(tmp_path, "out", {}, WORK)
    (tmp_path / "list.csv").write_text("film,vehicle\na,b\n", "utf-8")
    with pytest.raises(Trouble, match="the heading is film,vehicle"):
        read_batch(tmp_path / "list.csv", "out", {}, WORK)
    with pytest.raises(Trouble, match="no such file"):
        read_batch(tmp_path / "nowhere.csv", "out", {}, WORK)


# ---- doing it -----------------------------------------------------------------------------------------------


def test_one_bad_clip_stops_nothing(tmp_path: Path) -> None:
    source = clips(tmp_path / "c", a="ok 1", b="bad", c="defect", d="die", e="die once", f="ok 2")
    outcomes = run_batch(batch(source, tmp_path / "lib"), workers=2)
    assert [o.status for o in outcomes] == ["done", "trouble", "defect", "crashed", "done", "done"]
    assert outcomes[1].what == "b.mp4: the cones were not found — point them out"
    assert len(findings_of(tmp_path / "lib")) == 3
    summary, lines = told(outcomes, [Trouble("no such file", where="list.csv: line 9")])
    assert summary == "7 clips: 3 analysed, 0 unchanged since, 4 without a result"
    assert len(lines) == 4 and lines[-1] == "list.csv: line 9: no such file"


def test_the_same_again_does_nothing_and_a_change_redoes_only_what_it_touches(tmp_path: Path) -> None:
    source = clips(tmp_path / "c", a="ok 1", b="ok 2", twin="ok 1")
    assert len(batch(source, tmp_path / "lib").jobs) == 3  # a clip's name is in its folder's
    run_batch(batch(source, tmp_path / "lib"))
    assert {o.status for o in run_batch(batch(source, tmp_path / "lib"))} == {"unchanged"}
    assert begun(source, "a") == 1

    (source / "b.mp4").write_text("ok 3", "utf-8")
    assert [o.status for o in run_batch(batch(source, tmp_path / "lib"))] == ["unchanged", "done", "unchanged"]
    (source / "course.toml").write_text("name = 'another'", "utf-8")
    assert {o.status for o in run_batch(batch(source, tmp_path / "lib"))} == {"done"}

    folder = next((tmp_path / "lib").glob("a-*"))  # analysed by hand since: no longer what the batch made
    (folder / RECORD).write_text((folder / RECORD).read_text("utf-8") + "\n", "utf-8")
    assert [o.status for o in run_batch(batch(source, tmp_path / "lib"))] == ["done", "unchanged", "unchanged"]


def test_another_version_of_the_code_does_everything_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    source = clips(tmp_path / "c", a="ok 1")
    run_batch(batch(source, tmp_path / "lib"))
    monkeypatch.setattr("cli.batch.code_sha256", lambda: "0" * 64)
    assert [o.status for o in run_batch(batch(source, tmp_path / "lib"))] == ["done"]
    assert [o.status for o in run_batch(batch(source, tmp_path / "lib"))] == ["unchanged"]


def test_day_and_weather_go_to_the_people_s_folder_and_are_not_overwritten(tmp_path: Path) -> None:
    clips(tmp_path, a="ok")
    (tmp_path / "list.csv").write_text("clip,vehicle,course,trainee,run_on,weather\n"
                                       "a.mp4,vehicle.toml,course.toml,T1,2025-01-02,fog\n", "utf-8")
    run_batch(read_batch(tmp_path / "list.csv", str(tmp_path / "lib"), {}, WORK))
    library = open_library(tmp_path / "lib")
    library.refresh()
    row, = find(library, Filter())
    assert (row.run_on.isoformat(), row.weather, row.trainee) == ("2025-01-02", "fog", "T1")
    about = tmp_path / "lib" / row.id / "people" / "about.json"
    about.write_text('{"schema": 1, "weather": "fog, then sun"}', "utf-8")
    (tmp_path / "vehicle.toml").write_text("name = 'changed'", "utf-8")
    run_batch(read_batch(tmp_path / "list.csv", str(tmp_path / "lib"), {}, WORK))
    assert "then sun" in about.read_text("utf-8")


def test_one_or_two_workers_give_the_same_bytes(tmp_path: Path) -> None:
    source = clips(tmp_path / "c", **{f"k{i}": f"ok {i}" for i in range(5)})
    for workers in (1, 2):
        run_batch(batch(source, tmp_path / f"lib{workers}"), workers=workers)
    one, two = findings_of(tmp_path / "lib1"), findings_of(tmp_path / "lib2")
    assert len(one) == 5
    assert one == two


def test_a_library_on_another_file_system(tmp_path: Path) -> None:
    """Through an address instead of a path; and a clip from one."""
    source = clips(tmp_path / "c", a="ok 1")
    outcomes = run_batch(batch(source, f"file://{tmp_path}/lib"))
    assert [o.status for o in outcomes] == ["done"]
    memory = fsspec.filesystem("memory")
    job, = batch(source, "memory://batch").jobs
    try:
        assert do(job) == {"status": "done"}  # in this process, whose memory it is
        assert run_job(job).status == "unchanged"
        library = open_library("memory://batch", f"sqlite:///{tmp_path}/index.sqlite")
        assert library.refresh().added == 1
        record, local = (json.loads(raw)["findings"] for raw in (
            memory.cat(f"/batch/{job.folder}/{RECORD}"), (tmp_path / "lib" / job.folder / RECORD).read_bytes()))
        assert record == local
        memory.rm(f"/batch/{job.folder}/{RECORD}")
        assert library.refresh().removed == 1  # without its record it is no attempt
    finally:
        memory.rm("/batch", recursive=True)


# ---- kills ----------------------------------------------------------------------------------------------------


PROGRAM = """
import signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)  # shells hand it on ignored to what runs behind
from pathlib import Path
from attempt_folders import write_attempt
from batch_work import WORK
from cli.batch import read_batch, run_batch
run_batch(read_batch(Path(sys.argv[1]), sys.argv[2], {}, WORK), workers=2, dask=sys.argv[3] or None)
"""


def start(source: Path, out: Path, dask: str = "") -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-c", PROGRAM, str(source), str(out), dask], cwd=TESTS.parent,
                            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)


def wait_for(condition, seconds: float = 60) -> None:
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "never came true"
        time.sleep(0.05)


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT])
def test_a_killed_batch_is_taken_up_again(how: signal.Signals, tmp_path: Path) -> None:
    source = clips(tmp_path / "c", a="ok 1", b="wait 1", c="wait 2", d="ok 4", e="ok 5")
    process = start(source, tmp_path / "lib")
    wait_for(lambda: begun(source, "a") and begun(source, "b") and begun(source, "c"))
    process.send_signal(how)
    process.wait(20)
    (source / "go").touch()  # had their processes lived on, the waiting clips would now end
    time.sleep(1.0)
    cut = findings_of(tmp_path / "lib")
    assert {name[0] for name in cut} == {"a"}

    assert {o.status for o in run_batch(batch(source, tmp_path / "lib"), workers=2)} <= {"done", "unchanged"}
    whole = run_batch(batch(source, tmp_path / "clean"), workers=1)
    assert {o.status for o in whole} == {"done"}
    assert findings_of(tmp_path / "lib") == findings_of(tmp_path / "clean")  # nothing lost, nothing twice
    library = open_library(tmp_path / "lib")
    assert library.refresh().added == 5


@contextmanager
def cluster(folder: Path, workers: int) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A Dask scheduler and workers, each a process of its own, as a school's machines would run them."""
    pytest.importorskip("distributed", reason="needs dask[distributed]")
    found = folder / "scheduler.json"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": TESTS.parent}
    processes = [subprocess.Popen([sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1",
                                   "--port", "0", "--no-dashboard", "--scheduler-file", str(found)], **quiet)]
    try:
        wait_for(found.exists)
        address = json.loads(found.read_text("utf-8"))["address"]
        processes += [subprocess.Popen([sys.executable, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1",
                                        "--no-nanny", "--no-dashboard", "--local-directory", str(folder / f"w{k}")],
                                       **quiet) for k in range(workers)]
        yield address, processes[1:]
    finally:
        for p in processes:
            p.kill()
        for p in processes:
            p.wait()


def test_a_cluster_gives_the_same_bytes_and_survives_a_killed_worker(tmp_path: Path) -> None:
    source = clips(tmp_path / "c", a="wait 1", b="wait 2", c="ok 3", d="bad", e="ok 5", f="ok 6")
    with cluster(tmp_path, 2) as (address, workers):
        process = start(source, tmp_path / "lib", address)
        wait_for(lambda: begun(source, "a") and begun(source, "b"))
        workers[0].kill()
        time.sleep(1.0)
        (source / "go").touch()
        process.wait(90)
        assert process.returncode == 0, process.stderr and process.stderr.read().decode()[-2000:]
    run_batch(batch(source, tmp_path / "local"), workers=1)
    found, local = findings_of(tmp_path / "lib"), findings_of(tmp_path / "local")
    assert len(found) == 5
    assert found == local
    assert all((tmp_path / "lib" / name / MADE_FROM).exists() for name in found)
    assert begun(source, "a") + begun(source, "b") == 2 + 1 + 2  # the killed worker's clip twice; and here once more


def test_an_absent_cluster_is_told(tmp_path: Path) -> None:
    pytest.importorskip("distributed", reason="needs dask[distributed]")
    with pytest.raises(Trouble, match="no Dask scheduler answers there"):
        run_batch(batch(clips(tmp_path, a="ok"), tmp_path / "lib"), dask="nonsense")


# ---- the command, with the real work ------------------------------------------------------------------------


def test_the_command_tells_what_cannot_be_read(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    sample = TESTS.parent / "sample_clips" / "bus_clean"
    (tmp_path / "film.mp4").write_text("not a film", "utf-8")
    (tmp_path / "list.csv").write_text("clip,trainee\nfilm.mp4,T1\nnone.mp4,T2\n", "utf-8")
    assert main(["batch", str(tmp_path / "list.csv"), "--out", str(tmp_path / "lib"), "--vehicle",
                 str(sample / "vehicle.toml"), "--course", str(sample / "course.toml")]) == 2
    said = capsys.readouterr()
    assert "2 clips: 0 analysed, 0 unchanged since, 2 without a result" in said.out
    assert "film.mp4" in said.out and "none.mp4: no such file" in said.out
    assert "defect" not in said.out and "2 clips have no result" in said.err
    assert findings_of(tmp_path / "lib") == {}


def test_a_clip_whose_name_is_no_text_costs_only_itself(tmp_path: Path) -> None:
    """Named by a camera or a system of another encoding; where a file system has no such names, nothing is lost."""
    for name in (b"good.mp4", b"holiday-\xff.mp4"):
        try:
            (tmp_path / os.fsdecode(name)).write_bytes(name)
        except OSError:
            pytest.skip("this file system takes only names that are text")
    usual = {what: str(tmp_path / f"{what}.toml") for what in ("vehicle", "course")}
    for file in usual.values():
        Path(file).write_text("x = 1\n")
    found = read_batch(tmp_path, str(tmp_path / "out"), usual)
    assert [Path(j.clips[0]).name for j in found.jobs] == ["good.mp4"]
    assert "holiday-\\udcff.mp4: this name cannot be read as text" in found.troubles[0].one_line()
    assert main(["batch", str(tmp_path / os.fsdecode(b"\xff")), "--out", "x"]) == 2
