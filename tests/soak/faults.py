"""Kill what writes at random moments, many times; every earlier result must then be whole, and the work go on."""

from __future__ import annotations

import http.client
import random
import shutil
import threading
import time
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import pytest
from app_running import FAKE_WORKER, Running, free_port, prepare_result, set_up, take_as_measured
from attempt_folders import write_attempt
from fake_attempt import make_attempt, write_clip

import cli.analyse
from cli.app import server
from cli.app.runner import SubprocessRunner
from cli.batch import Batch, read_batch, run_batch
from cli.batch_job import is_made
from cli.library.archive import export, import_
from cli.library.erase import PROOFS, erase_trainee, read_proofs
from cli.library.library import open_library
from cli.library.people import (
    About,
    Correction,
    FindingKey,
    append_correction,
    read_about,
    read_corrections,
    write_about,
)
from cli.library.query import Filter, find
from cli.library.storage import open_storage
from cli.verify import verify, whole_record
from soak.disks import in_a_fork, small_disk
from soak.killing import Acknowledge, Child, contents, killed_child, moments
from soak.work import WORK, write_result

SAID = FindingKey("dry_steering", "", 5.0)


def check_whole(attempt: Path) -> dict[str, Any]:
    """The record of an attempt that is whole by its checksums and its readers; fails with what is not."""
    bad = [t.what for t in verify(attempt) if t.bad]
    assert not bad, f"{attempt}: {bad}"
    return whole_record(attempt)


def leftovers(folder: Path) -> list[str]:
    """Hidden files and folders below, but the library's own."""
    return [f.name for f in folder.rglob(".*") if f.name != ".tailtrace"]


# ---- analyse ---------------------------------------------------------------------------------------------------------


def kill_analyse(place: Path, kills: int, seed: int = 1) -> str:
    """Half of the kills hit a whole analysis (all but the measuring), half the writing of its result alone."""
    prepared = prepare_result(place)
    run = place / "run"
    with pytest.MonkeyPatch.context() as patched:
        take_as_measured(patched, make_attempt())
        return _kill_analyse(prepared, run, place, kills, seed)


def _kill_analyse(prepared: Path, run: Path, place: Path, kills: int, seed: int) -> str:
    def request(trainee: str) -> cli.analyse.Request:
        return cli.analyse.Request((prepared / "recording-01.mp4",), prepared / "vehicle.toml",
                                   prepared / "course.toml", run, trainee=trainee, room=False)

    began = time.monotonic()
    cli.analyse.run(request("T-0"), quiet)
    longest_s = time.monotonic() - began
    append_correction(run, Correction("I-1", "note", SAID, reason="said before any kill"))
    people = (run / "people" / "corrections.jsonl").read_bytes()
    other = place / "other.mp4"
    other.write_bytes(b"another clip")
    replaced = set()
    for k, after_s in enumerate(moments(kills, 1.0, seed)):
        if k % 2:
            killed_child(lambda tell, k=k: cli.analyse.run(request(f"T-{k}"), quiet) and None,  # type: ignore[misc]
                         after_s * 1.2 * longest_s)
        else:
            killed_child(lambda tell: _write_for_ever(prepared, run, (prepared / "recording-01.mp4", other)),
                         0.5 * after_s)
        record = check_whole(run)
        replaced.add((record["trainee"], record["summary"]))
        assert (run / "people" / "corrections.jsonl").read_bytes() == people
    cli.analyse.run(request("T-last"), quiet)
    assert check_whole(run)["trainee"] == "T-last"
    assert leftovers(place) == []
    assert len(replaced) > 2 or kills < 50  # not all of the kills came too early to matter
    return f"{len(replaced)} different results stood in the folder"


def measure_at_once() -> None:
    """Take the hand-made attempt for what is measured, for good: for a process of its own."""
    take_as_measured(pytest.MonkeyPatch(), make_attempt())


def fill_disks(place: Path, steps: int = 12) -> str:
    """Analyse onto disks that have room for a twelfth, two twelfths, … of what is written: each time the earlier
    result stays as it was, or the new one is whole."""
    prepared = prepare_result(place)
    size_kb = sum(f.stat().st_size for f in prepared.iterdir()) / 1024
    ended = {0: 0, 2: 0}
    for step in range(1, steps + 1):
        with small_disk(place / "disk", round(size_kb * (1.1 + 1.3 * step / steps))) as disk:
            if disk is None:
                return "not tried: only a superuser can mount small disks"
            shutil.copytree(prepared, disk / "run")
            before = contents(disk)
            status, said = in_a_fork(analysis(prepared, disk / "run"), measure_at_once)
            ended[status] += 1
            check_whole(disk / "run")
            assert (contents(disk) == before) == (status == 2), said
            assert leftovers(disk) == []
    assert ended[0] and ended[2], ended
    return f"{ended[2]} of {steps} disks were full before the end, the earlier result as it was; the rest took it"


