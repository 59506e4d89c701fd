"""Taking attempts from one machine to another: one zip file with a manifest, checked before anything is kept.

The archive holds attempt folders as they are; clips as filmed that lie outside them do not travel. On import every
member must stand in the manifest with its size and SHA-256, under a name that stays inside the attempt's folder.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from analysis.trouble import Trouble
from cli.held import held, own_folder
from cli.library.erase import IMPORTING
from cli.library.library import Library
from cli.library.people import CORRECTIONS
from cli.library.query import Filter, find
from cli.store import PEOPLE, RECORD, sha256
from cli.whole import write_whole

MANIFEST = "manifest.json"
_STORED = (".mp4", ".parquet", ".png", ".jpg", ".jpeg", ".webp", ".mov")  # packed already
_PLAIN = re.compile(r"[^\x00-\x1f<>:\"|?*\\]+")


@dataclass(frozen=True)
class Imported:
    """Ids that came in new, those that were here already (people's corrections merged), and new names given to
    attempts whose id was taken by another one: (id in the archive, id here)."""

    added: tuple[str, ...]
    merged: tuple[str, ...]
    renamed: tuple[tuple[str, str], ...]


def export(library: Library, asked: Filter, archive: Path) -> int:
    """Write the attempts asked for to a new zip file; returns how many. The file appears whole or not at all."""
    if archive.exists():
        raise Trouble("there is a file of this name already", where=str(archive), remedy="choose another name")
    library.refresh()
    ids = [row.id for row in find(library, asked, order="oldest", limit=None)]
    if not ids:
        raise Trouble("no attempt is like that", where=str(archive), remedy="ask for less; nothing was written")
    root = library.own.parent
    fresh = archive.with_name(f".{archive.name}.unfinished")
    try:
        with zipfile.ZipFile(fresh, "w", allowZip64=True) as z:
            listed = []
            for i in ids:
                files = []
                for f in sorted(f for f in (root / i).rglob("*") if f.is_file() and not f.is_symlink()):
                    name = f.relative_to(root / i).as_posix()
                    files.append({"name": name, "bytes": f.stat().st_size, "sha256": sha256(f)})
                    packed = zipfile.ZIP_STORED if f.suffix.lower() in _STORED else zipfile.ZIP_DEFLATED
                    z.write(f, f"{i}/{name}", packed)
                listed.append({"id": i, "files": files})
            z.writestr(MANIFEST, json.dumps({"schema": 1, "attempts": listed}, indent=1))
        with fresh.open("rb+") as written:
            os.fsync(written.fileno())
        os.replace(fresh, archive)
    except OSError as e:
        raise Trouble(f"the archive could not be written ({e.strerror or e})", where=str(archive),
                      remedy="is the disk full?") from None
    finally:
        fresh.unlink(missing_ok=True)
    return len(ids)


def import_(library: Library, archive: Path) -> Imported:
    """Bring an archive's attempts in. Everything is checked first: a bad archive changes nothing. Raises Trouble."""
    root = library.own.parent
    added, merged, renamed = [], [], []
    try:
        with zipfile.ZipFile(archive) as z, own_folder(IMPORTING, library.own) as staging:
            listed = _manifest(z)
            for entry in listed:
                _unpack(z, entry, staging)
            for entry in listed:
                i, came = entry["id"], staging / entry["id"]
                here = root / i
                while here.exists() and not _same_record(here, came):
                    here = _next_name(root / i, here)
                if here.exists():
                    _merge_corrections(here, came)
                    merged.append(i)
                    continue
                here.parent.mkdir(parents=True, exist_ok=True)
                os.rename(came, here)
                if here == root / i:
                    added.append(i)
                else:
                    renamed.append((i, here.relative_to(root).as_posix()))
    except FileNotFoundError:
        raise Trouble("no such file", where=str(archive), remedy="check the spelling and the folder") from None
    except (zipfile.BadZipFile, EOFError):
        raise Trouble("is not a whole zip file", where=str(archive), remedy="copy it again from the other machine") \
            from None
    except Trouble as e:
        raise e.at(str(archive)) from None
    library.refresh()
    return Imported(tuple(added), tuple(merged), tuple(renamed))


def _manifest(z: zipfile.ZipFile) -> list[Mapping[str, Any]]:
    """The checked list of attempts; every member of the archive stands in it, and the other way round."""
    try:
        listed = json.loads(z.read(MANIFEST))["attempts"]
        wanted = {f"{a['id']}/{f['name']}": int(f["bytes"]) for a in listed for f in a["files"]}
        ids = [str(a["id"]) for a in listed]
    except (KeyError, TypeError, ValueError):
        raise Trouble("holds no list of attempts", where=MANIFEST, remedy="was it written by export?") from None
    for name in [*wanted, *ids]:
        _check_name(name)
    nested = any(b.startswith(a + "/") for a in ids for b in ids)
    members = {m.filename: m for m in z.infolist() if m.filename != MANIFEST}
    if nested or len(set(ids)) < len(ids) or set(members) != set(wanted) or len(z.namelist()) != len(members) + 1:
        raise Trouble("does not hold what its list says", where=MANIFEST, remedy="export it again")
    for name, member in members.items():
        if member.file_size != wanted[name] or (member.external_attr >> 16) & 0o170000 not in (0, 0o100000):
            raise Trouble("is not the file that was exported", where=name, remedy="export it again")
    if any(f"{i}/{RECORD}" not in wanted for i in ids):
        raise Trouble(f"an attempt without {RECORD}", where=MANIFEST, remedy="export it again")
    return listed


def _check_name(name: str) -> None:
    parts = PurePosixPath(name).parts
    if (not parts or name.startswith("/") or not _PLAIN.fullmatch(name) or "//" in name
            or any(p in ("..", ".") or p.startswith(".") for p in parts)):
        raise Trouble("a name that leads out of its folder, or is not a plain one", where=repr(name),
                      remedy="do not trust this archive; ask for a new export")


def _unpack(z: zipfile.ZipFile, entry: Mapping[str, Any], staging: Path) -> None:
    for f in entry["files"]:
        target = staging / entry["id"] / f["name"]
        target.parent.mkdir(parents=True, exist_ok=True)
        digest = hashlib.sha256()
        with z.open(f"{entry['id']}/{f['name']}") as source, target.open("wb") as out:
            while piece := source.read(1 << 20):
                digest.update(piece)
                out.write(piece)
            out.flush()
            os.fsync(out.fileno())
        if digest.hexdigest() != f["sha256"]:
            raise Trouble("is not the file that was exported", where=f"{entry['id']}/{f['name']}",
                          remedy="copy the archive again")


def _same_record(here: Path, came: Path) -> bool:
    return (here / RECORD).exists() and (here / RECORD).read_bytes() == (came / RECORD).read_bytes()


def _next_name(wished: Path, taken: Path) -> Path:
    """yard/017, yard/017-2, yard/017-3, …"""
    k = 2 if taken == wished else int(taken.name.rsplit("-", 1)[1]) + 1
    return wished.with_name(f"{wished.name}-{k}")


def _merge_corrections(here: Path, came: Path) -> None:
    """Add the records of people that are not here yet; those here stay as they are."""
    theirs, ours = came / PEOPLE / CORRECTIONS, here / PEOPLE / CORRECTIONS
    if not theirs.exists():
        return
    ours.parent.mkdir(exist_ok=True)
    with held(ours.parent):  # somebody may be adding to them
        before = ours.read_text("utf-8") if ours.exists() else ""
        known = {_id(line) for line in before.splitlines()}
        fresh = [line for line in theirs.read_text("utf-8").splitlines() if _id(line) not in known and _id(line)]
        if fresh:
            write_whole(ours, before + "".join(f"{line}\n" for line in fresh))


def _id(line: str) -> str | None:
    try:
        return json.loads(line).get("id")
    except (ValueError, AttributeError):
        return None
