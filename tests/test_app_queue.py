"""Clips on their way in, the queue, and the process that does the work: no browser, plain requests."""

from __future__ import annotations

import json
import math
import os
import re
import signal
import subprocess
import sys
import time
import zipfile
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path
from urllib.parse import urlencode

import pytest
from app_running import FAKE_WORKER, Running, free_port, prepare_result, running, set_up
from fake_attempt import write_clip

from cli.app.folder import Folder
from cli.app.jobs import _read
from cli.app.share import make_share
from cli.app.uploads import ABANDONED_AFTER_S, Uploads
from cli.files import read_course, read_lens, read_vehicle
from cli.library.people import Correction, FindingKey, append_correction

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return prepare_result(tmp_path_factory.mktemp("result"))


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_clip(tmp_path_factory.mktemp("clip") / "drone.mp4", seconds=2)


@pytest.fixture
def app(tmp_path: Path, prepared: Path) -> Iterator[Running]:
    with running(set_up(tmp_path / "folder", prepared)) as got:
        yield got


# ---- uploads -------------------------------------------------------------------------------------------


def test_an_upload_goes_on_where_it_stopped(app: Running, clip: Path) -> None:
    data = clip.read_bytes()
    announced = {"name": "drone.mp4", "size": len(data), "modified": 5}
    begun = app.ask("POST", "/uploads", announced)[1]
    assert begun["offset"] == 0
    assert app.ask("PATCH", f"/uploads/{begun['id']}?offset=0", data[:1000])[1] == {"offset": 1000}
    assert app.ask("POST", "/uploads", announced)[1] == {"id": begun["id"], "offset": 1000}
    # a piece that was sent twice is refused with the place to go on
    assert app.ask("PATCH", f"/uploads/{begun['id']}?offset=0", data[:1000]) == (409, b"1000")
    status, refusal = app.ask("POST", "/queue", {"uploads": [begun["id"]], "vehicle": "lorry", "course": "yard"})
    assert (status, refusal["what"]) == (422, "has not arrived whole")
    app.ask("PATCH", f"/uploads/{begun['id']}?offset=1000", data[1000:])
    assert app.ask("POST", "/queue", {"uploads": [begun["id"]], "vehicle": "lorry", "course": "yard"})[0] == 200
    kept = next((app.root / "attempts").glob("*/recording-01.mp4"))
    assert kept.read_bytes() == data
    assert list((app.root / "uploads").iterdir()) == []


def test_more_than_was_announced_is_refused_and_dropped(app: Running) -> None:
    begun = app.ask("POST", "/uploads", {"name": "x.mp4", "size": 10, "modified": 1})[1]
    assert app.ask("PATCH", f"/uploads/{begun['id']}?offset=0", b"12345678901")[0] == 422
    assert (app.root / "uploads" / begun["id"]).stat().st_size == 0


def test_what_a_file_is_follows_from_decoding_it_not_from_its_name(app: Running, tmp_path: Path, clip: Path) -> None:
    letter = tmp_path / "holiday.mp4"
    letter.write_bytes(b"Dear all, this is not a film." * 40)
    upload = app.upload(letter)
    status, refusal = app.ask("POST", "/queue", {"uploads": [upload], "vehicle": "lorry", "course": "yard"})
    assert status == 422
    assert refusal["where"] == "holiday.mp4"
    assert list((app.root / "attempts").iterdir()) == []
    renamed = tmp_path / "drone.txt"
    renamed.write_bytes(clip.read_bytes())
    assert app.job(renamed)["state"] == "waiting"


@pytest.mark.parametrize(("fields", "place"), [({"trainee": "Maria Muster"}, "trainee"), ({"vehicle": ""}, "")])
def test_what_is_wrong_with_a_request_is_said(app: Running, clip: Path, fields: dict[str, str], place: str) -> None:
    body = {"uploads": [app.upload(clip)], "vehicle": "lorry", "course": "yard"} | fields
    status, refusal = app.ask("POST", "/queue", body)
    assert (status, refusal["where"]) == (422, place)
    assert app.ask("POST", "/queue", body | {"trainee": "T1", "vehicle": "lorry"})[0] == 200  # the upload is kept


