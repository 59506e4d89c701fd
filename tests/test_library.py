"""The library's index, queries, retention, erasure and archives; the same on SQLite and on a PostgreSQL server."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

import fsspec
import postgres
import pytest
import sqlalchemy as sa
from attempt_folders import record_of, write_attempt

from analysis.trouble import Trouble
from cli.library import erase as erasing
from cli.library.archive import MANIFEST, export, import_
from cli.library.database import attempts, findings, grids, meta, metadata
from cli.library.erase import PENDING, PROOFS, erase_trainee, proofs_about, read_proofs
from cli.library.library import Library, open_library
from cli.library.people import About, Correction, FindingKey, append_correction, write_about
from cli.library.query import Filter, count, facets, find, one
from cli.library.retention import RETENTION, apply, due
from cli.main import main
from cli.store import OVERLAY, PLAN_PNG, RECORD, REVIEW, TRACK

REPO = Path(__file__).resolve().parents[1]
Opener = Callable[[Path], Library]
TURN = FindingKey("dry_steering", "", 5.0)  # a finding of the hand-made attempt


@pytest.fixture(scope="session")
def postgres_address() -> Iterator[str]:
    if postgres.programs() is None:
        pytest.skip(postgres.ABSENT)
    with postgres.server() as address:
        yield address


@pytest.fixture(params=["sqlite", "postgresql"])
def opened(request: pytest.FixtureRequest) -> Iterator[Opener]:
    """Opens a library on the database under test; on PostgreSQL one library at a time, empty at first."""
    libraries = []
    database = None
    if request.param == "postgresql":
        database = request.getfixturevalue("postgres_address")
        engine = sa.create_engine(database)
        metadata.drop_all(engine)
        engine.dispose()

    def opener(folder: Path) -> Library:
        libraries.append(open_library(folder, database))
        return libraries[-1]
    yield opener
    for library in libraries:
        library.close()


def three(root: Path) -> Path:
    write_attempt(root / "2026" / "a", trainee="T1", instructor="I1", made_at="2026-03-10T09:00:00+00:00")
    write_attempt(root / "2026" / "b", trainee="T2", instructor="I1", made_at="2026-04-10T09:00:00+00:00")
    write_attempt(root / "c", trainee="T1", instructor="I2", made_at="2026-05-10T09:00:00+00:00")
    return root


def rows_of(library: Library) -> list[tuple]:
    """Everything in the index but its own numbering, in order."""
    with library.engine.connect() as c:
        shown = [col for col in attempts.c if col.name not in ("n", "state")]
        told = [col for col in findings.c if col.name not in ("n", "attempt")]
        grid = [grids.c.ix0, grids.c.iy0, grids.c.nx, grids.c.ny, grids.c.least_mm]
        return [*c.execute(sa.select(*shown).order_by(attempts.c.id)),
                *c.execute(sa.select(attempts.c.id, *told).join(attempts).order_by(
                    attempts.c.id, findings.c.kind, findings.c.t_start_s)),
                *c.execute(sa.select(attempts.c.id, *grid).join(attempts).order_by(attempts.c.id))]


# ---- the index follows the folders --------------------------------------------------------------------


def test_refresh_reads_what_is_new_and_only_that(tmp_path: Path, opened: Opener) -> None:
    library = opened(three(tmp_path))
    first = library.refresh()
    assert (first.added, first.changed, first.removed, first.troubles) == (3, 0, 0, ())
    revision = library.revision()
    again = library.refresh()
    assert (again.added, again.changed, again.removed) == (0, 0, 0)
    assert library.revision() == revision

    write_attempt(tmp_path / "c", trainee="T9", instructor="I2")
    append_correction(tmp_path / "2026" / "a", Correction("I1", "overrule", TURN, "fault", "ok"))
    os.rename(tmp_path / "2026" / "b", tmp_path / "2026" / "z")
    third = library.refresh()
    assert (third.added, third.changed, third.removed) == (1, 2, 1)
    assert [r.id for r in find(library, order="oldest")] == ["2026/a", "c", "2026/z"]
    assert library.revision() != revision


def test_a_rebuilt_index_holds_the_same_rows(tmp_path: Path, opened: Opener) -> None:
    library = opened(three(tmp_path))
    library.refresh()
    before = rows_of(library)
    assert len(before) == 3 + 3 * 5 + 3
    library.rebuild()
    assert rows_of(library) == before


def test_one_attempt_can_be_refreshed_alone(tmp_path: Path, opened: Opener) -> None:
    library = opened(three(tmp_path))
    library.refresh("c")
    assert [r.id for r in find(library)] == ["c"]


def test_a_damaged_attempt_is_named_and_the_others_are_kept(tmp_path: Path, opened: Opener) -> None:
    library = opened(three(tmp_path))
    library.refresh()
    (tmp_path / "c" / RECORD).write_text('{"verdict": "ok"', "utf-8")
    (tmp_path / "2026" / "b" / TRACK).write_bytes(b"not a table")
    done = library.refresh()
    assert [t.where for t in done.troubles] == ["2026/b", "c"]
    assert "analyse the clip again" in done.troubles[0].remedy
    assert [r.id for r in find(library)] == ["2026/a"]


def test_the_people_s_word_goes_before_the_tool_s(tmp_path: Path, opened: Opener) -> None:
    folder = write_attempt(tmp_path / "a")
    library = opened(tmp_path)
    library.refresh()
    row = one(library, "a")
    assert row is not None and (row.tool_verdict, row.verdict, row.faults) == ("fault", "fault", 1)

    wrong = append_correction(folder, Correction("I1", "overrule", TURN, "fault", "ok", reason="steered rolling"))
    library.refresh()
    row = one(library, "a")
    # without the turn, what counts is a line too close to call
    assert row is not None and (row.tool_verdict, row.verdict, row.faults) == ("fault", "too close to call", 0)

    append_correction(folder, Correction("I1", "withdraw", withdraws=wrong.id))
    append_correction(folder, Correction("I1", "add", FindingKey("mark_touched", "pivot", 3.0), verdict="fault"))
    append_correction(folder, Correction("I1", "time", TURN, t_start_s=9.0, t_end_s=9.5))
    append_correction(folder, Correction("I1", "confirm", TURN, "fault", "fault"))
    write_about(folder, About(trainee="T7", run_on=date(2025, 12, 24), weather="Rain, 100 % wet"))
    library.refresh()
    row = one(library, "a")
    assert row is not None and (row.faults, row.trainee, row.run_on) == (2, "T7", date(2025, 12, 24))
    assert row.instructor == "I1"
    with library.engine.connect() as c:
        turn = c.execute(sa.select(findings.c.t_start_s, findings.c.people_verdict).where(
            findings.c.kind == "dry_steering")).one()
    assert tuple(turn) == (9.0, "fault")  # found again by the tool's time, though a person moved it


def test_a_torn_correction_costs_only_itself(tmp_path: Path, opened: Opener) -> None:
    folder = write_attempt(tmp_path / "a")
    append_correction(folder, Correction("I1", "confirm", TURN, "fault", "fault"))
    path = folder / "people" / "corrections.jsonl"
    path.write_bytes(path.read_bytes() + b'{"schema": 1, "by": "I1", "act')
    append_correction(folder, Correction("I1", "note", TURN, reason="after the cut"))
    library = opened(tmp_path)
    library.refresh()
    row = one(library, "a")
    assert row is not None and row.corrections == 2


# ---- queries --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("asked", "ids"), [
    (Filter(), ["c", "2026/b", "2026/a"]),
    (Filter(trainee="T1"), ["c", "2026/a"]),
    (Filter(instructor="I1", since=date(2026, 4, 1)), ["2026/b"]),
    (Filter(since=date(2026, 3, 10), until=date(2026, 4, 10)), ["2026/b", "2026/a"]),
    (Filter(kind="dry_steering", trainee="T2"), ["2026/b"]),
    (Filter(kind="stopping_box"), []),
    (Filter(kind="tyre_over_line"), []),  # too close to call is not a fault
    (Filter(text="RAIN"), ["2026/b"]),
    (Filter(text="100 %"), ["2026/b"]),
    (Filter(text="100 x"), []),
    (Filter(text="_"), []),  # not a wildcard
    (Filter(corrected=True), ["2026/a"]),
    (Filter(corrected=False, trainee="T1"), ["c"]),
    (Filter(verdict="fault", course="nowhere"), []),
    (Filter(ids=["c", "2026/a", "x"]), ["c", "2026/a"]),
    (Filter(ids=[]), []),
    (Filter(trainee="T1' OR '1'='1"), []),
])
def test_attempts_are_found_by(asked: Filter, ids: list[str], tmp_path: Path, opened: Opener) -> None:
    three(tmp_path)
    write_about(tmp_path / "2026" / "b", About(weather="light rain", notes="100 % of the yard wet"))
    append_correction(tmp_path / "2026" / "a", Correction("I1", "note", None, reason="spoke to him"))
    library = opened(tmp_path)
    library.refresh()
    assert [r.id for r in find(library, asked)] == ids
    assert count(library, asked) == len(ids)


def test_facets_count_what_there_is(tmp_path: Path, opened: Opener) -> None:
    three(tmp_path)
    write_attempt(tmp_path / "d", trainee=None)
    library = opened(tmp_path)
    library.refresh()
    assert facets(library)["trainee"] == [("T1", 2), ("T2", 1)]
    assert facets(library)["vehicle"] == [("8.5 m lorry", 4)]


def test_pages_of_a_long_list(tmp_path: Path, opened: Opener) -> None:
    library = opened(three(tmp_path))
    library.refresh()
    assert [r.id for r in find(library, order="trainee", limit=2, offset=1)] == ["c", "2026/b"]


# ---- erasure and retention ------------------------------------------------------------------------------


def test_erasing_a_trainee_leaves_nothing_but_the_proof(tmp_path: Path, opened: Opener) -> None:
    inside, outside = tmp_path / "lib" / "clips" / "x.mp4", tmp_path / "elsewhere.mp4"
    inside.parent.mkdir(parents=True)
    inside.write_bytes(b"seven in the yard")
    outside.write_bytes(b"seven again")
    three(tmp_path / "lib")
    write_attempt(tmp_path / "lib" / "2026" / "a", trainee="seven")
    write_attempt(tmp_path / "lib" / "c", trainee="seven", clips=(inside, outside))
    write_about(tmp_path / "lib" / "2026" / "a", About(notes="seven is tall"))
    killed = tmp_path / "lib" / ".c.unfinished-abc"
    killed.mkdir()
    (killed / "overlay.mp4").write_bytes(b"seven half drawn")
    library = opened(tmp_path / "lib")
    proof = erase_trainee(library, "seven")

    assert proof.attempts == 2
    assert proof.kept == (str(outside),)
    assert not (tmp_path / "lib" / "2026" / "a").exists() and not (tmp_path / "lib" / "c").exists()
    assert not inside.exists() and outside.exists() and not killed.exists()
    assert [r.id for r in find(library)] == ["2026/b"]
    own = tmp_path / "lib" / ".tailtrace"
    assert sorted(f.name for f in own.iterdir() if "sqlite" not in f.name) == [PROOFS]
    line = (own / PROOFS).read_text("utf-8").splitlines()[0]
    assert "seven" not in line and "2026/a" not in line
    removed = json.loads(line)["removed"]
    assert len(removed) == proof.files
    assert {"sha256": hashlib.sha256(b"seven in the yard").hexdigest(), "bytes": 17} in removed
    proofs = read_proofs(own / PROOFS)
    assert proof.receipt and proofs_about(proofs, proof.receipt, "seven") == [json.loads(line)]
    assert proofs_about(proofs, proof.receipt, "T2") == proofs_about(proofs, "another", "seven") == []
    if library.engine.dialect.name == "sqlite":  # deleted rows are overwritten, not only unlinked
        library.close()
        left = b"".join(f.read_bytes() for f in own.iterdir())
        assert b"2026/a" not in left and b"seven" not in left and b"2026/b" in left


def test_proofs_are_chained(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    library = open_library(three(tmp_path))
    proofs = tmp_path / ".tailtrace" / PROOFS
    assert read_proofs(proofs) == []
    receipt = erase_trainee(library, "T1").receipt
    erase_trainee(library, "T2")
    library.close()
    assert len(read_proofs(proofs)) == 2
    assert main(["library", "proof", str(tmp_path), "--trainee", "T1", "--receipt", str(receipt)]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == "1 of 2 proofs; none was changed"
    first, second = proofs.read_text("utf-8").splitlines()
    for changed in (first.replace('"attempts": 2', '"attempts": 1') + "\n" + second, second, "{\n" + second):
        proofs.write_text(changed + "\n", "utf-8")
        with pytest.raises(Trouble, match="not as it was written"):
            read_proofs(proofs)
        assert main(["library", "proof", str(tmp_path)]) == 2


def test_a_clip_that_changed_since_is_not_taken_for_the_trainee_s(tmp_path: Path, opened: Opener) -> None:
    clip = tmp_path / "x.mp4"
    clip.write_bytes(b"T1 in the yard")
    write_attempt(tmp_path / "a", clips=(clip,))
    clip.write_bytes(b"someone else's")
    erase_trainee(opened(tmp_path), "T1")
    assert clip.exists()


def test_erasing_nobody_is_refused(tmp_path: Path, opened: Opener) -> None:
    with pytest.raises(Trouble, match="no attempt of this trainee"):
        erase_trainee(opened(three(tmp_path)), "t1")


@pytest.mark.parametrize("cut", ["_remove_empty", "_prove"])
def test_an_interrupted_erasure_is_finished_when_the_library_is_opened(
        cut: str, tmp_path: Path, opened: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    library = opened(three(tmp_path))

    def power_cut(*_: object) -> None:
        raise KeyboardInterrupt
    with monkeypatch.context() as m, pytest.raises(KeyboardInterrupt):
        m.setattr(erasing, cut, power_cut)
        erase_trainee(library, "T1")
    assert (tmp_path / ".tailtrace" / PENDING).exists()
    again = opened(tmp_path)
    assert not (tmp_path / ".tailtrace" / PENDING).exists()
    assert not (tmp_path / "c").exists()
    assert [r.id for r in find(again)] == ["2026/b"]
    assert len((tmp_path / ".tailtrace" / PROOFS).read_text("utf-8").splitlines()) == 1


def test_retention_takes_pictures_first_and_records_later(tmp_path: Path, opened: Opener) -> None:
    three(tmp_path)  # 10 March, 10 April, 10 May 2026
    (tmp_path / "2026" / "b" / PLAN_PNG).write_bytes(b"a drawing")
    (tmp_path / "2026" / "b" / "still.jpg").write_bytes(b"a face")
    (tmp_path / RETENTION).write_text("schema = 1\npictures_days = 30\nrecords_days = 60\n", "utf-8")
    library = opened(tmp_path)
    assert due(library, date(2026, 4, 9)).pictures == ()  # the 30th day is still within
    assert due(library, date(2026, 4, 10)).pictures == ("2026/a",)
    past = due(library, date(2026, 5, 11))
    assert (past.attempts, past.pictures) == (("2026/a",), ("2026/b",))

    assert [p.attempts for p in apply(library, date(2026, 5, 11))] == [1, 1]
    left = {f.name for f in (tmp_path / "2026" / "b").iterdir()}
    assert left == {RECORD, TRACK, PLAN_PNG, "people"}
    assert {f.name for f in (tmp_path / "c").iterdir()} >= {REVIEW, OVERLAY}
    assert [r.id for r in find(library)] == ["c", "2026/b"]
    assert apply(library, date(2026, 5, 11)) == []


def test_retention_periods_are_checked(tmp_path: Path, opened: Opener) -> None:
    library = opened(three(tmp_path))
    with pytest.raises(Trouble, match="no retention periods"):
        due(library, date(2026, 5, 11))
    (tmp_path / RETENTION).write_text("schema = 1\npicture_days = 30\n", "utf-8")
    with pytest.raises(Trouble, match=r"retention.toml: picture_days: this key is not known.*'pictures_days'"):
        due(library, date(2026, 5, 11))


# ---- archives ---------------------------------------------------------------------------------------------


def test_an_archive_brings_the_same_attempts_to_another_machine(tmp_path: Path, opened: Opener) -> None:
    here = open_library(three(tmp_path / "here"))
    assert export(here, Filter(trainee="T1"), tmp_path / "t1.zip") == 2
    there = opened(tmp_path / "there")
    assert import_(there, tmp_path / "t1.zip").added == ("2026/a", "c")
    for i in ("2026/a", "c"):
        for f in (tmp_path / "here" / i).rglob("*"):
            if f.is_file():
                assert (tmp_path / "there" / i / f.relative_to(tmp_path / "here" / i)).read_bytes() == f.read_bytes()
    assert [r.id for r in find(there)] == ["c", "2026/a"]
    assert import_(there, tmp_path / "t1.zip").merged == ("2026/a", "c")
    here.close()


def test_corrections_made_on_both_machines_are_joined(tmp_path: Path) -> None:
    here = open_library(three(tmp_path / "here"))
    export(here, Filter(ids=["c"]), tmp_path / "first.zip")
    there = open_library(tmp_path / "there")
    import_(there, tmp_path / "first.zip")
    append_correction(tmp_path / "here" / "c", Correction("I1", "confirm", TURN, "fault", "fault"))
    append_correction(tmp_path / "there" / "c", Correction("I2", "note", TURN, reason="seen from the cab"))
    export(there, Filter(), tmp_path / "back.zip")
    assert import_(here, tmp_path / "back.zip").merged == ("c",)
    row = one(here, "c")
    assert row is not None and row.corrections == 2
    import_(here, tmp_path / "back.zip")
    row = one(here, "c")
    assert row is not None and row.corrections == 2


def test_another_attempt_of_the_same_name_gets_a_new_name_once(tmp_path: Path) -> None:
    here = open_library(three(tmp_path / "here"))
    export(here, Filter(ids=["c"]), tmp_path / "c.zip")
    there = open_library(tmp_path / "there")
    write_attempt(tmp_path / "there" / "c", trainee="T5")
    assert import_(there, tmp_path / "c.zip").renamed == (("c", "c-2"),)
    assert import_(there, tmp_path / "c.zip").merged == ("c",)
    assert {(r.id, r.trainee) for r in find(there)} == {("c", "T5"), ("c-2", "T1")}


def tampered(archive: Path, out: Path, *, rename: tuple[str, str] = ("", ""), manifest: bool = True,
             extra: zipfile.ZipInfo | None = None, change: str = "") -> Path:
    with zipfile.ZipFile(archive) as a, zipfile.ZipFile(out, "w") as z:
        for m in a.infolist():
            raw = a.read(m)
            if m.filename == MANIFEST and manifest:
                raw = raw.replace(rename[0].encode(), rename[1].encode()) if rename[0] else raw
            elif change and m.filename.endswith(change):
                raw = raw[:-1] + b"!"
            z.writestr(m.filename if m.filename == MANIFEST else m.filename.replace(*rename) if rename[0]
                       else m.filename, raw)
        if extra is not None:
            z.writestr(extra, "over there")
    return out


@pytest.mark.parametrize("case", ["up", "absolute", "drive", "hidden", "unlisted", "link", "changed", "cut", "other"])
def test_a_bad_archive_changes_nothing(case: str, tmp_path: Path) -> None:
    here = open_library(three(tmp_path / "here"))
    export(here, Filter(ids=["c"]), tmp_path / "good.zip")
    good, bad = tmp_path / "good.zip", tmp_path / "bad.zip"
    link = zipfile.ZipInfo("c/link")
    link.external_attr = 0o120777 << 16
    if case in ("up", "absolute", "drive", "hidden"):
        wrong = {"up": "../plan", "absolute": "/plan", "drive": "C:plan", "hidden": ".tailtrace/track"}[case]
        tampered(good, bad, rename=("track", wrong))
    elif case in ("unlisted", "link"):
        tampered(good, bad, extra=link if case == "link" else zipfile.ZipInfo("c/new.txt"))
    elif case == "changed":
        tampered(good, bad, change=".html")
    elif case == "cut":
        bad.write_bytes(good.read_bytes()[:-200])
    else:
        bad.write_text("not a zip", "utf-8")
    there = open_library(tmp_path / "there")
    with pytest.raises(Trouble, match=r"bad\.zip"):
        import_(there, bad)
    assert [p.name for p in (tmp_path / "there").iterdir()] == [".tailtrace"]
    assert {p.name for p in tmp_path.iterdir()} == {"here", "there", "good.zip", "bad.zip"}


# ---- power cuts and other places --------------------------------------------------------------------------


def test_a_killed_refresh_leaves_a_sound_index(tmp_path: Path) -> None:
    """Killed at the moment its rows are in but not committed: nothing is half there, and the next refresh has all."""
    three(tmp_path)
    program = ("import os, signal, sys; from cli.library import library as m\n"
               "lib = m.open_library(sys.argv[1]); lib.refresh('c')\n"
               "m.Library._step = staticmethod(lambda c: os.kill(os.getpid(), signal.SIGKILL))\n"
               "lib.refresh()")
    done = subprocess.run([sys.executable, "-c", program, str(tmp_path)], cwd=REPO, check=False)
    assert done.returncode == -signal.SIGKILL
    library = open_library(tmp_path)
    assert [r.id for r in find(library)] == ["c"]
    assert library.refresh().added == 2
    with library.engine.connect() as c:
        assert c.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"
        assert c.exec_driver_sql("PRAGMA synchronous").scalar() == 2  # FULL
        assert c.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"


def test_several_processes_may_open_and_refresh_at_once(tmp_path: Path, opened: Opener) -> None:
    three(tmp_path)
    library = opened(tmp_path)
    address = None if library.engine.dialect.name == "sqlite" else library.engine.url.render_as_string(False)
    metadata.drop_all(library.engine)
    library.close()
    program = ("import sys; from cli.library.library import open_library\n"
               "open_library(sys.argv[1], sys.argv[2] or None).refresh()")
    running = [subprocess.Popen([sys.executable, "-c", program, str(tmp_path), address or ""], cwd=REPO)
               for _ in range(2)]
    assert [p.wait() for p in running] == [0, 0]
    again = opened(tmp_path)
    assert count(again) == 3
    assert len(rows_of(again)) == 3 + 3 * 5 + 3


def test_an_index_of_another_layout_is_made_anew(tmp_path: Path, opened: Opener) -> None:
    library = opened(three(tmp_path))
    library.refresh()
    with library.engine.begin() as c:
        c.execute(meta.update().where(meta.c.key == "layout").values(value="of old"))
    library.close()
    again = opened(tmp_path)
    assert count(again) == 0
    assert again.refresh().added == 3


def test_folders_on_another_file_system_are_indexed_too(tmp_path: Path) -> None:
    three(tmp_path / "here")
    memory = fsspec.filesystem("memory")
    memory.put(str(tmp_path / "here"), "/school", recursive=True)
    try:
        library = open_library("memory://school", f"sqlite:///{tmp_path}/index.sqlite")
        assert library.refresh().added == 3
        assert [r.id for r in find(library)] == ["c", "2026/b", "2026/a"]
        assert library.refresh().added == 0
        with pytest.raises(Trouble, match="only where the attempt folders lie on a disk"):
            erase_trainee(library, "T1")
    finally:
        memory.rm("/school", recursive=True)


def test_troubles_of_opening(tmp_path: Path) -> None:
    with pytest.raises(Trouble, match="database of its own"):
        open_library("memory://school")
    with pytest.raises(Trouble, match="cannot be reached"):
        open_library("nosuch://school")
    with pytest.raises(Trouble, match="not a database address"):
        open_library(tmp_path, "postgres at home")
    with pytest.raises(Trouble, match="cannot be opened"):
        open_library(tmp_path, "postgresql+psycopg://nobody@127.0.0.1:1/x")
    (tmp_path / "file").write_text("x", "utf-8")
    with pytest.raises(Trouble, match="is a file"):
        open_library(tmp_path / "file")
    (tmp_path / ".tailtrace").mkdir(exist_ok=True)
    (tmp_path / ".tailtrace" / "index.sqlite").write_bytes(b"no database at all" * 100)
    with pytest.raises(Trouble, match="cannot be opened"):
        open_library(tmp_path)


def test_the_record_itself_is_never_changed(tmp_path: Path, opened: Opener) -> None:
    folder = write_attempt(tmp_path / "a")
    before = record_of(folder)
    append_correction(folder, Correction("I1", "overrule", TURN, "fault", "ok"))
    opened(tmp_path).refresh()
    assert record_of(folder) == before
