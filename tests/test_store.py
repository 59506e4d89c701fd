"""The attempt folder: a new result replaces an old one whole or not at all, and never what people wrote."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

from analysis.trouble import Trouble
from cli import store


def contents(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def write_result(folder: Path, word: str, *, overlay: bool = True) -> None:
    with store.replacing(folder) as new:
        (new / store.REVIEW).write_text(f"page {word}")
        if overlay:
            (new / store.OVERLAY).write_text(f"video {word}")
        store.write_record(new, {"word": word})


def test_a_first_result_is_written_with_a_place_for_people(tmp_path: Path) -> None:
    write_result(tmp_path / "run", "one")
    assert contents(tmp_path / "run")["review.html"] == b"page one"
    assert (tmp_path / "run" / "people").is_dir()
    assert os.listdir(tmp_path) == ["run"]  # nothing left lying about


def test_a_second_result_replaces_the_first_and_leaves_other_files_alone(tmp_path: Path) -> None:
    run = tmp_path / "run"
    write_result(run, "one")
    (run / "people" / "note.txt").write_text("the sun was low")
    (run / "from_the_office.pdf").write_text("kept")
    write_result(run, "two", overlay=False)
    got = contents(run)
    assert got["review.html"] == b"page two"
    assert got["people/note.txt"] == b"the sun was low"
    assert got["from_the_office.pdf"] == b"kept"
    assert "overlay.mp4" not in got  # the video of the first result would not belong to the second
    record = json.loads(got["attempt.json"])
    assert (record["word"], record["files"]) == ("two", ["review.html", "attempt.json"])
    assert record["files_sha256"] == {"review.html": hashlib.sha256(b"page two").hexdigest()}


def test_a_run_that_fails_leaves_everything_as_it_was(tmp_path: Path) -> None:
    write_result(tmp_path / "run", "one")
    before = contents(tmp_path)
    with pytest.raises(ValueError, match="half way"), store.replacing(tmp_path / "run") as new:
        (new / store.REVIEW).write_text("page two")
        raise ValueError("half way")
    assert contents(tmp_path) == before


def test_a_run_killed_before_the_end_leaves_the_earlier_result_whole(tmp_path: Path) -> None:
    """Killed for good: no clean-up code runs at all."""
    run = tmp_path / "run"
    write_result(run, "one")
    before = contents(run)
    child = os.fork()
    if child == 0:
        with store.replacing(run) as new:
            (new / store.REVIEW).write_text("page two")
            os._exit(9)
    os.waitpid(child, 0)
    assert contents(run) == before
    write_result(run, "three")
    assert contents(run)["review.html"] == b"page three"


@pytest.mark.parametrize("moves_done", [0, 1, 2])
def test_a_run_killed_while_moving_in_is_completed_by_the_next_who_looks(tmp_path: Path, moves_done: int) -> None:
    run = tmp_path / "run"
    write_result(run, "one")
    real, left = os.replace, moves_done

    def replace_or_die(a: Path, b: Path) -> None:
        nonlocal left
        if left == 0:
            os._exit(9)
        left -= 1
        real(a, b)

    child = os.fork()
    if child == 0:
        store.os.replace = replace_or_die  # type: ignore[attr-defined]
        write_result(run, "two")
        os._exit(0)
    assert os.waitpid(child, 0)[1] != 0
    store.check_usable(run)
    got = contents(run)
    assert (got["review.html"], got["overlay.mp4"]) == (b"page two", b"video two")
    assert json.loads(got["attempt.json"])["word"] == "two"
    assert os.listdir(tmp_path) == ["run"]


def test_files_of_the_same_names_that_are_no_result_are_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / "plan.png").write_text("somebody's holiday")
    with pytest.raises(Trouble, match=r"no attempt\.json"):
        store.check_usable(tmp_path)
    assert (tmp_path / "plan.png").read_text() == "somebody's holiday"


def test_a_file_cannot_be_the_folder(tmp_path: Path) -> None:
    (tmp_path / "run").write_text("")
    with pytest.raises(Trouble, match="is a file, not a folder"):
        store.check_usable(tmp_path / "run")


def test_units_stand_in_the_columns_own_metadata(tmp_path: Path) -> None:
    table = pd.DataFrame({"t_s": [0.0, 0.1], "speed_mps": [0.0, -0.5]})
    table.attrs["units"] = {"t_s": "s", "speed_mps": "m/s"}
    store.write_track(tmp_path, table, csv=True)
    schema = pq.read_schema(tmp_path / "track.parquet")
    assert schema.field("speed_mps").metadata == {b"unit": b"m/s"}
    assert pd.read_parquet(tmp_path / "track.parquet")["speed_mps"].tolist() == [0.0, -0.5]
    assert (tmp_path / "track.csv").read_text().splitlines() == ["t_s,speed_mps", "0,0", "0.1,-0.5"]


def test_the_clip_is_referred_to_by_its_checksum(tmp_path: Path) -> None:
    clip = tmp_path / "clips" / "a.mp4"
    clip.parent.mkdir()
    clip.write_bytes(b"abc")
    # SHA-256 of "abc": the worked example of FIPS 180-4 (from memory)
    assert store.clip_references([clip], tmp_path / "runs" / "one") == [{
        "file": "../../clips/a.mp4", "bytes": 3,
        "sha256": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"}]