def test_abandoned_uploads_are_cleared_away(tmp_path: Path) -> None:
    uploads = Uploads(Folder(tmp_path))
    upload, _ = uploads.begin("a.mp4", 100, 1)
    (tmp_path / "uploads" / ".part-x").write_text("left by a crash")
    uploads.clear_abandoned(time.time() + ABANDONED_AFTER_S - 60)
    assert (tmp_path / "uploads" / upload).exists()
    uploads.clear_abandoned(time.time() + ABANDONED_AFTER_S + 60)
    assert list((tmp_path / "uploads").iterdir()) == []


# ---- the queue -----------------------------------------------------------------------------------------


def test_a_job_is_done_and_its_result_can_be_seen(app: Running, clip: Path) -> None:
    job = app.job(clip, trainee="T9")
    seen = app.wait(job["id"], "running")
    done = app.wait(job["id"], "done")
    assert (seen["label"], done["fraction"]) == ("drone.mp4", 1.0)
    record = json.loads((app.root / "attempts" / job["attempt"] / "attempt.json").read_text())
    assert record["trainee"] == "T9"
    assert app.ask("GET", f"/attempts/{job['attempt']}", headers={"Accept": "text/html"})[0] == 200


def test_cancel_and_start_again(app: Running, clip: Path) -> None:
    slow, next_one = app.job(clip, trainee="slow"), app.job(clip, trainee="T2")
    app.wait(slow["id"], "running")
    assert app.ask("POST", f"/queue/{slow['id']}/cancel")[0] == 204
    app.wait(slow["id"], "cancelled")
    app.wait(next_one["id"], "done")  # the queue went on
    app.ask("POST", f"/queue/{slow['id']}/resume")
    app.wait(slow["id"], "running")
    app.ask("POST", f"/queue/{slow['id']}/cancel")
    app.wait(slow["id"], "cancelled")
    app.ask("POST", f"/queue/{slow['id']}/forget")
    assert [j["id"] for j in app.ask("GET", "/queue")[1]] == [next_one["id"]]
    # a clip that was never analysed goes with its job, one that was stays
    assert not (app.root / "attempts" / slow["attempt"]).exists()
    app.ask("POST", f"/queue/{next_one['id']}/forget")
    assert (app.root / "attempts" / next_one["attempt"] / "recording-01.mp4").exists()


def test_what_is_being_analysed_is_not_asked_for_with_another_set_up(app: Running, clip: Path) -> None:
    job = app.job(clip, trainee="slow")
    app.wait(job["id"], "running")
    place = app.root / "attempts" / job["attempt"]
    before = (place / "vehicle.toml").read_bytes()
    shorter = before.decode().replace("8.5", "8.4")
    (app.root / "vehicles" / "shorter.vehicle.toml").write_text(shorter)
    status, refusal = app.ask("POST", f"/attempts/{job['attempt']}/again", b"vehicle=shorter")
    assert (status, refusal["what"]) == (422, "it is being analysed already")
    assert (place / "vehicle.toml").read_bytes() == before
    app.ask("POST", f"/queue/{job['id']}/cancel")
    assert app.ask("POST", f"/attempts/{job['attempt']}/again", b"vehicle=shorter")[0] == 303
    assert (place / "vehicle.toml").read_text() == shorter


def test_a_failure_is_told_as_the_worker_told_it(app: Running, clip: Path) -> None:
    lost = app.wait(app.job(clip, trainee="lost")["id"], "failed")
    assert lost["problem"] == ["no cones found in the picture", "", "point the marks out by hand"]
    dead = app.wait(app.job(clip, trainee="dies")["id"], "failed")
    assert "without saying why" in dead["problem"][0]
    odd = app.wait(app.job(clip, trainee="babbles")["id"], "failed")
    assert "defect of the program" in odd["problem"][0]
    app.wait(app.job(clip, trainee="T1")["id"], "done")  # none of it holds the queue up


