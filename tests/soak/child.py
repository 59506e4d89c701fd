"""A process that tries one case after another: `python -m soak.child SUITE FOLDER`, the cases' numbers on its input.

For each it prints a line of JSON. Memory is limited by the system (RLIMIT_AS), so that a blow-up is an error here and
not the end of the machine. What is not a result or one line of advice is told with its traceback.
"""

from __future__ import annotations

import importlib
import json
import os
import resource
import shutil
import sys
import time
import traceback
from pathlib import Path

from analysis.trouble import Trouble
from soak.watch import Watch, tree

MEMORY_BYTES = 6_000_000_000
"""Of addresses, most of which are never touched; what is touched is told as `peak_mb` and judged by the suite."""


def main() -> None:
    suite, root = importlib.import_module(f"soak.{sys.argv[1]}"), Path(sys.argv[2]).resolve()
    out = os.fdopen(os.dup(1), "w", buffering=1)
    os.dup2(2, 1)
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    for name in ("around", "around/temporary", "around/home"):
        (root / name).mkdir(parents=True, exist_ok=True)
    (root / "around" / "kept.txt").write_text("sentinel\n")
    here = root / "around" / "case"
    os.chdir(root / "around")
    os.environ |= {"TMPDIR": str(here / "temporary"), "HOME": str(root / "around" / "home"),
                   "MPLCONFIGDIR": str(root / "matplotlib")}
    trial = suite.prepare(root / "seeds")
    watch = Watch()
    out.write(json.dumps({"ready": True}) + "\n")
    for line in sys.stdin:
        shutil.rmtree(here, ignore_errors=True)
        (here / "temporary").mkdir(parents=True)
        out.write(json.dumps(tried(trial, int(line), here, watch)) + "\n")


def tried(trial, number: int, here: Path, watch: Watch) -> dict[str, object]:
    """How one case ended: kind 'result', 'trouble' or 'escaped' (a defect), and what was said or seen."""
    before, began = tree(here.parent, here), time.monotonic()
    watch.allowed, watch.strayed = here, []
    try:
        kind, said = "result", str(trial(number, here))
    except Trouble as e:
        kind, said = "trouble", e.one_line()
        if len(said.splitlines()) != 1 or not e.what or not said.isprintable():
            kind = "escaped"
    except BaseException:
        kind, said = "escaped", traceback.format_exc()[-3000:]
    watch.allowed = None
    strayed = list(watch.strayed)
    if tree(here.parent, here) != before:
        strayed.append("the tree around the case changed")
    return {"number": number, "kind": kind, "said": said, "strayed": strayed,
            "seconds": round(time.monotonic() - began, 3),
            "peak_mb": round(peak_mb(), 1)}


def peak_mb() -> float:
    """Most memory that this process held. Not ru_maxrss, which begins with what the process that started it held."""
    told = Path("/proc/self/status").read_text().split("VmHWM:")[1]
    return int(told.split()[0]) / 1024


if __name__ == "__main__":
    main()
