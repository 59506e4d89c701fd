"""`tailtrace verify`: is a result still what was written, what was it made from, and does it come out again?

Reading the checksums tells of decay and of changes by mistake. It is no proof against somebody who means to deceive:
whoever can write to the folder can write new checksums too.
"""

from __future__ import annotations

import json
import os
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from analysis.trouble import Trouble
from cli import files, store
from cli.held import own_folder
from cli.library.erase import PROOFS, read_proofs
from cli.library.storage import OWN, open_storage
from cli.made_with import code_sha256, versions
from cli.progress import Reporting, on_terminal
from cli.records import read_record

_MOST_TOLD = 5
# What says when, where and with what a result was made, and so may differ between two that are the same.
_NOT_COMPARED = ("made_at", "program", "made_with", "clips", "files", "files_sha256", "record_sha256")


@dataclass(frozen=True)
class Told:
    """One thing that verify says. bad: the result is not what was written, or does not come out again."""

    what: str
    bad: bool = False


def verify_all(folders: Sequence[Path], *, again_too: bool = False) -> None:
    """Verify attempts, and libraries of them, and print what is told; of several only what is bad. Raises Trouble at
    the end when any is."""
    found = [(attempt, removed) for folder in folders for attempt, removed in _attempts(folder)]
    bad = []
    for attempt, removed in found:
        try:
            told = [*verify(attempt, removed), *(again(attempt) if again_too else ())]
        except Trouble as e:
            told = [Told(e.one_line(), True)]
        is_bad = any(t.bad for t in told)
        bad += [attempt] * is_bad
        if is_bad or len(found) == 1:
            print("\n  ".join([str(attempt), *(t.what for t in told)]))
    if bad:
        raise Trouble("is not what was written" if len(found) == 1 else
                      f"this and {len(bad) - 1} more of {len(found)} attempts are not what was written",
                      where=str(bad[0]), remedy="take it from a backup, or analyse the clip again")
    print(f"{len(found)} attempts are as they were written" if len(found) > 1 else "as it was written")


def _attempts(folder: Path) -> Iterator[tuple[Path, frozenset[str]]]:
    """The attempts in a library, or the one that the folder is; with what its library's proofs say was removed."""
    library = open_storage(folder)
    ids = [] if (folder / store.RECORD).is_file() else list(library.attempts())
    proofs = folder / OWN / PROOFS
    removed = frozenset[str]()
    if proofs.is_file():
        lines = read_proofs(proofs)
        removed = frozenset(file["sha256"] for line in lines for file in line["removed"])
        print(f"{proofs}: {len(lines)} proofs, none changed")
    yield from ((folder / i, removed) for i in ids or [""])


def verify(folder: Path, removed: Collection[str] = ()) -> list[Told]:
    """Compare an attempt folder with the checksums in its record. removed: the SHA-256 of files that were removed on
    purpose, with proof. Raises Trouble when there is no record to compare with."""
    record = whole_record(folder)
    told = [Told("attempt.json is not as it was written", True)] * (
        record["record_sha256"] != store.record_sha256(record))
    sums: Mapping[str, str] = record["files_sha256"]
    for name, wanted in sums.items():
        if not (folder / name).is_file():
            told.append(Told(f"{name} was removed, as the library's proofs say") if wanted in removed else
                        Told(f"{name} is missing", True))
        elif store.sha256(folder / name) != wanted:
            told.append(Told(f"{name} is not as it was written", True))
    if not any(t.bad for t in told):
        told.insert(0, Told(f"{len(sums) + 1} files of the result are as they were written" if len(told) == 0 else
                            "the other files of the result are as they were written"))
    told += [_clip(folder, clip) for clip in record["clips"]]
    made = record["made_with"]
    told += [t for what, given in made["given"].items() if (t := _given(folder, what, given))]
    return [*told, *_program(made)]


def whole_record(folder: Path) -> dict[str, Any]:
    """The record of an attempt folder, with all that `verify` needs. Raises Trouble."""
    try:
        store.complete_unfinished(folder)
        record = read_record(folder)
    except FileNotFoundError:
        raise Trouble("no attempt is in this folder", where=str(folder), remedy="name an attempt folder") from None
    if not {"made_with", "files_sha256", "record_sha256", "clips"} <= set(record):
        raise Trouble("does not say what it was made from", where=str(folder / store.RECORD),
                      remedy="analyse the clip again")
    return record


def _clip(folder: Path, clip: Mapping[str, Any]) -> Told:
    path = folder / clip["file"]
    if "://" in clip["file"]:
        return Told(f"the clip lies elsewhere and was not looked at: {clip['file']}")
    if not path.is_file():
        return Told(f"the clip {clip['file']} is not there any more: the result stands, but cannot be made again")
    if store.sha256(path) != clip["sha256"]:
        return Told(f"the clip {clip['file']} is not the one that was analysed", True)
    return Told(f"the clip {clip['file']} is the one that was analysed")


