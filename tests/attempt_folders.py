"""Small attempt folders for tests of the library: a record and a track as the program writes them, no clip."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from fake_attempt import make_attempt

from analysis.record import attempt_to_json, track_frame
from cli import store

MADE_WITH = {"versions": {}, "code_sha256": "0" * 64, "options": {}, "given": {}}


def write_attempt(folder: Path, *, trainee: str | None = "T1", instructor: str | None = "I1",
                  made_at: str = "2026-03-10T09:00:00+00:00", clips: tuple[Path, ...] = (), track: bool = True,
                  **changes: Any) -> Path:
    """An attempt folder of the hand-made attempt; `changes` replace entries of its record."""
    attempt = make_attempt()
    with store.replacing(folder) as fresh:
        if track:
            store.write_track(fresh, track_frame(attempt), csv=False)
        (fresh / store.REVIEW).write_text("<p>a page with the clip in it</p>", "utf-8")
        (fresh / store.OVERLAY).write_bytes(b"moving pictures of the yard")
        store.write_record(fresh, attempt_to_json(attempt) | {
            "made_at": made_at, "program": {"name": "tailtrace", "version": "0"}, "trainee": trainee,
            "instructor": instructor, "clips": store.clip_references(clips, folder), "made_with": MADE_WITH} | changes)
    return folder


def record_of(folder: Path) -> dict[str, Any]:
    return json.loads((folder / store.RECORD).read_text("utf-8"))
