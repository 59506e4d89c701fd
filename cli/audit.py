"""`tailtrace audit`: from a library to static pages that open anywhere, without a server."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import sqlalchemy as sa

from analysis.audit.audit import Audit, audit
from analysis.audit.measures import NAMES, ROOM_LOST
from analysis.audit.school import School
from analysis.audit.yard import Yard, lay
from analysis.trouble import Trouble
from cli.held import own_folder
from cli.library.database import NEVER, attempts, findings, grids
from cli.library.library import Library
from cli.library.query import Filter
from cli.pages.audit import write_pages
from cli.store import REVIEW

_COLUMNS = ("id", "run_on", "trainee", "instructor", "vehicle", "course", "verdict", "tool_verdict", "shunts", "legs",
            *NAMES)
_TOLD = ("kind", "leg", "verdict", "tool_verdict", "people_verdict", "counts", "x_m", "y_m")
ALL = Filter()
_COURSES = 4  # plans drawn: those of the courses driven most
_LAID = 20_000  # attempts laid on a plan at most, the latest


def write_audit(library: Library, out: Path, asked: Filter = ALL,
                attempt_href: Callable[[str], str] | None = None) -> Path:
    """Write the audit's pages into the folder `out`, whole or not at all, and return its index.html.

    attempt_href: the link to an attempt's page; by default to its review page, as seen from `out`.
    Raises Trouble when no attempt is like that, or when `out` holds something else.
    """
    found = audit_of(library, asked)
    if out.exists() and (not out.is_dir() or (any(out.iterdir()) and not (out / "index.html").exists())):
        raise Trouble("holds something that is not an audit", where=str(out), remedy="name another folder with --out")
    if attempt_href is None:
        attempt_href = _beside(library, out)
    parent = out.resolve().parent
    parent.mkdir(parents=True, exist_ok=True)
    with own_folder(f".{out.name}.", parent) as place:
        fresh = place / "new"
        fresh.mkdir()
        write_pages(found, fresh, attempt_href)
        if out.exists():
            out.rename(place / "old")
        fresh.rename(out)
    return out / "index.html"


def audit_of(library: Library, asked: Filter = ALL) -> Audit:
    """The audit of the attempts asked for. Raises Trouble when there are none."""
    school = load(library, asked)
    if not len(school):
        raise Trouble("no attempt is like that", where=library.storage.root,
                      remedy="ask for less, or refresh the library's index first")
    return audit(school, yards(library, school, asked))


def load(library: Library, asked: Filter = ALL) -> School:
    """The attempts asked for, in order of day, and what was found in them."""
    a, f = attempts.c, findings.c
    with library.engine.connect() as c:
        in_order = sa.func.row_number().over(partition_by=a.trainee, order_by=(a.run_on, a.id))
        turns = sa.select(a.n, sa.case((a.trainee.is_(None), 1), else_=in_order).label("turn")).subquery()
        rows = c.execute(sa.select(a.n, *(a[name] for name in _COLUMNS), turns.c.turn)
                         .join(turns, turns.c.n == a.n).where(*asked.clauses()).order_by(a.run_on, a.id))
        frame = pd.DataFrame.from_records([tuple(r) for r in rows], columns=["n", *_COLUMNS, "turn"])
        wanted = sa.select(f.attempt, *(f[name] for name in _TOLD)).where(
            sa.or_(f.verdict != "ok", f.people_verdict.is_not(None)))
        if asked != ALL:
            wanted = wanted.where(f.attempt.in_(sa.select(a.n).where(*asked.clauses())))
        told = pd.DataFrame.from_records([tuple(r) for r in c.execute(wanted.order_by(f.n))],
                                         columns=["attempt", *_TOLD])
    place = pd.Series(np.arange(len(frame)), index=frame["n"])
    told["attempt"] = place.reindex(told["attempt"]).to_numpy()
    told = told.dropna(subset="attempt").astype({"attempt": int, "counts": bool, "x_m": float, "y_m": float})
    frame = frame.astype(dict.fromkeys(NAMES, float)).rename(columns={"run_on": "day"})
    frame["day"] = pd.to_datetime(frame["day"])
    return School(frame.drop(columns="n"), told.reset_index(drop=True))


def yards(library: Library, school: School, asked: Filter = ALL) -> dict[str, Yard]:
    """Tyre clearance and places of faults on the plan of each of the courses driven most."""
    out = {}
    sure = school.findings[school.findings["verdict"] == "fault"].dropna(subset=["x_m", "y_m"])
    row_of = pd.Series(np.arange(len(school)), index=school.attempts["id"])
    for course in school.attempts["course"].value_counts().index[:_COURSES]:
        on_it = (school.attempts["course"] == course).to_numpy()
        here = sure[on_it[sure["attempt"]]]
        lost = here["kind"] == ROOM_LOST
        yard = lay(_grids(library, asked, str(course), row_of), _places(here[~lost]), _places(here[lost]))
        if yard is not None:
            out[str(course)] = yard
    return out


def _places(findings_: pd.DataFrame) -> Iterator[tuple[int, float, float]]:
    return zip(*(findings_[k].tolist() for k in ("attempt", "x_m", "y_m")), strict=True)


def _grids(library: Library, asked: Filter, course: str,
           row_of: pd.Series) -> Iterator[tuple[int, int, int, np.ndarray]]:
    g = grids.c
    wanted = (sa.select(attempts.c.id, g.ix0, g.iy0, g.nx, g.ny, g.least_mm)
              .join(attempts, attempts.c.n == g.attempt).where(attempts.c.course == course, *asked.clauses())
              .order_by(attempts.c.run_on.desc()).limit(_LAID))
    rows: dict[str, int] = row_of.to_dict()
    with library.engine.connect() as c:
        for attempt, ix0, iy0, nx, ny, raw in c.execute(wanted):
            if attempt in rows:
                mm = np.frombuffer(raw, "<i2").reshape(nx, ny)
                yield rows[attempt], ix0, iy0, np.where(mm == NEVER, np.nan, mm / 1000)


def _beside(library: Library, out: Path) -> Callable[[str], str]:
    if library.storage.local is None:
        return lambda attempt: f"{library.storage.root}/{attempt}/{REVIEW}"
    root = Path(os.path.relpath(library.storage.local, out.resolve())).as_posix()
    return lambda attempt: f"{root}/{attempt}/{REVIEW}"
