"""Files replaced whole: whoever reads one sees the old or the new, never half, whatever is killed or unplugged."""

from __future__ import annotations

import os
from pathlib import Path
from uuid import uuid4


def write_whole(path: Path, text: str) -> None:
    """Replace a file's text in one step (UTF-8). Raises OSError, and then leaves the file as it was."""
    fresh = path.with_name(f".{path.name}-{uuid4().hex}")
    try:
        with fresh.open("x", encoding="utf-8", newline="") as f:
            f.write(text)
            f.flush()
            os.fsync(f.fileno())
        os.replace(fresh, path)
    finally:
        fresh.unlink(missing_ok=True)
