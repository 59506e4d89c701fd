"""Each number that measuring and judging rest on has a reason, and the list of them is that of the source."""

from __future__ import annotations

from pathlib import Path

import constants
import pytest


def test_every_number_has_a_reason() -> None:
    without = [f"{c.module}: {c.name} = {c.value}" for c in constants.constants() if len(c.reason.split()) < 3]
    assert not without, "say why, in a comment beside it or a docstring below it"


def test_the_list_is_that_of_the_source() -> None:
    written, now = constants.LIST.read_text("utf-8").splitlines(), constants.listed().splitlines()
    stale = sorted(set(now) - set(written)) + sorted(set(written) - set(now))
    assert not stale, "run: python tests/constants.py"


@pytest.mark.parametrize(("source", "found"), [
    ("A_M = 0.3  # a hand's breadth", [("A_M", "0.3", "a hand's breadth")]),
    ('A_M, B_M = 0.3, 2 * 0.4\n"""As wide as\na door."""', [("A_M, B_M", "(0.3, 2 * 0.4)", "As wide as a door.")]),
    ("# as painted\nA_M = 0.1", [("A_M", "0.1", "as painted")]),
    ("A_M = 0.3", [("A_M", "0.3", "")]),
    ("ANGLE_RAD = math.radians(3)  # seen", [("ANGLE_RAD", "math.radians(3)", "seen")]),
    ('BY = {"length": 0.3}  # see there', [("BY", "{'length': 0.3}", "see there")]),
    ("X, Y, HEADING = range(3)\nAHEAD, HIDDEN = 0, 1\nNAME = 'a'\nlower = 3\nDRIVER = Driver(3.0)\nON = True", [])])
def test_what_is_read_from_a_module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, source: str,
                                    found: list[tuple[str, str, str]]) -> None:
    """Numbers, not states counted through, texts or records (whose fields say what they are)."""
    monkeypatch.setattr(constants, "ROOT", tmp_path)
    path = tmp_path / "module.py"
    path.write_text(source, "utf-8")
    assert [(c.name, c.value, c.reason) for c in constants.constants_of(path)] == found