def test_a_job_begins_anew_when_the_server_was_killed(tmp_path: Path, prepared: Path, clip: Path) -> None:
    root, port = set_up(tmp_path / "folder", prepared), free_port()
    code = ("import sys; from pathlib import Path; import cli.app.server as s; from cli.app.runner import "
            f"SubprocessRunner as R; s.SubprocessRunner = lambda: R({FAKE_WORKER!r}); "
            f"s.serve(Path({str(root)!r}), port={port}, open_browser=False)")
    server = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE)
    assert server.stdout is not None
    server.stdout.readline()  # it says where it is once it listens
    app = Running(root, port)
    job = app.job(clip, trainee="slow")
    app.wait(job["id"], "running")
    worker = subprocess.run(["pgrep", "-P", str(server.pid)], capture_output=True, text=True, check=True).stdout.strip()
    server.send_signal(signal.SIGKILL)
    server.wait()
    server.stdout.close()
    for _ in range(100):  # the worker ends with the server, so that no two work on one attempt
        if not os.path.exists(f"/proc/{worker}") or "Z" in Path(f"/proc/{worker}/stat").read_text().split()[2]:
            break
        time.sleep(0.05)
    else:
        raise AssertionError("the worker outlived the server")
    assert [j.state for j in _read(root / "queue.json")] == ["running"]
    with running(root, port=port) as again:
        again.wait(job["id"], "running")


def test_a_queue_file_that_makes_no_sense_is_put_aside(tmp_path: Path) -> None:
    (tmp_path / "queue.json").write_text('[{"id": 3')
    assert _read(tmp_path / "queue.json") == []
    assert (tmp_path / "queue.unreadable.json").read_text() == '[{"id": 3'


def test_the_audit_follows_what_people_said(tmp_path: Path, prepared: Path) -> None:
    with running(set_up(tmp_path / "folder", prepared)) as app:
        assert app.ask("GET", "/school/index.html")[0] == 422  # no attempt yet: said in words
        set_up(app.root, prepared, attempts=("run-1",))
        assert b"1 of 1" in app.ask("GET", "/school/index.html")[1]
        assert b"/attempts/run-1" in app.ask("GET", "/school/attempts.js")[1]
        said = {"version": 0, "by": "I-1", "action": "overrule", "reason": "No.", "verdict": "ok",
                "tool_verdict": "fault", "finding": {"kind": "dry_steering", "where": "", "t_start_s": 5.0}}
        assert app.ask("POST", "/attempts/run-1/people", said)[1]["verdict"] == "too close to call"
        assert b"1 of 1" not in app.ask("GET", "/school/index.html")[1]


def test_a_copy_holds_what_people_said(tmp_path: Path, prepared: Path) -> None:
    place = set_up(tmp_path, prepared, attempts=("run-1",)) / "attempts" / "run-1"
    append_correction(place, Correction("I-1", "overrule", FindingKey("dry_steering", "", 5.0), "fault", "ok",
                                        reason="<b>Rolling</b>, I saw it"))
    (place / "share").mkdir()
    (place / "share" / "share.json").write_text(json.dumps({"single": False, "blur": False, "language": "de"}))
    make_share(place, lambda stage, fraction: None)
    with zipfile.ZipFile(place / "share" / "attempt.zip") as z:
        pages = {name: z.read(name).decode() for name in ("index.html", "trainee.html")}
        assert z.read("clip.mp4") == (place / "recording-01.mp4").read_bytes()
        assert "Lenken im Stand" not in z.read("captions.vtt").decode()  # overruled: nothing to tell of any more
        assert "Rückwärtsfahrt" in z.read("chapters.vtt").decode()
    for text in pages.values():
        assert "&lt;b&gt;Rolling&lt;/b&gt;, I saw it" in text
        assert "Lenken im Stand" in text
    assert "Kein klarer Fehler, aber zu knapp</h1>" in pages["index.html"]
    assert 'src="clip.mp4"' in pages["index.html"]
    (place / "share" / "share.json").write_text(json.dumps({"single": True, "blur": False, "language": "en"}))
    make_share(place, lambda stage, fraction: None)
    assert [p.name for p in sorted((place / "share").iterdir())] == ["attempt.html", "share.json"]


