"""Files that come from elsewhere: archives, records, tracks and what people said are taken only for what they are."""

from __future__ import annotations

import hashlib
import io
import json
import os
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from attempt_folders import record_of as stored
from attempt_folders import write_attempt

from analysis.trouble import Trouble
from cli.library.archive import export, import_
from cli.library.archive_check import MANIFEST, check_names, is_plain
from cli.library.erase import PENDING
from cli.library.library import open_library
from cli.library.people import parse_about, parse_corrections
from cli.library.query import Filter, count
from cli.library.storage import OWN
from cli.records import read_track, record_of, strict_json


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An exported attempt 'yard/1'."""
    root = tmp_path_factory.mktemp("school")
    (root / "yard").mkdir()
    write_attempt(root / "yard" / "1")
    library = open_library(root)
    export(library, Filter(), root / "good.zip")
    library.close()
    return root / "good.zip"


Change = Callable[[dict[str, Any], dict[str, bytes]], None]


def rewritten(archive: Path, out: Path, change: Change, **packing: Any) -> Path:
    """The archive with its list and members changed, and the list told anew."""
    with zipfile.ZipFile(archive) as z:
        members = {m.filename: z.read(m) for m in z.infolist()}
    manifest = json.loads(members.pop(MANIFEST))
    change(manifest, members)
    with zipfile.ZipFile(out, "w", **packing) as z:
        for name, raw in members.items():
            z.writestr(name, raw)
        z.writestr(MANIFEST, json.dumps(manifest))
    return out


def refusal(archive: Path, folder: Path) -> str:
    """What an import says; nothing of it is kept."""
    library = open_library(folder)
    before = sorted(p.relative_to(folder) for p in folder.rglob("*") if OWN not in p.parts)
    try:
        with pytest.raises(Trouble) as told:
            import_(library, archive)
        assert count(library) == 0
    finally:
        library.close()
    assert sorted(p.relative_to(folder) for p in folder.rglob("*") if OWN not in p.parts) == before
    assert not [p for p in (folder / OWN).iterdir() if p.is_dir()]
    line = told.value.one_line()
    assert line.startswith(str(archive)) and "\n" not in line
    return line


@pytest.mark.parametrize("name", [
    "", "/a", "a//b", "../a", "a/../b", "a/./b", ".a", "a/.b", "C:a", "a\\b", "a\0b", "a\nb", "a\u202eb", "a\x7fb",
    "con", "a/NUL.txt", "com1", "a.", "a ", " a", "a" * 121, "é" * 61, "/".join(["abcdefgh"] * 50), "a|b", "a?", "a*",
    "a<b", 'a"b', "~/a:b"])
def test_names_that_are_not_plain(name: str) -> None:
    assert not is_plain(name)


@pytest.mark.parametrize("name", ["a", "yard/2026-11-25-t1", "people/corrections.jsonl", "Übung 3/clip.mp4", "a~b",
                                  "console.txt", "a" * 120, "people/~notes"])
def test_names_that_are_plain(name: str) -> None:
    assert is_plain(name)


@pytest.mark.parametrize(("ids", "files", "said"), [
    (["a", "A"], [], "stands twice"), (["a"], ["a/x", "a/X"], "stands twice"),
    (["a"], ["a/\u00e9", "a/e\u0301"], "stands twice"), (["a"], ["a/x", "a/x/y"], "a folder above another"),
    (["a", "a/b"], [], "a folder above another"), (["../a"], [], "leads out")])
def test_names_that_some_file_system_takes_for_one(ids: list[str], files: list[str], said: str) -> None:
    check_names(["a", "b"], ["a/x", "a/y/z", "b/x"])
    with pytest.raises(Trouble, match=said):
        check_names(ids, files)


def test_a_bomb_is_refused_before_it_goes_off(archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """40 MB of noughts packed to a few kB, on a disk with 1.03 GB free, of which 1 GB stays free."""
    def swell(manifest: dict[str, Any], members: dict[str, bytes]) -> None:
        members["yard/1/big.bin"] = bytes(40_000_000)
        manifest["attempts"][0]["files"].append({"name": "big.bin", "bytes": 40_000_000, "sha256": "0" * 64})
    bomb = rewritten(archive, tmp_path / "bomb.zip", swell, compression=zipfile.ZIP_DEFLATED)
    assert bomb.stat().st_size < 1_000_000
    monkeypatch.setattr("cli.library.archive_check.shutil.disk_usage", lambda path: SimpleNamespace(free=1_030_000_000))
    assert "make room" in refusal(bomb, tmp_path / "here")


def test_a_list_that_is_a_bomb_is_not_unpacked(archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cli.library.archive_check.LARGEST_MANIFEST_BYTES", 100)
    assert "list of attempts is too long" in refusal(archive, tmp_path / "here")


def test_a_member_larger_than_it_says_is_cut_off(archive: Path, tmp_path: Path) -> None:
    """Sizes in the directory at the archive's end are what is believed, and what is read is no more than that."""
    raw = bytearray(archive.read_bytes())
    at = raw.rindex(b"PK\x01\x02", 0, raw.rindex(b"overlay.mp4"))
    size = struct.unpack("<I", raw[at + 24:at + 28])[0]
    raw[at + 24:at + 28] = struct.pack("<I", size - 1)
    lying = tmp_path / "lying.zip"
    lying.write_bytes(raw)
    assert "overlay.mp4: is not the file that was exported" in refusal(lying, tmp_path / "here")


