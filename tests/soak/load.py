"""Many people at once: instructors reviewing and correcting the same attempts, large clips on their way in, a batch."""

from __future__ import annotations

import hashlib
import http.client
import json
import random
import re
import shutil
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from app_running import FAKE_WORKER, Running, free_port, prepare_result, set_up

from cli.batch import read_batch, run_batch
from cli.batch_job import ANALYSE
from cli.library.people import read_corrections
from soak.faults import check_whole
from soak.work import WORK

ROOT = Path(__file__).parents[2]
ATTEMPTS = ("run-1", "run-2", "run-3", "run-4")
PIECE = 4_000_000
_SERVE = ("import sys; from pathlib import Path; import cli.app.server as s; from cli.app.runner import "
          "SubprocessRunner as R; s.SubprocessRunner = lambda: R({worker!r}); "
          "s.serve(Path({root!r}), port={port}, open_browser=False)")


@dataclass(frozen=True)
class Load:
    """What came of it. waits_s: of every request of the reviewing clients; memory_mb: the server's, at rest and at
    its most (the kernel's count)."""

    requests: int
    corrections: int
    conflicts: int
    uploaded_mb: float
    batch: int
    seconds: float
    waits_s: list[float]
    rest_mb: float
    most_mb: float

    def told(self) -> str:
        waits = sorted(self.waits_s)
        return (f"{self.requests} requests in {self.seconds:.0f} s, none failed; {self.corrections} corrections "
                f"answered, all kept; {self.conflicts} told that somebody was quicker; {self.uploaded_mb:.0f} MB "
                f"uploaded whole; {self.batch} clips by the batch; answers: median {waits[len(waits) // 2]:.2f} s, "
                f"99 % within {waits[int(len(waits) * 0.99)]:.2f} s; server: {self.rest_mb:.0f} MB at rest, "
                f"{self.most_mb:.0f} MB at most")


def load(place: Path, *, clients: int, upload_mb: float, batch_clips: int, least_rounds: int,
         real_clip: Path | None = None) -> Load:
    """Three uploads of upload_mb each and a batch, while `clients` review until both are through, and for at least
    least_rounds each. real_clip: the batch analyses this folder's clip for real; else it does stand-in work."""
    prepared = prepare_result(place)
    root, port = set_up(place / "folder", prepared, attempts=ATTEMPTS), free_port()
    with _server(root, port) as process:
        rest_mb = _memory_mb(process.pid, "VmRSS")
        began, through = time.monotonic(), threading.Event()
        with ThreadPoolExecutor(clients + 4) as pool:
            work = [pool.submit(_upload, Running(root, port), prepared / "recording-01.mp4", int(upload_mb * 1e6), k)
                    for k in range(3)]
            batch = pool.submit(_batch, place, root / "attempts", prepared, batch_clips, real_clip)
            reviews = [pool.submit(_review, Reviewer(port, k), through, least_rounds) for k in range(clients)]
            try:
                sums = dict(f.result() for f in work)
                done = batch.result()
            finally:
                through.set()
            reviewers = [f.result() for f in reviews]
        app = Running(root, port)
        for attempt in sums:
            app.wait(f"analyse-{attempt}", "done", timeout_s=60)
        seconds, most_mb = time.monotonic() - began, _memory_mb(process.pid, "VmHWM")
    for attempt, wanted in sums.items():
        with (root / "attempts" / attempt / "recording-01.mp4").open("rb") as f:
            assert hashlib.file_digest(f, "sha256").hexdigest() == wanted
    _check_nothing_lost(root / "attempts", reviewers)
    answers = sum((r.answers for r in reviewers), Counter())
    assert set(answers) <= {200, 206, 409}, answers
    return Load(sum(answers.values()), sum(len(r.said) for r in reviewers), answers[409], 3 * upload_mb, done,
                seconds, [w for r in reviewers for w in r.waits_s], rest_mb, most_mb)


def _check_nothing_lost(attempts: Path, reviewers: list[Reviewer]) -> None:
    """Every answered correction is there once, made upon the state that its maker had seen."""
    there = {name: read_corrections(attempts / name) for name in ATTEMPTS}
    for name in ATTEMPTS:
        check_whole(attempts / name)
        reasons = [c.reason for c in there[name]]
        assert len(set(reasons)) == len(reasons)
        answered = {word: version for r in reviewers for (at, word), version in r.said.items() if at == name}
        assert set(answered) == set(reasons)
        for place, reason in enumerate(reasons):
            assert answered[reason] == place  # nobody's word went in on top of one they had not seen


