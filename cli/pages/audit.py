"""The audit's pages: a folder of plain files that open from a disk, a share or a server, with nothing fetched."""

from __future__ import annotations

import json
from collections.abc import Callable
from importlib import resources
from pathlib import Path

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined

from analysis.attempt import VERDICTS
from analysis.audit.audit import GROUPED, Audit
from analysis.audit.learning import STEADY
from analysis.audit.measures import BY_NAME, LEG_WORDS, LEGS
from analysis.audit.patterns import RATE
from analysis.audit.yard import NEAR_M
from cli import words
from cli.pages import audit_charts as charts
from cli.pages import audit_words as told
from cli.pages.audit_month import months_of
from cli.palette import PAPER

PAGES = (("index", "Overview"), ("faults", "Faults"), ("time", "Over time"), ("groups", "Groups"),
         ("trainees", "Trainees"), ("patterns", "Patterns"), ("yard", "On the yard"), ("tool", "Tool and instructors"),
         ("attempts", "Attempts"))


class Selections:
    """The attempts behind each figure: a link for each set of them, and the file that the list of attempts reads."""

    def __init__(self, audit: Audit) -> None:
        self._audit = audit
        self._sets: dict[tuple[str, int], tuple[str, np.ndarray]] = {}

    def to(self, rows: np.ndarray, title: str) -> str | None:
        """The link to these attempts (row numbers); None when there are none. A title and number name a set."""
        if not len(rows):
            return None
        key, _ = self._sets.setdefault((title, len(rows)), (f"s{len(self._sets)}", np.sort(np.asarray(rows, int))))
        return f"attempts.html#{key}"

    def script(self, href: Callable[[str], str]) -> str:
        """attempts.js: all attempts and all sets; a set is the differences of its row numbers."""
        a = self._audit.school.attempts
        kinds = self._audit.school.kinds
        had: list[list[int]] = [[] for _ in range(len(a))]
        f = self._audit.school.findings
        faults = f[f["verdict"] == "fault"].drop_duplicates(["attempt", "kind"])
        for row, kind in zip(faults["attempt"], faults["kind"], strict=True):
            had[row].append(kinds.index(kind))
        columns = [a["day"].dt.strftime("%Y-%m-%d"), a["trainee"], a["instructor"], a["vehicle"], a["course"],
                   a["verdict"]]
        rows = [[href(i), i, *(None if v is None or v != v else v for v in values), told_of]
                for i, values, told_of in zip(a["id"], zip(*columns, strict=True), had, strict=True)]
        sets = {key: [title, " ".join(map(str, np.diff(rows_, prepend=0).tolist()))]
                for (title, _), (key, rows_) in self._sets.items()}
        data = {"kinds": [told.kind(k) for k in kinds], "verdicts": words.VERDICT_WORDS, "rows": rows, "sets": sets}
        return f"const AUDIT = {json.dumps(data, ensure_ascii=False, separators=(',', ':'))};\n"


def write_pages(audit: Audit, folder: Path, attempt_href: Callable[[str], str]) -> None:
    """Write every page of the audit into an empty folder. attempt_href gives the link to an attempt by its id."""
    links = Selections(audit)
    environment = Environment(loader=PackageLoader("cli", "pages"), autoescape=True, undefined=StrictUndefined,
                              trim_blocks=True, lstrip_blocks=True)
    months = months_of(audit)
    environment.globals.update(audit=audit, school=audit.school, words=told, charts=charts, pages=PAGES, to=links.to,
                               months=months, caution=words.CAUTION, legs=LEGS, leg_words=LEG_WORDS, by_name=BY_NAME,
                               grouped=GROUPED, verdicts=VERDICTS, verdict_words=words.VERDICT_WORDS,
                               percent=charts.percent, steady=STEADY, false_rate=RATE, near_cm=round(100 * NEAR_M),
                               words_minus=words.minus,
                               all_rows=np.arange(len(audit.school)))
    for name, title in PAGES:
        page = environment.get_template(f"audit_{name}.html").render(here=name, title=title)
        (folder / f"{name}.html").write_text(page, "utf-8")
    month = environment.get_template("audit_month.html")
    for m in months:
        page = month.render(here="month", title=f"Month {m.name}", month=m)
        (folder / f"month-{m.name}.html").write_text(page, "utf-8")
    colours = ":root{" + "".join(f"--{k}:{v};" for k, v in PAPER.items()) + "}\n"
    (folder / "audit.css").write_text(colours + _part("audit.css"), "utf-8")
    (folder / "attempts.js").write_text(links.script(attempt_href) + _part("audit.js"), "utf-8")


def _part(name: str) -> str:
    return (resources.files("cli.pages") / name).read_text("utf-8")
