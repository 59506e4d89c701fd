"""One job of a batch: run in a process of its own, wherever the batch is spread to."""

from __future__ import annotations

import hashlib
import importlib
import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

import fsspec

from analysis.trouble import Trouble
from cli.held import own_folder
from cli.library.people import ABOUT, About, write_about
from cli.library.storage import Storage, open_storage
from cli.store import PEOPLE, RECORD
from cli.whole import write_whole

ANALYSE = "cli.batch_job:analyse_clip"
MADE_FROM = "made_from.json"
_TRIES = 2  # a process that dies without a word (out of memory, killed) is tried once more


@dataclass(frozen=True)
class Job:
    """One clip. clips: addresses of its parts; given: the other files and codes by the names of batch.COLUMNS; out:
    the library's address; folder: the attempt's within it; key: the hash of everything that the result depends on;
    work: 'module:function' of what is done, called as function(job, folder)."""

    clips: tuple[str, ...]
    given: Mapping[str, str]
    out: str
    folder: str
    key: str
    work: str


@dataclass(frozen=True)
class Outcome:
    """status: 'done', 'unchanged', 'trouble' (`what` says what and what to do), 'defect' or 'crashed'."""

    folder: str
    clip: str
    status: str
    what: str = ""


_processes: set[subprocess.Popen[bytes]] = set()
_stopping = threading.Event()


@contextmanager
def running() -> Iterator[None]:
    """Jobs may run; on leaving, none is left behind."""
    _stopping.clear()
    try:
        yield
    finally:
        stop_all()


def stop_all() -> None:
    _stopping.set()
    for process in list(_processes):
        process.kill()


def run_job(job: Job) -> Outcome:
    """Do one job in a process of its own, unless its result is there already. Raises nothing."""
    told = Outcome(job.folder, job.clips[0], "crashed", "the process ended without a result")
    if is_made(open_storage(job.out), job):
        return Outcome(job.folder, job.clips[0], "unchanged")
    for _ in range(_TRIES):
        if _stopping.is_set():
            break
        with own_folder("tailtrace-job-") as folder:
            answer = folder / "outcome.json"
            process = subprocess.Popen(
                [sys.executable, "-m", "cli.batch_job", str(answer)], stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)})
            _processes.add(process)
            try:
                assert process.stdin is not None
                process.stdin.write(json.dumps(asdict(job)).encode() + b"\n")
                process.stdin.flush()
                process.wait()  # its input stays open: when this process dies, it closes, and that one ends
            except BrokenPipeError:
                process.wait()
            finally:
                _processes.discard(process)
                process.kill()
            if answer.exists():
                return Outcome(job.folder, job.clips[0], **json.loads(answer.read_text("utf-8")))
    return told


def is_made(storage: Storage, job: Job) -> bool:
    """Whether the attempt folder holds the result of exactly this job."""
    told, record = storage.read(job.folder, MADE_FROM), storage.read(job.folder, RECORD)
    if told is None or record is None:
        return False
    try:
        made = json.loads(told)
        return made["key"] == job.key and made["record_sha256"] == hashlib.sha256(record).hexdigest()
    except (ValueError, KeyError, TypeError):
        return False


def do(job: Job) -> dict[str, str]:
    """Carry a job out in this process: work in the library's folder where it is a disk's, else beside it and put in."""
    try:
        storage = open_storage(job.out)
        work = _named(job.work)
        if storage.local is not None:
            _make(work, job, storage.local / job.folder)
        else:
            with own_folder("tailtrace-made-") as place:
                folder = place / job.folder
                _make(work, job, folder)
                storage.put_attempt(folder, job.folder)
        return {"status": "done"}
    except Trouble as e:
        return {"status": "trouble", "what": e.one_line()}
    except Exception as e:
        return {"status": "defect", "what": f"sorry, a defect of the program ({type(e).__name__}: {e})"}


def _make(work: Callable[[Job, Path], None], job: Job, folder: Path) -> None:
    folder.parent.mkdir(parents=True, exist_ok=True)
    work(job, folder)
    known = {k: job.given[k] for k in ("run_on", "weather") if k in job.given}
    if known and not (folder / PEOPLE / ABOUT).exists():
        run_on = date.fromisoformat(known["run_on"]) if "run_on" in known else None
        write_about(folder, About(run_on=run_on, weather=known.get("weather", "")))
    made = {"key": job.key, "record_sha256": hashlib.sha256((folder / RECORD).read_bytes()).hexdigest()}
    write_whole(folder / MADE_FROM, json.dumps(made))


def analyse_clip(job: Job, folder: Path) -> None:
    """The work of a batch: measure and judge the clip into its attempt folder."""
    from cli.analyse import Request, analyse
    with own_folder("tailtrace-clip-") as fetched:
        def here(address: str | None) -> Path | None:
            return None if address is None else _fetched(address, fetched)
        clips = tuple(_fetched(c, fetched) for c in job.clips)
        g = job.given
        analyse(Request(clips, _fetched(g["vehicle"], fetched), _fetched(g["course"], fetched), folder,
                        here(g.get("rules")), here(g.get("lens")), here(g.get("marks")), g.get("trainee"),
                        g.get("instructor"), addresses=job.clips))


def _fetched(address: str, folder: Path) -> Path:
    """The file itself where it lies on a disk, else a copy of it in `folder`."""
    fs, path = fsspec.core.url_to_fs(address)
    if "file" in ((fs.protocol,) if isinstance(fs.protocol, str) else fs.protocol):
        return Path(path)
    target = folder / Path(path).name
    fs.get_file(path, str(target))
    return target


def _named(name: str) -> Any:
    module, _, function = name.partition(":")
    return getattr(importlib.import_module(module), function)


def main() -> None:
    """The process of one job: it is given on the first line of the input; the outcome is written to a file."""
    job = json.loads(sys.stdin.buffer.readline())
    threading.Thread(target=_end_with_parent, daemon=True).start()
    outcome = do(Job(**{**job, "clips": tuple(job["clips"])}))
    write_whole(Path(sys.argv[1]), json.dumps(outcome))


def _end_with_parent() -> None:
    sys.stdin.buffer.read()
    os._exit(3)


if __name__ == "__main__":
    main()
