"""How long a school keeps what: `retention.toml` in the library, read and written by people.

    schema = 1
    pictures_days = 365     # clips, overlays, stills and review pages: everything that shows people
    records_days = 1825     # the whole attempt

Both count from the day of the run. A key left out, or 0, means: kept until somebody removes it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from analysis.table import Table
from analysis.trouble import Trouble
from cli.files import read_as
from cli.library.erase import Proof, has_pictures, remove_attempts, remove_pictures
from cli.library.library import Library
from cli.library.query import Filter, find

RETENTION = "retention.toml"


@dataclass(frozen=True)
class Retention:
    """Days after the run; None: no end."""

    pictures_days: int | None
    records_days: int | None


@dataclass(frozen=True)
class Due:
    """The ids of attempts whose time is over: to be removed whole, and to lose their pictures."""

    attempts: tuple[str, ...]
    pictures: tuple[str, ...]


def retention_from_table(values: Mapping[str, Any]) -> Retention:
    t = Table(values)
    t.whole("schema", 1, 1, 1)
    pictures, records = t.whole("pictures_days", 0, 36500, 0), t.whole("records_days", 0, 36500, 0)
    t.done()
    return Retention(pictures or None, records or None)


def read_retention(library: Library) -> Retention:
    path = library.own.parent / RETENTION
    if not path.exists():
        raise Trouble("the library has no retention periods yet", where=str(path),
                      remedy="write the file, e.g.  pictures_days = 365  and  records_days = 1825")
    return read_as(path, retention_from_table)


def due(library: Library, today: date) -> Due:
    """What `apply` would remove."""
    periods = read_retention(library)
    library.refresh()

    def older(days: int | None) -> list[str]:
        if days is None:
            return []
        last = today - timedelta(days=days + 1)
        return [r.id for r in find(library, Filter(until=last), order="oldest", limit=None)]

    whole = older(periods.records_days)
    pictures = [i for i in older(periods.pictures_days) if i not in set(whole) and has_pictures(library, i)]
    return Due(tuple(whole), tuple(pictures))


def apply(library: Library, today: date) -> list[Proof]:
    """Remove what is past its time; one proof for whole attempts and one for pictures, where there were any."""
    past = due(library, today)
    proofs = [remove_attempts(library, past.attempts)] if past.attempts else []
    if past.pictures:
        proofs.append(remove_pictures(library, past.pictures))
        library.refresh()
    return proofs
