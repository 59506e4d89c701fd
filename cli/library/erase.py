"""Removing what a trainee has a right to have removed, and what a school should not keep for ever; with proof.

An erasure is first written down (`erasing.json`: which files), then carried out, then proved: one line in
`erasures.jsonl` with each file's SHA-256 and size, chained to the line before by its hash. The proof holds no name,
code or path. Whoever was given the receipt can show that a line is about their code; without it nobody can tell.
A power cut in between is taken up when the library is next opened.
"""

from __future__ import annotations

import glob
import hashlib
import hmac
import json
import secrets
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.trouble import Trouble
from cli.held import held
from cli.library.query import Filter, find
from cli.records import read_record, strict_json
from cli.store import PLAN_PNG, sha256
from cli.whole import write_whole

if TYPE_CHECKING:
    from cli.library.library import Library

PENDING, PROOFS = "erasing.json", "erasures.jsonl"
IMPORTING = "importing-"  # what an import unpacks into, in the library's own folder
_PICTURES = (".jpg", ".jpeg", ".png", ".webp", ".gif", ".mp4", ".mov", ".webm", ".mkv", ".html", ".pdf", ".vtt")


@dataclass(frozen=True)
class Proof:
    """What was removed. `receipt` is the secret that ties the proof to the trainee's code (None for retention).

    kept: files that belong to the attempts but lie outside the library, and were left where they are.
    """

    attempts: int
    files: int
    bytes: int
    receipt: str | None
    kept: tuple[str, ...]


def erase_trainee(library: Library, code: str, *, originals: bool = False) -> Proof:
    """Remove every attempt of a trainee: folder, clip, stills, people's notes, rows of the index.

    The clip as filmed goes too when it lies in the library, or, with `originals`, wherever it lies; only when it is
    still the file that was analysed (SHA-256). Raises Trouble when the trainee has no attempt.
    """
    library.refresh()
    ids = [row.id for row in find(library, Filter(trainee=code), limit=None)]
    if not ids:
        raise Trouble("no attempt of this trainee is in the library", where=code, remedy="check the code; codes are "
                      "case sensitive")
    clips, kept = _clips(library, ids, outside=originals)
    folders = [f for i in ids for f in _with_leftovers(library.own.parent / i)]
    folders += [*library.own.glob(IMPORTING + "*"), *_left_by_killed(library.own.parent)]
    folders = list(dict.fromkeys(folders))
    files = [*clips, *(f for folder in folders for f in _files(folder))]
    receipt = secrets.token_hex(16)
    return _carry_out(library, "erasure", files, folders, ids, receipt, _tied(receipt, code), kept)


def remove_pictures(library: Library, ids: Sequence[str]) -> Proof:
    """Remove what shows people from these attempts, and keep the records: their clips, overlays and stills."""
    root = library.own.parent
    clips, kept = _clips(library, ids, outside=False)
    pictures = [f for i in ids for f in _files(root / i) if _shows_people(root / i, f)]
    return _carry_out(library, "pictures past their time", [*clips, *pictures], [], ids, None, None, kept)


def remove_attempts(library: Library, ids: Sequence[str]) -> Proof:
    """Remove attempts whose time is over, with everything in their folders."""
    root = library.own.parent
    clips, kept = _clips(library, ids, outside=False)
    folders = [f for i in ids for f in _with_leftovers(root / i)]
    files = [*clips, *(f for folder in folders for f in _files(folder))]
    return _carry_out(library, "records past their time", files, folders, ids, None, None, kept)


def has_pictures(library: Library, attempt: str) -> bool:
    folder = library.own.parent / attempt
    return any(_shows_people(folder, f) for f in _files(folder)) or bool(_clips(library, [attempt], outside=False)[0])


def finish_pending(library: Library) -> None:
    """Carry an interrupted erasure to its end. Does nothing when there is none."""
    if library.storage.local is None or not (library.own / PENDING).exists():
        return
    _finish(library, _checked_plan(library))


def _checked_plan(library: Library) -> dict[str, Any]:
    """The plan that was written down. It lies in the library, which may come from elsewhere: so it may name folders of
    the library only, and other files only where they are what they were when it was written. Raises Trouble."""
    path, root = library.own / PENDING, library.own.parent.resolve()
    try:
        plan = strict_json(path.read_bytes())
        files = [(root / f["path"], f["sha256"], f["bytes"]) for f in plan["files"]]
        folders = [root / folder for folder in plan["folders"]]
        within = all(f.parent.resolve().is_relative_to(root) and f.resolve() != root for f in folders)
        ours = all(f.parent.resolve().is_relative_to(root) or not f.is_file()
                   or (f.stat().st_size == size and sha256(f) == told) for f, told, size in files)
        if not {"why", "at", "about", "ids"} <= plan.keys() or not all(isinstance(i, str) for i in plan["ids"]):
            raise ValueError
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise Trouble("what is left to erase cannot be read", where=str(path),
                      remedy="remove this file, open the library, and erase the same again") from None
    if not (within and ours):
        raise Trouble("names files that are not the library's", where=str(path),
                      remedy="remove this file, and do not trust this library: look where it comes from")
    return plan