class Reviewer:
    """One browser: looks at an attempt's page, plays the clip, and corrects a finding that others correct too."""

    def __init__(self, port: int, number: int) -> None:
        self._port, self._number = port, number
        self._rng = random.Random(number)
        self.said: dict[tuple[str, str], int] = {}
        self.answers: Counter[int] = Counter()
        self.waits_s: list[float] = []

    def round(self, n: int) -> None:
        name = self._rng.choice(ATTEMPTS)
        page = self._ask("GET", f"/attempts/{name}", accept="text/html")
        assert b"/attempts/" in page
        for static in set(re.findall(rb'/static/[a-z_]+\.(?:js|css)', page)):
            self._ask("GET", static.decode())
        self._ask("GET", f"/attempts/{name}/clip", range="bytes=0-99999")
        for path in (f"/attempts/{name}/captions.vtt", f"/attempts/{name}/sheet", "/queue", "/"):
            self._ask("GET", path)
        now, word = json.loads(self._ask("GET", f"/attempts/{name}/people")), f"{self._number}: word {n}"
        while True:
            said = {"version": now["version"], "by": f"I-{self._number}", "action": "overrule", "reason": word,
                    "verdict": self._rng.choice(("ok", "fault")), "tool_verdict": "fault",
                    "finding": {"kind": "dry_steering", "where": "", "t_start_s": 5.0}}
            version, before = now["version"], self.answers[409]
            now = json.loads(self._ask("POST", f"/attempts/{name}/people", json.dumps(said).encode()))
            if self.answers[409] == before:
                self.said[name, word] = version
                return
            assert now["version"] > version  # told, with what stands there now

    def _ask(self, method: str, path: str, body: bytes | None = None, **headers: str) -> bytes:
        began = time.monotonic()
        connection = http.client.HTTPConnection("127.0.0.1", self._port, timeout=60)
        connection.request(method, path, body, headers | (
            {"Origin": f"http://127.0.0.1:{self._port}"} if method != "GET" else {}))
        answer = connection.getresponse()
        raw = answer.read()
        connection.close()
        self.answers[answer.status] += 1
        assert answer.status in (200, 206, 409), (method, path, answer.status, raw[:300])
        self.waits_s.append(time.monotonic() - began)
        return raw


def _review(reviewer: Reviewer, through: threading.Event, least_rounds: int) -> Reviewer:
    n = 0
    while n < least_rounds or not through.is_set():
        reviewer.round(n)
        n += 1
    return reviewer


def _upload(app: Running, clip: Path, size: int, number: int) -> tuple[str, str]:
    """Send the clip, made as large as that by an empty box of the container at its end. Returns the attempt's name and
    the SHA-256 of what was sent."""
    head = clip.read_bytes()
    box = size - len(head)
    head += (1).to_bytes(4, "big") + b"free" + box.to_bytes(8, "big") + number.to_bytes(8, "big")
    digest = hashlib.sha256()
    begun = app.ask("POST", "/uploads", {"name": f"drone-{number}.mp4", "size": size, "modified": number})[1]
    at = 0
    while at < size:
        piece = head[at:at + PIECE].ljust(min(PIECE, size - at), b"\0")
        digest.update(piece)
        status, got = app.ask("PATCH", f"/uploads/{begun['id']}?offset={at}", piece)
        assert status == 200, got
        at = got["offset"]
    status, job = app.ask("POST", "/queue", {"uploads": [begun["id"]], "vehicle": "lorry", "course": "yard",
                                             "trainee": "swift"})
    assert status == 200, job
    return job["attempt"], digest.hexdigest()


def _batch(place: Path, library: Path, prepared: Path, clips: int, real_clip: Path | None) -> int:
    """Analyse clips into the app's own attempts; returns how many."""
    source = place / "clips"
    if real_clip is not None:
        shutil.copytree(real_clip, source, ignore=shutil.ignore_patterns("truth*"))
        batch = read_batch(source, str(library), {}, ANALYSE)
    else:
        shutil.copytree(prepared, source / "prepared")
        rows = ["clip,vehicle,course,weather"]
        for k in range(clips):
            (source / f"{k}.mp4").write_text(f"clip {k}", "utf-8")
            rows.append(f"{k}.mp4,prepared/vehicle.toml,prepared/course.toml,dry")
        (source / "list.csv").write_text("\n".join([*rows, ""]), "utf-8")
        batch = read_batch(source / "list.csv", str(library), {}, WORK)
    outcomes = run_batch(batch)
    assert [o.status for o in outcomes] == ["done"] * len(outcomes), outcomes
    for o in outcomes:
        check_whole(library / o.folder)
    return len(outcomes)


@contextmanager
def _server(root: Path, port: int) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen([sys.executable, "-c", _SERVE.format(worker=FAKE_WORKER, root=str(root), port=port)],
                               cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None and process.stderr is not None
    try:
        process.stdout.readline()  # it says where it is once it listens
        app, until = Running(root, port), time.monotonic() + 60
        while app.ask("GET", "/queue")[0] != 200:
            assert time.monotonic() < until
        last_mb = 0.0  # what measures is loaded in the background
        while (now_mb := _memory_mb(process.pid, "VmRSS")) > last_mb + 1 and time.monotonic() < until:
            last_mb = now_mb
            time.sleep(2)
        yield process
    finally:
        process.terminate()
        _, said = process.communicate(timeout=30)
    assert b"Traceback" not in said, said.decode()


def _memory_mb(pid: int, what: str) -> float:
    """A figure of the kernel's for one process: VmRSS now, VmHWM at its most."""
    found = re.search(rf"{what}:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text())
    assert found
    return int(found[1]) / 1024
