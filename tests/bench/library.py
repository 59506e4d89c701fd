"""The library and its audit on made-up schools, and a batch of two real clips: `python -m bench.library [PART ...]`.

Times of queries are the median of five, each after one that is not counted. The 1 000 000 attempts show how cost
grows; they have no goals. False discoveries are counted over 100 schools of 10 000 attempts with planted patterns
and 100 without. Needs about 15 minutes, 3 GB of memory, and for the last part Dask.
"""

from __future__ import annotations

import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from browsing import chromium_running
from synthetic_school import PATTERNS, fill, make_school

from analysis.audit.measures import Grid
from analysis.audit.patterns import RATE, patterns
from bench.goals import Goal, Row, table
from cli.audit import audit_of, load, write_audit
from cli.batch import read_batch, run_batch
from cli.library.library import Library, open_library
from cli.library.query import Filter, count, facets, find

SUITE = "library"
REPO = Path(__file__).resolve().parents[2]
SIZES = (10_000, 100_000, 1_000_000)
SCHOOLS = 100
PAGES = ("index", "faults", "time", "groups", "trainees", "patterns", "yard", "tool", "attempts")
QUERIES: dict[str, Callable[[Library], object]] = {
    "newest": lambda lib: find(lib),
    "of_a_trainee": lambda lib: find(lib, Filter(trainee="T00007")),
    "with_a_fault": lambda lib: find(lib, Filter(kind="shunt_count", instructor="I3")),
    "most_faults": lambda lib: find(lib, Filter(vehicle="V2"), order="faults"),
    "text": lambda lib: find(lib, Filter(text="rain")),
    "count": lambda lib: count(lib, Filter(kind="dry_steering")),
    "facets": facets}


def row(case: str, metric: str, value: float, unit: str, goal: Goal | None = None) -> Row:
    return Row(SUITE, case, metric, round(float(value), 5), unit, goal.text() if goal else None,
               goal.met(float(value)) if goal else None, None)


def timed(do: Callable[[], object], times: int = 5) -> float:
    do()
    spent = []
    for _ in range(times):
        began = time.perf_counter()
        do()
        spent.append(time.perf_counter() - began)
    return statistics.median(spent)


def once(do: Callable[[], object]) -> float:
    began = time.perf_counter()
    do()
    return time.perf_counter() - began


def scale(n: int, folder: Path) -> Iterator[Row]:
    """Queries, the audit and its pages at one size. Pages are written and opened at the smallest size only."""
    case = f"{n} attempts"
    goals = n == SIZES[0]
    rng = np.random.default_rng(0)
    least = np.full((62, 11), np.nan)
    least[5:60, 2:9] = rng.uniform(0.3, 1.5, (55, 7))
    least[20:30, 2] = rng.uniform(-0.1, 0.3, 10)
    library = open_library(folder / f"school-{n}")
    fill(library, make_school(1, n).school, grid_of=Grid(0, -8, least) if n <= SIZES[1] else None)
    for name, query in QUERIES.items():
        yield row(case, f"query_{name}_s", timed(lambda query=query: query(library)), "s",
                  Goal("≤", 0.2) if goals else None)
    yield row(case, "load_s", timed(lambda: load(library), 3), "s")
    yield row(case, "audit_s", once(lambda: audit_of(library)), "s")
    if goals:
        site = folder / "site"
        yield row(case, "write_pages_s", once(lambda: write_audit(library, site)), "s")
        yield row(case, "slowest_page_opens_s", max(opens(site)), "s", Goal("≤", 2.0))
    yield row(case, "peak_memory_mb", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, "MB")
    library.close()


def opens(site: Path) -> list[float]:
    """How long each page takes until the browser has painted it (s)."""
    with chromium_running() as browser:
        page = browser.new_page()

        def painted(name: str) -> None:
            page.goto((site / f"{name}.html").as_uri())
            page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
        painted("index")
        spent = [once(lambda name=name: painted(name)) for name in PAGES]
    return spent


