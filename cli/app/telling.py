"""Findings and summaries in the asker's language and units: what review, sheets, captions and progress pages say."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from types import SimpleNamespace
from typing import Any

from cli import words
from cli.app.people import Standing
from cli.app.wording import View, Wording, in_units

# places that a kind implies
_SAID_BY_KIND = ("stop", "forward pair", "stopping box", "barrier", "reverse", "bay", "coupling")


class Telling:
    """How one asker is told about an attempt."""

    def __init__(self, view: View) -> None:
        self.view, self.words = view, Wording(view.language)

    def sentence(self, finding: Mapping[str, Any]) -> str:
        """What happened, on its own. In English the analysis' sentence; else built from kind, place and figures."""
        if self.view.language == "en" or finding.get("added"):
            return in_units(finding["sentence"], self.view.units)
        figure = words.figure(finding["value"], finding["sd"], finding["unit"])
        limit = words.figure(finding["limit"], None, finding["unit"])
        tail = [figure, self.words.say("told.limit", limit=limit) if limit else ""]
        parts = [self.title(finding["kind"], finding["where"]), ", ".join(t for t in tail if t)]
        return in_units(": ".join(p for p in parts if p), self.view.units)

    def title(self, kind: str, where: str) -> str:
        """Kind and place: 'Tyre and side line, right side'."""
        return ", ".join(p for p in (self.kind(kind), self.place(where)) if p)

    def kind(self, kind: str) -> str:
        key = f"kinds.{kind}"
        return self.words.say(key) if self.words.has(key) else words.KIND_WORDS.get(kind, words.place(kind))

    def place(self, where: str) -> str:
        if not where or where in _SAID_BY_KIND:
            return ""
        key = f"places.{where}"
        return self.words.say(key) if self.words.has(key) else words.place(where)

    def fixed(self, standing: Standing) -> Callable[[str], str]:
        """How texts of an attempt's stored pages are told: fixed ones in the asker's language, lengths in theirs."""
        names = [standing.record[what]["name"] for what in ("course", "vehicle", "rules")]
        return lambda text: in_units(self.words.review(text), self.view.units, names)

    def verdict(self, verdict: str) -> str:
        return self.words.say("verdicts." + verdict.replace(" ", "_"))

    def headline(self, standing: Standing) -> str:
        return self.words.say("headlines." + standing.verdict.replace(" ", "_"))

    def counts(self, standing: Standing) -> list[dict[str, Any]]:
        """For each group that has findings: its sign, how many, and the words that go with the number."""
        n = Counter(words.group(SimpleNamespace(**f)) for f in standing.now.findings)  # type: ignore[arg-type]
        return [{"sign": words.COLOUR[g], "n": n[g], "what": self.words.say(
            "groups.fault_one" if g == "fault" and n[g] == 1 else f"groups.{g.replace(' ', '_')}")}
            for g in words.GROUPS if n[g]]


def in_page_order(standing: Standing) -> list[int]:
    """Indices into the record's findings, in the order in which review pages list them."""
    told = [SimpleNamespace(verdict=f["verdict"], severity=f["severity"], t_start_s=f["t_start_s"], index=i)
            for i, f in enumerate(standing.record["findings"])]
    return [t.index for t in words.worst_first(tuple(told))]  # type: ignore[arg-type, attr-defined]
