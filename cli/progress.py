"""Telling a waiting person how far the work is: a bar on a terminal, plain lines elsewhere. Always on stderr."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

Report = Callable[[str, float], None]  # (stage in plain words, fraction done from 0 to 1)
Reporting = Callable[[], AbstractContextManager[Report]]


@contextmanager
def on_terminal() -> Iterator[Report]:
    console = Console(stderr=True)
    if not console.is_terminal:
        seen: set[str] = set()

        def line(stage: str, fraction: float) -> None:
            if stage not in seen:
                seen.add(stage)
                console.print(f"{stage} …", highlight=False)

        yield line
        return
    columns = (TextColumn("{task.description:<34}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"),
               TimeElapsedColumn())
    with Progress(*columns, console=console) as bars:
        tasks: dict[str, TaskID] = {}

        def bar(stage: str, fraction: float) -> None:
            if stage not in tasks:
                for earlier in tasks.values():
                    bars.update(earlier, completed=1.0)
                tasks[stage] = bars.add_task(stage, total=1.0)
            bars.update(tasks[stage], completed=min(max(fraction, 0.0), 1.0))

        yield bar
        for task in tasks.values():
            bars.update(task, completed=1.0)