def analysis(prepared: Path, out: Path) -> list[str | Path]:
    """The command that analyses the prepared clip into `out`."""
    return ["analyse", prepared / "recording-01.mp4", "--vehicle", prepared / "vehicle.toml", "--course",
            prepared / "course.toml", "--no-room", "--out", out]


def _write_for_ever(prepared: Path, run: Path, clips: tuple[Path, Path]) -> None:
    while True:
        for clip in clips:
            write_result(prepared, run, clip, clip.name)


def quiet() -> Any:
    return nullcontext(lambda stage, fraction: None)


# ---- batch -----------------------------------------------------------------------------------------------------------


def kill_batch(place: Path, kills: int, seed: int = 2, clips: int = 4) -> str:
    """Between kills something that two results depend on is changed, so that there is always something to do again,
    and an earlier result to lose."""
    rng = random.Random(seed)
    source, library = place / "clips", place / "library"
    shutil.copytree(prepare_result(place), source / "prepared")
    for clip in range(clips):
        (source / f"{clip}.mp4").write_text(f"clip {clip}", "utf-8")
    takes = dict.fromkeys(range(clips), 0)

    def batch() -> Batch:
        rows = [f"{clip}.mp4,prepared/vehicle.toml,prepared/course.toml,take {take}" for clip, take in takes.items()]
        (source / "list.csv").write_text("\n".join(["clip,vehicle,course,weather", *rows, ""]), "utf-8")
        return read_batch(source / "list.csv", str(library), {}, WORK)

    def run(tell: Acknowledge) -> None:
        run_batch(batch(), workers=2)

    run_batch(batch(), workers=2)
    storage, cut_short = open_storage(library), 0
    for k, after_s in enumerate(moments(kills, 1.3, seed)):
        for clip in rng.sample(range(clips), 2):
            takes[clip] += 1
        killed_child(run, after_s, with_its_own=bool(k % 2))
        there = list(storage.attempts())
        assert len(there) == clips
        for attempt in there:
            check_whole(library / attempt)
        cut_short += not all(is_made(storage, job) for job in batch().jobs)
    outcomes = run_batch(batch(), workers=2)
    assert {o.status for o in outcomes} <= {"done", "unchanged"}, outcomes
    now = [check_whole(library / job.folder)["summary"] for job in batch().jobs]
    assert now == [f"take {take}" for take in takes.values()]
    assert leftovers(library) == []
    return f"{cut_short} batches were cut short and went on"


# ---- the app: uploads, queue, corrections ----------------------------------------------------------------------------


