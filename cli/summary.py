"""The result in the terminal: one table, the worst first."""

from __future__ import annotations

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from analysis.attempt import Attempt
from cli import words

_STYLE = {"fault": "bold red", "too close to call": "yellow", "not seen": "magenta", "note": "cyan", "ok": "green"}
_SIGN = {"fault": "✗", "too close to call": "≈", "not seen": "?", "note": "·", "ok": "✓"}


def print_summary(attempt: Attempt, page: str, console: Console | None = None) -> None:
    console = console or Console()
    title = Text(f"{words.headline(attempt)}  ({attempt.rules.name})")
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, title=title,
                  title_justify="left", title_style="bold")
    table.add_column("")
    table.add_column("verdict", no_wrap=True)
    table.add_column("finding")
    table.add_column("figure (95 %)", no_wrap=True)
    table.add_column("time", no_wrap=True)
    for f in words.worst_first(attempt.findings):
        group = words.group(f)
        table.add_row(_SIGN[group], words.verdict(f), Text(f.sentence), words.figure(f.value, f.sd, f.unit),
                      words.clock(f.t_start_s), style=_STYLE[group] if group != "ok" else None)
    console.print(table)
    for said in attempt.advice.said:
        console.print(f"→ {said.sentence}", highlight=False, markup=False)
    if attempt.advice.drill:
        console.print(f"To practise: {attempt.advice.drill.title}. {attempt.advice.drill.text}", highlight=False,
                      markup=False)
    for note in attempt.track.notes:
        console.print(f"Measurement: {note}", highlight=False, markup=False)
    console.print(words.CAUTION, style="dim", highlight=False)
    console.print(f"Review page: {page}", highlight=False, markup=False, soft_wrap=True)
