"""The queue: one job at a time, its progress kept live, its state kept on disk so that a restart goes on with it."""

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import Callable
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

from analysis.trouble import Trouble
from cli.app.folder import Folder, NotThere
from cli.records import strict_json
from cli.whole import write_whole

log = logging.getLogger(__name__)
_DONE_KEPT = 12  # of those that ended well; their attempts are listed anyway
WAITING, RUNNING, DONE, FAILED, CANCELLED = "waiting", "running", "done", "failed", "cancelled"


@dataclass(frozen=True)
class Job:
    """One analysis (task 'analyse') or one copy made for sharing (task 'share'), for the attempt folder `attempt`.

    stage and fraction: how far it is, as it last said. problem: (what, where, remedy) of a failure.
    """

    id: str
    task: str
    attempt: str
    label: str
    made_at: str
    state: str = WAITING
    stage: str = ""
    fraction: float = 0.0
    problem: tuple[str, str, str] | None = None

    @property
    def over(self) -> bool:
        return self.state in (DONE, FAILED, CANCELLED)


Report = Callable[[str, float], None]


class Runner(Protocol):
    async def __call__(self, job: Job, folder: Path, report: Report) -> None:
        """Do the job for the attempt in `folder`. Raises Trouble. When cancelled, stops and leaves nothing half."""


class Queue:
    """All jobs, oldest first. Call from the server's event loop only."""

    def __init__(self, folder: Folder, runner: Runner) -> None:
        self._folder, self._runner = folder, runner
        self._file = folder.root / "queue.json"
        self._jobs = {j.id: j for j in _read(self._file)}
        # A job that ran when the server ended begins anew; the attempt folder is as it was before.
        for job in list(self._jobs.values()):
            if job.state == RUNNING:
                self._jobs[job.id] = replace(job, state=WAITING, stage="", fraction=0.0)
        self._wake = asyncio.Event()
        self._current: tuple[str, asyncio.Task[None]] | None = None

    def all(self) -> list[Job]:
        return list(self._jobs.values())

    def get(self, job_id: str) -> Job:
        if job_id not in self._jobs:
            raise NotThere(job_id)
        return self._jobs[job_id]

    def of(self, attempt: str, task: str) -> Job | None:
        return self._jobs.get(f"{task}-{attempt}")

    def add(self, task: str, attempt: str, label: str) -> Job:
        """Put a job at the end. A job of the same kind for the same attempt is replaced, unless it is going on."""
        job_id = f"{task}-{attempt}"
        if job_id in self._jobs and not self._jobs[job_id].over:
            return self._jobs[job_id]
        self._jobs.pop(job_id, None)
        for old in [j.id for j in self._jobs.values() if j.state == DONE][:-_DONE_KEPT]:
            del self._jobs[old]
        job = Job(job_id, task, attempt, label, datetime.now(UTC).replace(microsecond=0).isoformat())
        self._set(job)
        return job

    def cancel(self, job_id: str) -> None:
        job = self.get(job_id)
        if job.over:
            return
        self._set(replace(job, state=CANCELLED, stage="", fraction=0.0))
        if self._current and self._current[0] == job_id:
            self._current[1].cancel()

    def resume(self, job_id: str) -> None:
        """Let a cancelled or failed job begin again, at the end of the queue."""
        job = self.get(job_id)
        if job.state in (CANCELLED, FAILED):
            del self._jobs[job_id]
            self._set(replace(job, state=WAITING, stage="", fraction=0.0, problem=None))

    def forget(self, job_id: str) -> None:
        """Take a job that is over off the list."""
        if self.get(job_id).over:
            del self._jobs[job_id]
            self._save()

    async def work(self) -> None:
        """Run the jobs, one after another, for as long as the server lives."""
        while True:
            job = next((j for j in self._jobs.values() if j.state == WAITING), None)
            if job is None:
                self._wake.clear()
                await self._wake.wait()
                continue
            self._set(replace(job, state=RUNNING))
            task = asyncio.ensure_future(self._run(job))
            self._current = job.id, task
            try:
                await asyncio.wait([task])
            finally:
                if not task.done():  # the server stops: the job stays 'running' on disk and begins anew next time
                    task.cancel()
                    await asyncio.gather(task, return_exceptions=True)
                self._current = None

    async def _run(self, job: Job) -> None:
        def report(stage: str, fraction: float) -> None:
            now = self._jobs.get(job.id)
            if now and now.state == RUNNING:
                self._jobs[job.id] = replace(now, stage=stage, fraction=min(max(fraction, 0.0), 1.0))

        try:
            await self._runner(job, self._folder.place("attempts", job.attempt), report)
            self._end(job.id, DONE)
        except Trouble as e:
            self._end(job.id, FAILED, e)
        except Exception as e:  # a defect must not hold the queue up
            log.exception("job %s", job.id)
            self._end(job.id, FAILED, Trouble(f"sorry, this is a defect of the program ({type(e).__name__})",
                                              where=job.label, remedy="what happened is in the server's window"))

    def _end(self, job_id: str, state: str, trouble: Trouble | None = None) -> None:
        """Note how a job ended, unless it was cancelled at the last moment."""
        job = self._jobs.get(job_id)
        if job and job.state == RUNNING:
            problem = (trouble.what, trouble.where, trouble.remedy) if trouble else None
            self._set(replace(job, state=state, stage="", fraction=float(state == DONE), problem=problem))

    def _set(self, job: Job) -> None:
        self._jobs[job.id] = job
        self._save()
        self._wake.set()

    def _save(self) -> None:
        """Keep the list. A disk that is full must not hold the queue up: what is not kept now is with the next change,
        and after a restart the clips themselves tell what is still to be done."""
        try:
            self._write()
        except OSError as e:
            log.warning("the queue could not be kept in %s: %s", self._file, e)

    def _write(self) -> None:
        write_whole(self._file, json.dumps([asdict(j) for j in self._jobs.values()], indent=1, ensure_ascii=False))


def _read(file: Path) -> list[Job]:
    """The jobs as they were left. A file that makes no sense is put aside, never overwritten."""
    if not file.exists():
        return []
    try:
        return [_job(values) for values in strict_json(file.read_bytes())]
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        file.replace(file.with_name("queue.unreadable.json"))
        return []


def _job(values: dict[str, Any]) -> Job:
    """Raises ValueError, TypeError, AttributeError for what is none."""
    known = {f.name for f in fields(Job)}
    job = Job(**{k: v for k, v in values.items() if k in known})
    job = replace(job, problem=tuple(job.problem) if job.problem else None)  # type: ignore[arg-type]
    texts = (job.id, job.task, job.attempt, job.label, job.made_at, job.state, job.stage, *(job.problem or ("",) * 3))
    if not all(isinstance(t, str) for t in texts) or len(texts) != 10 or not isinstance(job.fraction, (int, float)) \
            or job.state not in (WAITING, RUNNING, DONE, FAILED, CANCELLED):
        raise ValueError(values)
    return job
