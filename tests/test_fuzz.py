"""A seeded, quick part of the bad input that `make soak` tries by the thousand: damaged clips, files of every kind."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest
from soak import known, mutation, values
from soak.fuzz import fuzz
from soak.pool import run

FIRST = 1_000_000  # numbers that `make soak` does not come to
needs_linux = pytest.mark.skipif(sys.platform != "linux", reason="memory is limited and read as Linux has it")


@needs_linux
@pytest.mark.parametrize(("suite", "cases"), [("clips", 250), ("tables", 112), ("refusals", 16)])
def test_bad_input_ends_in_a_result_or_one_line(suite: str, cases: int, tmp_path: Path) -> None:
    line = fuzz(suite, tmp_path, cases=cases, first=FIRST)
    assert line.startswith(f"{suite}: {cases} cases: ") and "0 bad" in line


@needs_linux
def test_what_must_not_be_is_noticed(tmp_path: Path) -> None:
    """The suite soak.known does each thing once that no case may do; what follows a crash is tried all the same."""
    found = run("known", range(len(known.NAMES)), tmp_path, longest_s=known.LONGEST_S, memory_mb=known.MEMORY_MB,
                workers=1)
    assert {known.NAMES[c.number] for c in found.bad} == {*known.NAMES} - {"result", "trouble"}
    assert found.counts == {"result": 4, "trouble": 1, "escaped": 2, "crashed": 1, "hung": 1}


def test_damage_is_the_same_for_the_same_seed() -> None:
    data = bytes(range(256)) * 4
    assert mutation.mutated(data, random.Random(7)) == mutation.mutated(data, random.Random(7))
    assert len({mutation.mutated(data, random.Random(n)) for n in range(40)}) > 30
    table = {"a": [1, 2.5, "x"], "b": {"c": True}}
    assert len({repr(values.changed(table, random.Random(n))) for n in range(40)}) > 30
    assert table == {"a": [1, 2.5, "x"], "b": {"c": True}}
