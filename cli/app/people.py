"""An attempt as it stands after people's word, and how that word is kept.

Two people may have the same attempt open. Each change names the state it was made upon (`version`: how many records
there were); when somebody was quicker the change is refused and the newer state is shown, nothing is lost unseen.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from analysis.trouble import Trouble
from cli.app.folder import Folder
from cli.held import held
from cli.library.people import (
    Correction,
    Effective,
    FindingKey,
    append_correction,
    effective,
    read_about,
    read_corrections,
)
from cli.store import PEOPLE

ACTIONS = ("confirm", "overrule", "add", "time", "note", "withdraw")
WITH_REASON = ("overrule", "add", "note")
LONGEST_REASON = 2000
_LOCK = threading.Lock()  # one writer at a time in this process, and by the held folder in all


class Overtaken(Exception):
    """Somebody else changed the attempt since this person saw it."""


@dataclass(frozen=True)
class Standing:
    """An attempt with people's word: `record` is attempt.json, `now` what holds."""

    record: Mapping[str, Any]
    corrections: tuple[Correction, ...]
    now: Effective
    trainee: str
    instructor: str
    run_on: str

    @property
    def verdict(self) -> str:
        return self.now.verdict

    @property
    def faults(self) -> int:
        return sum(bool(f["counts"]) for f in self.now.findings)

    @property
    def version(self) -> int:
        return len(self.corrections)


def standing(folder: Folder, attempt: str) -> Standing:
    """Raises NotThere for an attempt without a result."""
    record, place = folder.record(attempt), folder.attempt(attempt)
    corrections, about = read_corrections(place), read_about(place)
    return Standing(record, corrections, effective(record, corrections),
                    about.trainee or record.get("trainee") or "", about.instructor or record.get("instructor") or "",
                    about.run_on.isoformat() if about.run_on else str(record.get("made_at", ""))[:10])


def correct(folder: Folder, attempt: str, version: int, wanted: Correction) -> Standing:
    """Add a person's word to an attempt. Raises Overtaken, Trouble."""
    if wanted.action in WITH_REASON and not wanted.reason:
        raise Trouble("no reason is given", where="reason", remedy="say in a few words why")
    if wanted.t_start_s is not None and wanted.t_end_s is not None and wanted.t_end_s < wanted.t_start_s:
        raise Trouble("the end lies before the start", where="time", remedy="exchange the two")
    with _LOCK, held(folder.attempt(attempt) / PEOPLE):
        now = standing(folder, attempt)
        if now.version != version:
            raise Overtaken
        if wanted.withdraws and wanted.withdraws not in {c.id for c in now.corrections}:
            raise Trouble("what was to be undone is not there", remedy="reload the page")
        append_correction(folder.attempt(attempt), wanted)
    return standing(folder, attempt)


def correction_of(body: Mapping[str, Any], by: str, reason: str, end_s: float) -> Correction:
    """A person's word from a request. Times must lie in the clip, 0 to end_s. Raises Trouble."""
    def time_of(key: str, among: Mapping[str, Any] = body) -> float | None:
        value = among.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value) \
                or not 0 <= value <= end_s + 1:
            raise Trouble(f"'{value}' is not a time in the clip", where=key, remedy=f"0 to {end_s:.1f} seconds")
        return round(float(value), 3)

    action = str(body.get("action", ""))
    if action not in ACTIONS:
        raise Trouble(f"'{action}' is not a kind of correction", remedy="reload the page")
    key = body.get("finding")
    finding = None
    if isinstance(key, Mapping):
        start = time_of("t_start_s", body if action == "add" else key)
        finding = FindingKey(str(key.get("kind", ""))[:60], str(key.get("where", ""))[:60], start or 0.0)

    def text(name: str) -> str | None:
        return str(body[name])[:60] if body.get(name) is not None else None

    return Correction(by, action, finding, text("tool_verdict"), text("verdict"), time_of("t_start_s"),
                      time_of("t_end_s"), reason, text("withdraws"))