def test_set_up_by_form_and_its_correction(tmp_path: Path, prepared: Path) -> None:
    sizes = {"name": "Lorry 4", "length_m": "27ft 10.6in", "width_m": "250 cm", "height_m": "3,3", "wheelbase_m": "4.8",
             "front_overhang_m": "1.4", "cab_length_m": "2.2", "cab_height_m": "2.8"}
    with running(set_up(tmp_path / "folder", prepared)) as app:
        assert app.ask("POST", "/setup/vehicle", urlencode(sizes).encode())[0] == 303
        lorry = read_vehicle(app.root / "vehicles" / "lorry-4.vehicle.toml")
        assert (lorry.length_m, lorry.width_m, lorry.height_m) == pytest.approx((8.5, 2.5, 3.3), abs=0.002)
        assert [(s.name, s.z_max_m) for s in lorry.solids] == [("body", 3.3), ("cab", 2.8)]
        assert lorry.solids[0].x_max_m == pytest.approx(4.8 + 1.4 - 2.2)
        assert b'name="cab_length_m" value="2.2"' in app.ask("GET", "/setup/vehicle?of=lorry-4")[1]
        shorter = urlencode(sizes | {"cab_length_m": "2.0"}).encode()
        assert app.ask("POST", "/setup/vehicle?of=lorry-4", shorter)[0] == 303
        assert len(list((app.root / "vehicles").iterdir())) == 2
        by_hand = app.root / "vehicles" / "lorry-4.vehicle.toml"
        by_hand.write_text(by_hand.read_text() + "\n[mirror]\nout_m = 0.31\n")
        assert app.ask("POST", "/setup/vehicle?of=lorry-4", urlencode(sizes | {"width_m": "2.45"}).encode())[0] == 303
        lorry = read_vehicle(by_hand)  # what the form does not ask for stays as it was written by hand
        assert (lorry.width_m, lorry.mirror_out_m) == (2.45, 0.31)
        wrong = urlencode(sizes | {"wheelbase_m": "7.5"}).encode()
        status, page = app.ask("POST", "/setup/vehicle?of=lorry-4", wrong)
        assert (status, b"at least 0.2 m must remain" in page) == (422, True)
        lens = {"name": "Drone", "width_px": "1920", "height_px": "1080", "view_deg": "73.74"}
        assert app.ask("POST", "/setup/lens", urlencode(lens).encode())[0] == 303
        # half the width over the tangent of half the angle: 960 / 0.75
        assert read_lens(app.root / "lenses" / "drone.lens.toml").fx == pytest.approx(1280, abs=0.1)
        calibrated = "\r\n".join(["schema = 1", "width_px = 1920", "height_px = 1080", "fx_px = 1500", "fy_px = 1502",
                                  "k1 = -0.1", ""])
        pasted = {"name": "Mast", "toml": calibrated}
        assert app.ask("POST", "/setup/lens", urlencode(pasted).encode())[0] == 303
        assert read_lens(app.root / "lenses" / "mast.lens.toml").dist[0] == -0.1
        for wrong_lens in ("fx_px 1500", calibrated.replace("1502", "2")):
            assert app.ask("POST", "/setup/lens", urlencode(pasted | {"toml": wrong_lens}).encode())[0] == 422
        gone = urlencode({"kind": "vehicle", "name": "lorry-4"}).encode()
        assert app.ask("POST", "/setup/remove", gone)[0] == 303
        assert app.ask("POST", "/setup/remove", gone)[0] == 404


def test_a_tape_survey_typed_in(tmp_path: Path, prepared: Path) -> None:
    """Distances of the planned yard, with the pivot cone 0.3 m nearer the forward pair."""
    with running(set_up(tmp_path / "folder", prepared)) as app:
        course = read_course(app.root / "courses" / "yard.course.toml")
        at = {m.name: (m.x_m + (0.3 if m.name == "pivot" else 0.0), m.y_m) for m in course.marks}
        pairs = [(a, b, f"{math.dist(at[a], at[b]):.3f}") for a, b in combinations(sorted(at), 2)]

        def form(rows: list[tuple[str, str, str]]) -> bytes:
            return urlencode([("of", "yard"), *((k, v) for r in rows for k, v in zip(("from", "to", "distance"), r,
                                                                                       strict=True))]).encode()

        told = app.ask("POST", "/setup/tape/drawing", form(pairs))[1]
        assert told["told"].startswith("21 distances agree to 0.")
        wrong = [*pairs[:-1], (*pairs[-1][:2], str(float(pairs[-1][2]) + 1.0))]
        status, refusal = app.ask("POST", "/setup/tape/drawing", form(wrong))
        assert (status, "do not close" in refusal["what"]) == (422, True)
        assert app.ask("POST", "/setup/tape", form(pairs))[0] == 303
        taped = read_course(app.root / "courses" / "yard-taped.course.toml")
        assert taped.mark("pivot").x_m - course.mark("pivot").x_m == pytest.approx(0.3, abs=0.01)


