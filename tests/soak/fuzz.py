"""Bad input, by the thousand: each suite fails when a case ends in anything but a result or one line of advice, crashes
its process, hangs, writes outside its folder, or takes more memory than its bound."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from importlib import import_module
from pathlib import Path

from soak.pool import report, run

CASES = {"clips": 3000, "refusals": 300, "tables": 6000}
"""How many of each `make soak` tries."""


def fuzz(suite: str, place: Path, *, cases: int, first: int = 0, workers: int = 2) -> str:
    """Try `cases` numbered cases of soak.SUITE from the number `first` on. Returns a line of figures."""
    bounds = import_module(f"soak.{suite}")
    found = run(suite, range(first, first + cases), place, longest_s=bounds.LONGEST_S, memory_mb=bounds.MEMORY_MB,
                workers=workers)
    assert not found.bad, "\n".join(report(found, suite))
    return found.line(suite)


SUITES: dict[str, Callable[[Path], str]] = {f"fuzz_{name}": partial(fuzz, name, cases=n) for name, n in CASES.items()}
