"""Running a job in a process of its own, so that a long analysis neither slows the pages nor takes them down.

The process says how far it is in lines of JSON on its standard output: {"stage": …, "fraction": …}, at the end
{"done": true} or {"problem": [what, where, remedy]}. Its standard input stays open as long as the server lives;
when that ends, whatever the reason, the process stops by itself.
"""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Sequence
from pathlib import Path

from analysis.trouble import Trouble
from cli.app.jobs import Job, Report

WORKER = (sys.executable, "-m", "cli.app.worker")
_PATIENCE_S = 8.0  # for a process that was asked to stop, before it is made to
_LONGEST_LINE = 1 << 20


class SubprocessRunner:
    """Runs `command TASK FOLDER` for each job."""

    def __init__(self, command: Sequence[str] = WORKER) -> None:
        self._command = tuple(command)

    async def __call__(self, job: Job, folder: Path, report: Report) -> None:
        process = await asyncio.create_subprocess_exec(
            *self._command, job.task, str(folder), stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
            limit=_LONGEST_LINE)
        assert process.stdout is not None
        ended: dict[str, object] = {}
        try:
            async for line in process.stdout:
                said = json.loads(line)
                if "stage" in said:
                    report(str(said["stage"]), float(said["fraction"]))
                else:
                    ended = said
            await process.wait()
        finally:
            await _stopped(process)
        problem = ended.get("problem")
        if isinstance(problem, list):
            raise Trouble(str(problem[0]), where=str(problem[1]), remedy=str(problem[2]))
        if not ended.get("done"):
            raise Trouble("the analysis stopped without saying why", where=job.label,
                          remedy="start it again; if it happens twice, this is a defect of the program: report it")


async def _stopped(process: asyncio.subprocess.Process) -> None:
    if process.returncode is not None:
        return
    process.terminate()
    try:
        await asyncio.wait_for(process.wait(), _PATIENCE_S)
    except TimeoutError:
        process.kill()
        await process.wait()