def test_what_is_noted_of_an_attempt_and_taking_it_away(tmp_path: Path, prepared: Path) -> None:
    def form(**fields: str) -> bytes:
        return urlencode(fields).encode()

    with running(set_up(tmp_path / "folder", prepared, attempts=("run-1",))) as app:
        was = re.search(rb'name="was" value="(\w+)"', app.ask("GET", "/attempts/run-1/about")[1])
        assert was
        noted = {"was": was[1].decode(), "trainee": "T-8", "instructor": "I-1", "run_on": "2026-11-20",
                 "weather": "rain"}
        assert app.ask("POST", "/attempts/run-1/about", form(**noted | {"run_on": "20.11."}))[0] == 422
        assert app.ask("POST", "/attempts/run-1/about", form(**noted | {"trainee": "Maria Muster"}))[0] == 422
        assert app.ask("POST", "/attempts/run-1/about", form(**noted))[0] == 303
        assert app.ask("POST", "/attempts/run-1/about", form(**noted))[0] == 422  # it is not what it was
        assert b"2026-11-20" in app.ask("GET", "/trainees/T-8")[1]
        longer = app.root / "vehicles" / "longer.vehicle.toml"
        longer.write_text((app.root / "vehicles" / "lorry.vehicle.toml").read_text().replace("8.5", "8.7"))
        assert app.ask("POST", "/attempts/run-1/again", form(vehicle="longer", rules="full_width"))[0] == 303
        app.wait("analyse-run-1", "done")
        place = app.root / "attempts" / "run-1"
        assert (place / "vehicle.toml").read_text() == longer.read_text()
        assert 'tyre_reading = "full_width"' in (place / "rules.toml").read_text()
        assert (place / "people" / "about.json").exists()
        assert app.ask("POST", "/attempts/run-1/remove", form(name="run-2"))[0] == 422
        assert app.ask("POST", "/attempts/run-1/remove", form(name="run-1"))[0] == 303
        assert not (app.root / "attempts" / "run-1").exists()
        assert app.ask("GET", "/trainees/T-8")[0] == 404


# ---- the real worker ---------------------------------------------------------------------------------------


def test_the_real_worker_ends_with_the_server_whatever_it_waits_for(tmp_path: Path, prepared: Path) -> None:
    """`run` closes the standard input at once: the worker takes this for the end of the server. What it would read
    never comes, so that it cannot be done before."""
    place = set_up(tmp_path, prepared) / "attempts" / "run"
    place.mkdir()
    os.mkfifo(place / "request.json")
    got = subprocess.run([sys.executable, "-m", "cli.app.worker", "analyse", str(place)], cwd=ROOT, timeout=120,
                         stdin=subprocess.PIPE, stdout=subprocess.PIPE, check=False)
    assert got.returncode == 130


def test_the_real_worker_tells_a_trouble_and_leaves_nothing(tmp_path: Path, prepared: Path) -> None:
    place = set_up(tmp_path, prepared) / "attempts" / "run"
    place.mkdir()
    for name in ("recording-01.mp4", "vehicle.toml", "course.toml"):
        (place / name).write_bytes((prepared / name).read_bytes())
    (place / "request.json").write_text(json.dumps({"clips": ["recording-01.mp4"], "trainee": "T1", "instructor": "",
                                                    "quick": True}))
    with subprocess.Popen([sys.executable, "-m", "cli.app.worker", "analyse", str(place)], cwd=ROOT,
                          stdin=subprocess.PIPE, stdout=subprocess.PIPE) as worker:
        assert worker.stdout is not None
        said = [json.loads(line) for line in worker.stdout]
        assert worker.wait() == 2  # grey ground and a white block: no course in view
    assert any("stage" in s for s in said)
    what, where, remedy = said[-1]["problem"]
    assert what and remedy
    assert str(tmp_path) not in where
    assert sorted(p.name for p in place.iterdir()) == ["course.toml", "recording-01.mp4", "request.json",
                                                       "vehicle.toml"]