def discoveries() -> Iterator[Row]:
    for planted in (True, False):
        false, found = [], []
        for seed in range(SCHOOLS):
            told = patterns(make_school(seed, 10_000, planted=planted).school).told
            wrong = [p for p in told if not planted or (p.early, p.later) not in PATTERNS]
            false.append(len(wrong) / max(len(told), 1))
            found.append(len({(p.early, p.later) for p in told} & PATTERNS) / len(PATTERNS))
        case = f"{SCHOOLS} schools, {'patterns planted' if planted else 'none planted'}"
        yield row(case, "false_discovery_rate", np.mean(false), "1", Goal("≤", RATE))
        if planted:
            yield row(case, "planted_found", np.mean(found), "1", Goal("≥", 0.99))


def batch(folder: Path) -> Iterator[Row]:
    """Two real clips on one worker, on two, and on a Dask cluster of two processes: the same findings to the byte."""
    chosen = folder / "clips.csv"
    names = ("bus_clean", "coach_short")
    chosen.write_text("clip,vehicle,course,trainee\n" + "".join(
        f"{d / 'clip.mp4'},{d / 'vehicle.toml'},{d / 'course.toml'},T{k}\n"
        for k, d in enumerate(REPO / "sample_clips" / n for n in names)), "utf-8")
    results = {}
    for case in ("1 worker", "2 workers", "Dask"):
        out = folder / case.replace(" ", "-")
        found = read_batch(chosen, str(out), {})
        with cluster(folder) if case == "Dask" else none() as address:
            spent = once(lambda found=found, address=address, case=case: run_batch(
                found, workers=int(case[0]) if address is None else 1, dask=address))
        yield row(f"batch, {case}", "whole_s", spent, "s")
        results[case] = {f.parent.name: json.dumps(json.loads(f.read_text("utf-8"))["findings"])
                         for f in sorted(out.glob("*/attempt.json"))}
        yield row(f"batch, {case}", "results", len(results[case]), "1", Goal("=", len(names)))
    alike = all(r == results["1 worker"] for r in results.values())
    yield row("batch", "findings_alike", float(alike), "1", Goal("=", 1))


@contextmanager
def none() -> Iterator[None]:
    yield None


@contextmanager
def cluster(folder: Path) -> Iterator[str]:
    found = folder / "scheduler.json"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": REPO}
    running = [subprocess.Popen([sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1",
                                 "--port", "0", "--no-dashboard", "--scheduler-file", str(found)], **quiet)]
    try:
        while not found.exists():
            time.sleep(0.1)
        address = json.loads(found.read_text("utf-8"))["address"]
        running += [subprocess.Popen([sys.executable, "-m", "distributed.cli.dask_worker", address, "--nthreads", "1",
                                      "--no-nanny", "--no-dashboard", "--local-directory", str(folder / f"w{k}")],
                                     **quiet) for k in range(2)]
        yield address
    finally:
        for process in running:
            process.kill()
            process.wait()


PARTS: dict[str, Callable[[Path], Iterator[Row]]] = {
    **{str(n): lambda folder, n=n: scale(n, folder) for n in SIZES},
    "discoveries": lambda _: discoveries(), "batch": batch}


def rows(parts: Iterable[str] = tuple(PARTS)) -> list[Row]:
    """The rows of bench.json; each part's table is printed when it is done."""
    out: list[Row] = []
    for part in parts:
        with tempfile.TemporaryDirectory(prefix="bench-library-") as folder:
            found = list(PARTS[part](Path(folder)))
        for case in dict.fromkeys(r.clip for r in found):
            print(table([r for r in found if r.clip == case]) + "\n", flush=True)
        out += found
    return out


def main() -> None:
    rows(sys.argv[1:] or tuple(PARTS))


if __name__ == "__main__":
    main()