class Person:
    """Uploads clips and corrects findings through the app, one request at a time, and remembers what was answered."""

    def __init__(self, place: Path, names: tuple[str, ...], seed: int) -> None:
        self._rng, self._place, self._n = random.Random(seed), place, 0
        self.said: dict[str, list[str]] = {name: [] for name in names}
        self.jobs: list[str] = []
        self._clip = write_clip(place / "drone.mp4", seconds=2)
        self._data = self._clip.read_bytes()

    def step(self, app: Running) -> None:
        if self._rng.random() < 0.7:
            self._correct(app, self._rng.choice(list(self.said)))
        else:
            self._send(app)

    def _correct(self, app: Running, name: str) -> None:
        _, now = app.ask("GET", f"/attempts/{name}/people")
        self._n += 1
        reason = f"word {self._n}"
        status, _ = app.ask("POST", f"/attempts/{name}/people", {
            "version": now["version"], "by": "I-1", "action": "note", "reason": reason,
            "finding": {"kind": SAID.kind, "where": SAID.where, "t_start_s": SAID.t_start_s}})
        assert status == 200, status
        self.said[name].append(reason)

    def _send(self, app: Running) -> None:
        """A clip in small pieces, from where it stopped when the last try was cut short."""
        announced = {"name": "drone.mp4", "size": len(self._data), "modified": len(self.jobs)}
        begun = app.ask("POST", "/uploads", announced)[1]
        at, piece = begun["offset"], max(1, len(self._data) // 5)
        while at < len(self._data):
            status, got = app.ask("PATCH", f"/uploads/{begun['id']}?offset={at}", self._data[at:at + piece])
            assert status == 200, got
            at = got["offset"]
        status, job = app.ask("POST", "/queue", {"uploads": [begun["id"]], "vehicle": "lorry", "course": "yard",
                                                 "trainee": "swift"})
        assert status == 200, job
        self.jobs.append(job["attempt"])

    def check_said(self, folder: Path, name: str) -> None:
        """Every answered word is there, in order; none is there twice."""
        there = [c.reason for c in read_corrections(folder / name)]
        assert [w for w in there if w in set(self.said[name])] == self.said[name]
        assert len(set(there)) == len(there)


def kill_app(place: Path, kills: int, seed: int = 3) -> str:
    """The server is killed while somebody uploads and corrects, by turns with its worker and without. Whatever was
    answered must be there, and whatever was begun go on."""
    prepared = prepare_result(place)
    root, port = set_up(place / "folder", prepared, attempts=("old-1", "old-2")), free_port()
    attempts = root / "attempts"
    person, app = Person(place, ("old-1", "old-2"), seed), Running(root, port)
    cut_short = 0

    def serve(tell: Acknowledge) -> None:
        server.SubprocessRunner = lambda: SubprocessRunner(FAKE_WORKER)  # type: ignore[assignment,misc]
        server.serve(root, port=port, open_browser=False)

    for k, after_s in enumerate(moments(kills, 1.5, seed)):
        child = Child(serve)
        _up(app)
        killing = threading.Timer(after_s, child.kill, kwargs={"with_its_own": bool(k % 2)})
        killing.start()
        while killing.is_alive():
            try:
                person.step(app)
            except (OSError, http.client.HTTPException):
                cut_short += 1
                break
        killing.join()
        for name in person.said:
            check_whole(attempts / name)
            person.check_said(attempts, name)
    child = Child(serve)
    try:
        _up(app)
        until = time.monotonic() + 120
        while any(j["state"] in ("waiting", "running") for j in app.ask("GET", "/queue")[1]):
            assert time.monotonic() < until
            time.sleep(0.1)
    finally:
        child.kill()
    done = [p.name for p in attempts.iterdir() if p.name[0] != "."]
    assert set(person.jobs) <= set(done)
    for name in done:
        check_whole(attempts / name)
    for name in person.said:
        person.check_said(attempts, name)
    assert leftovers(attempts) == []
    words = sum(map(len, person.said.values()))
    return f"{words} corrections, {len(person.jobs)} clips answered, {cut_short} requests cut short"


def _up(app: Running) -> None:
    until = time.monotonic() + 30
    while True:
        try:
            app.ask("GET", "/queue")
            return
        except OSError:
            assert time.monotonic() < until
            time.sleep(0.01)


# ---- corrections and the library, written directly -------------------------------------------------------------------


def kill_corrections(place: Path, kills: int, seed: int = 4) -> str:
    attempt = write_attempt(place / "run")
    answered: list[str] = []

    def say(tell: Acknowledge) -> None:
        n = len(answered)
        while True:
            n += 1
            append_correction(attempt, Correction("I-1", "note", SAID, reason=f"{n} " + "word " * (n % 400)))
            write_about(attempt, About(notes=str(n)))
            tell(n)

    torn = 0
    for after_s in moments(kills, 0.3, seed):
        answered += killed_child(say, after_s)
        raw = (attempt / "people" / "corrections.jsonl").read_bytes() if answered else b""
        torn += bool(raw) and not raw.endswith(b"\n")
        there = [int(c.reason.split()[0]) for c in read_corrections(attempt)]
        assert set(answered) <= set(there)
        assert read_about(attempt).notes == "" or int(read_about(attempt).notes) <= max(there)
        check_whole(attempt)
    return f"{len(answered)} corrections answered, all are there; {torn} lines torn"


def kill_library(place: Path, kills: int, seed: int = 5) -> str:
    """Attempts are added, exported, imported and erased; the index must then be as if made anew, the proofs unchanged,
    and what was not to be erased whole."""
    root = place / "library"
    for k in range(6):
        write_attempt(root / f"kept-{k}", trainee="kept")
    kept = {f"kept-{k}": contents(root / f"kept-{k}") for k in range(6)}
    erased: list[str] = []

    def keep_busy(first: int) -> Callable[[Acknowledge], None]:
        def busy(tell: Acknowledge) -> None:
            library = open_library(root)
            n = first
            while True:
                n += 1
                write_attempt(root / f"gone-{n}", trainee=f"T{n}")
                library.refresh()
                export(library, Filter(trainee=f"T{n}"), place / f"{n}.zip")
                erase_trainee(library, f"T{n}")
                tell(f"T{n}")
                import_(library, place / f"{n}.zip")
                erase_trainee(library, f"T{n}")
        return busy

    for k, after_s in enumerate(moments(kills, 0.4, seed)):
        erased += killed_child(keep_busy(1000 * k), after_s)
        library = open_library(root)
        try:
            library.refresh()
            rows = find(library, order="oldest", limit=None)
            library.rebuild()
            assert find(library, order="oldest", limit=None) == rows
            assert len(read_proofs(root / ".tailtrace" / PROOFS)) >= len(erased)
            for row in rows:
                check_whole(root / row.id)
            assert {name: contents(root / name) for name in kept} == kept
            for trainee in {r.trainee for r in rows} - {"kept"}:
                erase_trainee(library, str(trainee))
            assert not list(root.glob("gone*"))
        finally:
            library.close()
    return f"{len(erased)} trainees erased, with proof"


SCENARIOS: dict[str, Callable[[Path, int], str]] = {
    "analyse": kill_analyse, "batch": kill_batch, "app": kill_app, "corrections": kill_corrections,
    "library": kill_library}
