"""What people say about an attempt: its `people/` folder, which no analysis ever touches.

`corrections.jsonl` is append-only: one record a line, forced to disk before the caller goes on. A line torn by a
power cut is skipped by readers and closed by the next append. `about.json` is small and replaced whole.
"""

from __future__ import annotations

import json
import os
import uuid
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from analysis.attempt import VERDICTS
from analysis.trouble import Trouble
from cli.records import CODE, LARGEST_NUMBER, strict_json
from cli.store import PEOPLE
from cli.whole import write_whole

CORRECTIONS, ABOUT = "corrections.jsonl", "about.json"
ACTIONS = ("confirm", "overrule", "add", "time", "note", "withdraw")
LONGEST_NOTES = 10_000  # characters of one text
SAME_WITHIN_S = 2.0  # a finding is found again after a new analysis when it begins this near


@dataclass(frozen=True)
class FindingKey:
    """Which finding is meant: its kind, its place and when it begins (clip time)."""

    kind: str
    where: str
    t_start_s: float


@dataclass(frozen=True)
class Correction:
    """One thing a person said. `finding` None means the verdict of the whole attempt.

    action: confirm, overrule (`verdict` is the person's, `tool_verdict` what the tool said then), add (a finding of
    the person's own), time (the corrected span), note, withdraw (undoes the record whose id is `withdraws`).
    """

    by: str
    action: str
    finding: FindingKey | None = None
    tool_verdict: str | None = None
    verdict: str | None = None
    t_start_s: float | None = None
    t_end_s: float | None = None
    reason: str = ""
    withdraws: str | None = None
    id: str = ""
    at: str = ""


@dataclass(frozen=True)
class About:
    """What a person noted of an attempt as a whole. None where nothing was said."""

    trainee: str | None = None
    instructor: str | None = None
    run_on: date | None = None
    weather: str = ""
    notes: str = ""


@dataclass(frozen=True)
class Effective:
    """The record as it stands after the people's word. `findings` are the record's mappings, each with
    `tool_verdict` (None for an added one), `people_verdict` and `by` (None where nobody judged), and `added`."""

    verdict: str
    people_verdict: str | None
    findings: tuple[dict[str, Any], ...]


def read_corrections(folder: Path) -> tuple[Correction, ...]:
    """All records of an attempt folder, in the order they were made; a torn line is left out."""
    try:
        return parse_corrections((folder / PEOPLE / CORRECTIONS).read_bytes())
    except FileNotFoundError:
        return ()


def parse_corrections(raw: bytes) -> tuple[Correction, ...]:
    return tuple(c for line in raw.splitlines() if (c := _correction(line)) is not None)


def append_correction(folder: Path, correction: Correction) -> Correction:
    """Add one record, and return it with its id and time. Raises Trouble when it makes no sense or cannot be kept."""
    _check(correction)
    made = replace(correction, id=correction.id or uuid.uuid4().hex,
                   at=correction.at or datetime.now(UTC).replace(microsecond=0).isoformat())
    line = json.dumps({"schema": 1, **asdict(made)}, ensure_ascii=False, allow_nan=False).encode() + b"\n"
    path = folder / PEOPLE / CORRECTIONS
    try:
        path.parent.mkdir(exist_ok=True)
        with path.open("a+b") as f:
            if f.seek(0, os.SEEK_END) > 0:
                f.seek(-1, os.SEEK_END)
                if f.read(1) != b"\n":
                    line = b"\n" + line
            f.write(line)
            f.flush()
            os.fsync(f.fileno())
    except OSError as e:
        raise Trouble(f"the correction could not be kept ({e.strerror or e})", where=str(path),
                      remedy="is the disk full, or the folder read-only?") from None
    return made


def read_about(folder: Path) -> About:
    try:
        return parse_about((folder / PEOPLE / ABOUT).read_bytes())
    except FileNotFoundError:
        return About()
    except Trouble as e:
        raise e.at(str(folder / PEOPLE / ABOUT)) from None


def parse_about(raw: bytes) -> About:
    try:
        values = strict_json(raw)
        run_on, trainee, instructor = (values.get(k) or None for k in ("run_on", "trainee", "instructor"))
        if any(who is not None and not CODE.fullmatch(who) for who in (trainee, instructor)):
            raise ValueError
        return About(trainee, instructor, date.fromisoformat(run_on) if run_on else None,
                     str(values.get("weather") or "")[:LONGEST_NOTES], str(values.get("notes") or "")[:LONGEST_NOTES])
    except (ValueError, AttributeError, TypeError, RecursionError):
        raise Trouble("is not readable as notes about an attempt",
                      remedy="run_on is written 2026-11-25; or remove the file and note it again") from None


