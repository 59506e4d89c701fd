"""What a case may not do: write outside its own folder. Python's own writes are told by an audit hook, those of
native libraries by a look at the tree around the folder."""

from __future__ import annotations

import os
import sys
from pathlib import Path

_TWO_PATHS = ("os.rename", "os.link", "os.symlink")
_ONE_PATH = ("os.mkdir", "os.rmdir", "os.remove", "os.truncate", "os.chmod", "os.chown", "os.utime", "shutil.rmtree",
             "sqlite3.connect")
_IN_FOLDER = ("os.remove", "os.rmdir")  # whose second argument may be an open folder that the path is seen from
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
_CACHES = ("__pycache__", "/dev/null")  # of the interpreter and of the compiler, not of the program's making


class Watch:
    """Notes every write of this process that does not lie below `allowed`."""

    def __init__(self) -> None:
        self.allowed: Path | None = None
        self.strayed: list[str] = []
        sys.addaudithook(self._hear)

    def _hear(self, event: str, args: tuple[object, ...]) -> None:
        if self.allowed is None:
            return
        if event == "open":
            path, mode, flags = args[:3]
            writes = (isinstance(mode, str) and any(c in mode for c in "wax+")) or \
                (isinstance(flags, int) and bool(flags & _WRITING))
            paths: tuple[object, ...] = (path,) if writes else ()
        elif event in _TWO_PATHS:
            paths = args[:2]
        elif event in _ONE_PATH:
            paths = args[:1]
        else:
            return
        inside = next((a for a in args[1:] if isinstance(a, int) and a > 2), None) if event in _IN_FOLDER else None
        base = os.readlink(f"/proc/self/fd/{inside}") if inside is not None else os.getcwd()
        for path in paths:
            if isinstance(path, (str, bytes, os.PathLike)) and not self._may(os.path.join(base, os.fsdecode(path))):
                self.strayed.append(f"{event} {os.fsdecode(path)}")

    def _may(self, path: str) -> bool:
        assert self.allowed is not None
        whole = os.path.normpath(path)
        return whole == str(self.allowed) or whole.startswith(f"{self.allowed}{os.sep}") or \
            any(c in whole for c in _CACHES)


def tree(root: Path, but: Path) -> dict[str, tuple[int, int]]:
    """Size and time of each file below root, without the folder `but`."""
    return {str(p): (p.lstat().st_size, p.lstat().st_mtime_ns) for p in sorted(root.rglob("*"))
            if p != but and but not in p.parents and not p.is_dir()}
