"""The real analysis of a bundled clip: killed on its way, and on one core and on all of them."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

from cli.verify import again
from soak.faults import check_whole, leftovers
from soak.killing import contents

REPO = Path(__file__).parents[2]
CLIP = REPO / "sample_clips" / "coach_short"


def kill_real_analyses(place: Path, kills: int = 5) -> str:
    """Kill a whole `tailtrace analyse` over an earlier result at random moments; then let it run to its end, and make
    the result again to the last bit."""
    run, began = place / "run", time.monotonic()
    assert _analysis(run).wait() == 0
    whole_s = time.monotonic() - began
    before = contents(run)
    for _ in range(kills):
        process = _analysis(run)
        time.sleep(random.uniform(0.1, 0.95) * whole_s)
        process.send_signal(signal.SIGKILL)
        process.wait()
        if contents(run) != before:  # it was quicker than the kill
            check_whole(run)
            before = contents(run)
    assert _analysis(run).wait() == 0
    check_whole(run)
    assert leftovers(place) == []
    assert not any(t.bad for t in again(run))
    return f"{kills} kills within {whole_s:.0f} s, the earlier result whole; then made again: the same to the last bit"


def same_bits(place: Path) -> str:
    """The result on one core, and on all of them: measurements and judgement the same to the last bit."""
    cores = sorted(os.sched_getaffinity(0))
    assert _analysis(place / "run", {cores[0]}).wait() == 0
    told = again(place / "run")
    assert not any(t.bad for t in told), told
    return f"1 core and {len(cores)}: {told[0].what}"


def _analysis(out: Path, cores: set[int] | None = None) -> subprocess.Popen[bytes]:
    """`tailtrace analyse` of the bundled clip into `out`, on these cores."""
    given = out.with_name("given")
    if not given.exists():
        shutil.copytree(CLIP, given, ignore=shutil.ignore_patterns("truth*"))
    pin = (lambda: os.sched_setaffinity(0, cores)) if cores else None
    return subprocess.Popen(
        [sys.executable, "-m", "cli.main", "analyse", str(given / "clip.mp4"), "--vehicle", str(given / "vehicle.toml"),
         "--course", str(given / "course.toml"), "--out", str(out)], cwd=REPO, stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL, preexec_fn=pin, env=os.environ | {"XDG_CACHE_HOME": str(given.with_name("cache"))})
