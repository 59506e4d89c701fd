"""Processes that are killed at random moments."""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

Acknowledge = Callable[[Any], None]


class Child:
    """A forked process that does `work`, in a session of its own; told() is what it acknowledged."""

    def __init__(self, work: Callable[[Acknowledge], None]) -> None:
        told, tell = os.pipe()
        self.pid = os.fork()
        if self.pid == 0:
            os.setsid()
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            try:
                work(lambda what: _tell(tell, what))
            except BaseException as e:
                print(f"the child to be killed failed: {type(e).__name__}: {e}", file=sys.stderr, flush=True)
                os._exit(1)
            os._exit(0)
        os.close(tell)
        self._told = told

    def kill(self, *, with_its_own: bool = True) -> None:
        """SIGKILL it, with the processes it started or leaving those to end by themselves."""
        os.kill(self.pid, signal.SIGKILL)
        _, status = os.waitpid(self.pid, 0)
        if with_its_own:
            with suppress(ProcessLookupError):
                os.killpg(self.pid, signal.SIGKILL)
        assert os.waitstatus_to_exitcode(status) in (-signal.SIGKILL, 0), "the child failed; its word is above"

    def told(self) -> list[Any]:
        with os.fdopen(self._told, "rb") as f:
            raw = f.read()
        return [json.loads(line) for line in raw.decode().splitlines(keepends=True) if line.endswith("\n")]


def killed_child(work: Callable[[Acknowledge], None], after_s: float, *, with_its_own: bool = True) -> list[Any]:
    """Let a forked process do `work`, kill it after `after_s` seconds, and return what it acknowledged before."""
    child = Child(work)
    time.sleep(after_s)
    child.kill(with_its_own=with_its_own)
    return child.told()


def _tell(pipe: int, what: Any) -> None:
    os.write(pipe, json.dumps(what).encode() + b"\n")


def moments(kills: int, longest_s: float, seed: int) -> Iterator[float]:
    """When to kill: seconds after the start, anywhere from nothing to longest_s, each as likely."""
    rng = random.Random(seed)
    for _ in range(kills):
        yield rng.uniform(0.0, longest_s)


def contents(folder: Path) -> dict[str, bytes]:
    """All files below a folder with what is in them."""
    return {f.relative_to(folder).as_posix(): f.read_bytes() for f in sorted(folder.rglob("*")) if f.is_file()}
