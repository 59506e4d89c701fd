"""`python -m soak [NAME …]`: the long tests of what must never be lost; prints and keeps (build/soak.json) what came of
each. Exit status 1 when one failed."""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from datetime import date
from functools import partial
from pathlib import Path

from soak import faults, fuzz, real
from soak.load import load

REPO = Path(__file__).parents[2]
CLIPS = REPO / "sample_clips"
KILLS = 100


def _load(place: Path) -> str:
    return load(place, clients=20, upload_mb=1000, batch_clips=1, least_rounds=10,
                real_clip=CLIPS / "lorry_dry_steer").told()


# Each is given an empty folder, fails with an AssertionError, and returns what came of it in words.
SUITES: dict[str, Callable[[Path], str]] = {
    **{f"kill_{name}": partial(scenario, kills=KILLS) for name, scenario in faults.SCENARIOS.items()},
    "fill_disks": faults.fill_disks,
    "kill_real_analyses": real.kill_real_analyses,
    "load": _load,
    "bits": real.same_bits,
    **fuzz.SUITES,
}


def main() -> int:
    parser = argparse.ArgumentParser(prog="make soak", description=__doc__)
    parser.add_argument("names", nargs="*", help="of " + ", ".join(SUITES) + "; none for all")
    asked = parser.parse_args().names
    unknown = set(asked) - set(SUITES)
    if unknown:
        parser.error(f"not known: {', '.join(unknown)}")
    memory_gb = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    print(f"{date.today()}, {os.cpu_count()} cores, {memory_gb:.0f} GB, Python {platform.python_version()}, "
          f"{platform.system()}\n", flush=True)
    rows = []
    for name in asked or SUITES:
        place, began = Path(tempfile.mkdtemp(prefix="tailtrace-soak-")), time.monotonic()
        try:
            told, ok = SUITES[name](place), True
        except Exception as e:
            traceback.print_exc()
            told, ok = f"{type(e).__name__}: {e}", False
        shutil.rmtree(place, ignore_errors=True)
        rows.append({"suite": name, "met": ok, "told": told, "seconds": round(time.monotonic() - began, 1)})
        print(f"{name}: {'' if ok else 'FAILED: '}{told} ({rows[-1]['seconds']} s)", flush=True)
    out = REPO / "build" / "soak.json"
    out.parent.mkdir(exist_ok=True)
    kept = {row["suite"]: row for row in (json.loads(out.read_text("utf-8")) if out.exists() else [])}
    out.write_text(json.dumps([*(kept | {row["suite"]: row for row in rows}).values()], indent=1) + "\n", "utf-8")
    return 0 if all(row["met"] for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
