"""Tape surveys: the adjustment against hand-worked figures, which distance is wrong, and the command."""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fake_attempt import make_attempt
from hypothesis import given, settings
from hypothesis import strategies as st
from simulate import bus

from analysis.layouts import course_for
from analysis.record import attempt_to_json
from analysis.tape import Taped, solve
from analysis.trouble import Trouble
from cli.courses import course_toml
from cli.files import read_course
from cli.main import main

SQUARE = {"a": (0.0, 0.0), "b": (2.0, 0.0), "c": (2.0, 2.0), "d": (0.0, 2.0)}


def braced(places: dict[str, tuple[float, float]], *, wrong: tuple[str, str] | None = None,
           by_m: float = 0.0) -> list[Taped]:
    """All distances between the places, exact but for one."""
    return [Taped(p, q, math.dist(places[p], places[q]) + (by_m if (p, q) == wrong else 0.0))
            for p, q in itertools.combinations(sorted(places), 2)]


def test_a_braced_square_with_one_side_long() -> None:
    """Worked by hand, no published source. The six lengths of a braced square obey one condition: the sum of the four
    sides' errors less the root of two times that of the two diagonals' is nought. With equal weights, one side read
    too long by e is therefore corrected by e/8 down, every other side likewise, each diagonal by e·√2/8 up; an eighth
    of an error in a side shows, a quarter of one in a diagonal."""
    e = 0.02
    taped = braced(SQUARE, wrong=("a", "b"), by_m=e)
    got = solve(taped, SQUARE)
    by_name = {(t.a, t.b): (r, c) for t, r, c in zip(taped, got.residuals_m, got.checked, strict=True)}
    for side in (("a", "b"), ("b", "c"), ("c", "d"), ("a", "d")):
        # the tape's spread grows a little with the distance: equal weights to within two per cent
        assert by_name[side][0] == pytest.approx(-e / 8, rel=0.02)
        assert by_name[side][1] == pytest.approx(1 / 8, rel=0.02)
    for diagonal in (("a", "c"), ("b", "d")):
        assert by_name[diagonal][0] == pytest.approx(e * math.sqrt(2) / 8, rel=0.02)
        assert by_name[diagonal][1] == pytest.approx(2 / 8, rel=0.02)
    assert sum(got.checked) == pytest.approx(1.0)  # one distance more than needed


def test_with_one_spare_distance_nobody_can_tell_which_is_wrong() -> None:
    got = solve(braced(SQUARE, wrong=("a", "b"), by_m=0.3), SQUARE)
    assert sorted(got.suspects) == [0, 1, 2, 3, 4, 5]


def test_a_3_4_5_triangle_is_exact() -> None:
    planned = {"a": (0.1, -0.1), "b": (3.0, 0.0), "c": (0.0, 4.1)}
    got = solve([Taped("a", "b", 3.0), Taped("b", "c", 5.0), Taped("a", "c", 4.0)], planned)
    p = {n: np.array(q) for n, q in got.points_m.items()}
    assert np.dot(p["b"] - p["a"], p["c"] - p["a"]) == pytest.approx(0.0, abs=1e-6)
    assert got.checked == pytest.approx((0, 0, 0), abs=1e-6)  # an error in any of them would not be noticed
    assert got.suspects == ()


# A public exercise in network adjustment (author unknown; not from a handbook): fifteen distances, read to 10 mm,
# between six points that were laid out at whole metres. Six distances are more than needed.
LAID_OUT = {"p1": (100, 100), "p2": (200, 70), "p3": (200, 200), "p4": (100, 200), "p5": (300, 150), "p6": (50, 150)}
READ_M = (104.4226, 141.4264, 100.0186, 206.1519, 70.6993, 130.0119, 164.0010, 128.0688, 169.9940, 100.0009, 111.7834,
          158.1090, 206.1490, 70.6874, 250.0094)


def read_network(*, wrong: tuple[str, str] | None = None, by_m: float = 0.0) -> list[Taped]:
    return [Taped(p, q, d + (by_m if (p, q) == wrong else 0.0))
            for (p, q), d in zip(itertools.combinations(LAID_OUT, 2), READ_M, strict=True)]