def read_proofs(proofs: Path) -> list[dict[str, Any]]:
    """The library's proofs, oldest first; none where nothing was ever removed. Raises Trouble when a line was changed,
    or removed or put in before another. That the last ones are still there, only those who hold a receipt can tell."""
    out: list[dict[str, Any]] = []
    before = ""
    for n, line in enumerate(proofs.read_text("utf-8").splitlines() if proofs.exists() else (), 1):
        try:
            out.append(json.loads(line))
            whole = out[-1]["after"] == before
        except (ValueError, KeyError, TypeError):
            whole = False
        if not whole:
            raise Trouble("this proof, or one before it, is not as it was written", where=f"{proofs}: line {n}",
                          remedy="take the file from a backup; what was erased stays erased")
        before = hashlib.sha256(line.encode()).hexdigest()
    return out


def proofs_about(proofs: Iterable[dict[str, Any]], receipt: str, code: str) -> list[dict[str, Any]]:
    """Those that are about this trainee's code, as the receipt shows."""
    tied = _tied(receipt, code)
    return [p for p in proofs if p["about"] is not None and hmac.compare_digest(p["about"], tied)]


def _tied(receipt: str, code: str) -> str:
    return hmac.new(receipt.encode(), code.encode(), "sha256").hexdigest()


def _carry_out(library: Library, why: str, files: Iterable[Path], folders: Iterable[Path], ids: Sequence[str],
               receipt: str | None, about: str | None, kept: Iterable[str]) -> Proof:
    root = library.own.parent  # from which paths are told, so that they hold when the library is moved
    listed: list[dict[str, Any]] = [{"path": _told_from(root, f), "sha256": sha256(f), "bytes": f.stat().st_size}
                                    for f in dict.fromkeys(files)]
    plan = {"why": why, "at": datetime.now(UTC).replace(microsecond=0).isoformat(), "about": about, "ids": list(ids),
            "files": listed, "folders": [_told_from(root, f) for f in folders]}
    write_whole(library.own / PENDING, json.dumps(plan))
    _finish(library, plan)
    return Proof(len(ids), len(listed), sum(f["bytes"] for f in listed), receipt, tuple(kept))


def _told_from(root: Path, path: Path) -> str:
    return path.relative_to(root).as_posix() if path.is_relative_to(root) else str(path)


def _finish(library: Library, plan: dict[str, Any]) -> None:
    root = library.own.parent
    for f in plan["files"]:
        (root / f["path"]).unlink(missing_ok=True)
    for folder in plan["folders"]:
        _remove_empty(root / folder)
    if plan["folders"]:
        library.forget(plan["ids"])
        library.scrub()
    left = [f["path"] for f in plan["files"] if (root / f["path"]).exists()]
    if left:
        raise Trouble(f"{len(left)} files could not be removed", where=left[0],
                      remedy="close the programs that use them, and open the library again: it goes on by itself")
    _prove(library.own / PROOFS, plan)
    (library.own / PENDING).unlink()


def _prove(path: Path, plan: dict[str, Any]) -> None:
    lines = path.read_text("utf-8").splitlines() if path.exists() else []
    line = json.dumps({"at": plan["at"], "why": plan["why"], "about": plan["about"], "attempts": len(plan["ids"]),
                       "removed": [{"sha256": f["sha256"], "bytes": f["bytes"]} for f in plan["files"]],
                       "after": hashlib.sha256(lines[-1].encode()).hexdigest() if lines else ""})
    if line not in lines[-1:] and not (lines and _same_removal(lines[-1], line)):
        write_whole(path, "\n".join([*lines, line]) + "\n")


def _same_removal(told: str, line: str) -> bool:
    """An erasure cut short between its proof and its end is not proved twice."""
    a, b = json.loads(told), json.loads(line)
    return all(a[k] == b[k] for k in ("at", "why", "about", "removed"))


def _files(folder: Path) -> list[Path]:
    return sorted(f for f in folder.rglob("*") if f.is_file() or f.is_symlink())


def _with_leftovers(folder: Path) -> list[Path]:
    """The attempt folder and what killed analyses may have left beside it."""
    return [folder, *folder.parent.glob(f".{glob.escape(folder.name)}.unfinished-*"),
            *folder.parent.glob(f".{glob.escape(folder.name)}.finished")]


def _left_by_killed(root: Path) -> Iterator[Path]:
    """What killed analyses left anywhere in the library: nobody can tell whom it shows."""
    for left in root.rglob(".*.unfinished-*"):
        with held(left, wait=False) as mine:
            if mine is not False:
                yield left


def _shows_people(folder: Path, file: Path) -> bool:
    """Every picture, video and page in the folder but the drawn plan: pages hold the clip or stills of it."""
    return file.suffix.lower() in _PICTURES and file.relative_to(folder).as_posix() != PLAN_PNG


def _clips(library: Library, ids: Sequence[str], *, outside: bool) -> tuple[list[Path], list[str]]:
    """The clips as filmed: those to remove, and those that lie outside the library and stay."""
    remove, kept = [], []
    root = library.own.parent
    for i in ids:
        try:
            record = read_record(root / i)
        except (OSError, Trouble):
            continue
        for clip in record.get("clips", []):
            path = (root / i / clip["file"]).resolve()
            if not path.is_file() or path.stat().st_size != clip["bytes"] or sha256(path) != clip["sha256"]:
                continue
            if outside or path.is_relative_to(root):
                remove.append(path)
            else:
                kept.append(str(path))
    return list(dict.fromkeys(remove)), sorted(set(kept))


def _remove_empty(folder: Path) -> None:
    for sub in sorted((f for f in folder.rglob("*") if f.is_dir()), reverse=True):
        sub.rmdir()
    if folder.is_dir():
        folder.rmdir()