@pytest.mark.parametrize(("change", "said"), [
    (lambda m, f: m["attempts"][0].update(id=7), "no list of attempts"),
    (lambda m, f: m["attempts"][0]["files"][0].update(bytes=1e400), "no list of attempts"),
    (lambda m, f: m["attempts"][0]["files"][0].update(bytes=-1), "no list of attempts"),
    (lambda m, f: m["attempts"][0].update(files={"name": "x"}), "no list of attempts"),
    (lambda m, f: m.update(attempts=[]), "no list of attempts"),
    (lambda m, f: m["attempts"].append(m["attempts"][0]), "no list of attempts"),
    (lambda m, f: m["attempts"][0]["files"][0].update(sha256=None), "not the file that was exported"),
    (lambda m, f: f.update({"yard/1/more.txt": b""}), "does not hold what its list says")])
def test_a_list_that_is_wrong(change: Change, said: str, archive: Path, tmp_path: Path) -> None:
    assert said in refusal(rewritten(archive, tmp_path / "bad.zip", change), tmp_path / "here")


@pytest.mark.parametrize("packed", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_packings_that_export_does_not_use_are_not_unpacked(packed: int, archive: Path, tmp_path: Path) -> None:
    odd = rewritten(archive, tmp_path / "odd.zip", lambda m, f: None, compression=packed)
    assert "packed in a way" in refusal(odd, tmp_path / "here")


def test_an_attempt_has_no_place_in_another_or_behind_a_link(archive: Path, tmp_path: Path) -> None:
    (tmp_path / "outside").mkdir()
    (tmp_path / "linked").mkdir()
    (tmp_path / "linked" / "yard").symlink_to(tmp_path / "outside")
    assert "has no place here" in refusal(archive, tmp_path / "linked")
    assert not list((tmp_path / "outside").iterdir())
    (tmp_path / "filed").mkdir()
    (tmp_path / "filed" / "yard").write_text("a file")
    assert "has no place here" in refusal(archive, tmp_path / "filed")


def test_a_record_that_is_none_is_not_brought_in(archive: Path, tmp_path: Path) -> None:
    def spoil(manifest: dict[str, Any], members: dict[str, bytes]) -> None:
        record = json.loads(members["yard/1/attempt.json"]) | {"verdict": "<b>ok</b>"}
        members["yard/1/attempt.json"] = raw = json.dumps(record).encode()
        told = next(f for f in manifest["attempts"][0]["files"] if f["name"] == "attempt.json")
        told.update(bytes=len(raw), sha256=hashlib.sha256(raw).hexdigest())
    assert "not the record of an attempt" in refusal(rewritten(archive, tmp_path / "bad.zip", spoil), tmp_path / "here")


# ---- what is left to erase -------------------------------------------------------------------------------------------


def test_a_library_from_elsewhere_cannot_erase_other_files(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("my own")
    (tmp_path / "mine").mkdir()
    library = tmp_path / "library"
    (library / OWN).mkdir(parents=True)
    plan = {"why": "erasure", "at": "2026-11-25T10:00:00+00:00", "about": None, "ids": [], "files": [], "folders": []}
    bad_file = {"path": str(tmp_path / "mine.txt"), "sha256": "0" * 64, "bytes": 6}
    for change, said in (({"files": [bad_file]}, "not the library's"), ({"folders": ["../mine"]}, "not the library's"),
                         ({"folders": [str(tmp_path / "mine")]}, "not the library's"), ({"folders": ["."]}, "not the"),
                         ({"files": [{"path": 7}]}, "cannot be read"), ({"ids": [[]]}, "cannot be read")):
        (library / OWN / PENDING).write_text(json.dumps(plan | change))
        with pytest.raises(Trouble, match=said):
            open_library(library)
    (library / OWN / PENDING).write_text("[" * 100_000)
    with pytest.raises(Trouble, match="cannot be read"):
        open_library(library)
    assert (tmp_path / "mine.txt").read_text() == "my own" and (tmp_path / "mine").is_dir()


def test_a_folder_whose_name_is_no_text_is_left_out_and_told(tmp_path: Path) -> None:
    write_attempt(tmp_path / "good")
    try:
        (tmp_path / "good").rename(tmp_path / os.fsdecode(b"bad-\xff"))
    except OSError:
        pytest.skip("this file system takes only names that are text")
    write_attempt(tmp_path / "good")
    library = open_library(tmp_path)
    told = library.refresh()
    assert told.added == 1 and "bad-\\udcff: this name cannot be read" in told.troubles[0].one_line()
    library.close()


# ---- records, tracks, words ------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def attempt(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_attempt(tmp_path_factory.mktemp("attempt") / "run")


@pytest.mark.parametrize(("change", "said"), [
    ({"verdict": "perhaps"}, "verdict"), ({"findings": [{}]}, "findings/0"), ({"shunts": -1}, "shunts"),
    ({"shunts": 1.5}, "shunts"), ({"trainee": "Jane Doe"}, "trainee"), ({"t_end_s": 1e300}, "t_end_s"),
    ({"vehicle": []}, "vehicle"), ({"stops": {}}, "stops"), ({"legs": [{"direction": 2}]}, "legs/0"),
    ({"clips": [{"file": 3, "bytes": 1, "sha256": ""}]}, "clips/0/file")])
def test_a_record_is_what_the_schema_allows(change: dict[str, Any], said: str, attempt: Path) -> None:
    record = stored(attempt)
    assert record_of(json.dumps(record).encode())["verdict"] == record["verdict"]
    with pytest.raises(Trouble, match=said):
        record_of(json.dumps(record | change).encode())


def test_sections_that_earlier_versions_did_not_write_may_be_missing(attempt: Path) -> None:
    record = stored(attempt)
    core = {k: record[k] for k in ("schema_version", "verdict", "summary", "vehicle", "course", "rules", "t_start_s",
                                   "t_end_s", "stops", "legs", "shunts", "findings", "marks")}
    assert record_of(json.dumps(core).encode()) == core


@pytest.mark.parametrize("raw", [b"", b"{", b"NaN", b"[1e999]", b"[-Infinity]", b'["\\ud800"]', b"\xff", b"[" * 100_000,
                                 b"[" + b"9" * 19 + b"]"])
def test_what_json_should_not_carry(raw: bytes) -> None:
    with pytest.raises((ValueError, RecursionError)):
        strict_json(raw)


def test_what_json_may_carry() -> None:
    assert strict_json('[1, -2.5e3, "\\ud83d\\ude00", null, true, {"a": 123456789012345678}]') == [
        1, -2500.0, "\U0001f600", None, True, {"a": 123456789012345678}]


def parquet(columns: dict[str, Any]) -> bytes:
    out = io.BytesIO()
    pq.write_table(pa.table(columns), out)
    return out.getvalue()


def test_a_track_is_columns_of_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    good = parquet({"t_s": [0.0, 0.1], "x_m": [1.5, None], "measured": [True, False], "n": [1, 2]})
    track = read_track(good)
    assert track["x_m"][0] == 1.5 and np.isnan(track["x_m"][1])
    assert track["measured"].tolist() == [True, False] and track["n"].dtype == float
    for bad in (b"", b"PAR1", good[:-10], good.replace(b"PAR1", b"PAR2"), parquet({"t_s": ["a"]}),
                parquet({"t_s": [[1.0]]}), parquet({"t_s": [b"x"]})):
        with pytest.raises(Trouble, match=r"track\.parquet cannot be read"):
            read_track(bad)
    monkeypatch.setattr("cli.records.MOST_ROWS", 1)
    with pytest.raises(Trouble, match="2 rows of 4 columns"):
        read_track(good)


@pytest.mark.parametrize("line", [
    b'{"by": ["I1"], "action": "note"}', b'{"by": "I1", "action": {"a": 1}}',
    b'{"by": "I1", "action": "note", "id": []}',
    b'{"by": "I1", "action": "time", "t_start_s": "1"}', b'{"by": "I1", "action": "time", "t_start_s": NaN}',
    b'{"by": "I1", "action": "time", "t_end_s": 1e300}', b'{"by": "I1", "action": "note", "reason": "\\ud800"}',
    b'{"by": "I1", "action": "note", "finding": {"kind": [], "where": "", "t_start_s": 1}}', b"[" * 100_000, b"7",
    b"null",
    b'{"by": "I1", "action": "note", "reason": "' + b"x" * 20_000 + b'"}'])
def test_a_damaged_word_is_passed_over_and_the_others_stand(line: bytes) -> None:
    whole = b'{"by": "I1", "action": "note", "reason": "kept"}'
    assert [c.reason for c in parse_corrections(b"\n".join([whole, line, whole]))] == ["kept", "kept"]


@pytest.mark.parametrize("raw", [b'{"trainee": "Jane Doe"}', b'{"trainee": ["T1"]}', b'{"run_on": 7}',
                                 b'{"run_on": "x"}', b"[]", b"[" * 100_000, b'{"notes": "\\ud800"}',
                                 b'{"instructor": 3}'])
def test_notes_that_are_none(raw: bytes) -> None:
    with pytest.raises(Trouble, match="not readable as notes"):
        parse_about(raw)