def test_a_public_network_comes_out_where_it_was_laid_out() -> None:
    rough = LAID_OUT | {"p2": (200, 65)}  # 5 m off, as the exercise has it
    got = solve(read_network(), rough)
    assert got.suspects == ()
    assert sum(got.checked) == pytest.approx(6.0)
    apart = {(p, q): math.dist(got.points_m[p], got.points_m[q]) for p, q in itertools.combinations(LAID_OUT, 2)}
    for (p, q), d in apart.items():
        assert d == pytest.approx(math.dist(LAID_OUT[p], LAID_OUT[q]), abs=0.03)
    # the same minimum, found by another way: no small move of a point lowers the weighted sum of squares
    taped = read_network()

    def cost(places: dict[str, tuple[float, float]]) -> float:
        return sum(((math.dist(places[t.a], places[t.b]) - t.distance_m) / t.sd_m) ** 2 for t in taped)

    least = cost(got.points_m)
    for name, (x, y) in got.points_m.items():
        for dx, dy in ((0.002, 0), (-0.002, 0), (0, 0.002), (0, -0.002)):
            assert cost(got.points_m | {name: (x + dx, y + dy)}) > least


def test_a_wrong_distance_in_the_public_network_is_named() -> None:
    got = solve(read_network(wrong=("p2", "p5"), by_m=-1.0), LAID_OUT)
    assert [str(read_network()[k]) for k in got.suspects] == ["p2 to p5"]
    assert got.gap_m == pytest.approx(1.0, abs=0.2)


COURSE = course_for(bus())
PLACES = {m.name: (m.x_m, m.y_m) for m in COURSE.marks}
PAIRS = list(itertools.combinations(PLACES, 2))


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(PAIRS), st.sampled_from([-1.0, 1.0]), st.floats(0.3, 3.0), st.integers(0, 999))
def test_one_wrong_distance_among_all_is_named(pair: tuple[str, str], sign: float, by_m: float, seed: int) -> None:
    noise = np.random.default_rng(seed)
    taped = [Taped(p, q, math.dist(PLACES[p], PLACES[q]) + (sign * by_m if (p, q) == pair else 0.0)) for p, q in PAIRS]
    taped = [replace(t, distance_m=t.distance_m + 0.7 * t.sd_m * noise.normal()) for t in taped]
    got = solve(taped, PLACES)
    wrong = PAIRS.index(pair)
    shown_sds = by_m * math.sqrt(got.checked[wrong]) / taped[wrong].sd_m
    if shown_sds > 8:  # an error that the other distances can hardly show may stay unnoticed
        assert wrong in got.suspects
    if got.suspects == (wrong,):
        assert got.gap_m == pytest.approx(by_m, abs=4 * taped[wrong].sd_m / math.sqrt(got.checked[wrong]))


def test_cones_set_out_wrong_are_found_where_they_stand() -> None:
    real = PLACES | {"pivot": (PLACES["pivot"][0] + 0.3, PLACES["pivot"][1] - 0.4)}
    got = solve([Taped(p, q, math.dist(real[p], real[q])) for p, q in PAIRS], PLACES)
    for name, place in real.items():
        assert math.dist(got.points_m[name], place) < 0.02, name


def test_stated_spread_holds_what_it_should() -> None:
    """Of 100 noisy surveys, adjusted distances of the pivot from the back cone scatter as stated."""
    noise, at = np.random.default_rng(5), []
    for _ in range(100):
        taped = [Taped(p, q, math.dist(PLACES[p], PLACES[q])) for p, q in PAIRS]
        got = solve([replace(t, distance_m=t.distance_m + t.sd_m * noise.normal()) for t in taped], PLACES)
        at.append([math.dist(got.points_m["pivot"], PLACES["pivot"]), got.sd_m["pivot"]])
    off, sd = np.array(at).T
    # two axes: the root mean square is √2 sd; the frame's own fit adds to it
    assert 0.8 < np.sqrt(np.mean(off**2)) / (math.sqrt(2) * sd.mean()) < 1.6


