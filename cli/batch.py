"""`tailtrace batch`: many clips into a library, on this machine's cores or on a Dask cluster.

Each clip is a job of its own in a process of its own: a clip that cannot be measured, or brings a process down, costs
only itself. A job's folder is named after the clip and the hash of its content, so the same clip never gets two. What
was made from the same clip, files and program version is left as it is: a batch that was killed is simply run again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path, PurePosixPath
from typing import Any

import fsspec

from analysis.trouble import Trouble, check_text
from cli import files
from cli.batch_job import ANALYSE, Job, Outcome, run_job, running, stop_all
from cli.made_with import code_sha256
from cli.progress import on_terminal

VIDEOS = (".mp4", ".mov", ".m4v", ".mkv", ".avi", ".mts")
COLUMNS = ("clip", "vehicle", "course", "rules", "lens", "marks", "trainee", "instructor", "run_on", "weather")
_FILES = ("vehicle", "course", "rules", "lens", "marks")
_FOUND_BESIDE = ("vehicle", "course")
_PARTS = ";"  # between the files of one recording


@dataclass(frozen=True)
class Batch:
    """The jobs that can be tried, and why others cannot."""

    jobs: tuple[Job, ...]
    troubles: tuple[Trouble, ...]


def read_batch(source: Path, out: str, usual: Mapping[str, str], work: str = ANALYSE) -> Batch:
    """The jobs of a folder of clips, or of a list (CSV with a heading of COLUMNS; several files of one recording are
    joined by ;). `usual` holds what is not said for a clip; a folder's clips take the vehicle.toml and course.toml
    beside them first. Paths in a list are seen from the list. Raises Trouble when the source itself is unusable."""
    rows = list(_of_folder(source) if source.is_dir() else _of_list(source))
    jobs: dict[str, Job] = {}
    troubles = []
    for where, row in rows:
        try:
            job = _job(source if source.is_dir() else source.parent, row, usual, out, work)
            if job.folder in jobs and jobs[job.folder].key != job.key:
                raise Trouble("the same clip stands twice, with different files or people",
                              remedy="keep the line that is right")
            jobs.setdefault(job.folder, job)
        except Trouble as e:
            troubles.append(e.at(where))
    return Batch(tuple(jobs.values()), tuple(troubles))


def run_batch(batch: Batch, *, workers: int = 1, dask: str | None = None) -> list[Outcome]:
    """Run all jobs, and return how each ended, in the order of the batch. `dask`: the address of a scheduler whose
    workers reach the same files."""
    done: dict[str, Outcome] = {}
    with on_terminal() as report, _engine(workers, dask) as finished:
        for outcome in finished(batch.jobs):
            done[outcome.folder] = outcome
            report(f"{len(batch.jobs)} clips", len(done) / len(batch.jobs))
    return [done[job.folder] for job in batch.jobs]


@contextmanager
def _engine(workers: int, dask: str | None) -> Iterator[Any]:
    """A function from jobs to their outcomes as they come."""
    if dask is None:
        with ThreadPoolExecutor(max(workers, 1)) as pool, running():
            def local(jobs: Iterable[Job]) -> Iterator[Outcome]:
                waiting = [pool.submit(run_job, job) for job in jobs]
                try:
                    for future in as_completed(waiting):
                        yield future.result()
                except BaseException:
                    pool.shutdown(wait=False, cancel_futures=True)
                    stop_all()
                    raise
            yield local
        return
    try:
        from dask.distributed import Client
        from dask.distributed import as_completed as completed
    except ImportError:
        raise Trouble("Dask is not installed here", where="--dask", remedy="pip install 'tailtrace[cluster]'") from None
    try:
        client = Client(dask, timeout="20s", set_as_default=False)
    except (OSError, ValueError):
        raise Trouble("no Dask scheduler answers there", where=dask, remedy="start one with  dask scheduler , and "
                      "workers with  dask worker ADDRESS ; then give its address") from None
    with client:
        def spread(jobs: Iterable[Job]) -> Iterator[Outcome]:
            # Not pure and with keys of their own: the scheduler must not answer from an earlier batch.
            futures = [client.submit(run_job, job, pure=False, retries=2) for job in jobs]
            for future in completed(futures, loop=client.loop):
                yield future.result()
        yield spread


def told(outcomes: Iterable[Outcome], troubles: Iterable[Trouble]) -> tuple[str, list[str]]:
    """A summary, and one line for each clip that has no result."""
    outcomes, troubles = list(outcomes), list(troubles)
    n = {s: sum(o.status == s for o in outcomes) for s in ("done", "unchanged")}
    bad = [f"{o.clip}: {o.what}" for o in outcomes if o.status not in n] + [t.one_line() for t in troubles]
    total = len(outcomes) + len(troubles)
    return (f"{total} clips: {n['done']} analysed, {n['unchanged']} unchanged since, {len(bad)} without a result", bad)


def _of_folder(source: Path) -> Iterator[tuple[str, dict[str, str]]]:
    clips = sorted(p for p in source.rglob("*") if p.suffix.lower() in VIDEOS and p.is_file()
                   and not any(part.startswith(".") for part in p.relative_to(source).parts))
    if not clips:
        raise Trouble("no clips are in this folder", where=str(source), remedy="looked for: " + ", ".join(VIDEOS))
    for clip in clips:
        beside = {k: str(f) for k in _FOUND_BESIDE if (f := clip.with_name(f"{k}.toml")).exists()}
        yield str(clip), {"clip": str(clip), **beside}


def _of_list(source: Path) -> Iterator[tuple[str, dict[str, str]]]:
    rows = files.csv_rows(source)
    _, heading = next(rows)
    if "clip" not in heading or not set(heading) <= set(COLUMNS):
        raise Trouble(f"the heading is {','.join(heading)[:80]}", where=str(source),
                      remedy="its first line names the columns, of these: " + ",".join(COLUMNS))
    for where, row in rows:
        if row:
            yield where, {k: v.strip() for k, v in zip(heading, row, strict=False) if v.strip()}


def _job(base: Path, row: Mapping[str, str], usual: Mapping[str, str], out: str, work: str) -> Job:
    from cli.analyse import code  # the measuring libraries are imported only when needed
    given = {**usual, **{k: _seen_from(base, v) if k in _FILES else v for k, v in row.items()}}
    clips = tuple(_seen_from(base, c.strip()) for c in given.pop("clip", "").split(_PARTS) if c.strip())
    if not clips:
        raise Trouble("no clip is named", remedy="write its file name under clip")
    for address in (*clips, *given.values()):
        check_text(address)
    for needed in _FOUND_BESIDE:
        if needed not in given:
            raise Trouble(f"no {needed} file is known for this clip", remedy=f"put a {needed}.toml beside it, name one "
                          f"in the list, or give --{needed}")
    if "run_on" in given:
        try:
            date.fromisoformat(given["run_on"])
        except ValueError:
            raise Trouble(f"'{given['run_on']}' is not a day", where="run_on",
                          remedy="write it like 2026-11-25") from None
    for who in ("trainee", "instructor"):
        code(who, given.get(who))
    content = hashlib.sha256()
    for clip in clips:
        _digest_into(content, clip)
    name = PurePosixPath(clips[0].replace("\\", "/")).stem
    key = hashlib.sha256(content.digest() + code_sha256().encode())
    for k in sorted(given):
        key.update(f"\0{k}\0".encode())
        if k in _FILES:
            _digest_into(key, given[k])
        else:
            key.update(given[k].encode())
    return Job(clips, given, out, f"{name}-{content.hexdigest()[:10]}", key.hexdigest(), work)


def _seen_from(base: Path, address: str) -> str:
    return address if "://" in address or Path(address).is_absolute() else str(base / address)


def _digest_into(digest: Any, address: str) -> None:
    try:
        with fsspec.open(address, "rb") as f:
            while piece := f.read(1 << 20):
                digest.update(piece)
    except (FileNotFoundError, IsADirectoryError):
        raise Trouble("no such file", where=address, remedy="check the spelling and the folder") from None
    except (OSError, ValueError, ImportError) as e:
        raise Trouble(f"cannot be read ({e})", where=address, remedy="check that it can be reached from here") from None
