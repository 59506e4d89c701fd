"""Folders that one process holds: by a lock that the system takes back when the process ends, whatever ended it.

So nothing here goes by the clock: what a killed process left is known for what it is at once, and what another one is
working on is never taken for left over, be the machine's clock right or wrong.
"""

from __future__ import annotations

import errno
import glob
import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows has no locks on folders
    fcntl = None  # type: ignore[assignment]

_BUSY = (errno.EWOULDBLOCK, errno.EACCES)
_STALE_AFTER_S = 24 * 3600.0  # where folders cannot be locked, one this old is taken to be left over


@contextmanager
def held(folder: Path, *, wait: bool = True) -> Iterator[bool | None]:
    """Hold a folder that exists while the block runs. Yields True; False (only without `wait`) when another holds it,
    or it is gone; None where folders cannot be locked (Windows, some network shares)."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except FileNotFoundError:
        yield False
        return
    except OSError:
        yield None
        return
    try:
        yield _lock(handle, wait) and _is_still(folder, handle)
    finally:
        os.close(handle)


def _lock(handle: int, wait: bool) -> bool | None:
    if fcntl is None:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
        return True
    except OSError as e:
        return False if e.errno in _BUSY else None


def _is_still(folder: Path, handle: int) -> bool:
    """Whether the name still stands for what was opened, and was not removed or renamed while the lock was awaited."""
    try:
        return os.path.samestat(os.fstat(handle), os.stat(folder))
    except FileNotFoundError:
        return False


@contextmanager
def own_folder(prefix: str, parent: Path | None = None) -> Iterator[Path]:
    """A new empty folder in `parent` (default: the system's place for such), gone with the block. Folders of the same
    prefix that killed processes left are removed first. Raises OSError when none can be made."""
    place = parent or Path(tempfile.gettempdir())
    clear_left(prefix, place)
    while True:
        folder = Path(tempfile.mkdtemp(prefix=prefix, dir=place))
        with held(folder, wait=False) as mine:
            if mine is False:  # somebody clearing up was quicker
                continue
            try:
                yield folder
            finally:
                shutil.rmtree(folder, ignore_errors=True)
            return


def clear_left(prefix: str, place: Path) -> None:
    """Remove the folders of this prefix that no process holds."""
    for left in place.glob(glob.escape(prefix) + "*"):
        with held(left, wait=False) as mine, suppress(FileNotFoundError):
            if mine or (mine is None and time.time() - left.stat().st_mtime > _STALE_AFTER_S):
                shutil.rmtree(left, ignore_errors=True)
