"""Files replaced whole: whoever reads one sees the old or the new, never half, whatever is killed or unplugged."""

from __future__ import annotations

import errno
import glob
import os
import time
from contextlib import suppress
from pathlib import Path
from uuid import uuid4

from analysis.trouble import Trouble

_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_DENIED = (errno.EACCES, errno.EPERM, errno.EROFS)
_LEFT_AFTER_S = 3600.0  # such a file lives for the blink of a write: one this old was left by a killed process


def write_whole(path: Path, text: str) -> None:
    """Replace a file's text in one step (UTF-8). Raises OSError, and then leaves the file as it was."""
    for left in path.parent.glob(f".{glob.escape(path.name)}-*"):
        with suppress(OSError):
            if time.time() - left.stat().st_mtime > _LEFT_AFTER_S:
                left.unlink()
    fresh = path.with_name(f".{path.name}-{uuid4().hex}")
    try:
        with fresh.open("x", encoding="utf-8", newline="") as f:
            f.write(text)
            f.flush()
            os.fsync(f.fileno())
        os.replace(fresh, path)
    finally:
        fresh.unlink(missing_ok=True)


def sync_tree(folder: Path) -> None:
    """Force everything in a folder to the disk, so that a name given to it afterwards never stands for half of it."""
    for file in folder.rglob("*"):
        if file.is_file():
            with file.open("rb+") as f:
                os.fsync(f.fileno())


def is_of_the_disk(e: OSError) -> bool:
    """Whether an error comes from a disk that is full, failing or may not be written to: no defect of the program."""
    return e.errno in (*_FULL, *_DENIED, errno.EIO, errno.ENODEV, errno.ENXIO)


def disk_trouble(e: OSError, where: Path | str = "") -> Trouble:
    """What a person is told of a disk's error. Every caller leaves what was there before as it was."""
    remedy = ("make room on the disk" if e.errno in _FULL else "change its permissions, or name another folder"
              if e.errno in _DENIED else "look whether the disk is still there")
    return Trouble(f"nothing can be written there ({e.strerror or e})", where=str(where or e.filename or ""),
                   remedy=f"{remedy}, then do the same again; what was there before is unchanged")
