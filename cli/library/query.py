"""Finding attempts: one filter, the same on every database."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from cli.library.database import attempts, findings

if TYPE_CHECKING:
    from cli.library.library import Library

FACETS = ("trainee", "instructor", "vehicle", "course", "verdict")


@dataclass(frozen=True)
class Filter:
    """What to look for; everything left None is not asked. Days are inclusive.

    kind, place: of a finding whose verdict is 'fault' (after the people's word). text: part of the weather or notes.
    corrected: whether a person has said anything about it. ids: only these attempts.
    """

    trainee: str | None = None
    instructor: str | None = None
    vehicle: str | None = None
    course: str | None = None
    verdict: str | None = None
    kind: str | None = None
    place: str | None = None
    since: date | None = None
    until: date | None = None
    text: str | None = None
    corrected: bool | None = None
    ids: Sequence[str] | None = None

    def clauses(self) -> list[sa.ColumnElement[bool]]:
        a = attempts.c
        out: list[sa.ColumnElement[bool]] = [a[name] == value for name in FACETS
                                             if (value := getattr(self, name)) is not None]
        if self.kind is not None or self.place is not None:
            f = findings.c
            told = [f.attempt == a.n, f.verdict == "fault"]
            told += [f.kind == self.kind] if self.kind is not None else []
            told += [f.place == self.place] if self.place is not None else []
            out.append(sa.exists().where(*told))
        if self.since is not None:
            out.append(a.run_on >= self.since)
        if self.until is not None:
            out.append(a.run_on <= self.until)
        if self.text:
            out.append(sa.func.lower(a.weather + " " + a.notes).contains(self.text.lower(), autoescape=True))
        if self.corrected is not None:
            out.append(a.corrections > 0 if self.corrected else a.corrections == 0)
        if self.ids is not None:
            out.append(a.id.in_(list(self.ids)))
        return out


@dataclass(frozen=True)
class Row:
    """One attempt as the index has it. verdict is after the people's word, tool_verdict before it."""

    id: str
    run_on: date
    trainee: str | None
    instructor: str | None
    vehicle: str
    course: str
    rules: str
    weather: str
    notes: str
    tool_verdict: str
    people_verdict: str | None
    verdict: str
    faults: int
    shunts: int
    duration_s: float
    corrections: int
    program: str
    summary: str


_COLUMNS = [attempts.c[name] for name in Row.__dataclass_fields__]
_ORDERS: dict[str, list[Any]] = {
    "newest": [attempts.c.run_on.desc(), attempts.c.id.desc()], "oldest": [attempts.c.run_on, attempts.c.id],
    "trainee": [attempts.c.trainee, attempts.c.run_on, attempts.c.id],
    "faults": [attempts.c.faults.desc(), attempts.c.run_on.desc(), attempts.c.id]}
ORDERS = tuple(_ORDERS)


def find(library: Library, asked: Filter = Filter(), *, order: str = "newest", limit: int | None = 50,
         offset: int = 0) -> list[Row]:
    """The attempts asked for, in one of ORDERS; limit None for all."""
    statement = sa.select(*_COLUMNS).where(*asked.clauses()).order_by(*_ORDERS[order]).offset(offset)
    with library.engine.connect() as c:
        return [Row(*r) for r in c.execute(statement if limit is None else statement.limit(limit))]


def count(library: Library, asked: Filter = Filter()) -> int:
    with library.engine.connect() as c:
        return c.execute(sa.select(sa.func.count()).select_from(attempts).where(*asked.clauses())).scalar_one()


def one(library: Library, attempt: str) -> Row | None:
    found = find(library, Filter(ids=[attempt]))
    return found[0] if found else None


def facets(library: Library) -> dict[str, list[tuple[str, int]]]:
    """For each of FACETS the values there are, with how many attempts each has, most first."""
    out = {}
    with library.engine.connect() as c:
        for name in FACETS:
            column = attempts.c[name]
            rows = c.execute(sa.select(column, sa.func.count()).where(column.is_not(None)).group_by(column)
                             .order_by(sa.func.count().desc(), column))
            out[name] = [(str(value), int(n)) for value, n in rows]
    return out
