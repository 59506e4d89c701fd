"""The app's folder on disk, and the only way from a name in a request to a file in it.

    vehicles/*.vehicle.toml  courses/*.course.toml  lenses/*.lens.toml  rules/*.rules.toml   what was set up
    uploads/                                                             clips on their way in
    attempts/NAME/                                                       one attempt folder each, with its clip
    queue.json                                                           what waits, runs, and how it ended
"""

from __future__ import annotations

import re
import shutil
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any
from uuid import uuid4

from analysis.trouble import Trouble
from cli import store
from cli.records import read_record

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
KINDS = {"vehicles": ".vehicle.toml", "courses": ".course.toml", "lenses": ".lens.toml", "rules": ".rules.toml",
         "attempts": "", "uploads": ""}
RECORDING, REQUEST, MARKS = "recording", "request.json", "marks.csv"
_REMOVED = ".removed"  # ending of what is being taken away
_LEAST_FREE_BYTES = 1_000_000_000  # an analysis writes a viewing copy and an overlay video


class NotThere(Exception):
    """A request named something that does not exist, or a name that cannot exist. Becomes 'not found'."""


class Folder:
    """The app's folder. Creates what is missing."""

    def __init__(self, root: Path) -> None:
        self.root = root.expanduser().resolve()
        try:
            for kind in KINDS:
                (self.root / kind).mkdir(parents=True, exist_ok=True)
            for gone in (self.root / "attempts").glob(f".*{_REMOVED}"):
                shutil.rmtree(gone, ignore_errors=True)
        except OSError as e:
            raise Trouble(f"cannot be used as the app's folder ({e.strerror})", where=str(self.root),
                          remedy="name another with --folder") from None

    def place(self, kind: str, name: str) -> Path:
        """Where the thing of this name lies or would lie. Raises NotThere for anything but a plain name."""
        if kind not in KINDS or not _NAME.fullmatch(name):
            raise NotThere(name)
        path = self.root / kind / (name + KINDS[kind])
        if path.is_symlink() or path.resolve() != path:
            raise NotThere(name)
        return path

    def existing(self, kind: str, name: str) -> Path:
        path = self.place(kind, name)
        if not path.exists():
            raise NotThere(name)
        return path

    def names(self, kind: str) -> list[str]:
        """Names of what is there, in alphabetical order."""
        ending = KINDS[kind]
        found = (p.name.removesuffix(ending) for p in (self.root / kind).iterdir() if p.name.endswith(ending))
        return sorted(n for n in found if _NAME.fullmatch(n))

    def attempt(self, name: str) -> Path:
        """The folder of a finished attempt. Raises NotThere when there is no result in it."""
        path = self.existing("attempts", name)
        store.complete_unfinished(path)
        if not (path / store.RECORD).is_file():
            raise NotThere(name)
        return path

    def file_of(self, attempt: str, name: str, allowed: tuple[str, ...]) -> Path:
        """One file of an attempt; only names that the caller lists can be had."""
        path = self.attempt(attempt) / name
        if name not in allowed or not path.is_file() or path.is_symlink():
            raise NotThere(name)
        return path

    def recordings(self, attempt: str) -> list[Path]:
        """The clip's parts, in order."""
        return sorted(self.existing("attempts", attempt).glob(f"{RECORDING}-*.*"))

    def record(self, attempt: str) -> dict[str, Any]:
        """What stands in its attempt.json. Raises NotThere, Trouble."""
        return read_record(self.attempt(attempt))

    def remove(self, attempt: str) -> None:
        """Take an attempt's folder away: at once, whenever the machine may stop."""
        gone = self.existing("attempts", attempt).rename(self.root / "attempts" / f".{attempt}-{uuid4().hex}{_REMOVED}")
        shutil.rmtree(gone, ignore_errors=True)

    def check_room(self, bytes_wanted: int) -> None:
        free = shutil.disk_usage(self.root).free
        if free < bytes_wanted + _LEAST_FREE_BYTES:
            raise Trouble(f"only {free / 1e9:.1f} GB are free", where=str(self.root),
                          remedy=f"{(bytes_wanted + _LEAST_FREE_BYTES) / 1e9:.1f} GB are needed: make room first")


def slug(text: str, taken: Callable[[str], bool]) -> str:
    """A plain name for a file made from what a person typed; numbered when it is taken."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    base = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:40] or "unnamed"
    name, n = base, 1
    while taken(name):
        n += 1
        name = f"{base}-{n}"
    return name