def write_about(folder: Path, about: About) -> None:
    """Replace the notes about an attempt, whole."""
    path = folder / PEOPLE / ABOUT
    values = {"schema": 1, **asdict(about), "run_on": about.run_on.isoformat() if about.run_on else None}
    path.parent.mkdir(exist_ok=True)
    write_whole(path, json.dumps(values, ensure_ascii=False, indent=1))


def effective(record: Mapping[str, Any], corrections: tuple[Correction, ...]) -> Effective:
    """attempt.json's findings and verdict after what people said; the latest word on each finding holds."""
    withdrawn = {c.withdraws for c in corrections if c.action == "withdraw"}
    standing = [c for c in corrections if c.id not in withdrawn]
    findings = [{**f, "tool_verdict": f["verdict"], "tool_t_start_s": f["t_start_s"], "people_verdict": None,
                 "by": None, "added": False} for f in record["findings"]]
    attempt_verdict = None
    for c in standing:
        if c.finding is None:
            if c.action in ("confirm", "overrule"):
                attempt_verdict = c.verdict
        elif c.action == "add":
            findings.append(_added(c))
        elif (f := _meant(findings, c.finding)) is not None:
            if c.action in ("confirm", "overrule"):
                f |= {"people_verdict": c.verdict, "verdict": c.verdict, "by": c.by}
            elif c.action == "time":
                f |= {k: v for k, v in (("t_start_s", c.t_start_s), ("t_end_s", c.t_end_s)) if v is not None}
    for f in findings:
        f["counts"] = f["severity"] == "fault" and f["verdict"] == "fault"
    return Effective(attempt_verdict or _verdict(findings), attempt_verdict, tuple(findings))


def _verdict(findings: list[dict[str, Any]]) -> str:
    """As `Attempt.verdict` has it, over plain records."""
    counting = {f["verdict"] for f in findings if f["severity"] == "fault"}
    return next((v for v in ("fault", "too close to call", "not seen") if v in counting), "ok")


def _meant(findings: list[dict[str, Any]], key: FindingKey) -> dict[str, Any] | None:
    same = [f for f in findings if f["kind"] == key.kind and f["where"] == key.where
            and abs(f["tool_t_start_s"] - key.t_start_s) <= SAME_WITHIN_S]
    return min(same, key=lambda f: abs(f["tool_t_start_s"] - key.t_start_s), default=None)


def _added(c: Correction) -> dict[str, Any]:
    assert c.finding is not None
    start = c.finding.t_start_s if c.t_start_s is None else c.t_start_s
    return {"kind": c.finding.kind, "where": c.finding.where, "verdict": c.verdict, "severity": "fault",
            "t_start_s": start, "t_end_s": start if c.t_end_s is None else c.t_end_s, "value": None, "sd": None,
            "unit": "1", "limit": None, "at_m": None, "sentence": c.reason, "tool_verdict": None,
            "tool_t_start_s": c.finding.t_start_s, "people_verdict": c.verdict, "by": c.by, "added": True}


def _check(c: Correction) -> None:
    if c.action not in ACTIONS:
        raise Trouble(f"'{c.action}' is not a kind of correction", remedy="allowed: " + ", ".join(ACTIONS))
    if not c.by:
        raise Trouble("the correction does not say whose it is", remedy="give the code of the person who judged")
    if c.action in ("confirm", "overrule", "add") and c.verdict not in VERDICTS:
        raise Trouble(f"'{c.verdict}' is not a verdict", remedy="allowed: " + ", ".join(VERDICTS))
    if c.action == "add" and c.finding is None:
        raise Trouble("the added finding does not say what and when", remedy="give its kind, place and time")
    if c.action == "withdraw" and not c.withdraws:
        raise Trouble("nothing to withdraw was named", remedy="give the id of the record")


def _correction(line: bytes) -> Correction | None:
    try:
        values = strict_json(line)
        key = values.get("finding")
        finding = FindingKey(_text(key["kind"]), _text(key["where"]), _time(key["t_start_s"])) if key else None
        said = {k: _text(values[k]) for k in _TEXTS if values.get(k) is not None}
        times = {k: _time(values[k]) for k in ("t_start_s", "t_end_s") if values.get(k) is not None}
        made = Correction(**said, **times, finding=finding)  # type: ignore[arg-type]
        _check(made)
        return made
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, Trouble):
        return None


_TEXTS = ("by", "action", "tool_verdict", "verdict", "reason", "withdraws", "id", "at")


def _text(value: Any) -> str:
    if not isinstance(value, str) or len(value) > LONGEST_NOTES:
        raise ValueError
    return value


def _time(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < LARGEST_NUMBER:
        raise ValueError
    return float(value)