def _given(folder: Path, what: str, given: Mapping[str, Any]) -> Told | None:
    path = folder / given["file"]
    if what == "rules" and not path.is_file():
        path = files.rules_file(Path(given["file"]))
    if path.is_file() and store.sha256(path) == given["sha256"]:
        return None
    kept = "what was used is kept in attempt.json" if given["text"] else "what was used is not kept"
    return Told(f"the {what} file {given['file']} {'was changed since' if path.is_file() else 'is gone'}: {kept}")


def _program(made: Mapping[str, Any]) -> Iterator[Told]:
    now = versions()
    other = [f"{name} {was} then, {now.get(name, 'none')} now" for name, was in made["versions"].items()
             if now.get(name) != was]
    if made["code_sha256"] != code_sha256():
        other.insert(0, "the program's code is another one now")
    yield Told("; ".join(other) if other else "the program and its libraries are the same as then")


def again(folder: Path, reporting: Reporting = on_terminal) -> list[Told]:
    """Analyse the clip once more with what was given then, and compare measurements and judgement to the last bit.

    Raises Trouble when clip or files are not there any more."""
    from cli.analyse import Request, run  # with it comes all that measures
    record = whole_record(folder)
    made = record["made_with"]
    clips = tuple(folder / clip["file"] for clip in record["clips"])
    for t in (_clip(folder, clip) for clip in record["clips"]):
        if not all(c.is_file() for c in clips) or t.bad:
            raise Trouble(t.what, where=str(folder), remedy="put the clip back where it was")
    with own_folder("tailtrace-again-") as place:
        given: dict[str, Any] = {what: _as_given(folder, what, g, place) for what, g in made["given"].items()}
        out = place / "attempt"
        with _nothing_from_before(place):
            run(Request(clips, out=out, **given, trainee=record["trainee"], instructor=record["instructor"],
                        **made["options"] | {"video": False}), reporting)
        fresh = read_record(out)
        differing = [*_records_differ(record, fresh, ""), *_tracks_differ(folder / store.TRACK, out / store.TRACK)]
    if not differing:
        return [Told("analysed again: the same to the last bit")]
    more = [Told(f"and {len(differing) - _MOST_TOLD} more", True)] if len(differing) > _MOST_TOLD else []
    return [Told("analysed again: not the same", True), *(Told(d, True) for d in differing[:_MOST_TOLD]), *more]


@contextmanager
def _nothing_from_before(place: Path) -> Iterator[None]:
    """Room fields are worked out anew, and not taken from the cache of this user."""
    before = os.environ.get("XDG_CACHE_HOME")
    os.environ["XDG_CACHE_HOME"] = str(place / "cache")
    try:
        yield
    finally:
        if before is None:
            del os.environ["XDG_CACHE_HOME"]
        else:
            os.environ["XDG_CACHE_HOME"] = before


def _as_given(folder: Path, what: str, given: Mapping[str, Any], place: Path) -> Path:
    """The file as it was when the result was made: from its text in the record, else the file itself."""
    if given["text"] is not None:
        path = place / f"{what}{Path(given['file']).suffix or '.toml'}"
        path.write_text(given["text"], "utf-8", newline="")
        return path
    if t := _given(folder, what, given):
        raise Trouble(t.what, where=str(folder), remedy="put the file back as it was")
    return folder / given["file"]


def _records_differ(then: Any, now: Any, where: str) -> Iterator[str]:
    """Where two records differ, as paths with both values."""
    if isinstance(then, dict) and isinstance(now, dict):
        for key in dict.fromkeys([*then, *now]):
            if where or key not in _NOT_COMPARED:
                yield from _records_differ(then.get(key), now.get(key), f"{where}.{key}" if where else key)
    elif isinstance(then, list) and isinstance(now, list) and len(then) == len(now):
        for k, (a, b) in enumerate(zip(then, now, strict=True)):
            yield from _records_differ(a, b, f"{where}[{k}]")
    elif then != now or type(then) is not type(now):
        yield f"{where}: {_short(then)} then, {_short(now)} now"


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) < 60 else text[:57] + "..."


def _tracks_differ(then: Path, now: Path) -> Iterator[str]:
    """The columns in which two tracks differ, bit by bit."""
    import pyarrow.parquet as pq
    a, b = pq.read_table(then), pq.read_table(now)
    if a.schema != b.schema or a.num_rows != b.num_rows:
        yield f"{store.TRACK}: other columns, or another number of rows"
        return
    for name in a.column_names:
        x, y = (np.asarray(t[name].to_numpy()) for t in (a, b))
        if x.tobytes() != y.tobytes():
            apart = np.abs(x.astype(float) - y.astype(float))
            yield (f"{store.TRACK}: {name} in {np.count_nonzero(~(apart == 0) & ~(np.isnan(x) & np.isnan(y)))} of "
                   f"{len(x)} rows, by up to {np.nanmax(apart, initial=0.0):.3g}")
