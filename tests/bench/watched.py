"""A program run by itself and watched from outside: time, processor time and memory, of all and of each stage.

A stage begins when the program prints a line that ends in '…', as `tailtrace` does where there is no terminal. Linux
only: what a process has used is read from /proc, and its peak of memory is set back there at the start of each stage.
"""

from __future__ import annotations

import os
import subprocess
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
LOOKED_AT_S = 0.05
TICKS = os.sysconf("SC_CLK_TCK")
STARTING = "starting"  # the interpreter and the libraries, until the first line


@dataclass(frozen=True)
class Stage:
    """began_s since the program was started; cpu_s of all its threads; peak_mb of resident memory within it."""

    name: str
    began_s: float
    wall_s: float
    cpu_s: float
    peak_mb: float


@dataclass(frozen=True)
class Ran:
    """A finished program: whether it succeeded, what it printed, and its stages in order."""

    ok: bool
    said: str
    stages: tuple[Stage, ...]

    @property
    def whole_s(self) -> float:
        return sum(stage.wall_s for stage in self.stages)


def watched(command: Sequence[str | Path], log: Path, environment: Mapping[str, str]) -> Ran:
    """Run a program, with `environment` added to this one's; what it prints goes to `log`."""
    began = time.monotonic()
    process = subprocess.Popen([str(c) for c in command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, cwd=REPO,
                               env=os.environ | environment, text=True, errors="replace")
    assert process.stdout is not None
    peak = _Peak(Path("/proc") / str(process.pid))
    names, ends = [STARTING], [(0.0, 0.0, 0.0)]  # when, processor time until then, peak since the one before
    with log.open("w") as out:
        for line in process.stdout:
            out.write(line)
            if line.rstrip().endswith("…"):
                ends.append((time.monotonic() - began, _cpu_s(process.pid), peak.since_last_mb()))
                names.append(line.rstrip(" …\n"))
    peak_mb = peak.ended_mb()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    ends.append((time.monotonic() - began, used.ru_utime + used.ru_stime, peak_mb))
    stages = tuple(Stage(name, a[0], b[0] - a[0], b[1] - a[1], b[2])
                   for name, (a, b) in zip(names, pairwise(ends), strict=True))
    return Ran(process.returncode == 0, log.read_text(errors="replace"), stages)


def _cpu_s(pid: int) -> float:
    after_name = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()  # the third field and on
    return (int(after_name[11]) + int(after_name[12])) / TICKS


class _Peak:
    """A process's peak memory (MB). It is looked at all the time, as it cannot be once the process has ended: what the
    kernel then tells (ru_maxrss) may be that of the process which started it."""

    def __init__(self, place: Path) -> None:
        self._place, self._seen_mb, self._ended = place, 0.0, threading.Event()
        self._watch = threading.Thread(target=self._look_on)
        self._watch.start()

    def _look_on(self) -> None:
        while not self._ended.wait(LOOKED_AT_S):
            self._look()

    def _look(self) -> None:
        lines = (self._place / "status").read_text().splitlines()
        self._seen_mb = next((int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM")), self._seen_mb)

    def since_last_mb(self) -> float:
        self._look()
        (self._place / "clear_refs").write_text("5")
        return self._seen_mb

    def ended_mb(self) -> float:
        self._ended.set()
        self._watch.join()
        return self._seen_mb


def profile(clip: str, decoding: Ran, ran: Ran) -> str:
    """A Markdown table of a program's stages, beside bare decoding. Where other work runs on the machine, the time on
    all cores is the one to compare."""
    def row(name: str, began: str, stages: Sequence[Stage]) -> str:
        return (f"| {name} | {began} | {sum(s.wall_s for s in stages):.1f} | {sum(s.cpu_s for s in stages):.1f} | "
                f"{max(s.peak_mb for s in stages):.0f} |")

    return "\n".join([f"## {clip}", "", "| stage | began, s | wall, s | all cores, s | peak memory, MB |",
                      "| --- |" + " ---: |" * 4, row("bare decoding", "", decoding.stages),
                      *(row(s.name, f"{s.began_s:.1f}", [s]) for s in ran.stages), row("all", "", ran.stages)]) + "\n"
