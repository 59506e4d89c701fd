"""Earlier attempts of the same trainee: the attempt folders beside this one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from analysis.trouble import Trouble
from cli.records import read_record


def earlier_attempts(folder: Path, trainee: str | None) -> list[dict[str, Any]]:
    """The records of finished attempts beside `folder` with this trainee's code, oldest analysis first.

    A folder whose record cannot be read is passed over: it must not stop another attempt's analysis.
    """
    if trainee is None:
        return []
    found = []
    here = folder.resolve()
    for beside in sorted(here.parent.iterdir()) if here.parent.is_dir() else ():
        record = _record(beside) if beside != here else None
        if record and record.get("trainee") == trainee:
            found.append(record)
    return sorted(found, key=lambda r: str(r.get("made_at", "")))


def _record(folder: Path) -> dict[str, Any] | None:
    try:
        return read_record(folder)
    except (OSError, Trouble):
        return None
