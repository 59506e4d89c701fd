"""Clips on their way in: written to disk in pieces as they arrive, resumable, cleared away when abandoned."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import AsyncIterator
from contextlib import suppress
from pathlib import Path
from typing import Any

from analysis.trouble import Trouble
from cli.app.folder import Folder, NotThere
from cli.whole import write_whole

PIECE_BYTES = 8_000_000
ABANDONED_AFTER_S = 24 * 3600.0
MOST_AT_ONCE = 40
_NAME_SHOWN = 120


class OutOfStep(Exception):
    """A piece does not continue what has arrived; `offset` is where to go on."""

    def __init__(self, offset: int) -> None:
        super().__init__(offset)
        self.offset = offset


class Uploads:
    """Each upload is a pair of files: ID (the bytes) and ID.json (what was announced)."""

    def __init__(self, folder: Folder) -> None:
        self._folder = folder
        self._busy: set[str] = set()
        self._seen: dict[str, int] = {}  # sizes when abandoned ones were last looked for

    def begin(self, name: str, size: int, modified: int) -> tuple[str, int]:
        """Announce a file. The same file announced again goes on where it stopped. Returns its id and the offset."""
        from vision.opening import LARGEST_BYTES  # with it comes the decoder: not before it is needed
        if not 0 < size <= LARGEST_BYTES:
            raise Trouble("is empty" if size == 0 else f"{size / 1e9:.0f} GB is too large", where=name[:_NAME_SHOWN],
                          remedy=f"up to {LARGEST_BYTES / 1e9:.0f} GB can be taken in")
        upload = hashlib.sha256(json.dumps([name, size, modified]).encode()).hexdigest()[:24]
        path = self._folder.place("uploads", upload)
        if not path.exists():
            self._folder.check_room(size + self._announced())
            if len(list(path.parent.glob("*.json"))) >= MOST_AT_ONCE:
                raise Trouble(f"{MOST_AT_ONCE} uploads are waiting already", remedy="finish or remove some first")
            write_whole(_about(path), json.dumps({"name": name[:_NAME_SHOWN], "size": size}))
            path.touch()
        return upload, path.stat().st_size

    def _announced(self) -> int:
        """Bytes that other uploads have announced and not yet sent."""
        total = 0
        for about in self._folder.place("uploads", "x").parent.glob("*.json"):
            name = about.name.removesuffix(".json")
            with suppress(NotThere, OSError, ValueError, KeyError):  # one that is just now being removed
                total += max(self.about(name)["size"] - self._folder.existing("uploads", name).stat().st_size, 0)
        return total

    async def append(self, upload: str, offset: int, pieces: AsyncIterator[bytes]) -> int:
        """Write what arrives behind what has arrived. Returns the new offset. Raises OutOfStep, Trouble."""
        path = self._folder.existing("uploads", upload)
        size = self.about(upload)["size"]
        if upload in self._busy or offset != path.stat().st_size:
            raise OutOfStep(path.stat().st_size)
        self._busy.add(upload)
        try:
            arrived = 0
            with path.open("ab") as f:
                async for piece in pieces:
                    arrived += len(piece)
                    if arrived > PIECE_BYTES or offset + arrived > size:
                        f.truncate(offset)
                        raise Trouble("more arrived than was announced", where=self.about(upload)["name"],
                                      remedy="choose the file again")
                    f.write(piece)
        finally:
            self._busy.discard(upload)
        return offset + arrived

    def about(self, upload: str) -> dict[str, Any]:
        return json.loads(_about(self._folder.existing("uploads", upload)).read_text("utf-8"))

    def finished(self, upload: str) -> Path:
        """The file of an upload that arrived whole. Raises Trouble when bytes are missing."""
        path, about = self._folder.existing("uploads", upload), self.about(upload)
        if path.stat().st_size != about["size"]:
            raise Trouble("has not arrived whole", where=about["name"], remedy="choose the file again; it goes on")
        return path

    def remove(self, upload: str) -> None:
        path = self._folder.place("uploads", upload)
        path.unlink(missing_ok=True)
        _about(path).unlink(missing_ok=True)

    def clear_abandoned(self, now_s: float | None = None) -> None:
        """Remove what nobody has added to for a day, nor since this was last called: a clock that was set right by a
        year does not take away what somebody is sending."""
        now_s = time.time() if now_s is None else now_s
        before, self._seen = self._seen, {}
        for file in self._folder.place("uploads", "x").parent.iterdir():
            name = file.name.removesuffix(".json")
            both = [f for f in (file.with_name(name), file.with_name(name + ".json")) if f.exists()]
            with suppress(OSError):
                self._seen[name] = sum(f.stat().st_size for f in both)
                newest = max((f.stat().st_mtime for f in both), default=now_s)
                if now_s - newest > ABANDONED_AFTER_S and name not in self._busy \
                        and before.get(name) == self._seen[name]:
                    for f in both:
                        f.unlink(missing_ok=True)


def _about(path: Path) -> Path:
    return path.with_name(path.name + ".json")
