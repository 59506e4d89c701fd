"""Stand-in work for tests of the batch: what a clip says is done, quickly. Clips are small text files.

    ok            an attempt whose one figure depends on the clip's content alone
    bad           a Trouble
    defect        a programming error
    die           the process is killed
    die once      the process is killed the first time only
    wait          waits until a file 'go' lies beside the clip

The record is that of `template.json` beside the clip. Little is imported: a process of its own starts with each clip.
"""

from __future__ import annotations

import hashlib
import json
import os
import signal
import time
from pathlib import Path

from analysis.trouble import Trouble
from cli.batch_job import Job

WORK = "batch_work:work"


def work(job: Job, folder: Path) -> None:
    clip = Path(job.clips[0])
    said = clip.read_text("utf-8")
    log = clip.with_suffix(".log")
    with log.open("a", encoding="utf-8") as f:
        f.write("begun\n")
    if said.startswith("bad"):
        raise Trouble("the cones were not found", where=clip.name, remedy="point them out")
    if said.startswith("defect"):
        raise ZeroDivisionError("a defect")
    if said.startswith("die") and ("once" not in said or log.read_text("utf-8").count("begun") == 1):
        os.kill(os.getpid(), signal.SIGKILL)
    while said.startswith("wait") and not clip.with_name("go").exists():
        time.sleep(0.02)
    value = int(hashlib.sha256(said.encode()).hexdigest()[:6], 16) / 1e6
    record = json.loads(clip.with_name("template.json").read_text("utf-8")) | {
        "trainee": job.given.get("trainee"), "instructor": job.given.get("instructor"),
        "findings": [{"kind": "mark_close", "where": "pivot", "verdict": "fault", "severity": "note", "counts": False,
                      "t_start_s": 1.0, "t_end_s": 2.0, "value": value, "sd": 0.01, "unit": "m", "limit": 0.5,
                      "at_m": [1.0, 2.0], "sentence": said}]}
    folder.mkdir(exist_ok=True)
    fresh = folder / ".attempt.new"
    fresh.write_text(json.dumps(record), "utf-8")
    os.replace(fresh, folder / "attempt.json")
