"""Taking attempts from one machine to another: one zip file with a manifest, checked before anything is kept.

The archive holds attempt folders as they are; clips as filmed that lie outside them do not travel. On import every
member must stand in the manifest with its size and SHA-256, under a name that stays inside the attempt's folder.
"""

from __future__ import annotations

import hashlib
import json
import os
import struct
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.trouble import Trouble
from cli.held import own_folder
from cli.library.archive_check import MANIFEST, checked_manifest, is_plain
from cli.library.erase import IMPORTING
from cli.library.library import Library
from cli.library.people import append_correction, read_corrections
from cli.library.query import Filter, find
from cli.records import read_record
from cli.store import RECORD, sha256
from cli.whole import disk_trouble, is_of_the_disk

_STORED = (".mp4", ".parquet", ".png", ".jpg", ".jpeg", ".webp", ".mov")  # packed already
# What Python's zip reader raises, besides an OSError, for one that is damaged.
_BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, ValueError, OverflowError, NotImplementedError, RuntimeError,
           struct.error, MemoryError)


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
                    if not is_plain(name):
                        continue
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
            listed = checked_manifest(z, library.own)
            for entry in listed:
                _unpack(z, entry, staging)
                _check_place(root, entry["id"])
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
    except _BROKEN:
        raise Trouble("is not a whole zip file", where=str(archive), remedy="copy it again from the other machine") \
            from None
    except OSError as e:
        raise (disk_trouble(e, archive) if is_of_the_disk(e) else
               Trouble(f"cannot be read ({e.strerror or e})", where=str(archive), remedy="copy it again from the "
                       "other machine")) from None
    except Trouble as e:
        raise e.at(str(archive)) from None
    library.refresh()
    return Imported(tuple(added), tuple(merged), tuple(renamed))


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
        if digest.hexdigest() != f.get("sha256"):
            raise Trouble("is not the file that was exported", where=f"{entry['id']}/{f['name']}",
                          remedy="copy the archive again")
    try:
        read_record(staging / entry["id"])
    except Trouble as e:
        raise Trouble(e.what, where=entry["id"], remedy="export it again") from None


def _check_place(root: Path, attempt: str) -> None:
    """Raises Trouble where an attempt of this name would lie outside the library, or within another attempt."""
    above = list((root / attempt).relative_to(root).parents)[:-1]
    if any((root / folder).is_symlink() or (root / folder / RECORD).exists() or (root / folder).is_file()
           for folder in above):
        raise Trouble("an attempt of this name has no place here", where=attempt,
                      remedy="rename the folder above it here, or export it again from a folder of another name")


def _same_record(here: Path, came: Path) -> bool:
    return (here / RECORD).exists() and (here / RECORD).read_bytes() == (came / RECORD).read_bytes()


def _next_name(wished: Path, taken: Path) -> Path:
    """yard/017, yard/017-2, yard/017-3, …"""
    k = 2 if taken == wished else int(taken.name.rsplit("-", 1)[1]) + 1
    return wished.with_name(f"{wished.name}-{k}")


def _merge_corrections(here: Path, came: Path) -> None:
    """Add the records of people that are not here yet; those here stay as they are."""
    known = {c.id for c in read_corrections(here)}
    for theirs in read_corrections(came):
        if theirs.id and theirs.id not in known:
            append_correction(here, theirs)