def test_a_mark_on_one_distance_only_is_named() -> None:
    taped = [*braced({n: PLACES[n] for n in ("back_left", "back_right", "mouth_left", "mouth_right")}),
             Taped("back_left", "pivot", 36.5)]
    with pytest.raises(Trouble, match="1 more distance is needed: pivot can still move"):
        solve(taped, PLACES)


# ---- the command ---------------------------------------------------------------------------------


@pytest.fixture
def yard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "c.toml").write_text(course_toml(COURSE))
    return tmp_path


def tape_csv(*, wrong: tuple[str, str] | None = None, by_m: float = 0.0) -> str:
    return "from,to,distance\n" + "".join(
        f"{p},{q},{math.dist(PLACES[p], PLACES[q]) + (by_m if (p, q) == wrong else 0.0):.3f} m\n" for p, q in PAIRS)


def test_a_survey_is_written_as_a_course(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (yard / "tape.csv").write_text(tape_csv())
    assert main(["course", "--course", "c.toml", "--survey", "tape.csv", "-o", "s.toml"]) == 0
    got = read_course(yard / "s.toml")
    for m in got.marks:
        assert math.dist((m.x_m, m.y_m), PLACES[m.name]) < 0.01
    assert "tape survey of 21 distances" in got.source
    assert "Worst place" in capsys.readouterr().out


def test_a_survey_that_does_not_close_is_refused(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (yard / "tape.csv").write_text(tape_csv(wrong=("pivot", "mouth_left"), by_m=0.3))
    assert main(["course", "--course", "c.toml", "--survey", "tape.csv", "-o", "s.toml"]) == 2
    told = capsys.readouterr().err
    assert "do not close by 0.30 m" in told
    assert "measure pivot cone to left mouth cone again: it reads about 0.30 m too long" in told
    assert not (yard / "s.toml").exists()


@pytest.mark.parametrize(("text", "expected"), [
    ("a,b\n", "from,to,distance"), ("from,to,distance\n", "no distances"),
    ("from,to,distance\npivot,moon,3\n", "'moon'"), ("from,to,distance\npivot,pivot,3\n", "to itself"),
    ("from,to,distance\npivot,back_left,far\n", "line 2: 'far' is not a length"),
    ("from,to,distance\npivot,back_left,36000\n", "out of range"), ("from,to,distance\npivot,3\n", "2 values")])
def test_a_bad_tape_file_is_one_line(yard: Path, capsys: pytest.CaptureFixture[str], text: str, expected: str) -> None:
    (yard / "tape.csv").write_text(text)
    assert main(["course", "--course", "c.toml", "--survey", "tape.csv", "-o", "s.toml"]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1 and "tape.csv" in told and expected in told


def test_a_course_is_taken_from_an_analysed_clip(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In the hand-made attempt every mark was found 5 cm along and 10 cm to the right of its place."""
    attempt = make_attempt()
    (yard / "c.toml").write_text(course_toml(attempt.course))
    (yard / "run").mkdir()
    (yard / "run" / "attempt.json").write_text(json.dumps(attempt_to_json(attempt)))
    assert main(["course", "--course", "c.toml", "--survey", "run", "-o", "s.toml"]) == 0
    got = read_course(yard / "s.toml")
    for m in attempt.course.marks:
        assert (got.mark(m.name).x_m, got.mark(m.name).y_m) == pytest.approx((m.x_m + 0.05, m.y_m - 0.10), abs=1e-3)
    assert "surveyed from a clip" in got.source
    capsys.readouterr()
    for text, expected in (("{", "not the record"), ("{}", "not the record"),
                           (json.dumps(attempt_to_json(attempt) | {"marks": [], "lines": []}), "no mark")):
        (yard / "run" / "attempt.json").write_text(text)
        assert main(["course", "--course", "c.toml", "--survey", "run", "-o", "t.toml"]) == 2
        assert expected in capsys.readouterr().err
    assert main(["course", "--survey", "run"]) == 2
    assert "--course C.toml" in capsys.readouterr().err
