"""The trainee's sheet: one page to print, with where, why and what to do next time. One file that opens offline."""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from importlib import resources
from typing import Any

from analysis.attempt import Attempt
from analysis.room.nouns import ShuntRoom
from cli import scene, words
from cli.pages.plan_view import still_plan
from cli.pages.svg import esc
from cli.palette import PAPER

_EARLIER_SHOWN = 4

HEADLINES = {"ok": "Well driven: no fault found", "fault": "Here is where to look next time",
             "too close to call": "No clear fault, but it was close",
             "not seen": "No fault seen, but not everything could be seen"}


def trainee_page(attempt: Attempt, record: Mapping[str, Any], earlier: Sequence[Mapping[str, Any]], *,
                 still_jpeg: bytes | None, made_on: date, trainee: str | None) -> str:
    """The page as text.

    record: the attempt as attempt.json holds it; earlier: those of earlier attempts by the same trainee, oldest
    first; still_jpeg: the clip's picture at scene.shown_moment, None when there is none.
    """
    filled = {
        "title": esc(f"{trainee or 'Trainee'} · {made_on.isoformat()}"),
        "colours": "".join(f"--{k}:{v};" for k, v in PAPER.items()),
        "style": _part("trainee.css"),
        "headline": HEADLINES[attempt.verdict],
        "facts": _facts(attempt, made_on, trainee),
        "plan": still_plan(attempt),
        "legend": _legend(attempt),
        "still": _still(attempt, still_jpeg),
        "words": _words(attempt),
        "shunts": _shunts(attempt),
        "drill": _drill(attempt),
        "progress": _progress([*earlier, record]),
        "caution": esc(f"{words.CAUTION} Try nothing alone: somebody in charge of the signal to stop stands where "
                       "you can see them."),
    }
    return re.sub(r"\{\{(\w+)\}\}", lambda found: filled[found[1]], _part("trainee.html"))


def _part(name: str) -> str:
    return (resources.files("cli.pages") / name).read_text("utf-8")


def _facts(attempt: Attempt, made_on: date, trainee: str | None) -> str:
    who = f"<b>{esc(trainee)}</b> · " if trainee else ""
    return f"{who}{esc(attempt.vehicle.name)} · {esc(attempt.course.name)} · {made_on.isoformat()}"


def _legend(attempt: Attempt) -> str:
    def key(shape: str, text: str) -> str:
        return f'<span><svg viewBox="0 0 26 10" aria-hidden="true">{shape}</svg>{text}</span>'
    keys = [key('<rect class="body" x="3" y="1" width="20" height="8"/>', "the vehicle at that moment"),
            key('<path class="trail" d="M0 5H26"/>',
                "the trailer's axle, in reverse" if attempt.trailer else "your rear axle, in reverse"),
            key('<rect class="sweep" width="26" height="10"/>', "ground passed over")]
    if attempt.room and attempt.room.reference:
        keys.append(key('<path class="reference" d="M0 5H26"/>', "the reverse that keeps the most room"))
    return "".join(keys)


def _still(attempt: Attempt, jpeg: bytes | None) -> str:
    if jpeg is None:
        return ""
    data = base64.b64encode(jpeg).decode()
    at = words.clock(scene.shown_moment(attempt).t_s)
    return (f'<figure class="still"><img src="data:image/jpeg;base64,{data}" alt="The clip at {at}">'
            f'<figcaption>The clip at {at}</figcaption></figure>')


def _words(attempt: Attempt) -> str:
    advice = attempt.advice
    parts = []
    if advice.well:
        parts.append(f'<p class="well">{esc(advice.well)}</p>')
    first = [s for s in advice.said if s.rule == advice.said[0].rule]
    what = "Worth knowing" if scene.shown_moment(attempt).kind == "note" else "What happened"
    for heading, said in zip((what, "Next time"), first, strict=False):
        parts.append(f'<div><h2>{heading}</h2><p class="said">{esc(words.unbroken(said.sentence))}</p></div>')
    for said in advice.said[len(first):]:
        parts.append(f'<div><h2>Also</h2><p class="said more">{esc(words.unbroken(said.sentence))}</p></div>')
    if not advice.said:
        parts.append('<p class="said">There is nothing that this clip clearly shows you should change.</p>')
    return "".join(parts)


def _drill(attempt: Attempt) -> str:
    drill = attempt.advice.drill
    return f'<div class="drill"><h2>To practise: {esc(drill.title)}</h2><p>{esc(drill.text)}</p></div>' if drill else ""


def _shunts(attempt: Attempt) -> str:
    """What each shunt was worth; its length alone where the room left is not known."""
    legs = [leg for leg in attempt.legs[1:] if leg.direction > 0]
    if not legs:
        return ""
    known = {s.index: s for s in (attempt.room.shunts if attempt.room else ())}
    rows = "".join(f"<tr><td>{words.clock(leg.t_start_s)}</td><td>{leg.distance_m:.1f} m</td>"
                   f"{_worth(known.get(attempt.legs.index(leg)))}</tr>" for leg in legs)
    heads = ("At", "Forward", "Room before", "after", "Needed?") if known else ("At", "Forward")
    note = ('<p class="note">Room: how far from the nearest line or cone you could still have stayed.</p>'
            if known else "")
    return f"<div><h2>What the shunts were worth</h2>{_table(heads, rows)}{note}</div>"


def _worth(shunt: ShuntRoom | None) -> str:
    if shunt is None:
        return ""
    cells = (words.figure(shunt.room_before_m, shunt.sd_before_m, "m"),
             words.figure(shunt.room_after_m, shunt.sd_after_m, "m"),
             {"yes": "yes", "no": "no"}.get(shunt.needed, "close"))
    return "".join(f"<td>{c}</td>" for c in cells)


def _table(heads: Sequence[str], rows: str) -> str:
    head = "".join(f'<th scope="col">{h}</th>' for h in heads)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


@dataclass(frozen=True)
class _Row:
    """One attempt in the table of progress."""

    day: str
    faults: int
    shunts: int
    line: str
    cone: str


def _row(record: Mapping[str, Any]) -> _Row:
    def least(kind: str) -> str:
        seen = [f for f in record["findings"] if f["kind"] == kind and f["value"] is not None]
        worst = min(seen, key=lambda f: f["value"], default=None)
        return words.figure(worst["value"], None, "m") if worst else "–"
    return _Row(str(record.get("made_at", ""))[:10], sum(f["counts"] for f in record["findings"]), record["shunts"],
                least("tyre_over_line"), least("mark_touched"))


def _progress(records: Sequence[Mapping[str, Any]]) -> str:
    """This attempt after the earlier ones; nothing when it is the first."""
    if len(records) < 2:
        return ""
    rows = [_row(r) for r in records[-_EARLIER_SHOWN - 1:]]
    last = len(rows) - 1
    cells = "".join(f'<tr{" class=now" if i == last else ""}><td>{esc(r.day)}</td><td>{r.faults}</td>'
                    f"<td>{r.shunts}</td><td>{r.line}</td><td>{r.cone}</td></tr>" for i, r in enumerate(rows))
    table = _table(("Analysed", "Faults", "Shunts", "Tyre to line", "To cone"), cells)
    return (f"<div><h2>Your attempts so far</h2>{table}"
            '<p class="note">Smallest gaps; below zero: over or touched. The last row is this attempt.</p></div>')
