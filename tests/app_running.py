"""The local app running for tests: on a port and over a folder of its own, with a worker that does not measure."""

from __future__ import annotations

import http.client
import json
import os
import shutil
import socket
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from fake_attempt import make_attempt, write_clip

import cli.analyse
from analysis.attempt import Attempt
from cli.app.guard import Passphrase
from cli.app.runner import SubprocessRunner
from cli.app.server import build
from cli.courses import course_toml

FAKE_WORKER = (sys.executable, str(Path(__file__).with_name("fake_worker.py")))
VEHICLE = """\
schema = 1
name = "8.5 m lorry"
length_m = 8.5
width_m = 2.5
height_m = 3.3
wheelbase_m = 4.8
front_overhang_m = 1.4
"""


def prepare_result(folder: Path) -> Path:
    """An analysed attempt folder of the hand-made attempt, with its clip as recording-01.mp4."""
    place = folder / "prepared"
    analysed_by_hand(place, make_attempt())
    os.environ["FAKE_RESULT"] = str(place)
    return place


def analysed_by_hand(place: Path, attempt: Attempt) -> None:
    """Make the folder `place` the result of an analysis that measured and judged this attempt."""
    place.mkdir()
    write_clip(place / "recording-01.mp4")
    (place / "vehicle.toml").write_text(VEHICLE)
    (place / "course.toml").write_text(course_toml(attempt.course))
    with pytest.MonkeyPatch.context() as patched:
        take_as_measured(patched, attempt)
        cli.analyse.run(cli.analyse.Request((place / "recording-01.mp4",), place / "vehicle.toml",
                                            place / "course.toml", place, trainee="T-07", instructor="I-1",
                                            room=False))


def take_as_measured(patched: pytest.MonkeyPatch, attempt: Attempt) -> None:
    """Let the program take a hand-made attempt for what it measured and judged, until `patched` is undone."""
    patched.setattr(cli.analyse, "measure", lambda *a, **k: attempt.track)
    patched.setattr(cli.analyse, "judge", lambda *a, **k: attempt)


def set_up(root: Path, prepared: Path, *, attempts: tuple[str, ...] = ()) -> Path:
    """The app's folder after set-up, with finished attempts of these names."""
    for kind in ("vehicles", "courses", "attempts"):
        (root / kind).mkdir(parents=True, exist_ok=True)
    (root / "vehicles" / "lorry.vehicle.toml").write_text(VEHICLE)
    shutil.copyfile(prepared / "course.toml", root / "courses" / "yard.course.toml")
    for name in attempts:
        shutil.copytree(prepared, root / "attempts" / name)
        (root / "attempts" / name / "request.json").write_text(json.dumps(
            {"clips": ["recording-01.mp4"], "trainee": "T-07", "instructor": "I-1", "quick": False}))
    return root


class Running:
    """A server in a thread, and plain requests to it."""

    def __init__(self, root: Path, port: int) -> None:
        self.root, self.port = root, port
        self.url = f"http://127.0.0.1:{port}"

    def ask(self, method: str, path: str, body: Any = None, headers: dict[str, str] | None = None) -> tuple[int, Any]:
        """Status and body (parsed where it is JSON) of one request, by default as the app's own page would send it."""
        sent = {"Origin": self.url} if method not in ("GET", "HEAD") else {}
        sent |= headers or {}
        data = body if isinstance(body, bytes) else None if body is None else json.dumps(body).encode()
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        connection.request(method, path, data, sent)
        answer = connection.getresponse()
        raw = answer.read()
        connection.close()
        kind = answer.headers.get("content-type", "")
        self.headers = answer.headers
        return answer.status, json.loads(raw) if kind.startswith("application/json") and raw else raw

    def upload(self, clip: Path, piece: int = 4_000_000) -> str:
        data = clip.read_bytes()
        _, begun = self.ask("POST", "/uploads", {"name": clip.name, "size": len(data), "modified": 1})
        at = begun["offset"]
        while at < len(data):
            status, got = self.ask("PATCH", f"/uploads/{begun['id']}?offset={at}", data[at:at + piece])
            assert status == 200, got
            at = got["offset"]
        return begun["id"]

    def job(self, clip: Path, **fields: Any) -> dict[str, Any]:
        status, job = self.ask("POST", "/queue", {"uploads": [self.upload(clip)], "vehicle": "lorry", "course": "yard",
                                                  "rules": "usual"} | fields)
        assert status == 200, job
        return job

    def pause(self) -> None:
        time.sleep(0.3)

    def wait(self, job: str, *states: str, timeout_s: float = 30.0) -> dict[str, Any]:
        until = time.monotonic() + timeout_s
        while time.monotonic() < until:
            got = next((j for j in self.ask("GET", "/queue")[1] if j["id"] == job), {})
            if got.get("state") in states:
                return got
            time.sleep(0.05)
        raise AssertionError(f"{job} is {got.get('state')}, not {states}")


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


@contextmanager
def running(root: Path, *, port: int | None = None, passphrase: Passphrase | None = None,
            worker: tuple[str, ...] = FAKE_WORKER) -> Iterator[Running]:
    port = port or free_port()
    app = build(root, addresses=[f"127.0.0.1:{port}", f"localhost:{port}"], passphrase=passphrase,
                runner=SubprocessRunner(worker))
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=port, log_level="warning",
                                           timeout_graceful_shutdown=1))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        assert thread.is_alive()
        time.sleep(0.01)
    try:
        yield Running(root, port)
    finally:
        server.should_exit = True
        thread.join(15)
