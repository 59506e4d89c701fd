"""Not a suite of the program: one case for each thing that no case may do, to see that the pool notices."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

from analysis.trouble import Trouble

LONGEST_S, MEMORY_MB = 2.0, 400.0
NAMES = ("result", "trouble", "escaped", "crashed", "hung", "strayed", "strayed unheard", "greedy", "two lines")


def prepare(folder: Path) -> Callable[[int, Path], str]:
    def trial(number: int, here: Path) -> str:
        what = NAMES[number]
        if what == "trouble":
            raise Trouble("is none", where="file", remedy="give one")
        if what == "escaped":
            raise KeyError("sorry")
        if what == "crashed":
            os.kill(os.getpid(), signal.SIGSEGV)
        if what == "hung":
            time.sleep(60)
        if what == "strayed":
            (here.parent / "kept.txt").write_text("not to be written\n")
        if what == "strayed unheard":
            os.system(f"echo >> '{here.parent / 'kept.txt'}'")
        if what == "greedy":
            return str(len(b"\1" * 500_000_000))
        if what == "two lines":
            raise Trouble("", where="a\nb")
        (here / "own.txt").write_text("as it may")
        return what
    return trial
