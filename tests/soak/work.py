"""Stand-in work for a batch that is killed: a whole attempt folder, written as an analysis writes it, in a moment."""

from __future__ import annotations

import json
import shutil
import time
from pathlib import Path

from cli import store
from cli.batch_job import Job

WORK = "soak.work:work"


def work(job: Job, folder: Path) -> None:
    """The result says the weather that was given; it is copied from the folder `prepared` beside the clips."""
    clip = Path(job.clips[0])
    time.sleep(0.05)
    write_result(clip.with_name("prepared"), folder, clip, job.given["weather"])


def write_result(prepared: Path, folder: Path, clip: Path, says: str) -> None:
    """A copy of the prepared result, of this clip and with this summary."""
    record = json.loads((prepared / store.RECORD).read_text("utf-8"))
    with store.replacing(folder) as fresh:
        for name in record["files"]:
            shutil.copyfile(prepared / name, fresh / name)
        store.write_record(fresh, record | {"clips": store.clip_references([clip], folder), "summary": says})
