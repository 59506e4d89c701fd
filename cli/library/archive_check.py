"""What an archive may be before anything of it is unpacked. It comes from outside: its names may lead out of the
library, its sizes may fill the disk, and what it says of itself may be wrong."""

from __future__ import annotations

import re
import shutil
import unicodedata
import zipfile
from collections.abc import Iterable, Mapping
from pathlib import Path, PurePosixPath
from typing import Any

from analysis.trouble import Trouble
from cli.records import strict_json
from cli.store import RECORD

MANIFEST = "manifest.json"
LARGEST_MANIFEST_BYTES = 50_000_000
LEFT_FREE_BYTES = 1_000_000_000
"""Of the disk, that an import leaves free."""
LONGEST_PART, LONGEST_NAME = 120, 400  # bytes: file systems allow 255 to a name, and Windows less in all
_PLAIN = re.compile(r"[^\x00-\x1f\x7f<>:\"|?*\\]+")
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)  # names of devices on Windows
_PACKED = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_ENCRYPTED = 0x1
_KIND, _FILE = 0o170000, 0o100000  # of a member's Unix mode


def checked_manifest(z: zipfile.ZipFile, folder: Path) -> list[Mapping[str, Any]]:
    """The list of attempts: every member of the archive stands in it, and the other way round, with its size, under a
    name that stays where it belongs on any system; and all of it goes onto the disk of `folder`. Raises Trouble."""
    listed, wanted = _listed(z)
    ids = [a["id"] for a in listed]
    check_names(ids, wanted)
    if any(f"{i}/{RECORD}" not in wanted for i in ids):
        raise Trouble(f"an attempt without {RECORD}", where=MANIFEST, remedy="export it again")
    members = {m.filename: m for m in z.infolist() if m.filename != MANIFEST}
    if set(members) != set(wanted) or len(z.namelist()) != len(members) + 1:
        raise Trouble("does not hold what its list says", where=MANIFEST, remedy="export it again")
    for name, m in members.items():
        if m.file_size != wanted[name] or (m.external_attr >> 16) & _KIND not in (0, _FILE):
            raise Trouble("is not the file that was exported", where=name, remedy="export it again")
        if m.flag_bits & _ENCRYPTED or m.compress_type not in _PACKED:
            raise Trouble("is packed in a way that export does not use", where=name, remedy="export it again")
    total, free = sum(wanted.values()), shutil.disk_usage(folder).free
    if total + LEFT_FREE_BYTES > free:
        raise Trouble(f"it unpacks to {total / 1e9:.1f} GB, and {free / 1e9:.1f} GB are free", where=MANIFEST,
                      remedy=f"make room; {LEFT_FREE_BYTES / 1e9:.0f} GB are left free")
    return listed


def _listed(z: zipfile.ZipFile) -> tuple[list[Mapping[str, Any]], dict[str, int]]:
    """The attempts listed, and the size of each file by its name in the archive."""
    try:
        if z.getinfo(MANIFEST).file_size > LARGEST_MANIFEST_BYTES:
            raise Trouble("its list of attempts is too long", where=MANIFEST, remedy="export fewer at a time")
        listed = strict_json(z.read(MANIFEST))["attempts"]
        files = [(f"{a['id'] + '/'}{f['name'] + ''}", f["bytes"]) for a in listed for f in a["files"]]
        if not listed or len(dict(files)) < len(files) or len({a["id"] for a in listed}) < len(listed) \
                or any(type(size) is not int or size < 0 for _, size in files):
            raise ValueError
        return listed, dict(files)
    except (KeyError, TypeError, ValueError, RecursionError):
        raise Trouble("holds no list of attempts", where=MANIFEST, remedy="was it written by export?") from None


def is_plain(name: str) -> bool:
    """Whether a name, with / between its parts, stays in its folder and can be written on any system."""
    parts = name.split("/")
    return (_PLAIN.fullmatch(name) is not None and name.isprintable() and len(name.encode()) <= LONGEST_NAME
            and all(p and not p.startswith((".", " ")) and not p.endswith((".", " ")) and not _RESERVED.fullmatch(p)
                    and len(p.encode()) <= LONGEST_PART for p in parts))


def check_names(ids: Iterable[str], files: Iterable[str]) -> None:
    """Raises Trouble for a name that is not plain, two that some file system takes for one, a file that is a folder
    too, or an attempt within another."""
    folded = [[_folded(name) for name in names] for names in (ids, files)]
    for names in folded:
        if len(set(names)) < len(names):
            raise _distrusted("a name that stands twice", max(names, key=names.count))
    attempts, contents = folded
    for names in (attempts, contents):
        if both := _folders_of(names) & set(names):
            raise _distrusted("what is said to be a file, or an attempt, and a folder above another too", min(both))


def _folded(name: str) -> str:
    """The name as a file system sees it that takes capitals, and letters composed or not, for the same."""
    if not is_plain(name):
        raise _distrusted("a name that leads out of its folder, or is not a plain one", name)
    return unicodedata.normalize("NFC", name).casefold()


def _folders_of(names: Iterable[str]) -> set[str]:
    return {p.as_posix() for name in names for p in PurePosixPath(name).parents}


def _distrusted(what: str, name: str) -> Trouble:
    return Trouble(what, where=repr(name), remedy="do not trust this archive; ask for a new export")
