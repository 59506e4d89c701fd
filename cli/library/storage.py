"""Where a library's attempt folders lie: this machine's disk, a network share, or an object store, by one address.

All of it goes through fsspec, so that `/data/attempts`, `sftp://yard/attempts` and `s3://school/attempts` are read
and written by the same code. An attempt is any folder that holds an attempt.json.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import fsspec

from analysis.trouble import Trouble
from cli.store import PEOPLE, RECORD, TRACK

OWN = ".tailtrace"  # the library's own folder: index, proofs
_ATTEMPT_FILES = (RECORD, TRACK, f"{PEOPLE}/corrections.jsonl", f"{PEOPLE}/about.json")


@dataclass(frozen=True)
class Storage:
    """An opened address: the file system behind it and the root within it."""

    fs: Any
    root: str

    @property
    def local(self) -> Path | None:
        """The root as a path of this machine; None when it lies elsewhere."""
        return Path(self.root) if "file" in _protocols(self.fs) else None

    def path(self, *parts: str) -> str:
        return "/".join([self.root.rstrip("/"), *(p for p in parts if p)])

    def attempts(self) -> Iterator[str]:
        """The ids (folder below the root, with /) of all attempts, in order. Hidden folders are passed over."""
        yield from sorted(self._below("", 0))

    def _below(self, folder: str, depth: int) -> Iterator[str]:
        try:
            entries = self.fs.ls(self.path(folder), detail=True, refresh=True)
        except FileNotFoundError:
            return
        names = {PurePosixPath(e["name"]).name: e for e in entries}
        if RECORD in names:
            yield folder
        elif depth < 6:
            for name, entry in names.items():
                if entry["type"] == "directory" and not name.startswith("."):
                    yield from self._below(f"{folder}/{name}".lstrip("/"), depth + 1)

    def state(self, attempt: str) -> str:
        """A text that changes whenever one of the files that the index is made from changes."""
        seen = []
        for name in _ATTEMPT_FILES:
            with contextlib.suppress(FileNotFoundError):
                info = self.fs.info(self.path(attempt, name))
                when = info.get("mtime") or info.get("LastModified") or info.get("created")
                seen.append(f"{name}:{info.get('size')}:{when}:{info.get('ETag', '')}:{info.get('ino', '')}")
        return ";".join(seen)

    def read(self, attempt: str, name: str) -> bytes | None:
        """A file of an attempt, or None when it has none of that name."""
        try:
            return self.fs.cat_file(self.path(attempt, name))
        except FileNotFoundError:
            return None

    def files(self, attempt: str) -> list[str]:
        """All files of an attempt, by their name within it."""
        base = self.path(attempt)
        found = self.fs.find(base)
        return sorted(str(PurePosixPath(f).relative_to(PurePosixPath(base))) for f in found)

    def put_attempt(self, folder: Path, attempt: str) -> None:
        """Copy a finished attempt folder in, the record last: until then nobody takes it for an attempt."""
        files = sorted((f for f in folder.rglob("*") if f.is_file()), key=lambda f: (f.name == RECORD, str(f)))
        for f in files:
            target = self.path(attempt, f.relative_to(folder).as_posix())
            self.fs.makedirs(str(PurePosixPath(target).parent), exist_ok=True)
            self.fs.put_file(str(f), target)

    def remove(self, attempt: str, name: str = "") -> None:
        with contextlib.suppress(FileNotFoundError):
            self.fs.rm(self.path(attempt, name), recursive=not name)


def open_storage(address: str | Path) -> Storage:
    """Raises Trouble when the address names a file system this installation cannot reach."""
    try:
        fs, root = fsspec.core.url_to_fs(str(address))
    except (ValueError, ImportError) as e:
        raise Trouble(f"this kind of address cannot be reached ({e})", where=str(address),
                      remedy="install the package that it needs, or give a folder of this machine") from None
    return Storage(fs, str(Path(root).resolve()) if "file" in _protocols(fs) else root)


def _protocols(fs: Any) -> tuple[str, ...]:
    return (fs.protocol,) if isinstance(fs.protocol, str) else tuple(fs.protocol)
