"""Running many cases in processes that may crash or hang: what happens to one costs only that one."""

from __future__ import annotations

import json
import os
import queue
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

REPO = Path(__file__).parents[2]


@dataclass(frozen=True)
class Case:
    """How a case ended. kind: result, trouble, escaped (an exception that is not a Trouble), crashed (the process
    died), hung (longer than the bound, and stopped)."""

    number: int
    kind: str
    said: str = ""
    strayed: tuple[str, ...] = ()
    seconds: float = 0.0
    peak_mb: float = 0.0


@dataclass(frozen=True)
class Summary:
    """Over many cases. bad: those that must not be."""

    counts: Counter[str]
    bad: tuple[Case, ...]
    slowest_s: float
    peak_mb: float

    def line(self, suite: str) -> str:
        told = ", ".join(f"{n} {kind}" for kind, n in sorted(self.counts.items()))
        return (f"{suite}: {sum(self.counts.values())} cases: {told}; {len(self.bad)} bad; slowest "
                f"{self.slowest_s:.1f} s, peak {self.peak_mb:.0f} MB")


def run(suite: str, numbers: Iterable[int], folder: Path, *, longest_s: float, memory_mb: float,
        workers: int = 2) -> Summary:
    """Try the numbered cases of soak.SUITE. longest_s guards against hanging; memory_mb bounds what a process holds."""
    waiting: queue.SimpleQueue[int] = queue.SimpleQueue()
    for number in numbers:
        waiting.put(number)
    with ThreadPoolExecutor(workers) as pool:
        parts = [pool.submit(list, _worked(suite, waiting, folder / f"{suite}-{k}", longest_s, memory_mb))
                 for k in range(workers)]
        cases = [case for part in parts for case in part.result()]
    bad = [c for c in cases if c.kind in ("escaped", "crashed", "hung") or c.strayed or c.peak_mb > memory_mb]
    return Summary(Counter(c.kind for c in cases), tuple(bad), max((c.seconds for c in cases), default=0.0),
                   max((c.peak_mb for c in cases), default=0.0))


def _worked(suite: str, waiting: queue.SimpleQueue[int], folder: Path, longest_s: float,
            memory_mb: float) -> Iterator[Case]:
    child: _Child | None = None
    try:
        while True:
            try:
                number = waiting.get_nowait()
            except queue.Empty:
                return
            child = child or _Child(suite, folder)
            case = child.tried(number, longest_s)
            if case.kind in ("crashed", "hung") or case.peak_mb > memory_mb:  # the peak of a process only rises
                child.end()
                child = None
            yield case
    finally:
        if child:
            child.end()


class _Child:
    def __init__(self, suite: str, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._log = (folder / "log.txt").open("ab")
        self._process = subprocess.Popen(
            [sys.executable, "-m", "soak.child", suite, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            stderr=self._log, cwd=REPO, env=os.environ | {"PYTHONPATH": f"{REPO / 'tests'}:{REPO}",
                                                          "PYTHONDONTWRITEBYTECODE": "1"})
        self._lines: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        threading.Thread(target=self._read, daemon=True).start()
        if self._line(120.0) is None:
            raise RuntimeError(f"the suite could not be prepared: see {folder / 'log.txt'}")

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._lines.put(line)
        self._lines.put(b"")

    def _line(self, longest_s: float) -> dict[str, Any] | None:
        line = self._lines.get(timeout=longest_s)
        return json.loads(line) if line else None

    def tried(self, number: int, longest_s: float) -> Case:
        assert self._process.stdin is not None
        self._process.stdin.write(b"%d\n" % number)
        self._process.stdin.flush()
        try:
            told = self._line(longest_s)
        except queue.Empty:
            return Case(number, "hung", f"stopped after {longest_s:.0f} s", seconds=longest_s)
        if told is None:
            return Case(number, "crashed", f"the process ended with {self._process.wait()}")
        return Case(**told | {"strayed": tuple(told["strayed"])})

    def end(self) -> None:
        self._process.kill()
        self._process.wait()
        self._log.close()


def report(summary: Summary, suite: str, most: int = 20) -> Sequence[str]:
    """The summary, and what was bad."""
    return [summary.line(suite), *(f"  {c.number} {c.kind} {c.seconds:.1f} s {c.peak_mb:.0f} MB {c.strayed} {c.said}"
                                   for c in summary.bad[:most])]
